"""Tables in files: CSV and XLSX are read as the same lines and written from the same rows.

A file comes from outside, so a spreadsheet is opened only after its parts were looked at: nothing
encrypted, no macros, no links to other files, no declarations of entities, and no more than a
stated size once unpacked. A formula is never taken for a value: its cell is named as one.
"""

import csv
import io
import re
import zipfile
import zlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from itertools import islice
from typing import Any
from xml.parsers import expat

from openpyxl import Workbook, load_workbook
from openpyxl.cell import WriteOnlyCell

from labsite.xml_text import for_xml

LONGEST_CELL = 131_072  # characters; what Python's own CSV reader takes
LONGEST_XLSX_CELL = 32_767  # characters; more is cut off by spreadsheets
MOST_COLUMNS = 200
MOST_PARTS = 500
MOST_EMPTY_ROWS = 10_000  # one after the other
MOST_UNPACKED = 150 * 1024 * 1024
ZIP = b"PK\x03\x04"
OLD_OR_LOCKED = b"\xd0\xcf\x11\xe0"  # the container of old and of encrypted spreadsheets
XLSX_TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
ACCEPTED = f".csv,.xlsx,text/csv,text/plain,{XLSX_TYPE}"

# A spreadsheet may run what begins like this; an apostrophe before it makes it text.
_RUNS = r"[=+\-@\t\r\n]"
_UNGUARDED = re.compile(rf"'*{_RUNS}")
_GUARDED = re.compile(rf"'+{_RUNS}")


FORMULA = "This cell holds a formula: save its value."


class BadFile(ValueError):
    """The file as a whole cannot be read; the message says why and what to do."""


@dataclass(frozen=True)
class Line:
    """One row that is not empty, with its number as an editor or a spreadsheet counts it."""

    number: int
    cells: list[str]
    formulas: frozenset[int] = frozenset()  # places of cells that hold a formula


@dataclass(frozen=True)
class LineProblem:
    """What is wrong, and where: the header is a line too, and column is empty for a whole line."""

    line: int
    column: str
    message: str


@dataclass(frozen=True)
class Table:
    """A file's header and, still to be read, its lines."""

    header: list[str]
    lines: Iterator[Line]
    separator: str


def problem_rows(file_problem: str, problems: Iterable[LineProblem]) -> list[list[Any]]:
    """Every problem of a file as rows of a table."""
    whole = [["", "", file_problem]] if file_problem else []
    lines = [[one.line, one.column, one.message] for one in problems]
    return [["line", "column", "problem"], *whole, *lines]


def table_of(content: bytes, *, most_bytes: int) -> Table:
    """The table of a file; the first line that is not empty names the columns.

    Raises
    ------
    BadFile
        Here or while lines are read.
    """
    if len(content) > most_bytes:
        raise BadFile(f"The file is larger than {most_bytes // 1024 // 1024} MB: split it.")
    if content[:4] == OLD_OR_LOCKED:
        raise BadFile(
            "This spreadsheet is encrypted or of an old kind. Save it as .xlsx without a password, "
            "or as 'CSV UTF-8'."
        )
    if content[:4] == ZIP:
        return _table(_xlsx_lines(content), ",")
    text = _text_of(content)
    separator = separator_of(text.lstrip().split("\n", 1)[0])
    return _table(_csv_lines(text, separator), separator)


def _table(lines: Iterator[Line], separator: str) -> Table:
    first = next(lines, None)
    if first is None:
        raise BadFile("The file is empty.")
    if len(first.cells) > MOST_COLUMNS:
        raise BadFile(f"The header has more than {MOST_COLUMNS} columns.")
    if first.formulas:
        raise BadFile("The header holds a formula: write the names of the columns.")
    return Table([cell.strip() for cell in first.cells], lines, separator)


# --- CSV -------------------------------------------------------------------------------------


def _text_of(content: bytes) -> str:
    if content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise BadFile("The file is UTF-16. Save it again as 'CSV UTF-8'.")
    if b"\x00" in content:
        raise BadFile("This is not a CSV file: it holds binary data.")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as why:
        line = content[: why.start].count(b"\n") + 1
        raise BadFile(
            f"Line {line} is not UTF-8 text. Save the file again as 'CSV UTF-8'."
        ) from None
    if not text.strip():
        raise BadFile("The file is empty.")
    return text


def separator_of(header: str) -> str:
    """Comma, semicolon or tab: whichever the header uses most."""
    return max(",;\t", key=header.count)


def _csv_lines(text: str, separator: str) -> Iterator[Line]:
    csv.field_size_limit(LONGEST_CELL)  # whatever another library set for the whole process
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    while True:
        number = reader.line_num + 1
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error:
            raise BadFile(
                f"Line {number} cannot be read: a quotation mark is opened and not closed, or "
                "stands inside a cell, or a cell is very long."
            ) from None
        if any(map(str.strip, cells)):
            formulas = frozenset(place for place, cell in enumerate(cells) if cell[:1] == "=")
            yield Line(number, [unguarded(cell) for cell in cells], formulas)


# --- XLSX ------------------------------------------------------------------------------------

CANNOT_READ = "This spreadsheet cannot be read: it is damaged, or not an .xlsx file."


def _xlsx_lines(content: bytes) -> Iterator[Line]:
    _check_parts(content)
    try:
        book = load_workbook(io.BytesIO(content), read_only=True, keep_links=False)
        filled = [sheet for sheet in book.worksheets if _first_rows(sheet)]
    except BadFile:
        raise
    except Exception as why:  # the reader has no one error for what is damaged
        raise BadFile(CANNOT_READ) from why
    if not filled:
        raise BadFile("The file is empty.")
    if len(filled) > 1:
        names = ", ".join(sheet.title[:40] for sheet in filled[:5])
        raise BadFile(f"The file has {len(filled)} sheets ({names}): keep only the one to be read.")
    return _sheet_lines(filled[0])


def _check_parts(content: bytes) -> None:
    """Refuse what a table of values has no need of, before any of it is opened."""
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as book:
            parts = book.infolist()
            if len(parts) > MOST_PARTS or sum(part.file_size for part in parts) > MOST_UNPACKED:
                raise BadFile("Unpacked, this spreadsheet is far too large: split it.")
            if any(part.flag_bits & 1 for part in parts):
                raise BadFile("This spreadsheet is encrypted. Save it without a password.")
            names = [part.filename.lower() for part in parts]
            if not any(name == "xl/workbook.xml" for name in names):
                raise BadFile("This is a zip file, but not an .xlsx spreadsheet.")
            if any("vbaproject" in name or "macrosheets" in name for name in names):
                raise BadFile("This spreadsheet holds macros. Save it as .xlsx without them.")
            if any(
                name.startswith(("xl/externallinks/", "xl/connections", "xl/embeddings/"))
                for name in names
            ):
                raise BadFile(
                    "This spreadsheet takes data from other files. Save it with values only."
                )
            for part in parts:
                if part.filename.lower().endswith((".xml", ".rels")):
                    with book.open(part) as stream:
                        _check_no_entities(stream)
    except (zipfile.BadZipFile, zlib.error, NotImplementedError, EOFError, OSError) as why:
        raise BadFile(CANNOT_READ) from why


class _Begun(Exception):
    """The first element is reached: what may not come has not come."""


def _check_no_entities(stream: Any) -> None:
    """Read up to the first element; a declaration of a document type can only stand before it."""

    def refuse(*_: object) -> None:
        raise BadFile("This spreadsheet declares entities, which no table needs: save it anew.")

    def begin(*_: object) -> None:
        raise _Begun

    parser = expat.ParserCreate()
    parser.StartDoctypeDeclHandler = refuse
    parser.StartElementHandler = begin
    try:
        parser.ParseFile(stream)
    except _Begun:
        return
    except expat.ExpatError as why:
        raise BadFile(CANNOT_READ) from why


def _first_rows(sheet: Any) -> bool:
    sheet.reset_dimensions()  # a sheet may claim any size
    rows = islice(sheet.iter_rows(values_only=True), MOST_EMPTY_ROWS)
    return any(any(value is not None for value in row) for row in rows)


def _sheet_lines(sheet: Any) -> Iterator[Line]:
    width = empty = 0
    rows = enumerate(sheet.iter_rows(), 1)
    while True:
        try:
            number, row = next(rows, (0, ()))
        except Exception as why:
            raise BadFile(CANNOT_READ) from why
        if not number:
            return
        cells = [_written(cell.value, number) for cell in row]
        while cells and not cells[-1].strip():
            cells.pop()
        if not cells:
            empty += 1
            if empty > MOST_EMPTY_ROWS:
                raise BadFile(f"Row {number}: too many empty rows above. Delete them.")
            continue
        empty = 0
        if len(cells) > MOST_COLUMNS:
            raise BadFile(f"Row {number} has more than {MOST_COLUMNS} columns.")
        formulas = {place for place, cell in enumerate(row) if cell.data_type == "f"}
        # cells at the end of a row that hold nothing are not written into the file
        width = width or len(cells)
        cells += [""] * (width - len(cells))
        yield Line(number, [unguarded(cell) for cell in cells], frozenset(formulas))


def _written(value: Any, number: int) -> str:
    """A cell's value as a person would type it into a CSV file."""
    match value:
        case None:
            return ""
        case bool():
            return "yes" if value else "no"
        case float():
            return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
        case datetime():
            return value.date().isoformat() if value.time() == time() else value.isoformat()
        case date() | time():
            return value.isoformat()
    text = str(value)
    if "\x00" in text or any("\ud800" <= sign <= "\udfff" for sign in text):
        raise BadFile(f"Row {number} holds a character that is no text.")
    return text


# --- writing ---------------------------------------------------------------------------------


def guarded(value: Any) -> Any:
    """A cell that no spreadsheet takes for a formula; numbers stay numbers."""
    if value is None:
        return ""
    return f"'{value}" if isinstance(value, str) and _UNGUARDED.match(value) else value


def unguarded(cell: str) -> str:
    """The text that `guarded` was given."""
    return cell[1:] if _GUARDED.match(cell) else cell


def csv_bytes(rows: Iterable[Sequence[Any]]) -> bytes:
    """The rows as CSV, with the mark by which spreadsheets know UTF-8."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerows([guarded(value) for value in row] for row in rows)
    return text.getvalue().encode("utf-8-sig")


def xlsx_bytes(rows: Iterable[Sequence[Any]], *, title: str) -> bytes:
    """The rows as one sheet; every text is kept as a text, whatever it begins with.

    Raises
    ------
    BadFile
        For a text longer than a spreadsheet's cell, which would be cut off.
    """
    book = Workbook(write_only=True)
    sheet = book.create_sheet(title[:31])
    for row in rows:
        sheet.append([_cell(sheet, value) for value in row])
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _cell(sheet: Any, value: Any) -> Any:
    if not isinstance(value, str):
        return value
    if len(value) >= LONGEST_XLSX_CELL:
        raise BadFile("A text is too long for a spreadsheet's cell. Take the CSV file.")
    # guarded here too: the sheet may be saved as CSV, or the cell edited
    cell = WriteOnlyCell(sheet, for_xml(guarded(value)))
    cell.data_type = "s"
    return cell
