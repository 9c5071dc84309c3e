"""Findings from a CSV file of intervals, without a database. No Django here.

Columns: ``property,direction,arm,specimen,low,high``. Direction is what is better, ``higher`` or
``lower``. ``high`` may be ``inf`` or empty for no upper end. The first arm of a property is its
baseline. Several rows of one specimen are combined as everywhere else.

More columns, each for one kind of analysis: ``exposure`` (a number, for a trend over service, in
which arms play no part), ``pair`` (a label that one specimen of each arm shares), and ``grade`` with
``rater`` in place of low and high.
"""

import csv
import math
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from reports.degradation import CannotCompare, Interval, Record
from reports.degradation.trend import trend
from reports.findings import (
    FindingResult,
    Terms,
    grades_finding,
    pairs_finding,
    ratio_finding,
    specimen_values,
)

COLUMNS = ("property", "direction", "arm", "specimen", "low", "high")
GRADE_COLUMNS = ("property", "direction", "arm", "specimen", "grade", "rater")


class BadRow(ValueError):
    """A row that cannot be used; the message names file, line and column."""


@dataclass(frozen=True)
class Reading:
    """One row's interval."""

    low: float
    top: float


@dataclass
class SpecimenRows:
    """All rows of one specimen."""

    readings: list[Reading] = field(default_factory=list)
    grades: dict[str, int] = field(default_factory=dict)
    exposure: float | None = None
    pair: str = ""


@dataclass
class PropertyTable:
    """A property's rows by arm and specimen, in the order of the file."""

    direction: str
    arms: dict[str, dict[str, SpecimenRows]]

    @property
    def is_graded(self) -> bool:
        """True when the rows are grades."""
        return any(rows.grades for arm in self.arms.values() for rows in arm.values())


Wrong = Callable[[str, str], BadRow]


def read_table(path: Path, *, needs: str = "", arms_needed: int = 2) -> dict[str, PropertyTable]:
    """Every property of the file, in its order; `needs` names one more column that must be filled.

    Raises
    ------
    BadRow
        For the first row that cannot be used.
    """
    tables: dict[str, PropertyTable] = {}
    for line, row in _rows(path, needs):

        def wrong(column: str, message: str, line: int = line) -> BadRow:
            return BadRow(f"{path}, line {line}, column {column}: {message}")

        _add_row(tables, row, needs, wrong)
    if not tables:
        raise BadRow(f"{path}: the file has no readings")
    if arms_needed > 1:
        _check_arms(path, tables)
    return tables


def _add_row(
    tables: dict[str, PropertyTable], row: dict[str, str], needs: str, wrong: Wrong
) -> None:
    for column in ("property", "arm", "specimen", *((needs,) if needs else ())):
        if not row[column]:
            raise wrong(column, "empty")
    if row["direction"] not in ("higher", "lower"):
        raise wrong("direction", f"'{row['direction']}' is neither higher nor lower")
    table = tables.setdefault(row["property"], PropertyTable(row["direction"], {}))
    if table.direction != row["direction"]:
        raise wrong("direction", f"was {table.direction} earlier for {row['property']}")
    arm = table.arms.setdefault(row["arm"], {})
    specimen = arm.setdefault(row["specimen"], SpecimenRows())
    _read_service_and_pair(row, specimen, wrong)
    if row.get("grade"):
        _read_grade(row, specimen, wrong)
    else:
        specimen.readings.append(_reading(row, wrong))
    if specimen.grades and specimen.readings:
        raise wrong("grade", "this specimen has readings as well as grades")


def _reading(row: dict[str, str], wrong: Wrong) -> Reading:
    if "low" not in row:
        raise wrong("grade", "empty")
    low = _number(row["low"], "low", wrong)
    high = math.inf if row["high"] == "" else _number(row["high"], "high", wrong)
    try:
        Interval(low, high)
    except CannotCompare as why:
        # an end that is no finite number is named first, then ends the wrong way round
        is_low = not math.isfinite(low) or low < 0 or low > high
        raise wrong("low" if is_low else "high", str(why)) from None
    return Reading(low, high)


def _read_grade(row: dict[str, str], specimen: SpecimenRows, wrong: Wrong) -> None:
    if row.get("low") or row.get("high"):
        raise wrong("grade", "a grade has no low or high end")
    rater = row.get("rater", "")
    if not rater:
        raise wrong("rater", "empty")
    if rater in specimen.grades:
        raise wrong("rater", f"{rater} graded this specimen on an earlier line")
    grade = _number(row["grade"], "grade", wrong)
    if not grade.is_integer():
        raise wrong("grade", f"'{row['grade']}' is not a whole number")
    specimen.grades[rater] = int(grade)


def _read_service_and_pair(row: dict[str, str], specimen: SpecimenRows, wrong: Wrong) -> None:
    if row.get("exposure"):
        exposure = _number(row["exposure"], "exposure", wrong)
        if not (math.isfinite(exposure) and exposure >= 0):
            raise wrong("exposure", f"'{row['exposure']}' is not a number from 0 up")
        if specimen.exposure not in (None, exposure):
            raise wrong("exposure", f"was {specimen.exposure:g} earlier for this specimen")
        specimen.exposure = exposure
    pair = row.get("pair", "")
    if specimen.pair and pair and specimen.pair != pair:
        raise wrong("pair", f"was {specimen.pair} earlier for this specimen")
    specimen.pair = specimen.pair or pair


def _check_arms(path: Path, tables: dict[str, PropertyTable]) -> None:
    for name, table in tables.items():
        if len(table.arms) < 2:
            (only,) = table.arms
            raise BadRow(f"{path}: {name} has only one arm, '{only}'; a comparison needs two")


def _rows(path: Path, needs: str) -> Iterator[tuple[int, dict[str, str]]]:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as why:
        raise BadRow(f"{path}: not UTF-8 text ({why.reason} at byte {why.start})") from None
    except OSError as why:
        raise BadRow(f"{path}: cannot be read ({why.strerror})") from None
    reader = csv.reader(text.splitlines(), strict=True)
    header = [name.strip().lower() for name in next(reader, [])]
    columns = GRADE_COLUMNS if "grade" in header and "low" not in header else COLUMNS
    missing = [name for name in (*columns, *((needs,) if needs else ())) if name not in header]
    if missing:
        raise BadRow(f"{path}, line 1: columns missing: {', '.join(missing)}")
    try:
        for cells in reader:
            if not any(cell.strip() for cell in cells):
                continue
            if len(cells) != len(header):
                raise BadRow(
                    f"{path}, line {reader.line_num}: {len(cells)} cells where the header has "
                    f"{len(header)}"
                )
            stripped = (cell.strip() for cell in cells)
            yield reader.line_num, dict(zip(header, stripped, strict=True))
    except csv.Error as why:
        raise BadRow(f"{path}, line {reader.line_num}: {why}") from None


def _number(text: str, column: str, wrong: Any) -> float:
    try:
        return float(text)
    except ValueError:
        raise wrong(column, f"'{text}' is not a number" if text else "empty") from None


def analyse(
    tables: dict[str, PropertyTable], *, level: float, margin: float, record: Record | None
) -> list[dict[str, Any]]:
    """One finding for each property and each arm but its first, as plain data."""
    found = []
    for name, table in tables.items():
        (baseline, first), *others = table.arms.items()
        for arm, specimens in others:
            terms = Terms(level, margin, table.direction == "higher", scope="auto", record=record)
            if table.is_graded:
                result = grades_finding(
                    [rows.grades for rows in first.values()],
                    [rows.grades for rows in specimens.values()],
                    terms,
                )
            else:
                result = ratio_finding(
                    [rows.readings for rows in first.values()],
                    [rows.readings for rows in specimens.values()],
                    terms,
                    (list(first), list(specimens)),
                )
            found.append(_heading(name, table, baseline, arm) | _plain(result))
    return found


def analyse_pairs(
    path: Path,
    tables: dict[str, PropertyTable],
    *,
    level: float,
    margin: float,
    record: Record | None = None,
) -> list[dict[str, Any]]:
    """One finding for each property and each arm but its first, by matched pairs.

    A record speaks for a single pair only, as for single items everywhere.

    Raises
    ------
    BadRow
        When a pair lacks a side, or two specimens of an arm share a label.
    """
    found = []
    for name, table in tables.items():
        (baseline, first), *others = table.arms.items()
        for arm, specimens in others:
            terms = Terms(level, margin, table.direction == "higher", scope="auto", record=record)
            one = _by_pair(path, name, baseline, first)
            two = _by_pair(path, name, arm, specimens)
            alone = sorted(one.keys() ^ two.keys())
            if alone:
                raise BadRow(f"{path}: {name}: pair {alone[0]} is not in both {baseline} and {arm}")
            result = pairs_finding([(one[pair], two[pair]) for pair in one], terms, list(one))
            found.append(_heading(name, table, baseline, arm) | _plain(result))
    return found


def analyse_trends(
    tables: dict[str, PropertyTable],
    *,
    level: float,
    margin: float,
    record: Record | None = None,
) -> list[dict[str, Any]]:
    """One trend over exposure for each property, all arms together.

    A record is of the scatter about the line, the specimens' own differences included.
    """
    found = []
    for name, table in tables.items():
        specimens = [
            (rows.exposure, specimen_values([rows.readings])[0])
            for arm in table.arms.values()
            for rows in arm.values()
            if rows.exposure is not None and rows.readings
        ]
        fitted = trend(
            specimens,
            higher_is_better=table.direction == "higher",
            level=level,
            limit=1 - margin,
            record=record,
        )
        found.append({"property": name, "direction": table.direction} | asdict(fitted))
    return found


def _by_pair(
    path: Path, name: str, arm: str, specimens: dict[str, SpecimenRows]
) -> dict[str, list[Reading]]:
    found: dict[str, list[Reading]] = {}
    for rows in specimens.values():
        if rows.pair in found:
            raise BadRow(f"{path}: {name}: pair {rows.pair} is twice in {arm}")
        found[rows.pair] = rows.readings
    return found


def _heading(name: str, table: PropertyTable, baseline: str, arm: str) -> dict[str, Any]:
    return {"property": name, "direction": table.direction, "baseline": baseline, "arm": arm}


def _plain(result: FindingResult) -> dict[str, Any]:
    row = asdict(result)
    details = row.pop("details")
    row["cautions"] = list(result.cautions)
    return row | ({"grades": details} if result.kind == "grades" else {})
