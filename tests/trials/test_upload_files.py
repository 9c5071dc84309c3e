"""Files of readings, sent as a browser sends them.

What each entry must become is worked out by hand from the table of intervals and the shipped
methods' resolutions. Which wrong files come in practice is common practice, no source.
"""

import csv
import io
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path

import openpyxl
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from labsite.models import AuditEntry
from labsite.roles import Role
from labsite.tables import csv_bytes
from specimens.actions import retire_specimen
from specimens.models import Zone
from trials import actions, lab_queries, uploads
from trials.models import Reading, ReadingUpload, Run, RunVoid

pytestmark = pytest.mark.django_db

HEADER = (
    "specimen,method,zone,site,measured_at,unit,value,ended,held_at,failed_at,level,outcome,"
    "mass_before,mass_after,rater,grade,void_reason,note"
)
COLUMNS = HEADER.split(",")


@pytest.fixture
def code(bench_lab):
    return bench_lab.specimens[0].code


def line(code, separator=",", **cells):
    """One line; without more, a belt run on site 1 that wore through after 4.2 s."""
    base = {
        "specimen": code,
        "method": "belt-abrasion",
        "zone": "left-sleeve",
        "site": "1",
        "measured_at": (timezone.now() - timedelta(hours=3)).isoformat(),
        "unit": "s",
        "value": "4.2",
        "ended": "failed",
    }
    wanted = base | cells
    if wanted["method"] != "belt-abrasion":
        wanted = {k: v for k, v in wanted.items() if k not in {"value", "ended"} or k in cells}
    text = io.StringIO()
    csv.DictWriter(text, COLUMNS, delimiter=separator, lineterminator="").writerow(wanted)
    return text.getvalue()


def table(*lines, separator=",", end="\n"):
    return end.join([HEADER.replace(",", separator), *lines]) + end


def send(client, study, content, name="readings.csv"):
    content = content.encode() if isinstance(content, str) else content
    return client.post(
        reverse("lab-file-add", args=[study.slug]),
        {"file": SimpleUploadedFile(name, content, content_type="text/csv")},
        follow=True,
    )


def text_of(response):
    return " ".join(response.content.decode().replace("&#x27;", "'").split())


def problems_of(client, study):
    upload = ReadingUpload.objects.get(study=study)
    response = client.get(reverse("lab-problems", args=[study.slug, upload.pk]))
    rows = csv.DictReader(io.StringIO(response.content.decode("utf-8-sig")))
    return [(int(row["line"] or 0), row["column"], row["problem"]) for row in rows]


def press_store(client, study):
    upload = ReadingUpload.objects.filter(study=study).first()
    return client.post(reverse("lab-file-store", args=[study.slug, upload.pk]), follow=True)


def assert_nothing_saved(client, study):
    """Whatever the page said, pressing the button (it may not even be there) stores nothing."""
    for upload in ReadingUpload.objects.filter(study=study):
        client.post(reverse("lab-file-store", args=[study.slug, upload.pk]))
    assert Run.objects.count() == 0
    assert Reading.objects.count() == 0
    assert RunVoid.objects.count() == 0
    assert not ReadingUpload.objects.filter(stored_at__isnull=False).exists()


# --- sound files ------------------------------------------------------------------------------


def test_a_sound_file_is_shown_first_and_stored_on_the_second_press(at_bench, bench_lab, code):
    response = send(at_bench, bench_lab.study, table(line(code)))

    assert "1 line, nothing wrong. Nothing is stored yet." in text_of(response)
    assert "failed at 4.2\u00a0s" in response.content.decode()
    assert Reading.objects.count() == 0

    response = press_store(at_bench, bench_lab.study)

    assert "Stored 1 line of readings.csv." in text_of(response)
    reading = Reading.objects.get()
    # 0.1 s resolution: half a step to either side
    assert (reading.low, reading.high) == (4.15, 4.25)
    assert reading.run.specimen.code == code
    assert AuditEntry.objects.filter(verb="stored a file of readings").count() == 1


def test_each_kind_of_reading_comes_in(at_bench, bench_lab, code):
    lines = [
        line(code, method="water-uptake", unit="g", mass_before="812.1", mass_after="815.6"),
        line(code, method="point-challenge", unit="J", level="5", outcome="held"),
        line(code, method="seam-opening", unit="turns", value="7", ended="failed"),
        line(code, method="padding-drop", unit="m", held_at="0.5", failed_at="0.63"),
        line(code, ended="stopped", value="20"),
        line(code, method="flame-grade", unit="grade", rater="rater A", grade="2"),
        line(code, method="flame-grade", unit="grade", rater="rater B", grade="3"),
    ]

    send(at_bench, bench_lab.study, table(*lines))
    press_store(at_bench, bench_lab.study)

    got = {
        (r.run.revision.method.key, r.rater): (r.low, r.high, r.grade)
        for r in Reading.objects.select_related("run__revision__method")
    }
    assert got == {
        ("water-uptake", ""): (3.4, 3.6, None),
        ("point-challenge", ""): (5, None, None),
        ("seam-opening", ""): (6, 7, None),
        ("padding-drop", ""): (0.5, 0.63, None),
        ("belt-abrasion", ""): (20, None, None),
        ("flame-grade", "rater A"): (None, None, 2),
        ("flame-grade", "rater B"): (None, None, 3),
    }
    assert Run.objects.count() == 6


@pytest.mark.parametrize(
    ("separator", "value", "prefix"),
    [
        (",", "4.2", b"\xef\xbb\xbf"),
        (";", "4,2", b""),
        (";", "4,2", b"\xef\xbb\xbf"),
        (";", "4.2", b""),
        ("\t", "4,2", b""),
    ],
)
def test_separators_decimal_commas_and_byte_order_marks(
    at_bench, bench_lab, code, separator, value, prefix
):
    text = table(line(code, separator, value=value), separator=separator, end="\r\n")

    send(at_bench, bench_lab.study, prefix + text.encode())
    press_store(at_bench, bench_lab.study)

    assert (Reading.objects.get().low, Reading.objects.get().high) == (4.15, 4.25)


def test_another_unit_of_the_same_quantity_is_converted(at_bench, bench_lab, code):
    # 0.07 min are 4.2 s
    send(at_bench, bench_lab.study, table(line(code, unit="min", value="0.07")))
    press_store(at_bench, bench_lab.study)

    assert Reading.objects.get().low == pytest.approx(4.15)


def test_a_void_line_keeps_its_reason_and_its_value(at_bench, bench_lab, code):
    send(
        at_bench,
        bench_lab.study,
        table(
            line(code, void_reason="belt joint passed under the patch"),
            line(code, site="2", value="", ended="", unit="", void_reason="guard opened"),
        ),
    )
    press_store(at_bench, bench_lab.study)

    voids = {v.run.site: (v.note, v.value_was_known) for v in RunVoid.objects.all()}
    assert voids == {
        1: ("belt joint passed under the patch", True),
        2: ("guard opened", False),
    }
    assert Reading.objects.count() == 1


def test_a_planned_run_is_filled_and_not_doubled(at_bench, bench_lab, code):
    run = bench_lab.run_of("belt-abrasion")

    send(at_bench, bench_lab.study, table(line(code)))
    press_store(at_bench, bench_lab.study)

    assert Reading.objects.get().run == run
    assert Run.objects.count() == 1


def test_what_was_read_before_the_specimen_was_retired_may_come_later(at_bench, bench_lab, code):
    retire_specimen(by=bench_lab.lead, specimen=bench_lab.specimens[0], on=timezone.localdate())

    send(at_bench, bench_lab.study, table(line(code)))
    press_store(at_bench, bench_lab.study)

    assert Reading.objects.count() == 1


# --- files that cannot be read ----------------------------------------------------------------

LINE = "K7M2-H,belt-abrasion,left-sleeve,1,2026-03-14T09:30:00+00:00,s,4.2,failed,,,,,,,,,,"


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"", "The file is empty."),
        (b" \r\n \r\n", "The file is empty."),
        (b"\xef\xbb\xbf", "The file is empty."),
        (HEADER.encode(), "The file has a header but no readings."),
        (
            f"{HEADER}\n{LINE}\n".encode("utf-16"),
            "The file is UTF-16. Save it again as 'CSV UTF-8'.",
        ),
        (f"{HEADER}\n{LINE}".encode("utf-16-le"), "it holds binary data"),
        (
            f"{HEADER}\n{LINE}10 µm\n".encode("cp1252"),
            "Line 2 is not UTF-8 text. Save the file again as 'CSV UTF-8'.",
        ),
        (b"PK\x03\x04\x14\x00\x06\x00", "This spreadsheet cannot be read: it is damaged"),
        (bytes(range(256)) * 20, "binary data"),
        (f"{HEADER},note\n{LINE},x\n".encode(), "The header names a column twice: note."),
        (f"{HEADER},mood\n{LINE},x\n".encode(), "Columns not known: mood."),
        (f"specimen,method\n{LINE}\n".encode(), "Columns missing: zone, site, measured_at, unit."),
        (f'{HEADER}\n"{LINE}\n{LINE}\n'.encode(), "Line 2 cannot be read: a quotation mark"),
        (f'{HEADER}\n{LINE}\n"a"b{LINE}\n'.encode(), "Line 3 cannot be read: a quotation mark"),
        (
            b",".join(b"c%d" % n for n in range(60_000)) + b"\n1\n",
            "The header has more than 200 columns.",
        ),
        (b"," * 60_000 + b"\n1\n", "Columns missing: specimen"),
        (f"{HEADER}\n{'x' * 200_000}\n".encode(), "or a cell is very long."),
    ],
    ids=[
        "0 bytes",
        "blank",
        "only a mark",
        "only a header",
        "UTF-16",
        "UTF-16 without a mark",
        "cp1252",
        "spreadsheet",
        "binary",
        "column twice",
        "unknown column",
        "missing columns",
        "open quote",
        "quote inside",
        "60,000 columns",
        "60,000 nameless columns",
        "long cell",
    ],
)
def test_a_file_that_cannot_be_read_says_why(at_bench, bench_lab, content, told):
    response = send(at_bench, bench_lab.study, content)

    assert told in text_of(response)
    assert_nothing_saved(at_bench, bench_lab.study)


def test_a_file_too_large_is_refused_unread(at_bench, bench_lab):
    response = send(at_bench, bench_lab.study, b"x" * (20 * 1024 * 1024 + 1))

    assert response.status_code == 400
    assert "The file is larger than 20 MB: split it." in text_of(response)
    assert ReadingUpload.objects.count() == 0


def test_no_file_at_all_is_told_beside_the_box(at_bench, bench_lab):
    response = at_bench.post(reverse("lab-file-add", args=[bench_lab.study.slug]))

    assert response.status_code == 400
    assert "Choose a file." in text_of(response)


# --- lines that are wrong ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("cells", "column", "told"),
    [
        ({"value": "=2*2.1"}, "value", "This cell holds a formula: save its value."),
        ({"note": "=cmd()"}, "note", "This cell holds a formula: save its value."),
        ({"value": "four"}, "value", "'four' is not a number."),
        ({"value": "4,2"}, "value", "'4,2' holds a comma: write a decimal point."),
        ({"value": "nan"}, "value", "'nan' is not a number."),
        ({"value": "1e400"}, "value", "no number a bench can read"),
        ({"value": "-4"}, "value", "A reading cannot be below zero."),
        ({"value": "0"}, "value", "void the run instead"),
        ({"value": "61"}, "value", "outside what this method can read"),
        ({"value": ""}, "value", "Enter a number."),
        ({"ended": "burnt"}, "ended", "Say failed or stopped."),
        ({"unit": ""}, "unit", "Missing. This method reads in s."),
        ({"unit": "g"}, "unit", "g is a unit of mass and s is a unit of time"),
        ({"unit": "sekunden"}, "unit", "The unit 'sekunden' is not known here."),
        ({"level": "5"}, "level", "This method does not use this column"),
        ({"rater": "rater A"}, "rater", "Only grades have a rater."),
        ({"specimen": ""}, "specimen", "Missing."),
        ({"specimen": "K7M2-4"}, "specimen", "not a specimen code of this lab"),
        ({"specimen": "K7M2-H"}, "specimen", "The lab has no specimen K7M2-H."),
        ({"method": "spin-test", "value": "1"}, "method", "This study does not use 'spin-test'."),
        ({"zone": "hood"}, "zone", "Invented Testwear has no zone 'hood'."),
        ({"zone": "cuff"}, "zone", "Cuff does not carry belt-abrasion."),
        ({"site": "13"}, "site", "Left sleeve has 12 sites for this method."),
        ({"site": "0"}, "site", "'0' is not a site number"),
        ({"site": "9" * 5000}, "site", "is not a site number"),
        ({"measured_at": ""}, "measured_at", "Missing."),
        ({"measured_at": "14.03.2026"}, "measured_at", "is not a date and time like"),
        ({"measured_at": "2026-03-14T09:30"}, "measured_at", "Say the offset from UTC"),
        ({"measured_at": "2126-03-14T09:30Z"}, "measured_at", "is in the future"),
        ({"measured_at": "2001-03-14T09:30Z"}, "measured_at", "before this study was registered"),
        ({"note": "x" * 2001}, "note", "At most 2000 characters."),
    ],
)
def test_a_wrong_cell_is_told_by_line_and_column(at_bench, bench_lab, code, cells, column, told):
    Zone.objects.create(product=bench_lab.specimens[0].product, code="cuff", name="Cuff")

    response = send(at_bench, bench_lab.study, table(line(code, site="2"), line(code, **cells)))

    problems = problems_of(at_bench, bench_lab.study)
    assert [(n, c) for n, c, _ in problems] == [(3, column)]
    assert told in problems[0][2]
    assert "1 line without one" in text_of(response)
    assert_nothing_saved(at_bench, bench_lab.study)


def test_the_low_level_above_the_high_is_told(at_bench, bench_lab, code):
    send(
        at_bench,
        bench_lab.study,
        table(line(code, method="padding-drop", unit="m", held_at="0.8", failed_at="0.5")),
    )

    assert [(n, c) for n, c, _ in problems_of(at_bench, bench_lab.study)] == [(2, "failed_at")]
    assert_nothing_saved(at_bench, bench_lab.study)


def test_one_wrong_unit_for_two_masses_is_one_problem(at_bench, bench_lab, code):
    send(
        at_bench,
        bench_lab.study,
        table(line(code, method="water-uptake", unit="s", mass_before="8", mass_after="9")),
    )

    assert [(n, c) for n, c, _ in problems_of(at_bench, bench_lab.study)] == [(2, "unit")]


def test_all_that_is_wrong_on_a_line_is_told_at_once(at_bench, bench_lab, code):
    send(
        at_bench,
        bench_lab.study,
        table(line(code, zone="hood", measured_at="2126-03-14T09:30Z", value="four", unit="")),
    )

    columns = [column for _, column, _ in problems_of(at_bench, bench_lab.study)]
    assert columns == ["zone", "measured_at", "unit", "value"]


def test_a_line_with_too_many_cells_is_told(at_bench, bench_lab, code):
    send(at_bench, bench_lab.study, table(line(code), line(code, site="2") + ",3"))

    problems = problems_of(at_bench, bench_lab.study)
    assert problems[0][:2] == (3, "")
    assert problems[0][2].startswith("19 cells where the header has 18.")
    assert_nothing_saved(at_bench, bench_lab.study)


def test_the_same_site_twice_names_the_first_line(at_bench, bench_lab, code):
    # the second code is the same, typed in another way
    send(
        at_bench,
        bench_lab.study,
        table(line(code), line(code, site="2"), line(code.replace("-", "").lower())),
    )

    told = (4, "site", "Line 2 has a reading of this site already.")
    assert problems_of(at_bench, bench_lab.study) == [told]
    assert_nothing_saved(at_bench, bench_lab.study)


def test_a_specimen_used_up_before_the_reading_is_told(at_bench, bench_lab, code):
    retire_specimen(
        by=bench_lab.lead,
        specimen=bench_lab.specimens[0],
        on=timezone.localdate() - timedelta(days=2),
    )

    send(at_bench, bench_lab.study, table(line(code)))

    problems = problems_of(at_bench, bench_lab.study)
    assert problems[0][:2] == (2, "specimen")
    assert f"{code} is used up" in problems[0][2]
    assert_nothing_saved(at_bench, bench_lab.study)


def test_a_site_that_was_read_or_voided_before_is_told(at_bench, bench_lab, code, checks_passed):
    send(at_bench, bench_lab.study, table(line(code), line(code, site="2", void_reason="slipped")))
    press_store(at_bench, bench_lab.study)

    send(at_bench, bench_lab.study, table(line(code, value="5"), line(code, value="5", site="2")))

    upload = ReadingUpload.objects.get(stored_at__isnull=True)
    assert [(p.line, p.message) for p in uploads.preview(upload).problems] == [
        (2, "This site has a reading already: amend that one."),
        (3, "The run on this site is void; use another site."),
    ]


def test_a_site_used_under_an_older_revision_is_used(at_bench, bench_lab, code):
    old = bench_lab.revisions["belt-abrasion"]
    run = bench_lab.run_of("belt-abrasion")
    old.pk, old.number = None, 2
    old.save()
    Run.objects.filter(pk=run.pk).update(revision=old)

    send(at_bench, bench_lab.study, table(line(code)))

    assert problems_of(at_bench, bench_lab.study) == [
        (2, "site", "The run on this site follows another revision of the method.")
    ]


def test_the_same_file_twice_is_refused(at_bench, bench_lab, code):
    content = table(line(code))
    send(at_bench, bench_lab.study, content)
    press_store(at_bench, bench_lab.study)

    response = send(at_bench, bench_lab.study, content, name="another-name.csv")

    assert response.status_code == 400
    assert "This very file has been stored already." in text_of(response)
    assert Reading.objects.count() == 1
    assert ReadingUpload.objects.count() == 1


def test_pressing_store_again_stores_nothing_more(at_bench, bench_lab, code):
    send(at_bench, bench_lab.study, table(line(code)))
    press_store(at_bench, bench_lab.study)

    response = press_store(at_bench, bench_lab.study)

    assert response.status_code == 409
    assert "This very file has been stored already." in text_of(response)
    assert Reading.objects.count() == 1


def test_one_bad_line_among_many_keeps_all_out(at_bench, bench_lab, code):
    good = [line(code, site=str(n)) for n in range(1, 12)]
    send(at_bench, bench_lab.study, table(*good, line(code, site="12", value="x")))

    response = press_store(at_bench, bench_lab.study)

    assert "The file has problems now" in text_of(response)
    assert_nothing_saved(at_bench, bench_lab.study)


def test_the_page_shows_300_problems_and_the_download_all(at_bench, bench_lab, code):
    wrong = [line(code, site="1", value="x") for _ in range(400)]
    response = send(at_bench, bench_lab.study, table(*wrong))

    # every line has a wrong number; all but the first also claim the first one's site
    assert "The first 300 of 799 problems" in text_of(response)
    assert response.content.decode().count('<th scope="row"') == 300
    assert len(problems_of(at_bench, bench_lab.study)) == 799


def test_cells_in_the_wrong_column_end_the_search_early(at_bench, bench_lab, code):
    lines = [line(code, unit=f"unit-{n}", site=str(n % 12 + 1)) for n in range(60)]

    response = send(at_bench, bench_lab.study, table(*lines))

    assert "more than 50 different units" in text_of(response)
    assert_nothing_saved(at_bench, bench_lab.study)


# --- who may, and where -----------------------------------------------------------------------


def test_an_unregistered_study_takes_no_file(at_bench, bench_lab, code):
    study = actions.create_study(
        by=bench_lab.lead,
        fields={"slug": "draft", "title": "Draft", "question": "?", "kind": "worn-new"},
        arms=[
            actions.ArmPlan("a", "A", True, bench_lab.specimens[:1]),
            actions.ArmPlan("b", "B", False, bench_lab.specimens[1:]),
        ],
        methods=[actions.MethodPlan(bench_lab.revisions["belt-abrasion"])],
    )

    response = send(at_bench, study, table(line(code)))

    assert response.status_code == 400
    assert "Register this study first" in text_of(response)
    assert ReadingUpload.objects.count() == 0


@pytest.mark.parametrize("role", [Role.EDITOR, Role.ADMINISTRATOR])
def test_others_may_not_send_files(person, bench_lab, role, code):
    client = Client()
    client.force_login(person(role))

    response = send(client, bench_lab.study, table(line(code)))

    assert response.status_code == 403
    assert ReadingUpload.objects.count() == 0


def test_a_file_of_another_study_is_not_found_here(at_bench, bench_lab, code):
    send(at_bench, bench_lab.study, table(line(code)))
    upload = ReadingUpload.objects.get()

    assert at_bench.get(reverse("lab-file", args=["other", upload.pk])).status_code == 404


# --- the file to fill in ----------------------------------------------------------------------


def test_the_template_has_the_header_and_a_line_for_each_method(at_bench, bench_lab):
    response = at_bench.get(reverse("lab-template", args=[bench_lab.study.slug, "csv"]))

    rows = list(csv.DictReader(io.StringIO(response.content.decode("utf-8-sig"))))
    assert list(rows[0]) == COLUMNS
    assert {row["method"] for row in rows} == set(bench_lab.revisions)


def template_text(study) -> str:
    return csv_bytes(lab_queries.template_of(study)).decode("utf-8-sig")


def test_the_template_cannot_be_stored_as_it_is(at_bench, bench_lab):
    send(at_bench, bench_lab.study, template_text(bench_lab.study))

    assert {column for _, column, _ in problems_of(at_bench, bench_lab.study)} >= {"specimen"}
    assert_nothing_saved(at_bench, bench_lab.study)


def test_the_template_filled_in_is_sound(at_bench, bench_lab, code):
    at = (timezone.now() - timedelta(hours=1)).isoformat()
    text = template_text(bench_lab.study)
    text = text.replace("example,", f"{code},").replace("2026-03-14T09:30:00+00:00", at)

    response = send(at_bench, bench_lab.study, text)

    count = bench_lab.study.study_methods.count()
    assert f"{count} lines, nothing wrong." in text_of(response)


# --- two at once ------------------------------------------------------------------------------


@pytest.mark.django_db(transaction=True)
def test_two_people_pressing_store_at_once_store_once(at_bench, bench_lab, code):
    send(at_bench, bench_lab.study, table(line(code), line(code, site="2")))
    upload = ReadingUpload.objects.get()
    address = reverse("lab-file-store", args=[bench_lab.study.slug, upload.pk])
    clients = [Client(), Client()]
    for client in clients:
        client.cookies = at_bench.cookies
    start = threading.Barrier(2)
    statuses = []

    def press(client):
        start.wait()
        try:
            statuses.append(client.post(address).status_code)
        finally:
            connection.close()

    threads = [threading.Thread(target=press, args=[client]) for client in clients]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert sorted(statuses) == [302, 409]
    assert Reading.objects.count() == 2
    assert Run.objects.count() == 2


# --- the demo's files -------------------------------------------------------------------------


def test_the_header_is_the_one_of_the_demo_files():
    folder = Path(__file__).resolve().parents[2] / "fixtures" / "demo"
    headers = {p.read_text().splitlines()[0] for p in folder.glob("readings-*.csv")}

    assert headers == {HEADER}


def test_times_are_kept_in_utc(at_bench, bench_lab, code):
    at = (timezone.now() - timedelta(hours=3)).astimezone(UTC).replace(microsecond=0)
    typed = (at + timedelta(hours=2)).replace(tzinfo=None).isoformat() + "+02:00"

    send(at_bench, bench_lab.study, table(line(code, measured_at=typed)))
    press_store(at_bench, bench_lab.study)

    kept: datetime = Reading.objects.get().measured_at
    assert kept == at


# --- spreadsheets, other names, and files that come again ---------------------------------------


def as_book(text: str) -> bytes:
    made = openpyxl.Workbook()
    for row in csv.reader(io.StringIO(text)):
        made.active.append([cell or None for cell in row])
    out = io.BytesIO()
    made.save(out)
    return out.getvalue()


def test_a_spreadsheet_is_stored_as_the_same_csv_would_be(at_bench, bench_lab, code):
    response = send(at_bench, bench_lab.study, as_book(table(line(code))), name="readings.xlsx")

    assert "1 line, nothing wrong." in text_of(response)
    press_store(at_bench, bench_lab.study)
    reading = Reading.objects.get()
    # 0.1 s resolution: half a step to either side
    assert (reading.low, reading.high) == (4.15, 4.25)


def test_a_formula_is_no_reading(at_bench, bench_lab, code):
    response = send(at_bench, bench_lab.study, as_book(table(line(code, value="=2+2"))))

    assert "This cell holds a formula: save its value." in text_of(response)
    assert_nothing_saved(at_bench, bench_lab.study)


def test_lines_that_are_in_the_record_are_left_alone(at_bench, bench_lab, code):
    first, second = line(code), line(code, site="2", value="5.1")
    send(at_bench, bench_lab.study, table(first))
    press_store(at_bench, bench_lab.study)

    response = send(at_bench, bench_lab.study, table(first, second), name="more.csv")
    assert "1 line, nothing wrong." in text_of(response)
    assert "1 line of the file the record has already: left alone." in text_of(response)
    press_store(at_bench, bench_lab.study)
    assert Reading.objects.count() == 2
    # what the site writes out says nothing new to it, in either form
    for ending in ("csv", "xlsx"):
        address = reverse("lab-readings-file", args=[bench_lab.study.slug, ending])
        response = send(at_bench, bench_lab.study, at_bench.get(address).content, f"all.{ending}")
        assert "Nothing new: the record has 2 lines of this file already." in text_of(response)
    changed = first.replace("4.2", "4.3")
    response = send(at_bench, bench_lab.study, table(changed), name="changed.csv")
    assert "This site has a reading already: amend that one." in text_of(response)
    assert Reading.objects.count() == 2


def test_columns_with_other_names_are_matched_by_a_person(at_bench, bench_lab, code):
    content = table(line(code)).replace("specimen,method", "item,how", 1)
    response = send(at_bench, bench_lab.study, content)
    assert "Say which column is which" in text_of(response)
    upload = ReadingUpload.objects.get()
    address = reverse("lab-file-columns", args=[bench_lab.study.slug, upload.pk])
    assert "selected>5: measured_at" in text_of(at_bench.get(address))

    chosen = {name: str(COLUMNS.index(name)) for name in COLUMNS}
    response = at_bench.post(address, chosen, follow=True)

    assert "1 line, nothing wrong." in text_of(response)
    press_store(at_bench, bench_lab.study)
    assert Reading.objects.get().run.specimen.code == code
