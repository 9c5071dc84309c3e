"""Actions on the record where the API and the pages do not reach."""

import uuid
from datetime import timedelta

import pytest
from django.db import IntegrityError, transaction
from django.utils import timezone

from labsite.errors import Refused
from labsite.models import AuditEntry
from trials import actions, policies
from trials.models import MethodRevision, Reading, SafetyAcknowledgement, Study

pytestmark = pytest.mark.django_db


def entry(run, **changes):
    known = {
        "uuid": uuid.uuid4(),
        "run": run,
        "raw": {"held_at": 1.25},
        "measured_at": timezone.now(),
    }
    return actions.ReadingEntry(**(known | changes))


def plans(lab, *, baselines=(True, False)):
    return [
        actions.ArmPlan(f"arm-{number}", f"Arm {number}", is_baseline, [specimen])
        for number, (is_baseline, specimen) in enumerate(zip(baselines, lab.specimens, strict=True))
    ]


FIELDS = {"slug": "second", "title": "Second", "question": "Why?", "kind": "worn-new"}


class TestStudies:
    @pytest.mark.parametrize("baselines", [(False, False), (True, True)])
    def test_exactly_one_arm_is_the_baseline(self, bench_lab, baselines):
        with pytest.raises(Refused) as refused:
            actions.create_study(
                by=bench_lab.lead,
                fields=FIELDS,
                arms=plans(bench_lab, baselines=baselines),
                methods=[actions.MethodPlan(bench_lab.revisions["padding-drop"])],
            )
        assert refused.value.problems == {"arms": ["Exactly one arm is the baseline."]}
        assert not Study.objects.filter(slug="second").exists()

    def test_a_specimen_is_in_one_arm(self, bench_lab):
        twice = [
            actions.ArmPlan("a", "A", True, bench_lab.specimens[:1]),
            actions.ArmPlan("b", "B", False, bench_lab.specimens[:1]),
        ]
        with pytest.raises(Refused, match="is in A and in B"):
            actions.create_study(
                by=bench_lab.lead,
                fields=FIELDS,
                arms=twice,
                methods=[actions.MethodPlan(bench_lab.revisions["padding-drop"])],
            )

    def test_a_draft_method_cannot_be_registered(self, bench_lab):
        old = bench_lab.revisions["padding-drop"]
        draft = MethodRevision.objects.create(
            method=old.method,
            number=2,
            outcome_kind=old.outcome_kind,
            quantity=old.quantity,
            unit=old.unit,
            direction=old.direction,
            resolution=old.resolution,
            range_high=old.range_high,
        )
        study = actions.create_study(
            by=bench_lab.lead,
            fields=FIELDS,
            arms=plans(bench_lab),
            methods=[actions.MethodPlan(draft)],
        )
        with pytest.raises(Refused, match="Still a draft"):
            actions.register_study(by=bench_lab.lead, study=study)
        study.refresh_from_db()
        assert study.registered_at is None

    def test_a_registered_study_is_registered_once(self, bench_lab):
        with pytest.raises(Refused, match="is registered"):
            actions.register_study(by=bench_lab.lead, study=bench_lab.study)

    def test_the_database_keeps_a_registered_question(self, bench_lab):
        with pytest.raises(IntegrityError, match="keeps its question"), transaction.atomic():
            Study.objects.filter(pk=bench_lab.study.pk).update(question="Another?")

    def test_the_digest_is_of_what_was_registered(self, bench_lab):
        content = actions.registration_content(bench_lab.study)
        assert bench_lab.study.registration_digest == actions.digest_of(content)


class TestRuns:
    def test_a_zone_is_used_up_site_by_site(self, bench_lab):
        bench_lab.zone.capacities.filter(method_key="padding-drop").update(site_count=2)
        assert [bench_lab.run_of("padding-drop").site for _ in range(2)] == [1, 2]
        with pytest.raises(Refused, match="used up"):
            bench_lab.run_of("padding-drop")

    def test_a_void_run_has_used_its_site(self, bench_lab, technician):
        run = bench_lab.run_of("padding-drop")
        actions.void_run(
            by=technician, run=run, reason="slipped", note="Slid.", value_was_known=False
        )
        assert bench_lab.run_of("padding-drop").site == 2

    def test_a_retired_specimen_is_run_no_more(self, bench_lab):
        specimen = bench_lab.specimens[0]
        specimen.retired_on = timezone.now().date()
        specimen.save()
        with pytest.raises(Refused, match="it was retired on"):
            bench_lab.run_of("padding-drop")

    def test_a_void_run_takes_no_reading(self, bench_lab, technician, checks_passed):
        run = bench_lab.run_of("padding-drop")
        actions.void_run(
            by=technician, run=run, reason="slipped", note="Slid.", value_was_known=False
        )
        with pytest.raises(Refused, match="takes no more readings"):
            actions.record_reading(by=technician, entry=entry(run))


class TestReadings:
    def test_the_database_keeps_a_reading(self, bench_lab, technician, checks_passed):
        recorded = actions.record_reading(
            by=technician, entry=entry(bench_lab.run_of("padding-drop"))
        )
        for change in (
            lambda: Reading.objects.filter(pk=recorded.reading.pk).update(low=9),
            lambda: recorded.reading.delete(),
        ):
            with (
                pytest.raises(IntegrityError, match="never changed or deleted"),
                transaction.atomic(),
            ):
                change()
        assert Reading.objects.get().low == 1.25

    def test_an_amendment_chains(self, bench_lab, technician, checks_passed):
        run = bench_lab.run_of("padding-drop")
        first = actions.record_reading(by=technician, entry=entry(run)).reading
        second = actions.record_reading(
            by=technician, entry=entry(run, supersedes=first.pk, reason="misread")
        ).reading
        third = actions.record_reading(
            by=technician, entry=entry(run, supersedes=second.pk, reason="again")
        ).reading
        assert list(Reading.objects.current()) == [third]

    def test_an_amendment_stays_on_its_run_and_with_its_rater(
        self, bench_lab, technician, checks_passed
    ):
        run, other = bench_lab.run_of("flame-grade"), bench_lab.run_of("flame-grade")
        graded = entry(run, raw={"grade": 2}, rater="A")
        first = actions.record_reading(by=technician, entry=graded).reading
        amended = {"raw": {"grade": 3}, "supersedes": first.pk, "reason": "misread"}
        with pytest.raises(Refused, match="not one of this run"):
            actions.record_reading(by=technician, entry=entry(other, rater="A", **amended))
        with pytest.raises(Refused, match="keeps its rater"):
            actions.record_reading(by=technician, entry=entry(run, rater="B", **amended))

    def test_a_grade_needs_a_rater(self, bench_lab, technician, checks_passed):
        run = bench_lab.run_of("flame-grade")
        with pytest.raises(Refused, match="who graded it"):
            actions.record_reading(by=technician, entry=entry(run, raw={"grade": 2}))

    def test_everything_leaves_a_line_in_the_trail(self, bench_lab, technician, checks_passed):
        run = bench_lab.run_of("padding-drop")
        first = actions.record_reading(by=technician, entry=entry(run)).reading
        actions.record_reading(
            by=technician, entry=entry(run, supersedes=first.pk, reason="misread")
        )
        actions.void_run(
            by=technician, run=run, reason="slipped", note="Slid.", value_was_known=True
        )
        verbs = AuditEntry.objects.filter(
            subject_kind="trials.run", subject_id=str(run.pk)
        ).order_by("pk")
        assert list(verbs.values_list("verb", flat=True)) == [
            "planned run",
            "entered reading",
            "amended reading",
            "voided run",
        ]

    def test_a_conflict_is_settled_once(self, bench_lab, technician, checks_passed):
        run = bench_lab.run_of("padding-drop")
        actions.record_reading(by=technician, entry=entry(run))
        kept = actions.record_reading(by=technician, entry=entry(run))
        assert kept.state == "kept as conflict"
        conflict = run.conflicts.get()
        actions.settle_conflict(by=technician, conflict=conflict, note="Sent twice.")
        with pytest.raises(Refused, match="settled already"):
            actions.settle_conflict(by=technician, conflict=conflict, note="Again.")


class TestSafety:
    def test_checks_are_asked_again_the_next_day(self, bench_lab, technician):
        revision = bench_lab.revisions["padding-drop"]
        now = timezone.now()
        for age, counts in ((timedelta(hours=11), True), (timedelta(hours=13), False)):
            passed = SafetyAcknowledgement(
                revision=revision, by=technician, at=now - age, answers={}
            )
            with transaction.atomic():
                passed.save()
                assert policies.safety_acknowledged(revision, technician) is counts
                transaction.set_rollback(True)

    def test_one_person_does_not_pass_them_for_another(self, bench_lab, technician, checks_passed):
        revision = bench_lab.revisions["padding-drop"]
        assert policies.safety_acknowledged(revision, technician)
        assert not policies.safety_acknowledged(revision, bench_lab.lead)
