"""Exposure is derived from service entries.

Expected values are worked out by hand from the calendar; how a history is worded follows the
common practice of consumer test reports (no published source).
"""

from datetime import date

import pytest

from specimens.models import Product, ServiceEntry, Specimen
from specimens.queries import exposure, exposure_words, service_words
from specimens.words import number_words

pytestmark = pytest.mark.django_db


@pytest.fixture
def specimen():
    product = Product.objects.create(maker="Dunmarl", name="Rainmile jacket", kind="jacket")
    return Specimen.objects.create(
        code="YDNR-Z", product=product, acquired="lent", acquired_on=date(2025, 9, 1)
    )


def entry(specimen, **changes):
    fields = {
        "started_on": date(2023, 1, 1),
        "ended_on": date(2025, 2, 28),
        "distance_km_low": 18_000,
        "distance_km_best": 21_000,
        "distance_km_high": 24_000,
        "wash_count": 9,
        "evidence": "owner's memory",
    } | changes
    return ServiceEntry.objects.create(specimen=specimen, **fields)


def plain(words):
    return words.replace("\u202f", " ").replace("\u00a0", " ")


def test_a_history_in_a_sentence(specimen):
    entry(specimen)

    assert plain(service_words(specimen, date(2025, 9, 1))) == (
        "About 21 000 km (18 000 to 24 000), 26 months, 9 washes, from the owner's memory. "
        "No crash reported."
    )


def test_numbers_stay_on_the_line_of_their_unit(specimen):
    entry(specimen)

    assert "21\u202f000\u00a0km" in service_words(specimen, date(2025, 9, 1))


def test_without_entries_it_was_never_worn(specimen):
    assert service_words(specimen, date(2025, 9, 1)) == "Never worn."
    assert exposure(specimen, date(2025, 9, 1)).is_worn is False


def test_an_entry_that_begins_later_does_not_count(specimen):
    entry(specimen)

    assert service_words(specimen, date(2022, 12, 31)) == "Never worn."


def test_an_entry_still_running_counts_by_its_share_of_days(specimen):
    # 2023 has 365 days and 1 January to 31 March are 31 + 28 + 31 = 90 of them
    entry(
        specimen,
        ended_on=date(2023, 12, 31),
        distance_km_low=3650,
        distance_km_best=7300,
        distance_km_high=10_950,
        wash_count=8,
    )

    known = exposure(specimen, date(2023, 3, 31))

    assert known.distance_km.low == pytest.approx(900)
    assert known.distance_km.best == pytest.approx(1800)
    assert known.distance_km.high == pytest.approx(2700)
    assert known.wash_count == 2  # 8 x 90 / 365 = 1.97
    assert known.months == pytest.approx(90 / 30.4375)
    assert "share of days" in exposure_words(known)


def test_overlapping_entries_count_each_day_once(specimen):
    entry(specimen, started_on=date(2024, 1, 1), ended_on=date(2024, 6, 30))
    entry(
        specimen,
        started_on=date(2024, 4, 1),
        ended_on=date(2024, 9, 30),
        distance_km_low=None,
        distance_km_best=None,
        distance_km_high=None,
        evidence="diary",
    )

    # 1 January to 30 September of a leap year: 274 days
    assert exposure(specimen, date(2025, 1, 1)).months == pytest.approx(274 / 30.4375)


def test_a_total_with_a_gap_is_a_least_value(specimen):
    entry(specimen)
    entry(
        specimen,
        started_on=date(2025, 3, 1),
        ended_on=date(2025, 3, 31),
        distance_km_low=None,
        distance_km_best=None,
        distance_km_high=None,
        wash_count=None,
    )

    words = plain(service_words(specimen, date(2025, 9, 1)))

    assert words.startswith("At least 21 000 km (18 000 to 24 000), 27 months, at least 9 washes")


def test_nothing_known_is_said_and_not_taken_for_nothing(specimen):
    entry(
        specimen,
        distance_km_low=None,
        distance_km_best=None,
        distance_km_high=None,
        wash_count=None,
        evidence="unknown",
    )

    assert plain(service_words(specimen, date(2025, 9, 1))) == (
        "Distance not known, 26 months, washes not known, from a source that is not known. "
        "No crash reported."
    )


def test_the_weakest_evidence_comes_first(specimen):
    entry(specimen, evidence="logger")
    entry(specimen, evidence="owner's memory", started_on=date(2025, 3, 1), ended_on="2025-03-31")
    entry(specimen, evidence="receipts", started_on=date(2025, 4, 1), ended_on="2025-04-30")

    specimen.refresh_from_db()
    known = exposure(specimen, date(2025, 9, 1))

    assert known.evidence == ("owner's memory", "receipts", "logger")
    assert "from the owner's memory, receipts and a data logger." in exposure_words(known)
    assert known.is_documented is False


def test_crashes_are_told_worst_first_with_their_dates(specimen):
    entry(
        specimen,
        incidents=[
            {"kind": "soak", "on": None, "note": ""},
            {"kind": "crash", "on": "2024-05-14", "note": "low side"},
        ],
    )

    known = exposure(specimen, date(2025, 9, 1))

    assert known.has_crash is True
    assert exposure_words(known).endswith(
        "A crash was reported on 14 May 2024. A soaking was reported, date not known."
    )
    assert "No crash" not in exposure_words(known)


def test_a_crash_after_the_day_is_not_in_the_history_yet(specimen):
    entry(specimen, incidents=[{"kind": "crash", "on": "2024-05-14", "note": ""}])

    assert exposure(specimen, date(2024, 5, 13)).has_crash is False
    assert exposure(specimen, date(2024, 5, 14)).has_crash is True


def test_a_crash_without_a_date_counts_from_the_start(specimen):
    entry(specimen, incidents=[{"kind": "crash", "on": None, "note": ""}])

    assert exposure(specimen, date(2023, 1, 1)).has_crash is True


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (0, "0"),
        (0.256, "0.256"),
        (7, "7"),
        (12.34, "12.3"),
        (999.6, "1 000"),
        (21_349, "21 300"),
        (1_234_567, "1 230 000"),
    ],
)
def test_numbers_have_three_figures_and_thin_spaces(number, words):
    assert plain(number_words(number)) == words
