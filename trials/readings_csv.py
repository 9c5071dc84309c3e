"""Reads a study's readings from a CSV file. No Django here.

Every problem is told with its line and column; a line with a problem gives no row. Lines count as
in an editor: the header is line 1.
"""

import csv
import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from trials.intervals import BadEntry, Entry, ReadingKind, Scale, entry_of, parse_number
from trials.physics.errors import PhysicsError
from trials.physics.units import convert

COLUMNS = (
    "specimen",
    "method",
    "zone",
    "site",
    "measured_at",
    "unit",
    "value",
    "ended",
    "held_at",
    "failed_at",
    "level",
    "outcome",
    "mass_before",
    "mass_after",
    "rater",
    "grade",
    "void_reason",
    "note",
)
NEEDED = ("specimen", "method", "zone", "site", "measured_at", "unit")
MOST_ROWS = 100_000
MOST_BYTES = 20 * 1024 * 1024
BELOW_LIMIT = "below limit"

# the columns a kind of reading uses, and the raw entry's name for each
FIELDS: Mapping[ReadingKind, Mapping[str, str]] = {
    ReadingKind.VALUE: {"value": "value"},
    ReadingKind.TIMER: {"value": "seconds", "ended": "ended"},
    ReadingKind.TALLY: {"value": "turns", "ended": "ended"},
    ReadingKind.RISING_STEPS: {"held_at": "held_at", "failed_at": "failed_at"},
    ReadingKind.CHALLENGE: {"level": "level", "outcome": "outcome"},
    ReadingKind.MASS_GAIN: {"mass_before": "before_g", "mass_after": "after_g"},
    ReadingKind.GRADE: {"grade": "grade"},
}
WORD_COLUMNS = frozenset({"ended", "outcome"})
ALL_FIELDS = frozenset(column for fields in FIELDS.values() for column in fields)


@dataclass(frozen=True)
class Problem:
    """What is wrong, and where: line and column (empty for the whole line or file)."""

    line: int
    column: str
    message: str


class BadFile(ValueError):
    """The file as a whole cannot be read."""


@dataclass(frozen=True)
class Row:
    """One line whose cells are well formed; whether it fits the study is checked elsewhere."""

    line: int
    specimen: str
    method: str
    zone: str
    site: int
    measured_at: datetime
    raw: dict[str, Any]
    entry: Entry | None
    rater: str
    void_reason: str
    note: str


def text_of(content: bytes) -> str:
    """The file's text; raises `BadFile` for other encodings, binary files and oversize."""
    if not content.strip():
        raise BadFile("The file is empty.")
    if len(content) > MOST_BYTES:
        raise BadFile(f"The file is larger than {MOST_BYTES // 1024 // 1024} MB: split it.")
    if content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise BadFile("The file is UTF-16. Save it again as 'CSV UTF-8'.")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as why:
        line = content[: why.start].count(b"\n") + 1
        raise BadFile(
            f"Line {line} is not UTF-8 text. Save the file again as 'CSV UTF-8'."
        ) from None
    if "\x00" in text:
        raise BadFile("This is not a CSV file: it holds binary data.")
    return text


def separator_of(header: str) -> str:
    """Comma, semicolon or tab: whichever the header uses most."""
    return max(",;\t", key=header.count)


def rows_of(content: bytes, scales: Mapping[str, Scale]) -> tuple[list[Row], list[Problem]]:
    """Rows and problems of a file of readings.

    Parameters
    ----------
    content : bytes
        The file as it came.
    scales : mapping
        Method key to the scale of the revision the study uses.

    Raises
    ------
    BadFile
        When the file cannot be read as a table with the right columns.
    """
    text = text_of(content)
    separator = separator_of(text.split("\n", 1)[0])
    lines = _numbered(text, separator)
    first = next(lines, None)
    header = [] if first is None else [cell.strip().lower() for cell in first[1]]
    _check_header(header)
    rows: list[Row] = []
    problems: list[Problem] = []
    count = 0
    for line, cells in lines:
        if not any(cell.strip() for cell in cells):
            continue
        count += 1
        if count > MOST_ROWS:
            raise BadFile(f"The file has more than {MOST_ROWS:,} rows: split it.")
        if len(cells) != len(header):
            problems.append(
                Problem(line, "", f"{len(cells)} cells where the header has {len(header)}.")
            )
            continue
        found: list[Problem] = []
        row = _row(line, dict(zip(header, map(str.strip, cells), strict=True)), scales, found)
        problems += found
        if row is not None and not found:
            rows.append(row)
    if not count:
        raise BadFile("The file has a header but no readings.")
    return rows, problems


def _numbered(text: str, separator: str) -> Iterator[tuple[int, list[str]]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    while True:
        line = reader.line_num + 1
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as why:
            raise BadFile(f"Line {line} cannot be read as CSV: {why}.") from None
        yield line, cells


def _check_header(header: list[str]) -> None:
    twice = sorted({name for name in header if header.count(name) > 1})
    if twice:
        raise BadFile(f"The header names a column twice: {', '.join(twice)}.")
    unknown = [name for name in header if name not in COLUMNS]
    missing = [name for name in NEEDED if name not in header]
    parts = []
    if missing:
        parts.append(f"Columns missing: {', '.join(missing)}.")
    if unknown:
        named = ", ".join(name[:40] or "(no name)" for name in unknown[:8])
        parts.append(f"Columns not known: {named}.")
    if parts:
        raise BadFile(f"{' '.join(parts)} The first line must name the columns.")


def _row(
    line: int, cells: Mapping[str, str], scales: Mapping[str, Scale], problems: list[Problem]
) -> Row | None:
    def wrong(column: str, message: str) -> None:
        problems.append(Problem(line, column, message))

    for column in ("specimen", "method", "zone"):
        if not cells[column]:
            wrong(column, "Missing.")
    site = _site(cells["site"], wrong)
    measured_at = _measured_at(cells["measured_at"], wrong)
    scale = scales.get(cells["method"])
    if scale is None:
        if cells["method"]:
            known = ", ".join(sorted(scales))
            wrong("method", f"This study does not use '{cells['method'][:60]}'. It uses: {known}.")
        return None
    raw, entry = _entry(cells, scale, wrong)
    graded = scale.kind == ReadingKind.GRADE
    rater = cells.get("rater", "")
    if graded and not rater and not cells.get("void_reason"):
        wrong("rater", "Say who graded it.")
    if rater and not graded:
        wrong("rater", "Only grades have a rater.")
    if len(rater) > 40:
        wrong("rater", "At most 40 characters.")
    if problems or site is None or measured_at is None:
        return None
    return Row(
        line=line,
        specimen=cells["specimen"],
        method=cells["method"],
        zone=cells["zone"],
        site=site,
        measured_at=measured_at,
        raw=raw,
        entry=entry,
        rater=rater,
        void_reason=cells.get("void_reason", ""),
        note=cells.get("note", ""),
    )


def _site(text: str, wrong: Any) -> int | None:
    if text.isascii() and text.isdigit() and 1 <= int(text) <= 999:
        return int(text)
    wrong("site", f"'{text[:40]}' is not a site number: use 1, 2, 3 …" if text else "Missing.")
    return None


def _measured_at(text: str, wrong: Any) -> datetime | None:
    if not text:
        wrong("measured_at", "Missing.")
        return None
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        wrong(
            "measured_at",
            f"'{text[:40]}' is not a date and time like 2026-03-14T09:30:00+00:00.",
        )
        return None
    if at.tzinfo is None:
        wrong("measured_at", "Say the offset from UTC, as in 2026-03-14T09:30:00+00:00.")
        return None
    return at


def _entry(
    cells: Mapping[str, str], scale: Scale, wrong: Any
) -> tuple[dict[str, Any], Entry | None]:
    fields = FIELDS[scale.kind]
    for column in sorted(ALL_FIELDS - set(fields)):
        if cells.get(column):
            wrong(column, "This method does not use this column: leave it empty.")
    filled = {column: cells.get(column, "") for column in fields if cells.get(column)}
    if not filled and cells.get("void_reason"):
        return {}, None
    unit = cells["unit"]
    if not unit:
        wrong("unit", f"Missing. This method reads in {scale.unit}.")
        return {}, None
    raw: dict[str, Any] = {}
    for column, text in filled.items():
        if column in WORD_COLUMNS:
            raw[fields[column]] = text.lower()
        elif column == "value" and text.lower() == BELOW_LIMIT:
            raw["below_limit"] = True
        else:
            _number(column, text, (unit, scale.unit), raw, fields, wrong)
    try:
        return raw, entry_of(raw, scale)
    except BadEntry as bad:
        columns = {name: column for column, name in fields.items()} | {"below_limit": "value"}
        told = {columns.get(name, ""): message for name, message in bad.problems.items()}
        for column, message in told.items():
            # a cell that already has its own message, such as a wrong unit, is not missing
            if not (cells.get(column) and columns_of(raw, fields, column)):
                wrong(column, message)
        return raw, None


def columns_of(raw: Mapping[str, Any], fields: Mapping[str, str], column: str) -> bool:
    """True when the column was filled but gave no number, so that it has been told already."""
    return fields.get(column) not in raw and "below_limit" not in raw


def _number(
    column: str,
    text: str,
    units: tuple[str, str],
    raw: dict[str, Any],
    fields: Mapping[str, str],
    wrong: Any,
) -> None:
    typed_unit, method_unit = units
    try:
        number = parse_number(text)
    except ValueError as why:
        wrong(column, str(why))
        return
    try:
        raw[fields[column]] = (
            number if typed_unit == method_unit else convert(number, typed_unit, method_unit)
        )
    except PhysicsError as why:
        wrong("unit", str(why))
