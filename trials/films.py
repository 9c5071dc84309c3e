"""A reading from two marks on a film. The film itself stays where it is; its marks are kept."""

import uuid as uuids
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db import transaction

from labsite.errors import Refused
from labsite.models import User
from trials.actions import ReadingEntry, checked_entry, record_reading
from trials.intervals import Entry, ReadingKind
from trials.models import Reading, Run
from trials.photos import MarkEntry, keep_mark

MARKS = (("from_s", "begun: the first mark of the time read"), ("to_s", "the second mark"))
RAW = ("from_s", "to_s", "frames_per_second", "ended")


@dataclass(frozen=True)
class FilmTime:
    """What a person marked on a film."""

    video: str
    raw: Mapping[str, Any]
    measured_at: datetime
    note: str = ""


def check_takes_film(run: Run) -> None:
    """Refuse where a run is not read as a time."""
    if run.revision.outcome_kind != ReadingKind.TIMER:
        raise Refused("This method is not read as a time, so no time can be taken from a film.")


def looked_at(run: Run, given: FilmTime) -> Entry:
    """The interval that the marks make, before anything is kept."""
    check_takes_film(run)
    return checked_entry(given.raw, run.revision)


@transaction.atomic
def keep_film_time(*, by: User, run: Run, given: FilmTime) -> Reading:
    """The run's reading and both marks, or none of them."""
    looked_at(run, given)
    recorded = record_reading(
        by=by,
        entry=ReadingEntry(
            uuid=uuids.uuid4(),
            run=run,
            raw=dict(given.raw),
            measured_at=given.measured_at,
            note=given.note.strip(),
        ),
    )
    if recorded.state != "stored":
        raise Refused("The run has a reading already. Amend it at the bench if it is wrong.")
    for name, caption in MARKS:
        keep_mark(
            by=by,
            entry=MarkEntry(
                uuid=uuids.uuid4(),
                run=run,
                video=given.video,
                seconds=float(given.raw[name]),
                caption=caption,
                marked_at=given.measured_at,
            ),
        )
    return recorded.reading
