"""What may be done with control materials and control runs."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction
from django.utils import timezone

from labsite import audit
from labsite.errors import Refused
from labsite.models import User
from trials.actions import checked_entry, mark_changed
from trials.intervals import ReadingKind
from trials.models import (
    ConsumableUnit,
    ControlMaterial,
    ControlRun,
    Method,
    MethodRevision,
    Study,
)

CLOCK_SLACK = timedelta(minutes=10)


@transaction.atomic
def add_material(*, by: User, method: Method, fields: dict[str, Any]) -> ControlMaterial:
    """A material that control runs of a method are made on."""
    if ControlMaterial.objects.filter(method=method, name=fields["name"]).exists():
        raise Refused({"name": ["This material is in the record already."]})
    material = ControlMaterial.objects.create(method=method, **fields)
    audit.record(by=by, verb="added control material", subject=material)
    return material


@dataclass(frozen=True)
class ControlEntry:
    """A control run as it comes from the bench, before it is checked."""

    revision: MethodRevision
    material: ControlMaterial
    session_label: str
    ran_at: datetime
    raw: Mapping[str, Any]
    consumable: ConsumableUnit | None = None
    note: str = ""


@transaction.atomic
def record_control_run(*, by: User, entry: ControlEntry) -> ControlRun:
    """Keep a control run, entered as a reading of the method is."""
    revision = entry.revision
    problems = _entry_problems(entry)
    if problems:
        raise Refused(problems)
    bounds = checked_entry(entry.raw, revision).bounds
    if bounds is None:
        raise Refused("This entry makes no interval.")
    run = ControlRun.objects.create(
        revision=revision,
        material=entry.material.name,
        session_label=entry.session_label.strip(),
        ran_at=entry.ran_at,
        low=bounds.low,
        high=None if bounds.high == float("inf") else bounds.high,
        consumable=entry.consumable,
        note=entry.note.strip(),
        by=by,
    )
    audit.record(by=by, verb="recorded control run", subject=run)
    # the method's record grows, and with it what studies of few items may claim
    for study in Study.objects.filter(study_methods__revision=revision).distinct():
        mark_changed(study)
    return run


@transaction.atomic
def take_over_control_run(  # noqa: PLR0913 one argument for each field of the record
    *,
    by: User,
    revision: MethodRevision,
    material: str,
    session_label: str,
    ran_at: datetime,
    low: float,
    high: float | None,
) -> ControlRun:
    """Keep a control run from records older than this one, which hold its interval only."""
    if ran_at > timezone.now() + CLOCK_SLACK:
        raise Refused({"ran_at": ["A control run cannot be in the future."]})
    if low < 0 or (high is not None and high < low):
        raise Refused({"low": ["The interval runs from a low end to a higher one."]})
    run = ControlRun.objects.create(
        revision=revision,
        material=material,
        session_label=session_label.strip(),
        ran_at=ran_at,
        low=low,
        high=high,
        by=by,
    )
    audit.record(
        by=by, verb="took over control run", subject=run, detail={"low": low, "high": high}
    )
    for study in Study.objects.filter(study_methods__revision=revision).distinct():
        mark_changed(study)
    return run


def _entry_problems(entry: ControlEntry) -> dict[str, list[str]]:
    revision, material = entry.revision, entry.material
    problems: dict[str, list[str]] = {}
    if revision.outcome_kind == ReadingKind.GRADE:
        problems[""] = ["Grades have no control run: raters are compared instead."]
    if revision.state == MethodRevision.State.DRAFT:
        problems[""] = [f"{revision} is still a draft."]
    if material.method_id != revision.method_id:
        problems["material"] = [f"{material} is not a control material of this method."]
    if not entry.session_label.strip():
        problems["session_label"] = ["Name the session, such as 4 May, morning."]
    if entry.ran_at > timezone.now() + CLOCK_SLACK:
        problems["ran_at"] = ["A control run cannot be in the future."]
    same = ControlRun.objects.filter(revision=revision, material=material.name, ran_at=entry.ran_at)
    if same.exists():
        problems["ran_at"] = ["A control run of this time is in the record already."]
    return problems
