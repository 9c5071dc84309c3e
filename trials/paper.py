"""Readings that were written on a printed run sheet and are typed in afterwards."""

import re
import uuid as uuids
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Any

from django.utils import timezone

from labsite.errors import NotYet, Refused
from labsite.models import User
from trials.actions import ReadingEntry, record_reading
from trials.bench_queries import today
from trials.intervals import ReadingKind
from trials.models import Reading, Run, Study
from trials.queries import LONGEST_NOTE, RunLine, for_bench, run_line

# the boxes of a row by kind of reading: name, words, choices (none for a box to type in)
BOXES: dict[str, tuple[tuple[str, str, tuple[tuple[str, str], ...]], ...]] = {
    ReadingKind.VALUE: (("value", "Value", ()),),
    ReadingKind.TIMER: (
        ("seconds", "Time", ()),
        ("ended", "Ended", (("failed", "failed"), ("stopped", "stopped"))),
    ),
    ReadingKind.TALLY: (
        ("turns", "Count", ()),
        ("ended", "Ended", (("failed", "failed"), ("stopped", "stopped"))),
    ),
    ReadingKind.RISING_STEPS: (("held_at", "Held at", ()), ("failed_at", "Failed at", ())),
    ReadingKind.CHALLENGE: (
        ("level", "Level", ()),
        ("outcome", "Outcome", (("held", "held"), ("failed", "failed"))),
    ),
    ReadingKind.MASS_GAIN: (("before_g", "Before, g", ()), ("after_g", "After, g", ())),
    ReadingKind.GRADE: (("grade", "Grade", ()), ("rater", "Rater", ())),
}
LONGEST_CELL = 40
MOST_ROWS = 200


@dataclass(frozen=True)
class Box:
    """A box of a row: its name in the form, what is in it, and what is wrong with it."""

    name: str
    words: str
    choices: tuple[tuple[str, str], ...]
    typed: str
    problems: tuple[str, ...]


@dataclass(frozen=True)
class PaperRow:
    """A run that waits for what is on paper, with what was typed so far."""

    line: RunLine
    unit: str
    reading_id: str
    boxes: tuple[Box, ...]
    time_box: Box
    note_box: Box
    problems: tuple[str, ...]
    kept_words: str

    @property
    def is_kept(self) -> bool:
        """True once it is stored: its boxes are gone."""
        return bool(self.kept_words)


@dataclass(frozen=True)
class PaperPage:
    """The form as one table, in the order of the sheet."""

    day: str
    ran_by: str
    is_ticked: bool
    problems: Mapping[str, tuple[str, ...]]
    rows: tuple[PaperRow, ...]

    @property
    def kept_count(self) -> int:
        """Rows stored by this sending."""
        return sum(row.is_kept for row in self.rows)

    @property
    def problem_count(self) -> int:
        """Rows that were typed and could not be stored."""
        return sum(
            bool(row.problems) or any(box.problems for box in (*row.boxes, row.time_box))
            for row in self.rows
        )


def paper_page(study: Study, typed: Mapping[str, str], *, by: User | None = None) -> PaperPage:
    """The form; with `by`, what is typed is stored row by row, and what fails stays as typed."""
    head = {name: typed.get(name, "").strip()[:80] for name in ("day", "ran_by")}
    is_ticked = typed.get("ticked") == "yes"
    day, problems = _head_problems(head, is_ticked) if by else (None, {})
    lines = [*today(study).runs]
    # a row typed into is shown even when somebody else has read its run meanwhile
    asked = [int(name[4:]) for name in typed if re.fullmatch("row-[0-9]{1,18}", name)]
    listed = {line.id for line in lines}
    gone = [pk for pk in asked[:MOST_ROWS] if pk not in listed and _is_typed(pk, typed)]
    lines += [run_line(run) for run in for_bench(Run.objects.filter(study=study, pk__in=gone))]
    runs = Run.objects.select_related(
        "study", "revision__method", "specimen__product", "zone"
    ).in_bulk([line.id for line in lines])
    store = _Store(by, day, head["ran_by"]) if by and not problems and day else None
    rows = [_row(line, runs[line.id], typed, store) for line in lines]
    return PaperPage(
        day=head["day"] or timezone.localdate().isoformat(),
        ran_by=head["ran_by"],
        is_ticked=is_ticked,
        problems={name: tuple(said) for name, said in problems.items()},
        rows=tuple(rows),
    )


def _is_typed(pk: int, typed: Mapping[str, str]) -> bool:
    """True when a box of this run holds something."""
    return any(
        text.strip()
        for name, text in typed.items()
        if re.fullmatch(f"[a-z_]+-{pk}", name) and not name.startswith("row-")
    )


@dataclass(frozen=True)
class _Store:
    """Who types, and what the head of the paper says."""

    by: User
    day: date
    ran_by: str


def _head_problems(
    head: Mapping[str, str], is_ticked: bool
) -> tuple[date | None, dict[str, list[str]]]:
    problems: dict[str, list[str]] = {}
    day = None
    try:
        day = date.fromisoformat(head["day"])
    except ValueError:
        problems["day"] = ["Type the day on the sheet, such as 2026-11-25."]
    if not head["ran_by"]:
        problems["ran_by"] = ["Type who ran it, as on the sheet."]
    if not is_ticked:
        problems["ticked"] = [
            "Tick it if the checks were ticked on the sheet. If not, tell the lead."
        ]
    return day, problems


def _row(line: RunLine, run: Run, typed: Mapping[str, str], store: _Store | None) -> PaperRow:
    def cell(name: str) -> str:
        return typed.get(f"{name}-{line.id}", "").strip().replace("\0", "")[:LONGEST_CELL]

    kind = run.revision.outcome_kind
    raw = {name: cell(name) for name, _, _ in BOXES[kind]}
    at, note = cell("time"), typed.get(f"note-{line.id}", "").strip().replace("\0", "")[:500]
    reading_id = typed.get(f"row-{line.id}", "") or str(uuids.uuid4())
    problems: dict[str, list[str]] = {}
    kept = ""
    if store and (any(raw.values()) or at or note):
        kept, problems = _kept(run, raw, at, note, reading_id, store)
    boxes = tuple(
        Box(f"{name}-{line.id}", words, choices, raw[name], tuple(problems.pop(name, ())))
        for name, words, choices in BOXES[kind]
    )
    time_box = Box(
        f"time-{line.id}",
        "Time of day",
        (),
        at,
        tuple(problems.pop("time", ()) or problems.pop("measured_at", ())),
    )
    note_box = Box(f"note-{line.id}", "Note", (), note, ())
    rest = tuple(sentence for said in problems.values() for sentence in said)
    return PaperRow(line, run.revision.unit, reading_id, boxes, time_box, note_box, rest, kept)


def _kept(
    run: Run, raw: Mapping[str, str], at: str, note: str, reading_id: str, store: _Store
) -> tuple[str, dict[str, list[str]]]:
    """The stored reading in words, or the row's problems by box."""
    try:
        measured_at = _moment(store.day, at)
        uuid = uuids.UUID(reading_id)
    except ValueError as why:
        return "", {"time": [str(why)]}
    entry = ReadingEntry(
        uuid=uuid,
        run=run,
        raw=_raw(raw),
        measured_at=measured_at,
        rater=raw.get("rater", ""),
        note=f"From paper, run by {store.ran_by}. {note}".strip()[:LONGEST_NOTE],
        entered_from=Reading.EnteredFrom.PAPER,
    )
    try:
        recorded = record_reading(by=store.by, entry=entry)
    except (Refused, NotYet) as refused:
        return "", dict(refused.problems)
    if recorded.state == "kept as conflict":
        return "Another reading stands here; this one is kept beside it for the lead.", {}
    return recorded.reading.words, {}


def _raw(typed: Mapping[str, str]) -> dict[str, Any]:
    """The raw entry of a row; an empty box of the rising steps is none."""
    return {
        name: (text or None if name in {"held_at", "failed_at"} else text)
        for name, text in typed.items()
        if name != "rater"
    }


def _moment(day: date, at: str) -> datetime:
    """A time of day as people write it: 9:05, 09.05 or 0905."""
    digits = at.replace(".", ":").replace("h", ":")
    if digits.isascii() and digits.isdigit() and len(digits) in {3, 4}:
        digits = f"{digits[:-2]}:{digits[-2:]}"
    hours, _, minutes = digits.partition(":")
    if not (hours.isdigit() and minutes.isdigit() and len(minutes) == 2):
        raise ValueError("Type the time on the sheet, such as 9:05.")
    try:
        clock = time(int(hours), int(minutes))
    except ValueError:
        raise ValueError(f"'{at}' is no time of day: type it such as 9:05.") from None
    return timezone.make_aware(datetime.combine(day, clock))
