"""Amendments, looks, and finding what was changed after registration."""

import hashlib
import json
from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.db import DatabaseError, connection, transaction
from django.utils import timezone

from labsite import triggers
from labsite.errors import Refused
from specimens.models import Product
from tests.trials.study_lab import WANTS, StudyLab, build_study_lab, made_specimen
from trials import planning, studies
from trials.method_library import draft_revision
from trials.models import (
    Arm,
    ArmSpecimen,
    MethodRevision,
    Study,
    StudyAmendment,
    StudyLook,
    StudyMethod,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def lab() -> StudyLab:
    return build_study_lab()


def checked(*slugs: str) -> str:
    out = StringIO()
    call_command("check_registrations", *slugs, stdout=out)
    return out.getvalue()


def test_an_untouched_registration_agrees(lab):
    assert checked() == f"three-ages: as registered, {lab.study.registration_digest}\n"


def test_the_digest_can_be_worked_out_by_hand(lab):
    # SHA-256 of JSON with sorted keys and no blanks, written out here from the record
    def arm(key, label, is_baseline, specimens):
        return {
            "key": key,
            "label": label,
            "is_baseline": is_baseline,
            "specimens": [{"code": c, "pair": ""} for c in sorted(s.code for s in specimens)],
        }

    content = {
        "slug": "three-ages",
        "title": "Three ages",
        "question": "What does a year on the round cost?",
        "kind": "ages",
        "level": 0.95,
        "margin": 0.1,
        "scope": "auto",
        "exclusion_rules": "",
        "is_simultaneous": False,
        "arms": [
            arm("arm-0", "Unworn", True, lab.specimens[:3]),
            arm("arm-1", "One year", False, lab.specimens[3:6]),
            arm("arm-2", "Two years", False, lab.specimens[6:]),
        ],
        "methods": [
            {"key": used.revision.method.key, "revision": 1, "margin": 0.1}
            for used in StudyMethod.objects.filter(study=lab.study).order_by("position")
        ],
    }
    text = json.dumps(content, sort_keys=True, separators=(",", ":"))
    assert hashlib.sha256(text.encode()).hexdigest() == lab.study.registration_digest


def test_the_printed_content_has_the_digest(lab):
    out = StringIO()
    call_command("check_registrations", "three-ages", "--content", stdout=out)
    assert hashlib.sha256(out.getvalue().encode()).hexdigest() == lab.study.registration_digest
    assert json.loads(out.getvalue())["question"] == lab.study.question
    with pytest.raises(CommandError, match="one study"):
        call_command("check_registrations", "--content")


STUDY_CHANGES = {
    "slug": "other",
    "title": "Another title",
    "question": "Another question?",
    "kind": "worn-new",
    "level": 0.9,
    "margin": 0.2,
    "scope": "these items",
    "exclusion_rules": "Leave out what does not please.",
    "is_simultaneous": True,
    "is_blind": True,
    "change_of_mind": "Nothing.",
    "population": "All gear of the world.",
    "not_claimed": "Nothing at all.",
    "registration_digest": "0" * 64,
}


def test_no_field_of_a_study_is_left_out_of_the_tamper_test():
    named = {field.name for field in Study._meta.concrete_fields}
    # who and when are held by the trail; the counter of changes is no part of the question
    kept_elsewhere = {"id", "registered_at", "registered_by", "is_invented", "inputs_version"}
    assert named - kept_elsewhere == set(STUDY_CHANGES)


@pytest.mark.parametrize("field", sorted(STUDY_CHANGES))
def test_the_database_refuses_and_the_check_finds_a_changed_field(lab, field):
    change = Study.objects.filter(pk=lab.study.pk)
    with pytest.raises(DatabaseError), transaction.atomic():
        change.update(**{field: STUDY_CHANGES[field]})
    triggers.remove()
    try:
        change.update(**{field: STUDY_CHANGES[field]})
    finally:
        triggers.install()
    with pytest.raises(CommandError):
        checked()
    assert studies.registration_problems(Study.objects.get(pk=lab.study.pk))


def test_a_changed_time_of_registration_is_found(lab):
    triggers.remove()
    try:
        Study.objects.filter(pk=lab.study.pk).update(registered_at=timezone.now())
    finally:
        triggers.install()
    lab.study.refresh_from_db()
    assert studies.registration_problems(lab.study) == [
        "The time of registration is not the one in the trail."
    ]


def change_label(lab):
    Arm.objects.filter(study=lab.study, key="arm-1").update(label="Another year")


def change_baseline(lab):
    Arm.objects.filter(study=lab.study).update(is_baseline=False)
    Arm.objects.filter(study=lab.study, key="arm-2").update(is_baseline=True)


def change_arm_of_specimen(lab):
    member = ArmSpecimen.objects.filter(study=lab.study, arm__key="arm-1").first()
    member.arm = lab.study.arms.get(key="arm-2")
    member.save()


def change_pair(lab):
    ArmSpecimen.objects.filter(specimen=lab.specimens[0]).update(pair="one owner")


def slip_in_specimen(lab):
    arm = lab.study.arms.get(key="arm-2")
    ArmSpecimen.objects.create(study=lab.study, arm=arm, specimen=lab.spare)


def drop_specimen(lab):
    ArmSpecimen.objects.filter(specimen=lab.specimens[0]).delete()


def change_margin(lab):
    first = StudyMethod.objects.filter(study=lab.study).first()
    StudyMethod.objects.filter(pk=first.pk).update(margin=0.3)


def another_primary(lab):
    """What the answer turns on, chosen after the values are known."""
    first = StudyMethod.objects.filter(study=lab.study).first()
    StudyMethod.objects.filter(pk=first.pk).update(is_primary=True)


def other_position(lab):
    """The order of the methods on the card is part of what was registered."""
    first = StudyMethod.objects.filter(study=lab.study).first()
    StudyMethod.objects.filter(pk=first.pk).update(position=99)


def other_arm_position(lab):
    Arm.objects.filter(study=lab.study, key="arm-0").update(position=99)


def other_revision(lab):
    used = StudyMethod.objects.filter(study=lab.study).first()
    draft = draft_revision(by=lab.lead, method=used.revision.method)
    StudyMethod.objects.filter(pk=used.pk).update(revision=draft)


def change_resolution(lab):
    """A method in force, rewritten behind the application's back."""
    used = StudyMethod.objects.filter(study=lab.study).first()
    triggers.remove()
    try:
        MethodRevision.objects.filter(pk=used.revision_id).update(resolution=0.5)
    finally:
        triggers.install()


def change_steps(lab):
    used = StudyMethod.objects.filter(study=lab.study).first()
    triggers.remove()
    try:
        MethodRevision.objects.filter(pk=used.revision_id).update(steps=["Guess."])
    finally:
        triggers.install()


def drop_method(lab):
    StudyMethod.objects.filter(study=lab.study).first().delete()


@pytest.mark.parametrize(
    "tamper",
    [
        change_label,
        change_baseline,
        change_arm_of_specimen,
        change_pair,
        slip_in_specimen,
        drop_specimen,
        change_margin,
        another_primary,
        other_position,
        other_arm_position,
        other_revision,
        change_resolution,
        change_steps,
        drop_method,
    ],
)
def test_a_change_in_arms_or_methods_is_found(lab, tamper):
    assert checked()
    tamper(lab)
    with pytest.raises(CommandError):
        checked("three-ages")


def test_an_unknown_study_is_named():
    with pytest.raises(CommandError, match="nowhere"):
        checked("nowhere")


def test_an_amendment_is_kept_for_ever_and_marks_findings_stale(lab):
    before = Study.objects.get(pk=lab.study.pk).inputs_version
    amendment = studies.amend_study(
        by=lab.lead,
        study=lab.study,
        kind=StudyAmendment.Kind.DEVIATION,
        what="Session 2 was run on another belt.",
        reason="The first tore.",
    )
    assert Study.objects.get(pk=lab.study.pk).inputs_version == before + 1
    with pytest.raises(DatabaseError), transaction.atomic():
        StudyAmendment.objects.filter(pk=amendment.pk).update(what="Nothing happened.")
    with pytest.raises(DatabaseError), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("DELETE FROM trials_studyamendment")
    assert studies.registration_problems(lab.study) == []


@pytest.mark.parametrize(("what", "reason"), [("", "why"), ("what", " ")])
def test_an_amendment_says_what_and_why(lab, what, reason):
    with pytest.raises(Refused):
        studies.amend_study(by=lab.lead, study=lab.study, kind="change", what=what, reason=reason)


def test_an_open_study_is_changed_not_amended():
    lab = build_study_lab(is_registered=False)
    with pytest.raises(Refused, match="not registered"):
        studies.amend_study(by=lab.lead, study=lab.study, kind="change", what="a", reason="b")


def test_a_substitute_is_of_the_same_product_and_in_no_arm_yet(lab):
    arm = lab.study.arms.get(key="arm-0")
    other = Product.objects.create(maker="Invented", name="Fell jacket", kind="jacket")
    stranger = made_specimen(other, "EEQX")
    for specimen in (stranger, lab.specimens[5]):
        with pytest.raises(Refused) as refused:
            studies.substitute_specimen(
                by=lab.lead, study=lab.study, arm=arm, specimen=specimen, reason="Lost."
            )
        assert "specimen" in refused.value.problems
    assert not StudyAmendment.objects.exists()


def test_looks_before_the_end_are_counted_once_for_each_state(lab):
    plan = planning.draw_plan(by=lab.lead, study=lab.study, wants=WANTS)
    planning.accept_plan(by=lab.lead, plan=plan)
    assert studies.note_look(by=lab.lead, study=lab.study) == 0  # nothing to see yet
    runs = list(lab.study.runs.all())
    lab.read(runs[0])
    assert studies.note_look(by=lab.lead, study=lab.study) == 1
    assert studies.note_look(by=lab.lead, study=lab.study) == 1
    lab.read(runs[1])
    assert studies.note_look(by=lab.lead, study=lab.study) == 2
    for run in runs[2:]:
        lab.read(run)
    assert studies.is_finished(lab.study)
    assert studies.note_look(by=lab.lead, study=lab.study) == 2
    assert [(look.runs_read, look.runs_planned) for look in StudyLook.objects.all()] == [
        (1, 45),
        (2, 45),
    ]
