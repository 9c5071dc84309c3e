"""Tables in files, without a database.

What a spreadsheet takes for a formula (a cell beginning with = + - @, a tab or a line break) is
common practice, no source. CSV quoting is RFC 4180's. XLSX files are written and read back by
openpyxl, which is not ours; broken ones are made from its files with zipfile.
"""

import csv
import io
import zipfile
from datetime import date, datetime

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labsite.tables import BadFile, csv_bytes, table_of, xlsx_bytes

MB = 1024 * 1024


def book(*rows, sheets=()) -> bytes:
    made = openpyxl.Workbook()
    for row in rows:
        made.active.append(row)
    for title, cell in sheets:
        made.create_sheet(title)["A1"] = cell
    out = io.BytesIO()
    made.save(out)
    return out.getvalue()


def with_parts(content: bytes, **changed: bytes) -> bytes:
    """The same spreadsheet with parts put in or replaced; __ stands for a slash, _dot_ for a dot."""
    parts = {name.replace("__", "/").replace("_dot_", "."): data for name, data in changed.items()}
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(out, "w", 8) as new:
        for name in old.namelist():
            if name not in parts:
                new.writestr(name, old.read(name))
        for name, data in parts.items():
            new.writestr(name, data)
    return out.getvalue()


def read(content: bytes, most_bytes: int = MB):
    table = table_of(content, most_bytes=most_bytes)
    return table.header, [(line.number, line.cells, set(line.formulas)) for line in table.lines]


def test_a_spreadsheet_gives_the_lines_of_the_same_csv_file():
    rows = [["code", "on", "km", "padded"], ["K7M2", "2026-03-14", "12.5", "yes"]]
    typed = [["code", "on", "km", "padded"], ["K7M2", date(2026, 3, 14), 12.5, True]]

    assert read(book(*typed)) == read(csv_bytes(rows))


def test_times_whole_numbers_and_empty_cells_are_written_plainly():
    at = datetime(2026, 3, 14, 9, 30)  # noqa: DTZ001 a spreadsheet knows no zones

    _, lines = read(book(["a", "b", "c", "d"], [3.0, at, None, 0.1], [], ["x"]))

    assert lines == [
        (2, ["3", "2026-03-14T09:30:00", "", "0.1"], set()),
        (4, ["x", "", "", ""], set()),
    ]


def test_a_formula_is_named_and_a_text_that_looks_like_one_is_text():
    made = openpyxl.load_workbook(io.BytesIO(book(["a", "b"], ["=1+2", "x"])))
    made.active["B2"].value = "=HYPERLINK(1)"
    made.active["B2"].data_type = "s"
    out = io.BytesIO()
    made.save(out)

    _, lines = read(out.getvalue())

    assert lines == [(2, ["=1+2", "=HYPERLINK(1)"], {0})]
    assert read(b"a,b\n=1+2,'=1+2\n")[1] == [(2, ["=1+2", "=1+2"], {0})]


@given(
    st.lists(
        st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"]), min_size=1),
        min_size=1,
        max_size=4,
    )
)
@settings(max_examples=60, deadline=None)
def test_what_is_written_comes_back_and_nothing_written_can_run(texts):
    starts = ["", "=", "+", "-", "@", "\t=", "'=", "''-"]
    row = [f"{starts[n % len(starts)]}{text}x" for n, text in enumerate(texts)]
    header = [f"c{n}" for n in range(len(row))]

    in_csv = csv_bytes([header, row])

    (cells,) = list(csv.reader(io.StringIO(in_csv.decode("utf-8-sig"), newline="")))[1:]
    assert not [cell for cell in cells if cell[0] in "=+-@\t\r"]
    assert read(in_csv)[1] == [(2, row, set())]
    in_xlsx = xlsx_bytes([header, row], title="t")
    sheet = openpyxl.load_workbook(io.BytesIO(in_xlsx)).active
    assert {cell.data_type for cell in sheet[2]} == {"s"}
    assert read(in_xlsx)[1] == [(2, row, set())]


def test_numbers_stay_numbers():
    sheet = openpyxl.load_workbook(io.BytesIO(xlsx_bytes([[-5.5, 3]], title="t"))).active
    assert [cell.value for cell in sheet[1]] == [-5.5, 3]
    assert csv_bytes([[-5.5]]) == b"\xef\xbb\xbf-5.5\r\n"


def test_a_text_that_would_be_cut_off_is_refused():
    # 32,767 characters: the published limit of a cell (ECMA-376; from memory)
    with pytest.raises(BadFile, match="too long"):
        xlsx_bytes([["x" * 40_000]], title="t")


SOUND = book(["a", "b"], [1, 2])
SHEET = (
    b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>'
    b"%s</sheetData></worksheet>"
)
BOMB = (
    b'<?xml version="1.0"?><!DOCTYPE lolz [<!ENTITY a "ha">'
    b'<!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;">]><sst>&b;</sst>'
)


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600), "encrypted or of an old kind"),
        (b"PK\x03\x04" + bytes(60), "damaged"),
        (SOUND[: len(SOUND) // 2], "damaged"),
        (with_parts(SOUND, xl__vbaProject_dot_bin=b"x"), "macros"),
        (with_parts(SOUND, xl__externalLinks__externalLink1_dot_xml=b"<a/>"), "other files"),
        (with_parts(SOUND, xl__connections_dot_xml=b"<a/>"), "other files"),
        (with_parts(SOUND, xl__sharedStrings_dot_xml=BOMB), "entities"),
        (with_parts(SOUND, xl__big_dot_bin=bytes(160 * MB)), "far too large"),
        (with_parts(SOUND, **{f"xl__x{n}": b"" for n in range(600)}), "far too large"),
        (with_parts(SOUND, xl__worksheets__sheet1_dot_xml=b"<worksheet><row"), "damaged"),
        (book(["a"], [1], sheets=[("more", 1)]), "2 sheets (Sheet, more)"),
        (book(), "empty"),
        (book([f"c{n}" for n in range(300)]), "more than 200 columns"),
        (book(["=A9"], [1]), "header holds a formula"),
        (book(["a"], *[[]] * 10_100, [1]), "too many empty rows"),
        (
            with_parts(
                SOUND,
                xl__worksheets__sheet1_dot_xml=SHEET % b'<row r="1"><c r="A1"><v>1</v></c></row>'
                b'<row r="99999999999"><c r="A99999999999"><v>1</v></c></row>',
            ),
            "too many empty rows",
        ),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_a_spreadsheet_that_is_no_plain_table_is_refused_in_words(content, told):
    with pytest.raises(BadFile) as refused:
        read(content)
    assert told in str(refused.value)


def test_a_zip_whose_part_is_locked_is_refused():
    content = bytearray(SOUND)
    for mark, offset in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        place = content.index(mark)
        content[place + offset] |= 1
    with pytest.raises(BadFile, match="without a password"):
        read(bytes(content))


@given(st.integers(0, len(SOUND) - 1), st.binary(min_size=1, max_size=8))
@settings(max_examples=150, deadline=None)
def test_any_damage_gives_a_table_or_a_sentence(place, noise):
    damaged = SOUND[:place] + noise + SOUND[place + len(noise) :]
    told = ""
    try:
        header, _ = read(damaged)
    except BadFile as why:
        told = str(why)
        header = []
    assert header or told.endswith(".")
