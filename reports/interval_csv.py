"""Findings from a CSV file of intervals, without a database. No Django here.

Columns: ``property,direction,arm,specimen,low,high``. Direction is what is better, ``higher`` or
``lower``. ``high`` may be ``inf`` or empty for no upper end. The first arm of a property is its
baseline. Several rows of one specimen are combined as everywhere else.
"""

import csv
import math
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from reports.degradation import CannotCompare, Interval, Record
from reports.findings import FindingResult, Terms, ratio_finding

COLUMNS = ("property", "direction", "arm", "specimen", "low", "high")


class BadRow(ValueError):
    """A row that cannot be used; the message names file, line and column."""


@dataclass(frozen=True)
class Reading:
    """One row's interval."""

    low: float
    top: float


@dataclass
class PropertyTable:
    """A property's readings by arm and specimen, in the order of the file."""

    direction: str
    arms: dict[str, dict[str, list[Reading]]]


def read_table(path: Path) -> dict[str, PropertyTable]:
    """Every property of the file, in its order.

    Raises
    ------
    BadRow
        For the first row that cannot be used.
    """
    tables: dict[str, PropertyTable] = {}
    for line, row in _rows(path):

        def wrong(column: str, message: str, line: int = line) -> BadRow:
            return BadRow(f"{path}, line {line}, column {column}: {message}")

        for column in ("property", "arm", "specimen"):
            if not row[column]:
                raise wrong(column, "empty")
        if row["direction"] not in ("higher", "lower"):
            raise wrong("direction", f"'{row['direction']}' is neither higher nor lower")
        table = tables.setdefault(row["property"], PropertyTable(row["direction"], {}))
        if table.direction != row["direction"]:
            raise wrong("direction", f"was {table.direction} earlier for {row['property']}")
        low = _number(row["low"], "low", wrong)
        high = math.inf if row["high"] == "" else _number(row["high"], "high", wrong)
        try:
            Interval(low, high)
        except CannotCompare as why:
            # an end that is no finite number is named first, then ends the wrong way round
            is_low = not math.isfinite(low) or low < 0 or low > high
            raise wrong("low" if is_low else "high", str(why)) from None
        arm = table.arms.setdefault(row["arm"], {})
        arm.setdefault(row["specimen"], []).append(Reading(low, high))
    if not tables:
        raise BadRow(f"{path}: the file has no readings")
    _check_arms(path, tables)
    return tables


def _check_arms(path: Path, tables: dict[str, PropertyTable]) -> None:
    for name, table in tables.items():
        if len(table.arms) < 2:
            (only,) = table.arms
            raise BadRow(f"{path}: {name} has only one arm, '{only}'; a comparison needs two")


def _rows(path: Path) -> Iterator[tuple[int, dict[str, str]]]:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as why:
        raise BadRow(f"{path}: not UTF-8 text ({why.reason} at byte {why.start})") from None
    except OSError as why:
        raise BadRow(f"{path}: cannot be read ({why.strerror})") from None
    reader = csv.reader(text.splitlines(), strict=True)
    header = [name.strip().lower() for name in next(reader, [])]
    missing = [name for name in COLUMNS if name not in header]
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
            result = ratio_finding(list(first.values()), list(specimens.values()), terms)
            found.append(
                {"property": name, "direction": table.direction, "baseline": baseline, "arm": arm}
                | _plain(result)
            )
    return found


def _plain(result: FindingResult) -> dict[str, Any]:
    row = asdict(result)
    row.pop("details")
    row["cautions"] = list(result.cautions)
    return row
