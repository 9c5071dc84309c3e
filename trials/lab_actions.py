"""What the lab office does with many runs at once, and with readings that came twice."""

import uuid as uuids
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import zip_longest
from typing import Any

from django.db import transaction

from labsite.errors import Refused
from labsite.models import User
from specimens.models import Specimen
from trials import actions
from trials.actions import ReadingEntry, plan_run, record_reading
from trials.models import MethodRevision, Reading, ReadingConflict, Run, Study


@dataclass(frozen=True)
class PlannedRun:
    """A run that was planned or would be, or the reason why it cannot be."""

    specimen: Specimen
    arm: str
    run: Run | None
    problem: str


@transaction.atomic
def plan_runs(
    *,
    by: User,
    study: Study,
    revision: MethodRevision,
    zone_code: str,
    runs_each: int = 1,
    only_try: bool = False,
) -> list[PlannedRun]:
    """Plan so many runs in one zone of every specimen of the study: all of them or none.

    The arms take turns on the sheet, so that a bench that drifts over a session drifts for all
    of them. With `only_try` the same is done and taken back, which shows exactly what would be.
    """
    planned = [
        _planned(by, study, revision, zone_code, specimen, arm)
        for _ in range(runs_each)
        for specimen, arm in in_turns(study)
    ]
    if only_try:
        transaction.set_rollback(True)
        return planned
    problems = [one.problem for one in planned if one.problem]
    if problems:
        raise Refused({"": list(dict.fromkeys(problems))})
    return planned


def in_turns(study: Study) -> list[tuple[Specimen, str]]:
    """The study's specimens with their arm's label, one of each arm in turn."""
    arms = [
        [(specimen, arm.label) for specimen in arm.specimens.select_related("product")]
        for arm in study.arms.all()
    ]
    return [pair for turn in zip_longest(*arms) for pair in turn if pair is not None]


def _planned(
    by: User,
    study: Study,
    revision: MethodRevision,
    zone_code: str,
    specimen: Specimen,
    arm: str,
) -> PlannedRun:
    zone = specimen.product.zones.filter(code=zone_code).first()
    if zone is None:
        problem = f"{specimen.code}: {specimen.product} has no zone '{zone_code}'."
        return PlannedRun(specimen, arm, None, problem)
    try:
        run = plan_run(by=by, study=study, specimen=specimen, revision=revision, zone=zone)
    except Refused as refused:
        return PlannedRun(specimen, arm, None, " ".join(refused.sentences))
    return PlannedRun(specimen, arm, run, "")


@transaction.atomic
def settle_conflict(
    *, by: User, conflict: ReadingConflict, note: str, takes_other: bool
) -> ReadingConflict:
    """Say which of two entries for one place is right, and why.

    Taking the other one amends the standing reading; nothing that came is lost either way.
    """
    takes = "the later entry" if takes_other else "the standing reading"
    conflict = actions.settle_conflict(by=by, conflict=conflict, note=note, takes=takes)
    if takes_other:
        _take_other(by=by, conflict=conflict, why=note.strip())
    return conflict


def _take_other(*, by: User, conflict: ReadingConflict, why: str) -> None:
    content: Mapping[str, Any] = conflict.content
    rater = str(content.get("rater") or "")
    standing = _newest(conflict.standing)
    if standing.rater != rater or not isinstance(content.get("measured_at"), int | float):
        raise Refused("The later entry cannot stand in for this reading: amend it by hand.")
    record_reading(
        by=by,
        entry=ReadingEntry(
            uuid=uuids.uuid4(),
            run=conflict.run,
            raw=content["raw"],
            measured_at=datetime.fromtimestamp(content["measured_at"], tz=UTC),
            rater=rater,
            note=str(content.get("note") or ""),
            supersedes=standing.pk,
            reason=why,
        ),
    )


def _newest(reading: Reading) -> Reading:
    # amendments are few: a step or two
    while (newer := Reading.objects.filter(supersedes=reading).first()) is not None:
        reading = newer
    return reading
