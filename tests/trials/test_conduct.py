"""What the record shows of order, blinding, looks and amendments."""

from datetime import timedelta
from uuid import uuid4

import pytest
from django.utils import timezone

from tests.trials.study_lab import RAW, WANTS, StudyLab, build_study_lab
from trials import actions, planning, studies
from trials.conduct import conduct_of

pytestmark = pytest.mark.django_db


def planned(*, is_blind: bool = False) -> StudyLab:
    lab = build_study_lab(is_blind=is_blind)
    plan = planning.draw_plan(by=lab.lead, study=lab.study, wants=WANTS)
    planning.accept_plan(by=lab.lead, plan=plan)
    return lab


def test_runs_of_a_plan_are_by_lot_and_one_added_by_hand_is_not():
    lab = planned()
    runs = list(lab.study.runs.all())
    lab.read(runs[0])
    assert conduct_of(lab.study).is_randomised
    water = lab.study.study_methods.get(revision__method__key="belt-abrasion").revision
    jacket = lab.specimens[0]
    by_hand = next(
        run
        for zone in jacket.product.zones.filter(code__endswith="sleeve")
        if (run := _try_run(lab, jacket, water, zone)) is not None
    )
    lab.read(by_hand)
    assert not conduct_of(lab.study).is_randomised


def _try_run(lab, jacket, revision, zone):
    try:
        return actions.plan_run(
            by=lab.lead, study=lab.study, specimen=jacket, revision=revision, zone=zone
        )
    except actions.Refused:
        return None


def test_nothing_read_yet_is_not_called_by_lot():
    assert not conduct_of(planned().study).is_randomised


def test_a_reading_before_its_turn_is_counted():
    lab = planned()
    runs = list(lab.study.runs.all()[:3])
    now = timezone.now()
    for run, seconds in zip(runs, (10, 30, 20), strict=True):
        actions.record_reading(
            by=lab.technician,
            entry=actions.ReadingEntry(
                uuid=uuid4(),
                run=run,
                raw=RAW[run.revision.method.key],
                measured_at=now + timedelta(seconds=seconds),
            ),
        )
    assert conduct_of(lab.study).out_of_order == 1


def test_who_saw_the_key_and_reads_is_not_blind():
    lab = planned(is_blind=True)
    lab.read(lab.study.runs.first())
    studies.note_look(by=lab.lead, study=lab.study, kind="codes")
    assert conduct_of(lab.study).is_blind
    studies.note_look(by=lab.technician, study=lab.study, kind="codes")
    known = conduct_of(lab.study)
    assert not known.is_blind
    assert known.unblinded_readers == 1


def test_a_study_that_never_was_blind_is_not():
    lab = planned()
    lab.read(lab.study.runs.first())
    assert not conduct_of(lab.study).is_blind
