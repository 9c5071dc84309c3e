"""Service history from a file: read whole, refused by line, stored all or nothing."""

import csv
import io
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db import transaction

from labsite.errors import Refused
from labsite.models import User
from specimens.actions import add_service_entry
from specimens.codes import BadCode, clean_code
from specimens.models import ServiceEntry, Specimen

COLUMNS = (
    "specimen",
    "started_on",
    "ended_on",
    "distance_km_low",
    "distance_km_best",
    "distance_km_high",
    "odometer_start_km",
    "odometer_end_km",
    "wash_count",
    "proofing_count",
    "conditions",
    "incident_kind",
    "incident_on",
    "incident_note",
    "evidence",
    "note",
)
NEEDED = ("specimen", "started_on", "ended_on", "evidence")
MOST_BYTES = 1024 * 1024
MOST_LINES = 5000
ODOMETER_DOUBT = 0.02  # an odometer reads a few per cent high or low; common practice, no source


@dataclass(frozen=True)
class LineProblem:
    """What is wrong with a line; line 1 is the header, and column may be empty."""

    line: int
    column: str
    sentence: str


class BadFile(Exception):
    """The file has problems; nothing of it is stored."""

    def __init__(self, problems: Iterable[LineProblem]) -> None:
        self.problems = tuple(problems)
        super().__init__("; ".join(one.sentence for one in self.problems[:3]))


def template() -> str:
    """The header line and one line of invented data."""
    return (
        ",".join(COLUMNS)
        + "\r\nK7M2-H,2025-03-01,2026-02-28,,,,12400,21800,9,1,rain on half the days,,,,odometer,\r\n"
    )


def odometer_distance(start_km: float, end_km: float) -> tuple[float, float, float]:
    """Lowest, best and highest distance between two readings of an odometer.

    Its own error of about two per cent is put on both sides.
    """
    best = end_km - start_km
    return best * (1 - ODOMETER_DOUBT), best, best * (1 + ODOMETER_DOUBT)


@transaction.atomic
def import_service(*, by: User, content: bytes) -> int:
    """Store every line of a file, or none and say what is wrong with each.

    Raises
    ------
    BadFile
        With every problem found, by line and column.
    """
    problems: list[LineProblem] = []
    count = 0
    for line, row in _lines(content):
        try:
            with transaction.atomic():
                add_service_entry(by=by, **_fields(row))
        except Refused as refused:
            problems += [
                LineProblem(line, field, sentence)
                for field, sentences in refused.problems.items()
                for sentence in sentences
            ]
        count += 1
    if problems:
        # leaving this block by an error takes back the lines that were good
        raise BadFile(problems)
    if not count:
        raise BadFile([LineProblem(1, "", "The file has no lines below its header.")])
    return count


def _lines(content: bytes) -> Iterable[tuple[int, dict[str, str]]]:
    if len(content) > MOST_BYTES:
        raise BadFile([LineProblem(1, "", "The file is larger than 1 MB: split it.")])
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as why:
        raise BadFile([LineProblem(1, "", "The file is not UTF-8 text.")]) from why
    if "\0" in text:
        raise BadFile([LineProblem(1, "", "The file is not a table of text.")])
    rows, names = _table(text)
    for line, cells in enumerate(rows[1:], start=2):
        if any(cell.strip() for cell in cells):
            cleaned = (cell.strip() for cell in cells)
            yield line, dict(zip(names, cleaned, strict=True))


def _table(text: str) -> tuple[list[list[str]], list[str]]:
    """The rows and the names of the columns; every row has as many cells as there are names."""
    header = text.partition("\n")[0]
    separator = max(",;\t", key=header.count)
    rows = list(csv.reader(io.StringIO(text), delimiter=separator))
    if not rows:
        raise BadFile([LineProblem(1, "", "The file is empty.")])
    names = [name.strip() for name in rows[0]]
    problems = [
        LineProblem(1, name, f"There is no column '{name}' in this kind of file.")
        for name in names
        if name not in COLUMNS
    ]
    problems += [
        LineProblem(1, name, f"The column '{name}' is missing.")
        for name in NEEDED
        if name not in names
    ]
    if len(set(names)) < len(names):
        problems.append(LineProblem(1, "", "A column is there twice."))
    if len(rows) > MOST_LINES + 1:
        problems.append(LineProblem(1, "", f"More than {MOST_LINES} lines: split the file."))
    for line, cells in enumerate(rows[1:], start=2):
        if any(cells) and len(cells) != len(names):
            problems.append(
                LineProblem(line, "", f"{len(cells)} cells where the header has {len(names)}.")
            )
    if problems:
        raise BadFile(problems)
    return rows, names


def _fields(row: Mapping[str, str]) -> dict[str, Any]:
    problems: dict[str, list[str]] = {}

    def read(name: str, how: Any, words: str) -> Any:
        text = row.get(name, "")
        if not text:
            return None
        try:
            return how(text)
        except ValueError:
            problems[name] = [words.format(text[:40])]
            return None

    numbers = {
        name: read(name, _number, "'{}' is not a number.")
        for name in COLUMNS
        if name.endswith("_km") or name.startswith("distance")
    }
    counts = {
        name: read(name, int, "'{}' is not a whole number.")
        for name in ("wash_count", "proofing_count")
    }
    days = {
        name: read(name, date.fromisoformat, "'{}' is not a date like 2026-03-14.")
        for name in ("started_on", "ended_on", "incident_on")
    }
    specimen = _specimen(row["specimen"], problems)
    for name in ("started_on", "ended_on"):
        if days[name] is None and name not in problems:
            problems[name] = ["Fill this in."]
    if row["evidence"] not in ServiceEntry.Evidence.values:
        named = ", ".join(ServiceEntry.Evidence.values)
        problems["evidence"] = [f"'{row['evidence'][:40]}' is none of: {named}."]
    distance = _distance(numbers, problems)
    kind = row.get("incident_kind", "")
    if not kind and (row.get("incident_on") or row.get("incident_note")):
        problems["incident_kind"] = ["Say what kind of incident this was."]
    if problems:
        raise Refused(problems)
    incident = {
        "kind": kind,
        "on": days["incident_on"],
        "note": row.get("incident_note", ""),
    }
    return {
        "specimen": specimen,
        "started_on": days["started_on"],
        "ended_on": days["ended_on"],
        "evidence": row["evidence"],
        **dict(
            zip(("distance_km_low", "distance_km_best", "distance_km_high"), distance, strict=True)
        ),
        **counts,
        "conditions": row.get("conditions", ""),
        "incidents": [incident] if kind else [],
        "note": row.get("note", ""),
    }


def _number(text: str) -> float:
    number = float(text.replace(",", "."))
    if not abs(number) < 1e7:
        raise ValueError(text)
    return number


def _specimen(text: str, problems: dict[str, list[str]]) -> Specimen | None:
    try:
        found = Specimen.objects.filter(code=clean_code(text[:20])).first()
    except BadCode as why:
        problems["specimen"] = [str(why)]
        return None
    if found is None:
        problems["specimen"] = [f"The lab has no specimen {text[:20]}."]
    return found


def _distance(
    numbers: Mapping[str, float | None], problems: dict[str, list[str]]
) -> tuple[float | None, float | None, float | None]:
    start, end = numbers["odometer_start_km"], numbers["odometer_end_km"]
    typed = tuple(numbers[f"distance_km_{part}"] for part in ("low", "best", "high"))
    if start is None and end is None:
        return typed[0], typed[1], typed[2]
    if start is None or end is None:
        problems["odometer_end_km"] = ["Give both readings of the odometer or none."]
    elif any(one is not None for one in typed):
        problems["distance_km_best"] = ["Give a distance or two odometer readings, not both."]
    elif end < start:
        problems["odometer_end_km"] = ["The odometer cannot run back."]
    else:
        return odometer_distance(start, end)
    return None, None, None
