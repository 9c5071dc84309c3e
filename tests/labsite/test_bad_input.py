"""Bad input at every form and address: no answer is broken, and text stays text.

The lab's stored text is hostile before anybody comes, past every form, as if it had come through a
door that we do not know; then a visitor with all roles opens every page and sends every form.
"""

import io
import json
import struct
import uuid
import zipfile
import zlib
from collections import Counter
from collections.abc import Iterator
from itertools import cycle
from urllib.parse import quote

import openpyxl
import pytest
from django.core.cache import cache
from django.db import transaction
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from PIL import Image

from tests.labsite.bad_inputs import (
    BYTES,
    DAYS,
    EVENTS,
    JSON_BODIES,
    JSON_VALUES,
    MARK,
    NUMBERS,
    PATHS,
    SCRIPTS,
    SQL,
    TEXTS,
    UNICODE,
)
from tests.labsite.hostile_lab import HostileLab, build_hostile_lab
from tests.labsite.test_every_address import ALL, path_of
from tests.labsite.visitor import Visitor, faults_of
from trials.models import Reading, Run


@pytest.fixture(scope="module")
def lab(django_db_setup: None, django_db_blocker) -> Iterator[HostileLab]:
    with django_db_blocker.unblock(), transaction.atomic():
        yield build_hostile_lab()
        transaction.set_rollback(True)


@pytest.fixture
def client(lab: HostileLab, db: None) -> Client:
    cache.clear()  # the API's brake counts requests there
    client = Client(raise_request_exception=False)
    client.force_login(lab.everybody)
    return client


def test_there_are_more_than_three_hundred() -> None:
    assert len({*TEXTS, *NUMBERS, *DAYS, *JSON_VALUES}) + len(BYTES) + len(JSON_BODIES) > 400


def test_every_page_and_form(client: Client, lab: HostileLab) -> None:
    visitor = Visitor(client)
    picture = reverse("lab-service-picture", args=[lab.bench.specimens[0].code])
    visitor.walk(
        "/bench/", "/lab/", "/desk/", "/", "/account/", "/people/", "/audit/", "/jobs/", "/feed.atom",
        picture,
    )  # fmt: skip
    assert visitor.faults == []
    # it went far enough for that to say something
    assert len(visitor.marked) > 100
    assert len(visitor.stored_by) > 30
    assert len(visitor.used) > 300


# --- the API --------------------------------------------------------------------------------------


def right_value(name: str, shape: dict, lab: HostileLab):
    """Something of the right kind for a property of a body, from its description and its name."""
    known = {
        "run": lambda: Run.objects.filter(study=lab.bench.study, readings=None).first().pk,
        "raw": lambda: {"seconds": 4.2, "ended": "failed"},
        "specimen": lambda: lab.bench.specimens[0].code,
        "code": lambda: lab.bench.specimens[0].code,
        "method": lambda: "belt-abrasion",
        "zone": lambda: "left-sleeve",
        "how": lambda: "typed",
        "answers": lambda: {"eyes": True},
        "shows": lambda: "after",
        "reason": lambda: "slipped",
    }
    if name in known:
        return known[name]()
    kinds = shape.get("type", "string")
    kind = next((k for k in kinds if k != "null"), "null") if isinstance(kinds, list) else kinds
    if kind == "string":
        by_format = {"uuid": str(uuid.uuid4()), "date-time": timezone.now().isoformat()}
        return by_format.get(shape.get("format", ""), "words")
    return {"integer": 1, "number": 0.0, "boolean": True, "array": [], "object": {}}[kind]


def api_operations(client: Client, lab: HostileLab) -> Iterator[tuple[str, str, dict, dict]]:
    """(method, path, shapes of the properties, a right body) of all that takes JSON."""
    schema = client.get("/api/v1/schema.json").json()
    holes = {
        "{slug}": lab.bench.study.slug, "{run_id}": str(Run.objects.first().pk),
        "{left_out_id}": "1", "{key}": "belt-abrasion", "{number}": "1",
    }  # fmt: skip
    for path, item in schema["paths"].items():
        for method in ("put", "post"):
            content = item.get(method, {}).get("requestBody", {}).get("content", {})
            if "application/json" not in content:
                continue
            shape = content["application/json"]["schema"]
            if "$ref" in shape:
                shape = schema["components"]["schemas"][shape["$ref"].rsplit("/", 1)[-1]]
            for hole, filled in holes.items():
                path = path.replace(hole, filled)
            shapes = shape.get("properties", {})
            yield method, path, shapes, {n: right_value(n, s, lab) for n, s in shapes.items()}


def fill_ids(path: str) -> str:
    while "{" in path:
        start, end = path.index("{"), path.index("}") + 1
        path = path[:start] + str(uuid.uuid4()) + path[end:]
    return path


def test_every_body_of_the_api(client: Client, lab: HostileLab) -> None:
    """Each property of each body with texts, numbers, days and every shape of JSON."""
    texts = cycle([json.dumps(text) for text in (*TEXTS, *DAYS)])
    wrong, faults, answers = cycle(JSON_VALUES), [], Counter()
    operations = list(api_operations(client, lab))
    assert len(operations) > 12

    def send(method: str, path: str, body: bytes) -> None:
        answer = client.generic(method.upper(), fill_ids(path), body, "application/json")
        answers[answer.status_code] += 1
        faults.extend(f"{method} {path} {body[:200]!r} {fault}" for fault in faults_of(answer))

    for method, path, shapes, right in operations:
        cache.clear()
        send(method, path, json.dumps(right).encode())
        for body in JSON_BODIES:
            send(method, path, body)
        for name in shapes:
            for value in (*(next(texts) for _ in range(3)), *(next(wrong) for _ in range(3))):
                rest = {n: v for n, v in right.items() if n != name}
                whole = json.dumps(rest)[:-1] + (", " if rest else "") + json.dumps(name)
                send(method, path, f"{whole}: {value}}}".encode("utf-8", "surrogatepass"))
    assert faults == []
    assert answers[400] > 400
    assert answers[200] + answers[201] + answers[409] > 20


def test_every_list_of_the_api_takes_any_question(client: Client) -> None:
    faults = []
    questions = cycle([*SQL, *UNICODE, *NUMBERS, *DAYS, *PATHS])
    lists = [path_of(route) for route, p in ALL if route.startswith("/api/") and p.name != "api"]
    for path in lists:
        cache.clear()
        for name in ("cursor", "size", "start", "study", "code", "entered_since", "kind", MARK):
            answer = client.get(path, {name: next(questions)})
            faults.extend(f"{path} {name} {fault}" for fault in faults_of(answer))
    assert faults == []


def test_headers_and_paths_that_nobody_should_send(client: Client) -> None:
    faults = []
    parts = ("scorecards", "lab/specimens", "api/v1/readings", "welcome", "photos", "static", "de")
    beginnings = cycle(f"/{part}/" for part in parts)
    addresses = ["/", "/bench/", "/api/v1/session/", "/lab/specimens/", "/sign-in/"]
    for text in [*PATHS, *SQL, *UNICODE, *SCRIPTS]:
        before = next(beginnings)
        answer = client.get(before + quote(text) + "/")
        faults.extend(f"{before}{text!r} {fault}" for fault in faults_of(answer))
        header = text.encode("ascii", "ignore").decode()
        answer = client.get(
            addresses[len(text) % len(addresses)],
            headers={"X-Request-ID": header, "Accept-Language": header, "Referer": header,
                     "X-Forwarded-For": header, "Range": header, "If-None-Match": header,
                     "Authorization": f"Bearer {header}", "Cookie": f"sessionid={header}",
                     "X-Entered-By": header, "Accept": header},
        )  # fmt: skip
        faults.extend(f"headers {text!r} {fault}" for fault in faults_of(answer))
    assert faults == []


# --- files ----------------------------------------------------------------------------------------


def encoded(kind: str, size: tuple[int, int] = (64, 48), **how) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", size, (200, 30, 30)).save(out, kind, **how)
    return out.getvalue()


def png_of(width: int, height: int, *, told: bytes = b"") -> bytes:
    """A PNG that says how large it is and holds one row (PNG, ISO/IEC 15948, 11.2)."""

    def chunk(name: bytes, content: bytes) -> bytes:
        end = struct.pack(">I", zlib.crc32(name + content))
        return struct.pack(">I", len(content)) + name + content + end

    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    rows = zlib.compress(b"\0" * 5_000_000, 9)
    parts = [chunk(b"IHDR", head), chunk(b"tEXt", b"Comment\0" + told), chunk(b"IDAT", rows)]
    return b"\x89PNG\r\n\x1a\n" + b"".join([*parts, chunk(b"IEND", b"")])


def zipped(**members: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name.replace("__", "/").replace("_", "."), content)
    return out.getvalue()


SCRIPT = b"<script>zqx(1)</script>"
SVG = b'<svg xmlns="http://www.w3.org/2000/svg" onload="zqx(1)">' + SCRIPT + b"</svg>"
ENTITIES = (
    b'<?xml version="1.0"?><!DOCTYPE r [<!ENTITY a "zqx"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">'
    b'<!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;"><!ENTITY d "&c;&c;&c;&c;&c;&c;&c;&c;">'
    b'<!ENTITY e "&d;&d;&d;&d;&d;&d;&d;&d;"><!ENTITY f "&e;&e;&e;&e;&e;&e;&e;&e;">'
    b'<!ENTITY g "&f;&f;&f;&f;&f;&f;&f;&f;"><!ENTITY h "&g;&g;&g;&g;&g;&g;&g;&g;">]><r>&h;</r>'
)
OUTSIDE = b'<?xml version="1.0"?><!DOCTYPE r [<!ENTITY x SYSTEM "file:///etc/passwd">]><r>&x;</r>'


def workbook(*rows, **members: bytes) -> bytes:
    """A real spreadsheet, with some of its parts replaced."""
    made = openpyxl.Workbook()
    for row in rows:
        made.active.append(row)
    out, changed = io.BytesIO(), io.BytesIO()
    made.save(out)
    with zipfile.ZipFile(out) as old, zipfile.ZipFile(changed, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            new.writestr(name, members.get(name.rsplit("/", 1)[-1].split(".")[0], old.read(name)))
    return changed.getvalue()


FILES = {
    "nothing": b"",
    "one byte": b"\0",
    "a page": b"<!DOCTYPE html><html>" + SCRIPT + b"</html>",
    "a drawing with script": SVG,
    "a program": b"\x7fELF" + b"\0" * 400,
    "a shell script": b"#!/bin/sh\ntouch /tmp/zqx\n",
    "a PHP file": b"<?php system('touch /tmp/zqx'); ?>",
    "a PDF": b"%PDF-1.7\n1 0 obj<</OpenAction<</S/JavaScript/JS(zqx)>>>>endobj",
    "a pickle": b"cos\nsystem\n(S'touch /tmp/zqx'\ntR.",
    "a GIF that is a script": b"GIF89a/*" + b"\0" * 40 + b"*/=1;zqx(1)//",
    "a JPEG with a page behind it": encoded("JPEG") + SCRIPT,
    "a JPEG with a page in its comment": encoded("JPEG", comment=SCRIPT),
    "a JPEG cut short": encoded("JPEG")[:300],
    "only the first bytes of a JPEG": b"\xff\xd8\xff\xe0" + b"\xff" * 3_000,
    "a JPEG with a zip behind it": encoded("JPEG") + zipped(a_html=SCRIPT),
    "a PNG with a page in its text": encoded("PNG")[:-12] + SCRIPT,
    "a PNG of 4,000 million pixels": png_of(65_000, 65_000),
    "a PNG of no pixels": png_of(0, 0),
    "a PNG with more rows than it says": png_of(64, 48, told=SCRIPT),
    "a PNG that lies about its length": png_of(64, 48)[:40] + b"\xff\xff\xff\xff" + b"IDAT",
    "a WebP that is none": b"RIFF\x10\0\0\0WEBPVP8 " + b"\xff" * 16,
    "a TIFF named JPEG": encoded("TIFF"),
    "a BMP": encoded("BMP"),
    "an icon": encoded("ICO"),
    "a zip": zipped(a_csv=b"a,b\n1,2\n"),
    "a zip that climbs": zipped(**{"..__..__etc__cron": b"zqx"}),
    "a zip cut short": zipped(a_csv=b"a" * 5_000)[:60],
    "a zip of 100 MB of nothing": zipped(xl__worksheets__sheet1_xml=b"\0" * 100_000_000),
    "a spreadsheet with entities": workbook(["a"], sheet1=ENTITIES),
    "a spreadsheet that asks outside": workbook(["a"], sheet1=OUTSIDE),
    "a spreadsheet whose parts ask outside": workbook(["a"], workbook=OUTSIDE),
    "a spreadsheet with entities in its words": workbook(["a"], sharedStrings=ENTITIES),
    "a spreadsheet of broken XML": workbook(["a"], sheet1=b"<worksheet><sheetData><row>"),
    "a spreadsheet in the last column": workbook(
        ["a"],
        sheet1=b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
        b'<sheetData><row r="1048576"><c r="XFD1048576" t="n"><v>1</v></c></row></sheetData>'
        b"</worksheet>",
    ),
    "a spreadsheet of formulas": workbook(["code", "=cmd|'/c calc'!A1"], ["=1+1", "=zqx"]),
    "a spreadsheet of markup": workbook(SCRIPTS[:4], EVENTS),
    "an old spreadsheet": b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600,
    "a table of markup": "\n".join(",".join(SCRIPTS) for _ in range(3)).encode(),
    "a table of formulas": b"specimen,method\n=1+1,@SUM(1)\n",
    "a table with a name twice": b"specimen,specimen,specimen\n1,2,3\n",
    "a table of one long line": b"a," * 200_000,
    "a table of one open quote": b'specimen,method\n"zqx' + b"x" * 300_000,
    "a table of many empty lines": b"\n" * 300_000,
    "UTF-16": "specimen,method\nzqx,1\n".encode("utf-16"),
    "UTF-16 without its mark": "specimen,method\n".encode("utf-16-le"),
    "UTF-7": b"+ADw-script+AD4-zqx(1)+ADw-/script+AD4-,b\n1,2\n",
    "broken UTF-8": b"specimen,method\n\xff\xfe\xfd,1\n",
    "nulls": b"specimen,method\n\0,\0\n",
    "entities alone": ENTITIES,
    "an address outside alone": OUTSIDE,
    "deep JSON": b"[" * 200_000,
    "JSON of no number": b'{"a": NaN, "b": 1e999}',
    "lines of JSON": b'{"zqx": 1}\n' * 4_000,
    "a trace of no number": b"time,head\nnan,inf\n-inf,1e999\n",
    "a trace of one time": b"0,1\n" * 50_000,
    "a trace backwards": b"".join(b"%d,1\n" % n for n in range(5_000, 0, -1)),
}
NAMES = [
    "../../etc/passwd", "..\\..\\boot.ini", "zqx\r\nX-Zqx: 1.csv", '"><script>zqx(1)</script>.csv',
    "a.svg", "a.html", "a.php.jpg", "a.jpg.exe", "CON", ".htaccess", "x" * 300 + ".csv", "zqx\u202egpj.exe",
    "a.xlsx", "a.csv", "a.jpg", "", ".", "~", "=zqx.csv", "$(zqx).csv",
]  # fmt: skip


@pytest.mark.parametrize("what", FILES)
def test_no_file_breaks_a_page_that_takes_files(client: Client, lab: HostileLab, what: str) -> None:
    """Every page that takes a file takes it in one of its forms, or says no in words."""
    study, faults = lab.bench.study.slug, []
    trace = Run.objects.filter(revision__method__key="headform-drop", study=lab.bench.study).first()
    number = list(FILES).index(what)
    before = Reading.objects.count()
    pages = [
        *(reverse("lab-record-add", args=[key]) for key in ("specimens", "service", "methods")),
        reverse("lab-file-add", args=[study]),
        reverse("entries-file"),
        *([reverse("lab-trace-add", args=[trace.pk])] if trace else []),
    ]
    for place, page in enumerate(pages):
        name = NAMES[(number + place * 7) % len(NAMES)]
        body = (
            b'--zqx\r\nContent-Disposition: form-data; name="file"; filename="'
            + name.replace('"', "%22").encode()
            + b'"\r\nContent-Type: image/jpeg\r\n\r\n'
            + FILES[what]
            + b"\r\n--zqx--\r\n"
        )
        answer = client.post(page, body, "multipart/form-data; boundary=zqx", follow=True)
        faults += [f"{page} {name!r} {fault}" for fault in faults_of(answer)]
        assert "root:" not in answer.content.decode(), page
        # a name without a file is a field that is left empty
        assert answer.status_code in (200, 400, 413), page
    run = Run.objects.filter(study=lab.bench.study).first()
    said = f"run={run.pk}&taken_at={quote(timezone.now().isoformat())}&shows=after"
    photo = client.put(f"/api/v1/photos/{uuid.uuid4()}/?{said}", FILES[what], "image/jpeg")
    faults += faults_of(photo)
    if photo.status_code == 201:
        for size in ("full", "display"):
            kept = client.get(reverse("photo-file", args=[photo.json()["id"], size]))
            body = b"".join(kept.streaming_content)
            # written anew: nothing of what was sent but its colours
            assert kept.headers["Content-Type"] == "image/jpeg"
            assert kept.headers["X-Content-Type-Options"] == "nosniff"
            assert MARK.encode() not in body
            assert Image.open(io.BytesIO(body)).format == "JPEG"
    assert faults == []
    assert Reading.objects.count() == before
