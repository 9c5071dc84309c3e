"""Reads a study's readings from a table (CSV or XLSX). No Django here.

Every problem is told with its line and column; a line with a problem gives no row. Lines count as
in an editor: the header is line 1.
"""

from collections import Counter
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from functools import lru_cache
from typing import Any

from labsite.tables import FORMULA, BadFile, Line, LineProblem, table_of
from trials.intervals import BadEntry, Entry, ReadingKind, Scale, entry_of, parse_number, plain
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
LONGEST = {"rater": 40, "void_reason": 2000, "note": 2000}  # characters
MOST_UNITS = 50  # different ones in a file; more come from cells that stand in the wrong column
SHOWN = 40  # of a cell, or names of a list, in a message
EXAMPLE = "example"  # stands where the template wants a specimen's code

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
class Claim:
    """Where and when a line says it was read; what could not be understood is None."""

    line: int
    specimen: str
    method: str
    zone: str
    site: int | None
    measured_at: datetime | None
    rater: str


@dataclass(frozen=True)
class Row:
    """One line in which nothing is wrong."""

    claim: Claim
    site: int
    measured_at: datetime
    raw: dict[str, Any]
    entry: Entry | None
    void_reason: str
    note: str

    @property
    def line(self) -> int:
        """Its number in the file."""
        return self.claim.line


Check = Callable[[Claim], list[LineProblem]]


def no_check(claim: Claim) -> list[LineProblem]:
    """Any place will do."""
    return []


@dataclass(frozen=True)
class _Table:
    """What every line of one file is read with."""

    header: list[str | None]  # our name of each column of the file; None for one not read
    separator: str
    scales: Mapping[str, Scale]
    check: Check
    units: set[str] = field(default_factory=set)


def rows_of(
    content: bytes,
    scales: Mapping[str, Scale],
    check: Check = no_check,
    columns: Mapping[str, int] | None = None,
) -> tuple[list[Row], list[LineProblem]]:
    """Rows and problems of a file of readings.

    Parameters
    ----------
    content : bytes
        The file as it came.
    scales : mapping
        Method key to the scale of the revision the study uses.
    check : callable
        Asked once for every line, also for lines whose numbers are wrong, whether its place
        fits the study.
    columns : mapping, optional
        Our column to its place in the file, from 0, as a person said. Without it the header must
        name our columns.

    Returns
    -------
    rows : list of Row
        The lines in which nothing is wrong, in the file's order.
    problems : list of LineProblem
        Everything that is wrong, by line and then by the order of the columns.

    Raises
    ------
    BadFile
        When the file cannot be read as a table with the right columns.
    """
    source = table_of(content, most_bytes=MOST_BYTES)
    header = named_columns(source.header, columns)
    _check_header([name for name in header if name is not None])
    table = _Table(header, source.separator, scales, check)
    rows: list[Row] = []
    problems: list[LineProblem] = []
    count = 0
    for line in source.lines:
        count += 1
        if count > MOST_ROWS:
            raise BadFile(f"The file has more than {plain(MOST_ROWS)} rows: split it.")
        found: list[LineProblem] = []
        row = _row(line, table, found)
        if row is not None and not found:
            rows.append(row)
        # two cells with the same wrong unit are one thing to put right
        problems += sorted(dict.fromkeys(found), key=_column_order)
    if not count:
        raise BadFile("The file has a header but no readings.")
    return rows, problems


def _column_order(problem: LineProblem) -> int:
    return COLUMNS.index(problem.column) if problem.column else -1


def _check_header(header: list[str]) -> None:
    twice = [name for name, count in Counter(header).items() if count > 1]
    unknown = [name for name in dict.fromkeys(header) if name not in COLUMNS]
    missing = [name for name in NEEDED if name not in header]
    parts = []
    if missing:
        parts.append(f"Columns missing: {_some(missing)}.")
    if unknown:
        parts.append(f"Columns not known: {_some(unknown)}.")
    if twice:
        parts.append(f"The header names a column twice: {_some(twice)}.")
    if parts:
        raise BadFile(f"{' '.join(parts)} The first line must name the columns.")


def named_columns(header: list[str], columns: Mapping[str, int] | None) -> list[str | None]:
    """Our name of each column of a file; None for one that a person left out."""
    if columns is None:
        return [name.lower() for name in header]
    named: list[str | None] = [None] * len(header)
    for name, place in columns.items():
        if 0 <= place < len(header):
            named[place] = name
    return named


def _some(names: list[str]) -> str:
    shown = [name[:SHOWN] or "(no name)" for name in names[:8]]
    more = len(names) - len(shown)
    return ", ".join(shown) + (f" and {more} more" if more else "")


def _row(source: Line, table: _Table, problems: list[LineProblem]) -> Row | None:
    line, cells = source.number, source.cells
    formulas = {name for place, name in enumerate(table.header) if place in source.formulas}

    def wrong(column: str, message: str) -> None:
        problems.append(LineProblem(line, column, FORMULA if column in formulas else message))

    if len(cells) != len(table.header):
        wrong("", _count_message(len(cells), table))
        return None
    named = {
        name: cell.strip()
        for name, cell in zip(table.header, cells, strict=True)
        if name is not None
    }
    for column in ("specimen", "method", "zone"):
        if not named[column]:
            wrong(column, "Missing.")
    _check_texts(named, formulas, wrong)
    claim = Claim(
        line=line,
        specimen=named["specimen"],
        method=named["method"],
        zone=named["zone"],
        site=_site(named["site"], wrong),
        measured_at=_measured_at(named["measured_at"], wrong),
        rater=named.get("rater", ""),
    )
    problems += table.check(claim)
    scale = table.scales.get(claim.method)
    if scale is None:
        if claim.method:
            used = ", ".join(sorted(table.scales))
            wrong("method", f"This study does not use '{claim.method[:SHOWN]}'. It uses: {used}.")
        return None
    table.units.add(named["unit"])
    if len(table.units) > MOST_UNITS:
        raise BadFile(
            f"Line {line}: more than {MOST_UNITS} different units. Is each cell under its name?"
        )
    raw, entry = _entry(named, scale, table.separator, wrong)
    _check_rater(named, scale, wrong)
    if claim.site is None or claim.measured_at is None:
        return None
    return Row(
        claim=claim,
        site=claim.site,
        measured_at=claim.measured_at,
        raw=raw,
        entry=entry,
        void_reason=named.get("void_reason", ""),
        note=named.get("note", ""),
    )


def _count_message(count: int, table: _Table) -> str:
    message = f"{count} cells where the header has {len(table.header)}."
    if table.separator == "," and count > len(table.header):
        message += " A decimal comma needs semicolons between the cells; or write a point."
    return message


def _check_texts(cells: Mapping[str, str], formulas: Collection[str | None], wrong: Any) -> None:
    for column, text in cells.items():
        if column in formulas:
            wrong(column, FORMULA)
        elif len(text) > LONGEST.get(column, len(text)):
            wrong(column, f"At most {LONGEST[column]} characters.")


def _check_rater(cells: Mapping[str, str], scale: Scale, wrong: Any) -> None:
    graded = scale.kind == ReadingKind.GRADE
    rater = cells.get("rater", "")
    if graded and not rater and not cells.get("void_reason"):
        wrong("rater", "Say who graded it.")
    if rater and not graded:
        wrong("rater", "Only grades have a rater.")


def _site(text: str, wrong: Any) -> int | None:
    if text.isascii() and text.isdigit() and len(text) <= 3 and int(text) >= 1:
        return int(text)
    message = f"'{text[:SHOWN]}' is not a site number: use 1, 2, 3 …" if text else "Missing."
    wrong("site", message)
    return None


def _measured_at(text: str, wrong: Any) -> datetime | None:
    example = "2026-03-14T09:30:00+00:00"
    if not text:
        wrong("measured_at", "Missing.")
        return None
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        wrong("measured_at", f"'{text[:SHOWN]}' is not a date and time like {example}.")
        return None
    if at.tzinfo is None:
        wrong("measured_at", f"Say the offset from UTC, as in {example}.")
        return None
    return at


def _entry(
    cells: Mapping[str, str], scale: Scale, separator: str, wrong: Any
) -> tuple[dict[str, Any], Entry | None]:
    fields = FIELDS[scale.kind]
    for column in sorted(ALL_FIELDS - set(fields)):
        if cells.get(column):
            wrong(column, "This method does not use this column: leave it empty.")
    filled = {column: cells[column] for column in fields if cells.get(column)}
    if not filled and cells.get("void_reason"):
        return {}, None
    if not cells["unit"]:
        wrong("unit", f"Missing. This method reads in {scale.unit}.")
    raw, told = _raw(filled, cells["unit"] or scale.unit, scale, separator, wrong)
    try:
        return raw, entry_of(raw, scale)
    except BadEntry as bad:
        columns = {name: column for column, name in fields.items()} | {"below_limit": "value"}
        for name, message in bad.problems.items():
            column = columns.get(name, "")
            # a cell whose number or unit is wrong has been told already: it is not missing
            if column not in told:
                wrong(column, message)
        return raw, None


def _raw(
    filled: Mapping[str, str], unit: str, scale: Scale, separator: str, wrong: Any
) -> tuple[dict[str, Any], set[str]]:
    """The raw entry, and the columns whose number or unit has been told to be wrong."""
    fields = FIELDS[scale.kind]
    raw: dict[str, Any] = {}
    told: set[str] = set()
    for column, text in filled.items():
        if column in WORD_COLUMNS:
            raw[fields[column]] = text.lower()
        elif column == "value" and text.lower() == BELOW_LIMIT:
            raw["below_limit"] = True
        else:
            try:
                raw[fields[column]] = _number(text, unit, scale, separator)
            except ValueError as why:
                wrong("unit" if isinstance(why, PhysicsError) else column, str(why))
                told.add(column)
    return raw, told


def _number(text: str, unit: str, scale: Scale, separator: str) -> float:
    if separator == "," and "," in text:
        # 1,234 could be either; with commas between the cells a decimal point is expected
        raise ValueError(f"'{text[:SHOWN]}' holds a comma: write a decimal point.")
    # between semicolons the comma is the decimal one, so 1,234 has one meaning there
    number = parse_number(text.replace(",", ".") if text.count(",") == 1 else text)
    if unit == scale.unit:
        return number
    misfit = _misfit(unit[:SHOWN], scale.unit)
    if misfit:
        raise PhysicsError(misfit)
    return _converted(number, unit, scale.unit)


# A file has few units and many lines, and looking for the likely spelling of a wrong one takes
# long; so answers are kept, the refusals too.
@lru_cache(maxsize=1024)
def _misfit(unit: str, method_unit: str) -> str:
    try:
        convert(1.0, unit, method_unit)
    except PhysicsError as why:
        return str(why)
    return ""


@lru_cache(maxsize=4096)
def _converted(number: float, unit: str, method_unit: str) -> float:
    return convert(number, unit, method_unit)


def template(scales: Mapping[str, Scale], zones: Mapping[str, str]) -> list[list[Any]]:
    """A file to fill in: the header and one example line for each method.

    The examples name no specimen, so that the file cannot be stored before somebody has
    replaced them.

    Parameters
    ----------
    scales : mapping
        Method key to its scale.
    zones : mapping
        Method key to the code of a zone that carries it.
    """
    examples = [
        {
            "specimen": EXAMPLE,
            "method": key,
            "zone": zones.get(key, ""),
            "site": 1,
            "measured_at": "2026-03-14T09:30:00+00:00",
            "unit": scale.unit,
            "note": "an example: replace it",
        }
        | _example_cells(scale)
        for key, scale in scales.items()
    ]
    return [list(COLUMNS), *([row.get(name, "") for name in COLUMNS] for row in examples)]


def cells_of(scale: Scale, raw: Mapping[str, Any]) -> dict[str, Any]:
    """A raw entry as the cells that give it."""
    cells = {column: raw[name] for column, name in FIELDS[scale.kind].items() if name in raw}
    return cells | {"value": BELOW_LIMIT} if raw.get("below_limit") else cells


def _example_cells(scale: Scale) -> dict[str, str]:
    levels = scale.levels or (scale.range_low or scale.resolution, scale.range_high)
    middle = plain(float(f"{(scale.range_low + min(scale.range_high, 100)) / 2:.1g}"))
    match scale.kind:
        case ReadingKind.TIMER | ReadingKind.TALLY:
            return {"value": middle, "ended": "failed"}
        case ReadingKind.RISING_STEPS:
            return {"held_at": plain(levels[0]), "failed_at": plain(levels[1])}
        case ReadingKind.CHALLENGE:
            return {"level": plain(levels[0]), "outcome": "held"}
        case ReadingKind.MASS_GAIN:
            return {"mass_before": "812.1", "mass_after": "815.6"}
        case ReadingKind.GRADE:
            return {"rater": "rater A", "grade": str(scale.grades[0] if scale.grades else 1)}
        case _:
            return {"value": middle}
