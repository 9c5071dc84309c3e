"""A calibration recorded for an instrument moves findings, and the reading stays as read.

Expected figures are worked out by hand from the interval table and JCGM 100:2008, 5.2.2.
"""

import json
import math
from datetime import timedelta
from uuid import uuid4

import pytest
from django.utils import timezone

from reports.content import study_content
from reports.queries import standing, study_inputs
from reports.verification import published_from, verify
from tests.reports.force_lab import (
    NEW,
    WORN,
    finding_of,
    load_cell,
    mean_log,
    read_all,
    with_a_record,
)
from tests.trials.bench_lab import build_bench_lab, pass_checks
from trials import actions, consumables, instruments
from trials.models import Reading

pytestmark = pytest.mark.django_db


@pytest.fixture
def lab(db):
    made = build_bench_lab()
    pass_checks(made, made.lead)
    return made


def test_the_correction_is_applied_and_what_was_read_is_kept(lab):
    cell = load_cell(lab, "lc-1", correction=-0.5)
    read_all(lab, (cell, cell))
    # the bound of a mean log is nearly the mean of the logs of the middles at 0.1 kN steps
    expected = math.exp(mean_log(NEW, -0.5) - mean_log(WORN, -0.5))
    found = finding_of(lab)["retention"]
    assert found == pytest.approx(expected, rel=2e-3)
    assert abs(found - math.exp(mean_log(NEW) - mean_log(WORN))) > 0.01
    assert Reading.objects.filter(run__revision__method__key="transmitted-force", low=5.95).exists()
    content = study_content(lab.study, standing(lab.study).summary, [])
    row = next(r for r in content["readings"] if r["words"].startswith("6\u00a0kN"))
    assert (row["low"], row["high"]) == (5.95, 6.05)
    assert (row["used_low"], row["used_high"]) == (pytest.approx(5.45), pytest.approx(5.55))
    assert "lc-1 reads 0.5\u00a0kN too high" in row["used_words"]
    told = {caution["key"]: caution["full"] for caution in content["cautions"]}
    assert "6 readings corrected" in told["E41"]


def test_its_uncertainty_cancels_between_like_arms_and_not_between_instruments(lab):
    cells = [load_cell(lab, f"lc-{n}", expanded_uncertainty=2.0) for n in (1, 2)]
    with_a_record(lab)
    read_all(lab, cells)
    two = finding_of(lab)
    # u = 1 kN on each: relative 1/6.03 and 1/9.1, independent
    by_hand = math.hypot(sum(1 / v for v in NEW) / 3, sum(1 / v for v in WORN) / 3)
    assert two["details"]["calibration"]["log_deviation"] == pytest.approx(by_hand, rel=1e-3)
    # each side at least as wide as the calibrations alone make it, at 95 %
    assert math.log(two["high"] / two["retention"]) > 1.96 * by_hand
    assert math.log(two["retention"] / two["low"]) > 1.96 * by_hand


def test_one_instrument_for_both_costs_less(lab):
    cell = load_cell(lab, "lc-1", expanded_uncertainty=2.0)
    read_all(lab, (cell, cell))
    one = finding_of(lab)
    by_hand = sum(1 / v for v in NEW) / 3 - sum(1 / v for v in WORN) / 3
    assert one["details"]["calibration"]["log_deviation"] == pytest.approx(by_hand, rel=1e-3)


def test_a_run_without_its_instrument_is_cautioned(lab):
    read_all(lab, (None, None))
    finding_of(lab)
    content = study_content(lab.study, standing(lab.study).summary, [])
    told = {caution["key"]: caution["full"] for caution in content["cautions"]}
    assert "6 runs" in told["E40"]
    assert "E41" not in told


def test_an_indicators_tolerance_widens_the_reading(lab):
    lot = consumables.add_lot(
        by=lab.lead,
        fields={
            "kind": "indicator",
            "name": "100 g",
            "lot": "26-01",
            "received_on": timezone.localdate(),
            "is_one_shot": True,
            "trips_at": 100.0,
            "trips_unit": "g_n",
            "tolerance": 0.15,
        },
        piece_count=1,
    )
    run = lab.run_of("padding-drop")
    consumables.use_consumable(by=lab.lead, run=run, unit=lot.units.get())
    actions.record_reading(
        by=lab.lead,
        entry=actions.ReadingEntry(
            uuid=uuid4(),
            run=run,
            raw={"held_at": 0.8, "failed_at": 1.0},
            measured_at=timezone.now(),
        ),
    )
    inputs = study_inputs(lab.study)
    method = next(m for m in inputs.methods if m.key == "padding-drop")
    bound = method.arms[0].specimens[0].bounds[0]
    # height goes with the square of the level: 0.8 x 0.85^2 and 1.0 x 1.15^2
    assert (bound.low, bound.high) == (pytest.approx(0.578), pytest.approx(1.3225))
    reading = Reading.objects.get(run=run)
    assert (reading.low, reading.high) == (0.8, 1.0)


def test_an_overdue_calibration_still_corrects_and_is_cautioned(lab):
    today = timezone.localdate()
    cell = load_cell(
        lab,
        "lc-1",
        correction=-0.5,
        done_on=today - timedelta(days=400),
        due_on=today - timedelta(days=35),
    )
    run = lab.run_of("transmitted-force")
    instruments.use_instrument(by=lab.lead, run=run, instrument=cell, reason="No other.")
    actions.record_reading(
        by=lab.lead,
        entry=actions.ReadingEntry(
            uuid=uuid4(), run=run, raw={"value": 6.0}, measured_at=timezone.now()
        ),
    )
    method = next(m for m in study_inputs(lab.study).methods if m.key == "transmitted-force")
    assert method.arms[0].specimens[0].bounds[0].low == pytest.approx(5.45)


def test_digest_moves_with_a_calibration_and_not_without(lab):
    read_all(lab, (None, None))
    before = study_inputs(lab.study).digest
    assert study_inputs(lab.study).digest == before
    cell = load_cell(lab, "lc-1", correction=-0.5)
    for run in lab.study.runs.all():
        instruments.use_instrument(by=lab.lead, run=run, instrument=cell, reason="Asked around.")
    assert study_inputs(lab.study).digest != before


def test_what_is_published_can_be_worked_out_again(lab):
    cells = [load_cell(lab, f"lc-{n}", correction=-0.5, expanded_uncertainty=0.4) for n in (1, 2)]
    with_a_record(lab)
    read_all(lab, cells)
    finding_of(lab)
    content = study_content(lab.study, standing(lab.study).summary, [])
    frozen = json.loads(json.dumps(content | {"edition": {"number": 1}}))
    checks = verify(published_from(frozen))
    assert len(checks) > 3
    assert [check for check in checks if not check.is_equal] == []
    frozen["readings"][0]["used_low"] += 0.1
    assert [c for c in verify(published_from(frozen)) if not c.is_equal]
