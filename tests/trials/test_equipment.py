"""What a run is made with, chosen at the bench: over the API without network, and on the sheet.

That a run names its instrument before it is read is common practice of careful labs (ISO/IEC 17025
6.4 and 7.5.1, read in summary).
"""

import json
import uuid
from datetime import timedelta

import pytest
from django.utils import timezone

from trials import actions, consumables, instruments
from trials.models import ConsumableUnit, ConsumableUse, Instrument, InstrumentUse

pytestmark = pytest.mark.django_db
SHEET = "/bench/worn-against-new/"


@pytest.fixture
def logger(bench_lab):
    made = instruments.add_instrument(
        by=bench_lab.lead,
        fields={"code": "th-1", "name": "Logger", "kind": "thermometer", "unit": "°C"},
    )
    today = timezone.localdate()
    instruments.record_calibration(
        by=bench_lab.lead,
        instrument=made,
        fields={
            "done_on": today - timedelta(days=30),
            "due_on": today + timedelta(days=200),
            "done_by": "Invented lab",
            "expanded_uncertainty": 0.1,
        },
    )
    return made


@pytest.fixture
def belt(bench_lab):
    consumables.add_lot(
        by=bench_lab.lead,
        fields={
            "kind": "belt",
            "name": "60 grit belt",
            "lot": "L1",
            "received_on": timezone.localdate(),
            "use_limit": 3,
        },
        piece_count=1,
    )
    return ConsumableUnit.objects.get()


def choice(run, **more):
    return {"run": run.pk, "chosen_at": timezone.now().isoformat()} | more


def put(client, body, key=None):
    address = f"/api/v1/equipment/{key or uuid.uuid4()}/"
    return client.put(address, json.dumps(body), content_type="application/json")


def read(lab, technician, run, raw):
    entry = actions.ReadingEntry(uuid.uuid4(), run, raw, timezone.now())
    return actions.record_reading(by=technician, entry=entry).reading


def test_the_same_choice_sent_again_changes_nothing(bench_lab, at_bench, logger):
    run, key = bench_lab.run_of("contact-heat"), uuid.uuid4()
    body = choice(run, instrument=logger.pk)
    answers = [put(at_bench, body, key).json() for _ in range(2)]
    assert answers[0] == answers[1]
    assert answers[0]["id"] == str(key)
    assert answers[0]["instruments"][0].startswith("Logger (th-1), calibrated, due ")
    assert InstrumentUse.objects.count() == 1


def test_a_choice_made_before_the_reading_may_arrive_after_it(
    bench_lab, at_bench, technician, checks_passed, logger
):
    run = bench_lab.run_of("contact-heat")
    before = choice(run, instrument=logger.pk)
    read(bench_lab, technician, run, {"seconds": 20, "ended": "failed"})
    after = choice(run, instrument=logger.pk)
    told = put(at_bench, after)
    assert told.status_code == 400
    assert "how you know" in told.json()["problems"]["reason"][0]
    assert put(at_bench, before).status_code == 200


def test_for_the_rest_reaches_runs_read_since_the_choice(
    bench_lab, at_bench, technician, checks_passed, logger
):
    old, first, other = (bench_lab.run_of("contact-heat") for _ in range(3))
    read(bench_lab, technician, old, {"seconds": 20, "ended": "failed"})
    body = choice(first, instrument=logger.pk, for_the_rest=True)
    read(bench_lab, technician, other, {"seconds": 20, "ended": "failed"})
    assert put(at_bench, body).json()["others_named"] == 1
    assert set(InstrumentUse.objects.values_list("run", flat=True)) == {first.pk, other.pk}


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({}, ""),
        ({"instrument": 999}, "instrument"),
        ({"consumable": 999}, "consumable"),
        ({"instrument": "th-1"}, "instrument"),
        ({"chosen_at": "2999-01-01T00:00:00Z", "instrument": 1}, "chosen_at"),
    ],
)
def test_what_cannot_be_is_told_beside_its_field(bench_lab, at_bench, body, field):
    told = put(at_bench, choice(bench_lab.run_of("contact-heat"), **body))
    assert told.status_code == 400
    assert field in told.json()["problems"]
    assert InstrumentUse.objects.count() == 0


def test_the_sheet_shows_which_with_due_date_and_uses_left(bench_lab, at_bench, logger, belt):
    """Nothing named: what could be taken; named: that one, and what is left of it."""
    run = bench_lab.run_of("belt-abrasion")
    assert run.revision.needs_consumables == ["belt"]
    heat = bench_lab.run_of("contact-heat")
    due = f"{timezone.localdate() + timedelta(days=200):%d %B %Y}"
    page = at_bench.get(SHEET).content.decode()
    assert f"To choose: Logger (th-1): calibrated, due {due}" in page
    assert "To choose: 60 grit belt 1, lot L1: 3 of 3 uses left" in page
    put(at_bench, choice(heat, instrument=logger.pk))
    put(at_bench, choice(run, consumable=belt.pk))
    page = at_bench.get(SHEET).content.decode()
    assert f"<li>Logger (th-1): calibrated, due {due}" in page
    assert "<li>60 grit belt 1, lot L1: 2 of 3 uses left" in page


def test_a_piece_without_limit_and_one_that_works_once(bench_lab):
    from trials.quality_queries import left_words

    today = timezone.localdate()
    for name, more, words in (
        ("Fabric", {}, ""),
        ("Indicator", {"is_one_shot": True}, "works once, unused"),
        (
            "Blade",
            {"expires_on": today, "use_limit": 2},
            f"2 of 2 uses left, expires {today:%d %B %Y}",
        ),
    ):
        kind = {"Fabric": "reference fabric", "Indicator": "indicator", "Blade": "blade"}[name]
        lot = consumables.add_lot(
            by=bench_lab.lead,
            fields={"kind": kind, "name": name, "lot": "A", "received_on": today} | more,
            piece_count=1,
        )
        assert left_words(lot.units.get()) == words
    unit = ConsumableUnit.objects.get(lot__name="Indicator")
    run = bench_lab.run_of("seam-opening")
    ConsumableUse.objects.create(
        run=run, unit=unit, is_one_shot=True, at=timezone.now(), by=bench_lab.lead
    )
    assert left_words(unit) == "used up"


def test_instruments_of_other_kinds_are_not_offered(bench_lab, at_bench, logger):
    assert Instrument.objects.count() == 1
    bench_lab.run_of("seam-opening")
    assert "Logger (th-1)" not in at_bench.get(SHEET).content.decode().split("whole sheet")[0]


class TestAddedRun:
    """The page on which a run added without network is entered."""

    def test_it_has_all_of_the_method_and_names_no_run(self, bench_lab, at_bench):
        page = at_bench.get(f"{SHEET}added/belt-abrasion/")
        assert page.status_code == 200
        text = page.content.decode()
        assert 'data-instrument="timer"' in text
        assert "data-specimen-form" in text
        assert "/runs/0/" not in text
        assert at_bench.get(f"{SHEET}added/not-there/").status_code == 404

    def test_a_blind_study_adds_none(self, bench_lab, at_bench):
        from labsite import triggers
        from trials.models import Study

        triggers.remove()
        Study.objects.update(is_blind=True)
        triggers.install()
        assert at_bench.get(f"{SHEET}added/belt-abrasion/").status_code == 404
