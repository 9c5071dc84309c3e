"""Plans on the record: drawn, put on the sheet, and drawn again when something is lost."""

from collections import Counter
from datetime import date, timedelta
from uuid import UUID

import pytest
from django.utils import timezone

from labsite.errors import Conflict, Refused
from labsite.models import AuditEntry
from specimens.actions import retire_specimen
from specimens.models import ZoneCapacity
from tests.trials.study_lab import WANTS, StudyLab, build_study_lab
from trials import actions, consumables, plan_queries, planning, studies
from trials.models import (
    ArmSpecimen,
    ConsumableUnit,
    MethodRevision,
    Plan,
    Run,
    SafetyAcknowledgement,
)
from trials.planning import Wants

pytestmark = pytest.mark.django_db


@pytest.fixture
def lab() -> StudyLab:
    return build_study_lab()


def accepted(lab: StudyLab, **changes) -> Plan:
    plan = planning.draw_plan(by=lab.lead, study=lab.study, wants=WANTS, **changes)
    return planning.accept_plan(by=lab.lead, plan=plan)


def test_a_draft_puts_nothing_on_the_sheet_and_acceptance_all_of_it(lab):
    plan = planning.draw_plan(by=lab.lead, study=lab.study, wants=WANTS, seed=5)
    assert not Run.objects.exists()
    planning.accept_plan(by=lab.lead, plan=plan)
    runs = list(lab.study.runs.select_related("revision__method", "specimen"))
    # nine jackets, by 1 + 1 + 1 + 2 runs
    assert len(runs) == 45
    assert [run.position for run in runs] == list(range(1, 46))
    assert Counter(run.revision.method.key for run in runs) == {
        "water-uptake": 9,
        "seam-opening": 9,
        "padding-drop": 9,
        "belt-abrasion": 18,
    }
    assert AuditEntry.objects.filter(verb="put plan on the sheet").count() == 1


def test_a_plan_drawn_again_from_its_seed_is_the_same(lab):
    plan = planning.draw_plan(by=lab.lead, study=lab.study, wants=WANTS)
    assert planning.solved_again(plan).slots == planning.slots_of(plan)


def test_a_lost_specimen_comes_off_the_sheet_and_the_rest_stands(lab):
    accepted(lab, seed=11)
    first = lab.study.runs.filter(session=1)
    for run in first:
        lab.read(run)
    lost = lab.specimens[4]
    retire_specimen(by=lab.lead, specimen=lost, on=timezone.localdate())
    told = [w.sentence for w in plan_queries.progress_page(lab.study).waiting]
    assert told == [
        f"{lost.code} is used up or lost and still has runs on the sheet: draw the plan again."
    ]
    before = {
        (run.specimen_id, run.revision_id, run.zone_id, run.site): run.pk
        for run in lab.study.runs.all()
    }
    again = accepted(lab, seed=12, reason="One jacket was lost in the post.")
    after = {
        (run.specimen_id, run.revision_id, run.zone_id, run.site): run.pk
        for run in lab.study.runs.all()
    }
    gone = {place for place in before if place not in after}
    assert gone
    assert {place[0] for place in gone} == {lost.pk}
    assert all(after[place] == before[place] for place in after)
    # what was read of the lost one stays
    assert lab.study.runs.filter(specimen=lost).count() == first.filter(specimen=lost).count()
    waiting = planning.waiting_runs(lab.study)
    assert set(waiting.values_list("plan__number", flat=True)) == {again.number}
    assert min(waiting.values_list("session", flat=True)) == 2
    assert not plan_queries.progress_page(lab.study).waiting
    assert [plan.state for plan in lab.study.plans.all()] == ["replaced", "in force"]


def test_a_spare_takes_the_place_of_the_lost_one_and_the_registration_still_agrees(lab):
    accepted(lab)
    lost = lab.specimens[0]
    retire_specimen(by=lab.lead, specimen=lost, on=timezone.localdate())
    arm = lab.study.arms.get(key="arm-0")
    amendment = studies.substitute_specimen(
        by=lab.lead, study=lab.study, arm=arm, specimen=lab.spare, reason="Lost in the post."
    )
    assert amendment.what == f"{lab.spare.code} was added to Unworn."
    assert amendment.values_were_known is False
    assert studies.registration_problems(lab.study) == []
    accepted(lab, reason="Lost in the post.")
    assert lab.study.runs.filter(specimen=lab.spare).count() == 5
    assert not lab.study.runs.filter(specimen=lost).exists()


def test_a_void_run_gets_a_fresh_site_when_one_is_left(lab):
    accepted(lab)
    run = lab.study.runs.filter(revision__method__key="belt-abrasion").first()
    actions.void_run(
        by=lab.lead, run=run, reason="slipped", note="Slid out of the jaw.", value_was_known=False
    )
    told = [one for one in plan_queries.progress_page(lab.study).waiting if one.kind == "void"]
    assert run.specimen.code in told[0].sentence
    accepted(lab, reason="A run is void.")
    same = lab.study.runs.filter(specimen=run.specimen, revision=run.revision)
    assert same.count() == 3
    assert len({(one.zone_id, one.site) for one in same}) == 3


def test_a_plan_drawn_before_a_reading_came_is_refused(lab):
    accepted(lab)
    plan = planning.draw_plan(by=lab.lead, study=lab.study, wants=WANTS, reason="Another order.")
    lab.read(lab.study.runs.first())
    with pytest.raises(Conflict, match="changed since"):
        planning.accept_plan(by=lab.lead, plan=plan)
    assert lab.study.plans.get(state="in force").number == 1


def test_more_than_the_gear_carries_is_said_by_name(lab):
    wants = Wants(runs_each={"padding-drop": 3})
    plan = planning.draw_plan(by=lab.lead, study=lab.study, wants=wants)
    sentences = [note["sentence"] for note in plan.notes if note["kind"] == "missing"]
    assert len(sentences) == 3
    codes = ", ".join(sorted(one.code for one in lab.specimens[:3]))
    assert sentences[0].endswith(
        f" needs 3 more of left elbow or right elbow in unworn ({codes}): its sites are used up."
    )


def test_pinning_is_kept_and_what_it_breaks_is_said(lab):
    plan = planning.draw_plan(by=lab.lead, study=lab.study, wants=WANTS, seed=3)
    water = next(slot for slot in plan.slots if slot["method"] == "water-uptake")
    plan = planning.pin_slot(by=lab.lead, plan=plan, slot=water["name"], session=9)
    moved = next(slot for slot in plan.slots if slot["name"] == water["name"])
    assert moved["session"] == 9
    broken = [note["sentence"] for note in plan.notes if note["kind"] == "broken"]
    assert any("Water uptake" in one and water["specimen"] in one for one in broken)
    plan = planning.pin_slot(by=lab.lead, plan=plan, slot=water["name"])
    assert not [note for note in plan.notes if note["kind"] == "broken"]


def test_a_second_plan_needs_a_reason_and_a_plan_on_the_sheet_stands(lab):
    plan = accepted(lab)
    with pytest.raises(Refused) as refused:
        planning.draw_plan(by=lab.lead, study=lab.study, wants=WANTS)
    assert "reason" in refused.value.problems
    with pytest.raises(Conflict):
        planning.pin_slot(by=lab.lead, plan=plan, slot=plan.slots[0]["name"], session=2)
    with pytest.raises(Conflict):
        planning.accept_plan(by=lab.lead, plan=plan)


@pytest.mark.parametrize(
    ("wants", "field"),
    [
        (Wants(runs_each={"flame-grade": 1}), "runs_flame-grade"),
        (Wants(runs_each={"belt-abrasion": 21}), "runs_belt-abrasion"),
        (Wants(runs_each={"belt-abrasion": 0}), ""),
        (Wants(runs_each={"belt-abrasion": 1}, session_minutes=9), "session_minutes"),
        (
            Wants(runs_each={"belt-abrasion": 1}, stages={"belt-abrasion": 44}),
            "stage_belt-abrasion",
        ),
        (Wants(runs_each={"padding-drop": 1}, session_minutes=30), ""),
    ],
)
def test_asks_that_cannot_be_are_refused_beside_their_field(lab, wants, field):
    with pytest.raises(Refused) as refused:
        planning.draw_plan(by=lab.lead, study=lab.study, wants=wants)
    assert field in refused.value.problems
    assert not Plan.objects.exists()


def test_minutes_follow_the_labs_own_pace_once_there_are_enough_runs(lab):
    accepted(lab)
    revision = lab.study.study_methods.get(revision__method__key="seam-opening").revision
    assert planning.usual_minutes(revision) == (12.0, False)
    start = (timezone.now() - timedelta(days=1)).replace(hour=9, minute=0)
    SafetyAcknowledgement.objects.create(revision=revision, by=lab.technician, at=start, answers={})
    for k, run in enumerate(lab.study.runs.filter(revision=revision)[:6]):
        actions.record_reading(
            by=lab.technician,
            entry=actions.ReadingEntry(
                uuid=UUID(int=k + 1),
                run=run,
                raw={"turns": 7, "ended": "failed"},
                measured_at=start + timedelta(minutes=7 * k),
            ),
        )
    assert planning.usual_minutes(revision) == (7.0, True)


def test_blind_specimens_get_numbers_and_the_sheet_shows_only_those():
    lab = build_study_lab(is_blind=True)
    accepted(lab)
    members = ArmSpecimen.objects.filter(study=lab.study)
    numbers = list(members.values_list("blind_code", flat=True))
    assert len(set(numbers)) == 9
    assert all(number.isdigit() for number in numbers)
    sheet = plan_queries.printed_sheet(lab.study, 1)
    shown = {line.what for block in sheet.blocks for line in block.lines if not line.is_control}
    assert shown <= {f"Item {number}" for number in numbers}


def test_the_printed_sheet_has_the_runs_in_order_between_control_runs(lab):
    accepted(lab)
    sheet = plan_queries.printed_sheet(lab.study, 1)
    (water,) = sheet.blocks
    assert water.name == "Water uptake under spray"
    controls = [line.is_control for line in water.lines]
    assert controls == [True, *[False] * (len(controls) - 2), True]
    places = [line.place for line in water.lines if not line.is_control]
    assert places == sorted(places)
    assert plan_queries.printed_sheet(lab.study, 99) is None


def test_a_specimen_retired_before_planning_is_left_out(lab):
    retire_specimen(by=lab.lead, specimen=lab.specimens[8], on=date(2026, 2, 1))
    plan = planning.draw_plan(by=lab.lead, study=lab.study, wants=WANTS)
    assert lab.specimens[8].code not in {slot["specimen"] for slot in plan.slots}
    assert len(plan.slots) == 40


def test_what_another_study_did_to_a_specimen_counts_by_what_its_method_spoils(lab):
    # a flame in another study: by its rules the specimen is of no use for water any more, and the
    # zone for nothing; seams elsewhere on it are untouched
    back = lab.product.zones.get(code="back")
    ZoneCapacity.objects.create(zone=back, method_key="flame-grade", site_count=1)
    flame = MethodRevision.objects.get(method__key="flame-grade")
    burnt, other = lab.specimens[0], lab.specimens[4]
    study = actions.create_study(
        by=lab.lead,
        fields={"slug": "flames", "title": "Flames", "question": "Why?", "kind": "worn-new"},
        arms=[
            actions.ArmPlan("a", "A", True, [burnt]),
            actions.ArmPlan("b", "B", False, [other]),
        ],
        methods=[actions.MethodPlan(flame)],
    )
    actions.plan_run(by=lab.lead, study=study, specimen=burnt, revision=flame, zone=back)
    plan = planning.draw_plan(by=lab.lead, study=lab.study, wants=WANTS)
    planned = {(slot["specimen"], slot["method"]) for slot in plan.slots}
    assert (burnt.code, "water-uptake") not in planned
    assert (burnt.code, "seam-opening") in planned
    assert (other.code, "water-uptake") in planned
    told = [note["sentence"] for note in plan.notes if note["kind"] == "missing"]
    assert told == [
        (
            f"Water uptake under spray needs one more back in unworn ({burnt.code}): what is left of "
            "it is spoiled by other runs."
        )
    ]


def test_a_plan_says_what_it_uses_up_and_whether_the_lab_has_it(lab):
    plan = accepted(lab, seed=3)
    sessions = plan_queries.plan_page(plan).sessions
    belts = sum("Belt abrasion" in block.method for one in sessions for block in one.blocks)
    # nine jackets twice, and a control run before and after wherever the belt is set up
    needed = 18 + 2 * belts
    (told,) = (one for one in plan_queries.plan_page(plan).uses if one.startswith("Abrasive belt"))
    assert f"18 runs and {2 * belts} control runs: {needed} uses." in told
    assert "none on record" in told
    lot = consumables.add_lot(
        by=lab.lead,
        fields={
            "kind": "belt", "name": "Invented belt", "lot": "7", "received_on": date(2026, 1, 5),
            "use_limit": needed - 1,
        },
        piece_count=1,
    )  # fmt: skip
    assert any("1 short" in one for one in plan_queries.plan_page(plan).uses)
    piece = ConsumableUnit.objects.create(lot=lot, label="2")
    assert any("enough, with a fifth to spare" in one for one in plan_queries.plan_page(plan).uses)
    consumables.discard(by=lab.lead, unit=piece, reason="Torn.")
    assert any("1 short" in one for one in plan_queries.plan_page(plan).uses)
