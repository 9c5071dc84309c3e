"""Columns of numbers from the file of a logger, read as a stream.

Separators, decimal commas, a preamble, units in the header and a byte-order mark are recognised.
Whatever cannot be read is refused with the line it stands in.
"""

from __future__ import annotations

import codecs
import io
import re
from array import array
from dataclasses import dataclass
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from trials.physics.errors import BadTrace, PhysicsError
from trials.physics.units import unit_of

MOST_SAMPLES = 5_000_000
MOST_COLUMNS = 8
MOST_PREAMBLE_LINES = 60
_LONGEST_LINE = 4096
_CHUNK_CHARS = 4_000_000

_SEPARATORS = {"tab": "\t", "semicolon": ";", "comma": ",", "space": None}
_RATE = re.compile(
    r"sampl\w*[ _-]*(?:rate|freq\w*)[^0-9]*([0-9]+(?:[.,][0-9]+)?)\s*(k?hz|s/s|samples/s)?", re.I
)
_UNIT_IN_LABEL = re.compile(r"^(.*?)[\s_]*[\[(/]\s*([^\])]*?)\s*[\])]?$")

# What loggers write where the unit table has another or a stricter name.
_LOGGER_UNITS = {"g": "g_n", "G": "g_n", "sec": "s", "msec": "ms", "C": "degC"}


@dataclass(frozen=True)
class Column:
    """A column as its header names it.

    Attributes
    ----------
    label : str
        Without the unit; "column 2" where the file has no header.
    unit : str
        Name of a unit of `trials.physics.units`, or empty when the header names none it knows.
    """

    label: str
    unit: str


@dataclass(frozen=True, eq=False)
class Table:
    """What a logger's file holds.

    Attributes
    ----------
    columns : tuple of Column
    values : tuple of ndarray of float, shape (n,)
        One per column, n at least 2. May hold NaN where the file says so; a trace refuses it.
    separator : str
        "tab", "semicolon", "comma" or "space".
    sample_rate_hz : float or None
        From the lines before the header, where they tell it.
    """

    columns: tuple[Column, ...]
    values: tuple[NDArray[np.float64], ...]
    separator: str
    sample_rate_hz: float | None


def read_table(stream: BinaryIO) -> Table:
    """Read a logger's file from its start.

    Parameters
    ----------
    stream : binary file
        Can be sought. Read in pieces; the numbers are held once.

    Returns
    -------
    Table

    Raises
    ------
    BadTrace
        When the file is empty, is not text, holds no numbers, a line differs in its cells, there
        are more than eight columns or more than five million lines.
    """
    text = _opened(stream)
    try:
        preamble, first, line_number = _preamble(text)
        separator = _separator_of(first)
        width = len(_cells(first, separator))
        if width > MOST_COLUMNS:
            raise BadTrace(f"The file has {width} columns; at most {MOST_COLUMNS} can be read.")
        columns = [array("d") for _ in range(width)]
        _take(columns, [first], separator, line_number)
        line_number += 1
        while lines := text.readlines(_CHUNK_CHARS):
            _take(columns, lines, separator, line_number)
            line_number += len(lines)
            if len(columns[0]) > MOST_SAMPLES:
                raise BadTrace(f"The file has more than {MOST_SAMPLES:,} samples: cut it.")
    except UnicodeDecodeError as error:
        raise BadTrace("The file is not text. Export it from the logger as CSV.") from error
    finally:
        # or the stream, which is not ours, would be closed with the wrapper
        text.detach()
    if len(columns[0]) < 2:
        raise BadTrace("The file holds fewer than two lines of numbers.")
    return Table(
        columns=_columns(preamble, separator, width),
        values=tuple(np.frombuffer(column, dtype=np.float64) for column in columns),
        separator=separator,
        sample_rate_hz=_rate_of(preamble),
    )


def _opened(stream: BinaryIO) -> io.TextIOWrapper:
    stream.seek(0)
    head = stream.read(4096)
    stream.seek(0)
    if not head:
        raise BadTrace("The file is empty.")
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        encoding = "utf-16"
    elif b"\0" in head:
        raise BadTrace("The file is not text. Export it from the logger as CSV.")
    else:
        encoding = "utf-8-sig"
        try:
            codecs.getincrementaldecoder("utf-8")().decode(head)
        except UnicodeDecodeError:
            # older loggers write the degree and micro signs in the Western code page
            encoding = "cp1252"
    return io.TextIOWrapper(stream, encoding=encoding, newline=None)


def _preamble(text: io.TextIOWrapper) -> tuple[list[str], str, int]:
    """Lines before the first line of numbers, that line, and its number from 1."""
    before: list[str] = []
    for number in range(1, MOST_PREAMBLE_LINES + 2):
        line = text.readline(_LONGEST_LINE)
        if not line:
            break
        if len(line) == _LONGEST_LINE:
            raise BadTrace(f"Line {number} is too long to be one of a logger's file.")
        if line.strip() and _is_numbers(line):
            return before, line, number
        before.append(line)
    raise BadTrace(
        "No line of numbers was found at the start of the file. Export it from the logger as CSV."
    )


def _is_numbers(line: str) -> bool:
    separator = _separator_of(line)
    try:
        [_number(cell, separator) for cell in _cells(line, separator)]
    except ValueError:
        return False
    return True


def _separator_of(line: str) -> str:
    stripped = line.strip("\r\n ")
    for name, mark in _SEPARATORS.items():
        if mark is not None and mark in stripped:
            return name
    return "space"


def _cells(line: str, separator: str) -> list[str]:
    mark = _SEPARATORS[separator]
    if mark is None:
        return line.split()
    cells = [cell.strip() for cell in line.strip("\r\n").split(mark)]
    # a separator at the end of each line is a habit of some loggers, not an empty column
    return cells[:-1] if len(cells) > 1 and not cells[-1] else cells


def _number(cell: str, separator: str) -> float:
    if "_" in cell:
        raise ValueError(cell)
    return float(cell if separator == "comma" else cell.replace(",", "."))


def _take(columns: list[array[float]], lines: list[str], separator: str, first: int) -> None:
    """Add lines to the columns; the quick way, or cell by cell to find what is wrong."""
    mark, width = _SEPARATORS[separator], len(columns)
    text = "".join(lines)
    if not text.strip():
        return
    even = mark is None or all(line.count(mark) == width - 1 for line in lines)
    if even and "_" not in text:
        plain = text if separator == "comma" else text.replace(",", ".")
        try:
            numbers = np.loadtxt(
                io.StringIO(plain), delimiter=mark, comments=None, ndmin=2, dtype=np.float64
            )
        except ValueError:
            numbers = np.empty((0, 0))
        if numbers.shape == (len(lines), width):
            for place, column in enumerate(columns):
                column.frombytes(np.ascontiguousarray(numbers[:, place]).tobytes())
            return
    for offset, line in enumerate(lines):
        if line.strip():
            for column, number in zip(
                columns, _checked(line, separator, width, first + offset), strict=True
            ):
                column.append(number)


def _checked(line: str, separator: str, width: int, number: int) -> list[float]:
    cells = _cells(line, separator)
    if len(cells) != width:
        raise BadTrace(f"Line {number} has {len(cells)} cells; the first line has {width}.")
    found = []
    for place, cell in enumerate(cells, 1):
        try:
            found.append(_number(cell, separator))
        except ValueError:
            told = f"'{cell[:30]}' is not a number" if cell else "the cell is empty"
            raise BadTrace(f"Line {number}, column {place}: {told}.") from None
    return found


def _rate_of(preamble: list[str]) -> float | None:
    for line in preamble:
        found = _RATE.search(line)
        if found:
            rate = float(found[1].replace(",", "."))
            return rate * 1000 if (found[2] or "").lower() == "khz" else rate
    return None


def _columns(preamble: list[str], separator: str, width: int) -> tuple[Column, ...]:
    labels = [f"column {place}" for place in range(1, width + 1)]
    units = [""] * width
    rows = [_cells(line, separator) for line in preamble if line.strip()]
    for back, row in enumerate(reversed(rows[-2:])):
        if len(row) != width:
            continue
        as_units = [_unit_named(cell.strip("[]() ")) for cell in row]
        if back == 0 and all(as_units) and len(rows) > 1 and len(rows[-2]) == width:
            units = as_units
            continue
        for place, cell in enumerate(row):
            label, unit = _split_label(cell.strip('" '))
            labels[place] = label or labels[place]
            units[place] = units[place] or unit
        break
    return tuple(Column(*pair) for pair in zip(labels, units, strict=True))


def _split_label(cell: str) -> tuple[str, str]:
    found = _UNIT_IN_LABEL.match(cell)
    if found and _unit_named(found[2]):
        return found[1].strip(), _unit_named(found[2])
    last = cell.rsplit("_", 1)
    if len(last) == 2 and _unit_named(last[1]):
        return last[0].replace("_", " "), _unit_named(last[1])
    return cell, ""


def _unit_named(text: str) -> str:
    text = text.strip()
    if not text:
        return ""
    try:
        return unit_of(_LOGGER_UNITS.get(text, text)).name
    except PhysicsError:
        return ""
