"""Service history from a file: read whole, refused by line, stored all or nothing."""

import csv
import io
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from typing import Any

from labsite.errors import Refused
from labsite.models import User
from specimens.actions import checked_service, keep_service_entries, telling_distance
from specimens.codes import BadCode, clean_code
from specimens.models import ServiceEntry, Specimen
from specimens.odometer import from_odometer

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
CHECKS_AGAIN = 3


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


def import_service(*, by: User, content: bytes) -> int:
    """Store every line of a file, or none and say what is wrong with each.

    Lines are checked before the transaction, which only writes: others do not wait for the checks.

    Raises
    ------
    BadFile
        With every problem found, by line and column.
    """
    lines = list(_lines(content))
    if not lines:
        raise BadFile([LineProblem(1, "", "The file has no lines below its header.")])
    for _ in range(CHECKS_AGAIN):
        entries, standing_count = _checked(lines)
        if keep_service_entries(by=by, entries=entries, standing_count=standing_count):
            return len(entries)
    raise BadFile([LineProblem(1, "", "Others are writing this history now: try again.")])


def _checked(lines: Sequence[tuple[int, Mapping[str, str]]]) -> tuple[list[ServiceEntry], int]:
    """The entries of all lines, and how many their specimens have now."""
    shelf = {one.code: one for one in Specimen.objects.filter(code__in=_codes(lines))}
    known = list(shelf.values())
    standing_count = ServiceEntry.objects.filter(specimen__in=known).count()
    telling: dict[int, list[ServiceEntry]] = defaultdict(list)
    for one in telling_distance(known):
        telling[one.specimen_id].append(one)
    entries: list[ServiceEntry] = []
    problems: list[LineProblem] = []
    for line, row in lines:
        try:
            fields = _fields(row, shelf)
            entry = checked_service(standing=telling[fields["specimen"].pk], **fields)
        except Refused as refused:
            problems += [
                LineProblem(line, field, sentence)
                for field, sentences in refused.problems.items()
                for sentence in sentences
            ]
            continue
        entries.append(entry)
        if entry.distance_km_best is not None:
            telling[entry.specimen_id].append(entry)
    if problems:
        raise BadFile(problems)
    return entries, standing_count


def _codes(lines: Iterable[tuple[int, Mapping[str, str]]]) -> set[str]:
    codes = set()
    for _, row in lines:
        with suppress(BadCode):  # told beside its line later
            codes.add(clean_code(row["specimen"][:20]))
    return codes


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


def _fields(row: Mapping[str, str], shelf: Mapping[str, Specimen]) -> dict[str, Any]:
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
    specimen = _specimen(row["specimen"], shelf, problems)
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


def _specimen(
    text: str, shelf: Mapping[str, Specimen], problems: dict[str, list[str]]
) -> Specimen | None:
    try:
        found = shelf.get(clean_code(text[:20]))
    except BadCode as why:
        problems["specimen"] = [str(why)]
        return None
    if found is None:
        problems["specimen"] = [f"The lab has no specimen {text[:20]}."]
    return found


def _distance(
    numbers: Mapping[str, float | None], problems: dict[str, list[str]]
) -> tuple[float | None, float | None, float | None]:
    typed = tuple(numbers[f"distance_km_{part}"] for part in ("low", "best", "high"))
    try:
        measured = from_odometer(
            numbers["odometer_start_km"],
            numbers["odometer_end_km"],
            is_told=any(one is not None for one in typed),
        )
    except Refused as refused:
        for name, sentences in refused.problems.items():
            problems.setdefault(name, sentences)
        return None, None, None
    return measured or (typed[0], typed[1], typed[2])
