"""Fire watches and cool-downs: how long a method asks for, what is due, and keeping that it was done."""

import uuid as uuids
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db import transaction
from django.db.models import Max
from django.utils import timezone

from labsite import audit
from labsite.errors import Conflict, Refused
from labsite.models import User
from trials import policies
from trials.models import MethodRevision, Reading, RunVoid, Study, Watch

# settings of a method that name the minutes
SETTINGS = {"fire_watch_minutes": Watch.Kind.FIRE, "cool_down_minutes": Watch.Kind.COOLING}
SHOWN_FOR = timedelta(hours=24)  # an older one is past keeping; the record shows that none was kept
SLACK = timedelta(seconds=2)  # the tablet and the server round the same moment differently


@dataclass(frozen=True)
class WatchDue:
    """A watch that a method of a study asks for, and how it stands."""

    method: str
    key: str
    number: int
    kind: str
    kind_words: str
    minutes: int
    last_run_at: datetime | None
    kept: Watch | None  # for the last run known here
    runs: tuple[int, ...]


def minutes_of(revision: MethodRevision) -> dict[str, int]:
    """Minutes by kind of watch, as the revision's settings name them."""
    return {
        SETTINGS[setting["key"]].value: int(setting["value"])
        for setting in revision.settings
        if setting.get("key") in SETTINGS and setting.get("value")
    }


def watches_due(study: Study, revisions: Iterable[MethodRevision]) -> tuple[WatchDue, ...]:
    """What the sheet of a study counts down; three queries for each method that asks for a watch."""
    since = timezone.now() - SHOWN_FOR
    due = []
    for revision in revisions:
        for kind, minutes in minutes_of(revision).items():
            last_at = _last_run_at(study, revision, since)
            kept = None
            if last_at is not None:
                kept = (
                    Watch.objects.filter(study=study, revision=revision, kind=kind)
                    .filter(started_at__gte=last_at - SLACK)
                    .last()
                )
            due.append(
                WatchDue(
                    method=revision.method.name,
                    key=revision.method.key,
                    number=revision.number,
                    kind=kind,
                    kind_words=Watch.Kind(kind).label,
                    minutes=minutes,
                    last_run_at=last_at,
                    kept=kept,
                    runs=tuple(study.runs.filter(revision=revision).values_list("pk", flat=True)),
                )
            )
    return tuple(due)


def _last_run_at(study: Study, revision: MethodRevision, since: datetime) -> datetime | None:
    read = Reading.objects.filter(
        run__study=study,
        run__revision=revision,
        measured_at__gte=since,
        entered_from=Reading.EnteredFrom.BENCH,
    ).aggregate(last=Max("measured_at"))["last"]
    # a void run may have had its flame too
    void = RunVoid.objects.filter(
        run__study=study, run__revision=revision, at__gte=since
    ).aggregate(last=Max("at"))["last"]
    return max((at for at in (read, void) if at is not None), default=None)


@dataclass(frozen=True)
class WatchEntry:
    """A watch as its tablet tells of it; both times are by the server's clock."""

    uuid: uuids.UUID
    study: Study
    revision: MethodRevision
    kind: str
    started_at: datetime
    ended_at: datetime
    watcher: str
    note: str = ""
    clock_offset_s: float | None = None


@transaction.atomic
def keep_watch(*, by: User, entry: WatchEntry) -> tuple[Watch, bool]:
    """Keep that somebody watched to the end, or why not; the same id is the same watch."""
    minutes = minutes_of(entry.revision).get(entry.kind)
    problems: dict[str, list[str]] = {}
    if minutes is None:
        raise Refused({"kind": ["This method asks for no such watch."]})
    if not entry.watcher.strip():
        problems["watcher"] = ["Name the person who watched."]
    if entry.ended_at < entry.started_at:
        problems["ended_at"] = ["It ended before it started."]
    is_early = entry.ended_at - entry.started_at < timedelta(minutes=minutes) - SLACK
    if is_early and not entry.note.strip():
        problems["note"] = [f"The method asks for {minutes} minutes: say why it ended early."]
    if problems:
        raise Refused(problems)
    policies.check_measured_at(entry.ended_at, entry.study, field="ended_at")
    watch, is_new = Watch.objects.get_or_create(
        uuid=entry.uuid,
        defaults={
            "study": entry.study,
            "revision": entry.revision,
            "kind": entry.kind,
            "minutes": minutes,
            "started_at": entry.started_at,
            "ended_at": entry.ended_at,
            "watcher": entry.watcher.strip(),
            "note": entry.note.strip(),
            "clock_offset_s": entry.clock_offset_s,
            "received_at": timezone.now(),
            "by": by,
        },
    )
    same = (watch.study_id, watch.revision_id, watch.kind, watch.by_id)
    if same != (entry.study.pk, entry.revision.pk, entry.kind, by.pk):
        raise Conflict("Another watch stands under this id. Load the page again.")
    if is_new:
        audit.record(
            by=by,
            verb="kept a fire watch" if entry.kind == Watch.Kind.FIRE else "kept a cool-down",
            subject=watch,
            detail={"minutes": minutes, "watcher": watch.watcher, "note": watch.note},
        )
    return watch, is_new
