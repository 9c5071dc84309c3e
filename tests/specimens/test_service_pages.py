"""Service history from files, as a picture, and matched specimens."""

from datetime import date

import pytest
from django.test import Client
from django.urls import reverse

from labsite.models import AuditEntry
from labsite.roles import Role
from labsite.tables import csv_bytes
from specimens import imports
from specimens.models import Product, ServiceEntry, Specimen
from specimens.odometer import odometer_distance
from specimens.service_pairs import find_matches
from specimens.service_rows import SERVICE
from specimens.service_timeline import timeline
from tests.trials.bench_lab import person_with
from tests.trials.study_lab import made_specimen

pytestmark = pytest.mark.django_db

HEAD = "specimen,started_on,ended_on,distance_km_low,distance_km_best,distance_km_high,evidence"


@pytest.fixture
def product() -> Product:
    return Product.objects.create(maker="Invented", name="Fell jacket", kind="jacket")


@pytest.fixture
def jacket(product) -> Specimen:
    return made_specimen(product, "K7M2", size="M", lot="A1", owner_alias="carrier 07")


def looked_at(text: str | bytes) -> imports.Checked:
    content = text.encode() if isinstance(text, str) else text
    header = content.decode("utf-8-sig", "replace").split("\n")[0]
    names = header.replace(";", ",").split(",")
    return imports.checked(SERVICE, content, imports.guessed(SERVICE.columns, names))


def stored(text: str) -> int:
    found = looked_at(text)
    assert found.may_be_stored, found
    assert SERVICE.keep(person_with(Role.LEAD), found)
    return len(found.things)


def refused(text: str | bytes) -> list[tuple[int, str, str]]:
    before = ServiceEntry.objects.count()
    found = looked_at(text)
    assert not found.may_be_stored
    assert ServiceEntry.objects.count() == before
    whole = [(1, "", found.file_problem)] if found.file_problem else []
    return whole + [(one.line, one.column, one.message) for one in found.problems]


def test_lines_are_stored_as_they_stand(jacket):
    count = stored(
        f"{HEAD}\n{jacket.code},2024-03-01,2025-02-28,5000,6000,7000,diary\n"
        f"{jacket.code.lower()},2025-03-01,2025-09-30,,,,owner's memory\n"
    )
    assert count == 2
    first, second = ServiceEntry.objects.order_by("started_on")
    assert (first.distance_km_low, first.distance_km_best, first.distance_km_high) == (
        5000,
        6000,
        7000,
    )
    assert first.evidence == "diary"
    assert second.distance_km_best is None


def test_semicolons_decimal_commas_and_a_byte_order_mark_are_read(jacket):
    text = f"\ufeff{HEAD.replace(',', ';')}\n{jacket.code};2024-03-01;2025-02-28;10,5;11;12;diary\n"
    assert stored(text) == 1
    assert ServiceEntry.objects.get().distance_km_low == 10.5


def test_two_odometer_readings_give_the_distance_with_two_per_cent_of_doubt(jacket):
    # 12 400 to 21 800 km is 9 400 km; two per cent of it is 188 km
    assert odometer_distance(12400, 21800) == pytest.approx((9212, 9400, 9588))
    rows = imports.rows_out(SERVICE, filled=False)
    text = csv_bytes(rows).decode().replace("K7M2-H", jacket.code)
    assert stored(text) == 1
    entry = ServiceEntry.objects.get()
    assert entry.distance_km_best == 9400
    assert entry.evidence == "odometer"


def test_odometer_readings_typed_by_hand_give_the_distance_too(lead, jacket):
    address = reverse("lab-service-add", args=[jacket.code])
    told = {"started_on": "2024-03-01", "ended_on": "2025-02-28", "evidence": "odometer"}
    half = lead.post(address, told | {"odometer_start_km": "12 400"})
    assert half.status_code == 400
    assert "Give both readings" in half.content.decode()
    back = lead.post(address, told | {"odometer_start_km": "500", "odometer_end_km": "400"})
    assert "cannot run back" in back.content.decode()
    both = {"odometer_start_km": "12 400", "odometer_end_km": "21 800"}
    twice = lead.post(address, told | both | {"distance_km_best": "9000"})
    assert "not both" in twice.content.decode()
    assert not ServiceEntry.objects.exists()
    assert lead.post(address, told | both).status_code == 302
    entry = ServiceEntry.objects.get()
    assert (entry.distance_km_low, entry.distance_km_best, entry.distance_km_high) == (
        pytest.approx(9212),
        9400,
        pytest.approx(9588),
    )


def test_a_distance_told_twice_in_a_file_or_before_it_is_refused(jacket):
    line = f"{jacket.code},2024-03-01,2025-02-28,5000,6000,7000,diary"
    again = f"{jacket.code},2025-01-01,2025-05-30,1,2,3,diary"
    told = refused(f"{HEAD}\n{line}\n{again}\n")
    assert [(where, column) for where, column, _ in told] == [(3, "distance_km_best")]
    assert stored(f"{HEAD}\n{line}\n") == 1
    assert "count twice" in refused(f"{HEAD}\n{again}\n")[0][2]
    assert ServiceEntry.objects.count() == 1


def test_a_file_leaves_one_row_of_the_trail_for_each_specimen(product, jacket):
    other = made_specimen(product, "AAQX")
    stored(
        f"{HEAD}\n{jacket.code},2024-03-01,2024-05-28,1,2,3,diary\n"
        f"{other.code},2024-03-01,2024-05-28,1,2,3,diary\n"
        f"{jacket.code},2024-06-01,2024-07-28,1,2,3,receipts\n"
    )
    rows = AuditEntry.objects.filter(verb="added service entries").order_by("pk")
    assert [(row.subject_words, row.detail["entries"]) for row in rows] == [
        (jacket.code, 2),
        (other.code, 1),
    ]
    assert rows[0].detail["from"] == "2024-03-01"


def test_one_bad_line_keeps_every_line_out_and_all_problems_are_told(jacket):
    problems = refused(
        f"{HEAD}\n{jacket.code},2024-03-01,2025-02-28,1,2,3,diary\n"
        f"{jacket.code},yesterday,2025-02-28,,,,hearsay\n"
        "ABCD-Z,2024-03-01,2025-02-28,,,,diary\n"
        f"{jacket.code},2025-05-01,2025-06-28,3,2,1,diary\n"
    )
    assert (3, "started_on", "'yesterday' is not a date like 2026-03-14.") in problems
    assert {(line, column) for line, column, _ in problems} == {
        (3, "started_on"),
        (3, "evidence"),
        (4, "specimen"),
        (5, "distance_km_low"),
        (5, "distance_km_high"),
    }


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("", 1, "empty"),
        (HEAD, 1, "no lines below"),
        ("specimen,started_on,ended_on\n", 1, "Columns missing: evidence"),
        (f"{HEAD}\nA,B\n", 2, "2 cells where the header has 7"),
        (b"\xff\xfe\x00", 1, "UTF-16"),
    ],
)
def test_files_that_are_no_table_are_refused_in_words(text, line, words):
    problems = refused(text)
    assert any(words in sentence and where == line for where, _, sentence in problems)


@pytest.mark.parametrize(
    ("cells", "words"),
    [
        ("100,,", "both readings"),
        ("200,100,", "cannot run back"),
        ("100,200,5", "not both"),
        ("1e300,200,", "not a number"),
        ("nan,200,", "not a number"),
    ],
)
def test_odometer_readings_that_make_no_sense_are_refused(jacket, cells, words):
    header = "specimen,started_on,ended_on,evidence,odometer_start_km,odometer_end_km"
    problems = refused(
        f"{header},distance_km_best\n{jacket.code},2024-03-01,2025-02-28,odometer,{cells}\n"
    )
    assert any(words in sentence for _, _, sentence in problems)


def test_the_picture_has_each_stretch_where_it_belongs(jacket):
    # ten days in all: worn on days 1 to 4, a fall on day 3, in the lab from day 6
    Specimen.objects.filter(pk=jacket.pk).update(acquired_on=date(2026, 1, 6))
    jacket.refresh_from_db()
    ServiceEntry.objects.create(
        specimen=jacket,
        started_on=date(2026, 1, 1),
        ended_on=date(2026, 1, 4),
        evidence="owner's memory",
        incidents=[{"kind": "fall", "on": "2026-01-03", "note": ""}],
    )
    drawn = timeline(jacket, date(2026, 1, 10))
    (bar,) = drawn.bars
    assert (bar.x, bar.width, bar.is_documented) == (0, 40, False)
    assert [(mark.x, mark.kind) for mark in drawn.marks] == [(20, "fall"), (50, "came")]


@pytest.mark.parametrize(("since", "named"), [(2024, "2025 2026"), (2010, "2014 2018 2022 2026")])
def test_years_are_named_in_the_picture_as_far_as_they_fit(jacket, since, named):
    ServiceEntry.objects.create(
        specimen=jacket,
        started_on=date(since, 3, 1),
        ended_on=date(2026, 1, 4),
        evidence="owner's memory",
    )
    jacket.retired_on = date(2026, 1, 10)
    years = timeline(jacket, date(2026, 1, 10)).years
    assert [year.label for year in years] == [str(y) for y in range(since + 1, 2027)]
    assert " ".join(year.label for year in years if year.is_named) == named
    # the last line is nine days from the right end: its name stands to the left of it
    assert (years[-1].anchor, years[0].anchor) == ("end", "middle" if since == 2024 else "start")
    client = Client()
    client.force_login(person_with(Role.LEAD))
    page = client.get(reverse("lab-service-picture", args=[jacket.code])).content.decode()
    assert 1 < page.count("</text>") <= 4


def test_no_service_has_no_picture(jacket):
    assert timeline(jacket, date(2026, 3, 1)) is None


def worn(specimen: Specimen) -> Specimen:
    ServiceEntry.objects.create(
        specimen=specimen,
        started_on=date(2024, 1, 1),
        ended_on=date(2024, 12, 31),
        evidence="diary",
    )
    return specimen


def test_a_worn_one_gets_the_new_one_of_its_size_before_one_of_its_lot(product, jacket):
    worn(jacket)
    same_lot = made_specimen(product, "AAQX", size="L", lot="A1")
    same_size = made_specimen(product, "BBQX", size="M", lot="B2")
    found = find_matches(product, date(2026, 3, 1))
    (match,) = found.matches
    assert match.other == same_size
    assert [(key.key, key.state) for key in match.keys] == [
        ("size", "same"),
        ("lot", "different"),
        ("owner", "unknown"),
    ]
    assert found.left_over == (same_lot,)
    assert (found.baseline_codes, found.other_codes) == (
        f"{same_size.code}=p1",
        f"{jacket.code}=p1",
    )


def test_two_empty_lots_are_unknown_and_not_the_same(product):
    worn(made_specimen(product, "CCQX", size="M"))
    made_specimen(product, "DDQX", size="M")
    (match,) = find_matches(product, date(2026, 3, 1)).matches
    assert {key.key: key.state for key in match.keys}["lot"] == "unknown"


def test_nobody_is_given_twice_and_owners_are_cautioned(product, jacket):
    worn(jacket)
    worn(made_specimen(product, "EEQX", size="M", owner_alias="carrier 07"))
    only = made_specimen(product, "FFQX", size="M", lot="A1")
    found = find_matches(product, date(2026, 3, 1))
    assert [match.other for match in found.matches].count(only) == 1
    assert any("one owner" in caution for caution in found.cautions)
    assert any("thrown away" in caution for caution in found.cautions)


@pytest.fixture
def lead() -> Client:
    client = Client()
    client.force_login(person_with(Role.LEAD))
    return client


def test_pages_show_and_technicians_may_not_send_files(lead, jacket, product):
    worn(jacket)
    assert (
        "By the end of 30 June 2024"
        in (
            lead.get(reverse("lab-service-picture", args=[jacket.code]), {"on": "2024-06-30"})
        ).content.decode()
    )
    page = lead.get(reverse("lab-pairs"), {"product": product.pk}).content.decode()
    assert jacket.code in page
    technician = Client()
    technician.force_login(person_with(Role.TECHNICIAN))
    assert technician.get(reverse("lab-pairs")).status_code == 200
    assert technician.get(reverse("lab-record-add", args=["service"])).status_code == 403
