"""Findings computed in the background: what changes them, and which of them speak."""

from datetime import date

import pytest
from django.contrib.auth import get_user_model

from labsite.models import Job, JobState
from reports.models import EditionDraft, Finding, Summary, SummaryHead
from reports.queries import standing, study_inputs
from reports.work import store_summary, summarise
from specimens.actions import add_service_entry
from specimens.models import Specimen
from tests.reports.demo_site import (
    AGES,
    PAIR,
    PRICES,
    amend,
    current_reading,
    finding_of,
    findings_of,
    publish,
    run_waiting_jobs,
)
from trials.actions import void_run
from trials.models import Study

pytestmark = pytest.mark.usefixtures("demo")


def no_progress(done: int, total: int) -> None:
    """Nobody watches."""


@pytest.fixture
def ages() -> Study:
    return Study.objects.get(slug=AGES)


@pytest.fixture
def pair() -> Study:
    return Study.objects.get(slug=PAIR)


@pytest.mark.parametrize("slug", [AGES, PAIR, PRICES])
def test_every_method_and_every_other_arm_has_one_finding(slug: str) -> None:
    study = Study.objects.get(slug=slug)
    wanted = {
        (used.revision_id, arm.pk)
        for used in study.study_methods.all()
        for arm in study.arms.filter(is_baseline=False)
    }
    found = [(f.revision_id, f.arm_id) for f in findings_of(study)]
    assert len(found) == len(wanted)
    assert set(found) == wanted
    assert {f.baseline.is_baseline for f in findings_of(study)} == {True}


def test_digest_says_only_what_was_read(ages: Study) -> None:
    assert study_inputs(ages).digest == study_inputs(ages).digest
    assert standing(ages).summary.inputs_digest == study_inputs(ages).digest
    digests = set(Summary.objects.values_list("inputs_digest", flat=True))
    assert len(digests) == 3


def add_service(study: Study, lead) -> None:
    specimen = Specimen.objects.filter(memberships__study=study, service_entries=None).first()
    add_service_entry(
        by=lead,
        specimen=specimen,
        started_on=date(2025, 2, 1),
        ended_on=date(2025, 2, 10),
        evidence="diary",
        distance_km_low=100.0,
        distance_km_best=120.0,
        distance_km_high=150.0,
    )


def test_the_editors_words_do_not_move_the_digest(ages: Study) -> None:
    before = study_inputs(ages).digest
    EditionDraft.objects.filter(study=ages).update(headline="Other words")
    assert study_inputs(ages).digest == before


def test_service_history_moves_a_study_over_ages_and_asks_for_it(ages: Study, lead) -> None:
    before, version = study_inputs(ages).digest, ages.inputs_version
    add_service(ages, lead)
    assert study_inputs(ages).digest != before
    run_waiting_jobs()
    ages.refresh_from_db()
    assert ages.inputs_version == version + 1
    run_waiting_jobs()
    assert standing(ages).is_current


def test_service_history_does_not_move_a_study_without_ages(pair: Study, lead) -> None:
    before, version = study_inputs(pair).digest, pair.inputs_version
    add_service(pair, lead)
    run_waiting_jobs()
    pair.refresh_from_db()
    assert (study_inputs(pair).digest, pair.inputs_version) == (before, version)


def test_a_job_overtaken_by_a_later_change_leaves_it_the_work(pair: Study) -> None:
    answer = summarise({"study": pair.pk, "inputs_version": pair.inputs_version - 1}, no_progress)
    assert answer == {"is_overtaken": True}
    before = SummaryHead.objects.get(study=pair).summary_id
    store_summary({"study": pair.pk}, answer)
    assert SummaryHead.objects.get(study=pair).summary_id == before


def test_a_void_moves_the_digest_and_the_specimens_readings_fall_out(ages: Study, lead) -> None:
    before = study_inputs(ages).digest
    version = ages.inputs_version
    reading = current_reading(ages, "belt-abrasion")
    void_run(by=lead, run=reading.run, reason="slipped", note="The jaw slid.", value_was_known=True)
    ages.refresh_from_db()
    assert ages.inputs_version == version + 1
    assert not standing(ages).is_current
    assert study_inputs(ages).digest != before
    codes = [
        (s.code, len(s.bounds))
        for m in study_inputs(ages).methods
        if m.key == "belt-abrasion"
        for arm in m.arms
        for s in arm.specimens
    ]
    left = dict(codes).get(reading.run.specimen.code, 0)
    total = reading.run.specimen.runs.filter(revision=reading.run.revision).count()
    assert left == total - 1


def test_a_void_run_leaves_the_analysis(pair: Study, lead) -> None:
    for reading in list(pair.runs.filter(revision__method__key="seam-opening")):
        if reading.specimen.arms.filter(study=pair, key="worn").exists():
            void_run(by=lead, run=reading, reason="instrument", note="Out.", value_was_known=False)
    run_waiting_jobs()
    finding = finding_of(pair, "seam-opening", "worn")
    assert finding.kind == Finding.Kind.REFUSED
    assert finding.verdict == "not tested"
    assert finding.n_other == 0
    assert finding.n_baseline == 1
    assert "no valid reading" in finding.refusal
    assert (finding.retention, finding.low, finding.high) == (None, None, None)


def test_an_amendment_moves_the_digest_and_the_finding(pair: Study, lead) -> None:
    before = finding_of(pair, "belt-abrasion", "worn").retention
    digest = study_inputs(pair).digest
    reading = current_reading(pair, "belt-abrasion", "F5UG-C")
    seconds = reading.raw["seconds"] * 2
    amend(reading, {"seconds": seconds, "ended": "failed"}, by=lead)
    assert study_inputs(pair).digest != digest
    assert run_waiting_jobs() == 1
    after = finding_of(pair, "belt-abrasion", "worn").retention
    assert after > before * 1.2


def test_amending_back_gives_the_same_digest_and_the_same_summary(pair: Study, lead) -> None:
    first = standing(pair).summary
    reading = current_reading(pair, "belt-abrasion", "F5UG-C")
    typed = dict(reading.raw)
    changed = amend(reading, {"seconds": 9.9, "ended": "failed"}, by=lead).reading
    run_waiting_jobs()
    second = standing(pair).summary
    assert second.pk != first.pk
    count = Summary.objects.count()
    amend(changed, typed, by=lead, reason="It was right at first.")
    run_waiting_jobs()
    pair.refresh_from_db()
    third = standing(pair)
    assert third.is_current
    assert third.summary.pk == first.pk
    assert third.summary.inputs_digest == first.inputs_digest
    assert Summary.objects.count() == count


def test_an_older_answer_that_comes_late_does_not_speak(pair: Study, lead) -> None:
    payload = {"study": pair.pk, "inputs_version": pair.inputs_version}
    late = summarise(payload, no_progress)
    reading = current_reading(pair, "belt-abrasion", "F5UG-C")
    amend(reading, {"seconds": 9.9, "ended": "failed"}, by=lead)
    run_waiting_jobs()
    pair.refresh_from_db()
    newest = SummaryHead.objects.get(study=pair)
    assert newest.inputs_version == pair.inputs_version > late["inputs_version"]
    store_summary(payload, late)
    after = SummaryHead.objects.get(study=pair)
    assert (after.summary_id, after.inputs_version) == (newest.summary_id, newest.inputs_version)


def test_storing_the_same_answer_twice_stores_one_set_of_findings(pair: Study) -> None:
    payload = {"study": pair.pk, "inputs_version": pair.inputs_version}
    before = Finding.objects.count()
    store_summary(payload, summarise(payload, no_progress))
    assert Finding.objects.count() == before


def test_each_change_asks_for_one_job(pair: Study, lead) -> None:
    done = Job.objects.count()
    reading = current_reading(pair, "belt-abrasion", "F5UG-C")
    amend(reading, {"seconds": 5.0, "ended": "failed"}, by=lead)
    assert Job.objects.filter(state=JobState.WAITING).count() == 1
    assert Job.objects.count() == done + 1
    run_waiting_jobs()
    assert Job.objects.filter(state=JobState.WAITING).count() == 0


def test_one_specimen_a_side_rests_on_the_methods_record(pair: Study) -> None:
    finding = finding_of(pair, "seam-opening", "worn")
    assert finding.scope == "these items"
    assert finding.scale == "record"
    assert finding.low is not None
    assert finding.high is not None
    assert finding.low < finding.retention < finding.high


def test_one_specimen_a_side_without_a_record_claims_nothing(pair: Study, lead) -> None:
    from trials.models import ControlRun

    ControlRun.objects.filter(revision__method__key="seam-opening").delete()
    reading = current_reading(pair, "belt-abrasion", "F5UG-C")
    amend(reading, {"seconds": 5.0, "ended": "failed"}, by=lead)
    run_waiting_jobs()
    finding = finding_of(pair, "seam-opening", "worn")
    assert finding.verdict == "not resolved"
    assert finding.low is None
    assert finding.high is None
    assert finding.smallest_visible_loss is None
    assert "no record of the method's scatter" in finding.refusal
    edition = publish(pair, by=lead, note="The record of one method was taken out.")
    (shown,) = [f for f in edition.content["findings"] if f["method"]["key"] == "seam-opening"]
    assert "we claim nothing" in shown["sentence"]
    assert shown["interval_words"] == "no interval"
    assert shown["verdict_words"] == "Not resolved"


def test_findings_cannot_be_changed_by_anybody(pair: Study) -> None:
    from django.db import IntegrityError, transaction

    finding = findings_of(pair)[0]
    with pytest.raises(IntegrityError, match="never changed"), transaction.atomic():
        Finding.objects.filter(pk=finding.pk).update(verdict="held")
    with pytest.raises(IntegrityError, match="never changed"), transaction.atomic():
        Summary.objects.filter(pk=finding.summary_id).update(engine_version="0")
    finding.refresh_from_db()
    assert finding.verdict in {
        "clear loss",
        "some loss",
        "held",
        "some gain",
        "clear gain",
        "not resolved",
    }


def test_no_person_is_needed_for_the_computation(pair: Study) -> None:
    # the worker has no session: everything it needs is in the rows
    get_user_model().objects.update(is_active=False)
    answer = summarise({"study": pair.pk, "inputs_version": pair.inputs_version}, no_progress)
    assert answer["digest"] == standing(pair).summary.inputs_digest
