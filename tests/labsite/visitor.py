"""Somebody who opens every page, sends every form, and looks at what became of what was sent."""

import csv
import io
import json
import re
import zipfile
from collections import Counter, deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser
from itertools import cycle
from urllib.parse import urljoin, urlsplit
from xml.etree import ElementTree as ET

import html5lib
import openpyxl
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import Resolver404, resolve

from tests.labsite.bad_inputs import BYTES, DAYS, MARK, MARKUP, NUMBERS, TEXTS

TYPED = {"text", "search", "url", "email", "tel", "textarea", "password", ""}
ADDRESSES = {"href", "src", "action", "formaction", "xlink:href", "data", "srcset", "poster"}
RUNS_SCRIPT = re.compile(r"(?i)^(java|vb)script:|^data:(text/html|image/svg|text/javascript)")
NEVER_OURS = {"iframe", "object", "embed", "base", "frame", "frameset", "applet", "marquee"}
DATA_TYPES = {"application/json", "application/ld+json", "importmap"}
MOST_OF_A_ROUTE = 1


# --- what an answer says ------------------------------------------------------------------------


def body_of(answer) -> bytes:
    """What came, also of an answer that can be read only once."""
    if not hasattr(answer, "body_read"):
        whole = answer.streaming_content if answer.streaming else [answer.content]
        answer.body_read = b"".join(whole)
    return answer.body_read


def faults_of(answer) -> list[str]:
    """What is wrong with an answer: broken, or something sent came back as more than text."""
    if answer.status_code >= 500:
        return [f"{answer.status_code}: {answer.exc_info[1]!r:.300}"]
    faults = [
        f"header {name}"
        for name, value in answer.headers.items()
        if MARK in name.lower() or "\n" in value or "\r" in value
    ]
    onward = answer.headers.get("Location", "")
    if urlsplit(onward).netloc or onward.startswith(("//", "/\\")) or "zqx.example" in onward[:30]:
        faults.append(f"leads away: {onward:.80}")
    body = body_of(answer)
    kind = answer.headers.get("Content-Type", "").split(";")[0]
    if MARK.encode() in body:
        faults += list(LOOKS.get(kind, no_faults)(body))
    return faults


def no_faults(body: bytes) -> Iterator[str]:
    yield from ()


def html_faults(body: bytes) -> Iterator[str]:
    """As a browser would read the page (html5lib follows the HTML standard's own parser)."""
    tree = html5lib.parse(body.decode(), namespaceHTMLElements=False)
    for element in tree.iter():
        if not isinstance(element.tag, str):
            if MARK in (element.text or ""):
                yield f"comment {element.text!r:.80}"
            continue
        yield from element_faults(element)


def element_faults(element) -> Iterator[str]:
    tag = element.tag.rsplit("}")[-1].lower()
    attributes = {str(name).rsplit("}")[-1].lower(): text for name, text in element.attrib.items()}
    if MARK in tag or tag in NEVER_OURS:
        yield f"element {tag}"
    for name, text in attributes.items():
        if name.startswith("on") or MARK in name or (name == "style" and MARK in text):
            yield f"attribute {name}={text!r:.80} of {tag}"
        # a picture runs nothing
        runs = name in ADDRESSES and tag != "img"
        if runs and RUNS_SCRIPT.match(re.sub(r"[\x00-\x20]", "", text)):
            yield f"address {text!r:.80} of {tag}"
    words = element.text or ""
    if tag == "script" and attributes.get("type") in DATA_TYPES:
        try:
            json.loads(words, parse_constant=float.fromhex)
        except ValueError as error:
            yield f"data in a script: {error}"
    elif tag in ("script", "style") and words.strip():
        yield f"{tag} {words!r:.80}"
    if tag == "meta" and attributes.get("http-equiv", "").lower() == "refresh":
        yield "refresh"


def xml_faults(body: bytes) -> Iterator[str]:
    try:
        tree = ET.fromstring(body)
    except ET.ParseError as error:
        yield f"not XML: {error}"
        return
    for element in tree.iter():
        yield from element_faults(element)


def json_faults(body: bytes) -> Iterator[str]:
    try:
        json.loads(body, parse_constant=float.fromhex)
    except ValueError as error:
        yield f"not JSON: {error}"


def csv_faults(body: bytes) -> Iterator[str]:
    """A spreadsheet takes a cell with these first characters for a formula (CWE-1236)."""
    for row in csv.reader(io.StringIO(body.decode("utf-8-sig"), newline="")):
        for cell in row:
            if MARK in cell and cell[:1] in "=+-@\t\r":
                yield f"formula {cell!r:.80}"


def xlsx_faults(body: bytes) -> Iterator[str]:
    for sheet in openpyxl.load_workbook(io.BytesIO(body)):
        for row in sheet.iter_rows():
            for cell in row:
                if cell.data_type == "f":
                    yield f"formula {cell.value!r:.80}"


LOOKS = {
    "text/html": html_faults,
    "image/svg+xml": xml_faults,
    "application/atom+xml": xml_faults,
    "application/xml": xml_faults,
    "application/json": json_faults,
    "application/problem+json": json_faults,
    "application/ld+json": json_faults,
    "text/csv": csv_faults,
    "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet": xlsx_faults,
}


def packed(body: bytes) -> list[str]:
    """The names inside a zip file."""
    with zipfile.ZipFile(io.BytesIO(body)) as archive:
        return archive.namelist()


# --- forms --------------------------------------------------------------------------------------


@dataclass
class Field:
    name: str
    kind: str
    value: str = ""
    options: list[str] = field(default_factory=list)
    longest: int = 10**6
    is_invalid: bool = False
    is_chosen: bool = False


@dataclass
class Form:
    action: str
    is_post: bool
    fields: list[Field] = field(default_factory=list)


class Reader(HTMLParser):
    """The links and forms of a page."""

    def __init__(self, address: str) -> None:
        super().__init__()
        self.address, self.links, self.forms = address, [], []
        self._select: Field | None = None
        self._text: Field | None = None

    def handle_starttag(self, tag: str, given: list) -> None:
        at = {name: value or "" for name, value in given}
        if tag == "a" and at.get("href"):
            self.links.append(urljoin(self.address, at["href"]))
        elif tag == "form":
            action = urljoin(self.address, at.get("action", "") or self.address)
            self.forms.append(Form(action, at.get("method", "").lower() == "post"))
        elif tag == "option" and self._select is not None:
            self._select.options.append(at.get("value", ""))
            if "selected" in at:
                self._select.value = at.get("value", "")
        elif tag in ("input", "select", "textarea", "button") and at.get("name") and self.forms:
            self._field(tag, at)

    def _field(self, tag: str, at: dict[str, str]) -> None:
        kind = at.get("type", "text").lower() if tag == "input" else tag
        made = Field(
            at["name"],
            kind,
            at.get("value", ""),
            longest=int(at.get("maxlength") or 10**6),
            is_invalid=at.get("aria-invalid") == "true",
            is_chosen="checked" in at,
        )
        self.forms[-1].fields.append(made)
        self._select = made if tag == "select" else self._select
        self._text = made if tag == "textarea" else None

    def handle_data(self, text: str) -> None:
        if self._text is not None:
            self._text.value += text

    def handle_endtag(self, tag: str) -> None:
        if tag == "textarea":
            self._text = None
        elif tag == "select":
            self._select = None


def read(address: str, body: bytes) -> Reader:
    reader = Reader(address)
    reader.feed(body.decode(errors="replace"))
    return reader


# --- the walk -----------------------------------------------------------------------------------


@dataclass
class Visitor:
    """Walks by links from page to page; one page of each kind, and each form of it."""

    client: Client
    is_writing: bool = True
    left_alone: tuple[str, ...] = ("/sign-out/", "/sign-in/", "/admin/")
    seen: Counter[str] = field(default_factory=Counter)
    asked: set[str] = field(default_factory=set)
    sent: Counter[tuple] = field(default_factory=Counter)
    used: set[str] = field(default_factory=set)
    faults: list[str] = field(default_factory=list)
    marked: set[str] = field(default_factory=set)
    stored_by: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        self._markup, self._texts = cycle(MARKUP), cycle(TEXTS)
        self._numbers, self._days, self._bytes = cycle(NUMBERS), cycle(DAYS), cycle(BYTES)

    def walk(self, *starts: str) -> None:
        waiting = deque(starts)
        while waiting:
            address = waiting.popleft().split("#")[0]
            route = route_of(address)
            if (
                route is None
                or address in self.asked
                or address.startswith(self.left_alone)
                or self.seen[route] >= MOST_OF_A_ROUTE
            ):
                continue
            self.asked.add(address)
            self.seen[route] += 1
            page = self._note(self.client.get(address), f"GET {address}", route)
            waiting.extend(page.links)
            for form in page.forms:
                waiting.extend(self._try(route, form))

    def _note(self, answer, what: str, route: str) -> Reader:
        self.faults += [f"{what:.200} {fault}" for fault in faults_of(answer)]
        if MARK.encode() in body_of(answer):
            self.marked.add(route)
        if "text/html" not in answer.headers.get("Content-Type", "") or answer.streaming:
            return Reader(what)
        address = answer.request["PATH_INFO"]
        page = read(address, answer.content)
        if "Location" in answer.headers:
            page.links.append(urljoin(address, answer.headers["Location"]))
        return page

    def _try(self, route: str, form: Form) -> list[str]:
        action = route_of(form.action)
        names = tuple(sorted({one.name for one in form.fields}))
        key = (route, action, names)
        if action is None or self.sent[key] or form.action.startswith(self.left_alone):
            return []
        self.sent[key] += 1
        if not form.is_post:
            self._send(form, self._wrong(form))
            return []
        if not self.is_writing:
            return []
        self._send(form, self._wrong(form))
        return self._keep(form, action)

    def _keep(self, form: Form, action: str) -> list[str]:
        """Send markup where text is wanted, and the right thing elsewhere, so that it is kept."""
        values = self._right(form)
        answer, page = self._send(form, values)
        for plain in ("1", "zqx-plain"):
            wrong = {one.name for again in page.forms for one in again.fields if one.is_invalid}
            if answer.status_code != 400 or not wrong & set(values):
                break
            values |= dict.fromkeys(wrong & set(values), plain)
            answer, page = self._send(form, values)
        if answer.status_code == 302:
            self.stored_by.add(action)
        return page.links

    def _send(self, form: Form, values: dict):
        if form.is_post:
            answer = self.client.post(form.action, values)
        else:
            answer = self.client.get(form.action, values)
        what = f"{'POST' if form.is_post else 'GET'} {form.action} {values!r}"
        return answer, self._note(answer, what, route_of(form.action) or "")

    def _text(self, source: Iterator, longest: int = 10**9) -> str:
        for _ in range(400):
            text = next(source)
            if len(text) <= longest:
                self.used.add(text)
                return text
        return MARK[:longest]

    def _right(self, form: Form) -> dict:
        values: dict = {}
        for one in form.fields:
            if one.kind in TYPED:
                values[one.name] = self._text(self._markup, one.longest)
            elif one.kind == "number":
                values[one.name] = one.value or "1"
            elif one.kind in ("date", "datetime-local", "time"):
                right = {"date": "2026-03-02", "time": "10:15"}
                values[one.name] = one.value or right.get(one.kind, "2026-03-02T10:15")
            elif one.kind == "select":
                filled = [option for option in one.options if option]
                values[one.name] = one.value or (filled[-1] if filled else "")
            elif one.kind in ("checkbox", "radio"):
                values.setdefault(one.name, one.value or "on")
            elif one.kind == "file":
                continue
            else:  # hidden, button
                values.setdefault(one.name, one.value)
        return values

    def _wrong(self, form: Form) -> dict:
        values: dict = {}
        for one in form.fields:
            if one.kind == "file":
                name = self._text(self._texts)[:200]
                values[one.name] = SimpleUploadedFile(name, next(self._bytes), "text/html")
            elif one.kind == "number":
                values[one.name] = self._text(self._numbers)
            elif one.kind in ("date", "datetime-local", "time"):
                values[one.name] = self._text(self._days)
            elif one.name == "csrfmiddlewaretoken":
                continue
            elif one.kind in ("hidden", "select", "radio", "checkbox"):
                source = self._numbers if one.value.isdigit() else self._texts
                values[one.name] = self._text(source)
            else:
                values[one.name] = self._text(self._texts)
        return values


def route_of(address: str) -> str | None:
    """The pattern of an address of this site; None for one elsewhere or nowhere."""
    parts = urlsplit(address)
    if parts.scheme or parts.netloc or not parts.path.startswith("/"):
        return None
    try:
        return resolve(parts.path).route
    except Resolver404:
        return None
