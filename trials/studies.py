"""What happens to a study after its question is fixed: amendments, looks, and checking it."""

from typing import Any

from django.db import IntegrityError, transaction
from django.utils import timezone

from labsite import audit
from labsite.errors import NotAllowed, Refused
from labsite.models import AuditEntry, User
from labsite.roles import Deed, may
from specimens.models import Specimen
from trials import policies
from trials.actions import (
    digest_of,
    mark_changed,
    method_digests,
    registration_content,
)
from trials.models import Arm, ArmSpecimen, Run, Study, StudyAmendment, StudyLook
from trials.planning import give_blind_codes, waiting_runs

SHUT = "shut until the last run of this blind study is read"


def values_known(study: Study) -> bool:
    """True when any reading has come, so that whoever decides may know a value."""
    return Run.objects.filter(study=study, readings__isnull=False).exists()


@transaction.atomic
def amend_study(*, by: User, study: Study, kind: str, what: str, reason: str) -> StudyAmendment:
    """Write down what is different from what was registered. The registered fields stand."""
    if study.registered_at is None:
        raise Refused("This study is not registered: change it instead.")
    if kind not in StudyAmendment.Kind.values:
        raise Refused({"kind": ["Choose from the list."]})
    problems = {
        field: ["Fill this in."]
        for field, text in (("what", what), ("reason", reason))
        if not text.strip()
    }
    if problems:
        raise Refused(problems)
    amendment = StudyAmendment.objects.create(
        study=study,
        kind=kind,
        what=what.strip(),
        reason=reason.strip(),
        values_were_known=values_known(study),
        at=timezone.now(),
        by=by,
    )
    audit.record(
        by=by,
        verb="amended study",
        subject=study,
        detail={"what": amendment.what, "reason": amendment.reason},
    )
    mark_changed(study)
    return amendment


@transaction.atomic
def substitute_specimen(
    *, by: User, study: Study, arm: Arm, specimen: Specimen, reason: str
) -> StudyAmendment:
    """Bring a specimen into an arm after registration, in place of one that was lost."""
    policies.check_specimen_usable(specimen)
    if arm.study_id != study.pk:
        raise Refused({"arm": ["This arm belongs to another study."]})
    here = ArmSpecimen.objects.filter(study=study, specimen=specimen).select_related("arm").first()
    if here is not None:
        raise Refused({"specimen": [f"{specimen.code} is in {here.arm.label} already."]})
    products = set(arm.specimens.values_list("product", flat=True))
    if products and specimen.product_id not in products:
        raise Refused(
            {"specimen": [f"{specimen.code} is of another product than {arm.label.lower()}."]}
        )
    amendment = amend_study(
        by=by,
        study=study,
        kind=StudyAmendment.Kind.SUBSTITUTE,
        what=f"{specimen.code} was added to {arm.label}.",
        reason=reason,
    )
    ArmSpecimen.objects.create(study=study, arm=arm, specimen=specimen, amendment=amendment)
    standing = study.plans.filter(state="in force").first()
    if study.is_blind and standing is not None:
        give_blind_codes(study, seed=standing.seed)
    return amendment


# --- looks before the end --------------------------------------------------------------------


def is_finished(study: Study) -> bool:
    """True when something was read and no run waits."""
    return values_known(study) and not waiting_runs(study).exists()


def is_closed(study: Study) -> bool:
    """True while a blind study's findings stay shut: until its last run is read."""
    return study.is_blind and not is_finished(study)


def closed_studies() -> list[int]:
    """The blind studies that stay shut for now."""
    return [study.pk for study in Study.objects.filter(is_blind=True) if is_closed(study)]


def runs_kept_shut() -> set[str]:
    """The runs whose words the audit trail does not show: they name specimens and values."""
    runs = Run.objects.filter(study__in=closed_studies()).order_by()
    return {str(pk) for pk in runs.values_list("pk", flat=True)}


def check_is_open(study: Study) -> None:
    """Nobody takes the readings of a closed study home."""
    if is_closed(study):
        raise NotAllowed("This study is blind: its readings go out once its last run is read.")


def check_sees_readings(*, user: User, study: Study) -> None:
    """Until then they stay at the bench, which knows the specimens by drawn numbers only."""
    if not may(user, Deed.ENTER_READINGS):
        check_is_open(study)


@transaction.atomic
def note_look(*, by: User, study: Study, kind: str = StudyLook.Kind.FINDINGS) -> int:
    """Count that this person sees findings (or the codes) now; returns the looks of this kind.

    Looking again before another run is read is the same look. A finished study counts no more.
    """
    runs = study.runs.count()
    read = Run.objects.filter(study=study, readings__isnull=False).distinct().count()
    open_still = not is_finished(study)
    if (kind == StudyLook.Kind.CODES or read) and open_still:
        try:
            with transaction.atomic():
                _, is_new = StudyLook.objects.get_or_create(
                    study=study,
                    kind=kind,
                    by=by,
                    runs_read=read,
                    defaults={"runs_planned": runs, "at": timezone.now()},
                )
        except IntegrityError:
            is_new = False  # another request of this person counted it at the same moment
        if is_new:
            audit.record(by=by, verb=f"saw {kind}", subject=study, detail={"read": read})
    return StudyLook.objects.filter(study=study, kind=kind).count()


# --- checking a registration -----------------------------------------------------------------


def registration_problems(study: Study) -> list[str]:
    """What does not agree with the registration; empty when everything does.

    The digest is worked out again from the rows, and held against the one beside the study and
    the one in the trail of who did what, which nobody can change.
    """
    if study.registered_at is None:
        return ["It is not registered."]
    now = digest_of(registration_content(study))
    problems = []
    if now != study.registration_digest:
        problems.append(
            f"What the study says now has the digest {now}, not {study.registration_digest}: "
            "something was changed after registration."
        )
    entry = (
        AuditEntry.objects.filter(
            verb="registered study", subject_kind="trials.study", subject_id=str(study.pk)
        )
        .order_by("pk")
        .first()
    )
    if entry is None:
        problems.append("The trail has no entry of its registration.")
    else:
        problems += _against_trail(study, entry.detail)
    return problems


def _against_trail(study: Study, detail: dict[str, Any]) -> list[str]:
    problems = []
    if detail.get("digest") != study.registration_digest:
        problems.append("The digest beside the study is not the one in the trail.")
    at = detail.get("at")
    if at is not None and study.registered_at is not None and at != study.registered_at.isoformat():
        problems.append("The time of registration is not the one in the trail.")
    # studies registered before methods were told in the trail are held by the digest alone
    told = detail.get("methods", {})
    now = method_digests(study, {key: one["fields"] for key, one in told.items()})
    problems += [
        f"What the method {key} says is not what it said at registration."
        for key, one in told.items()
        if now.get(key, {}).get("digest") != one["digest"]
    ]
    return problems
