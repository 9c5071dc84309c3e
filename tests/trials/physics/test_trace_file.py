"""Files of loggers: what is recognised, and what hostile files are told."""

import io

import numpy as np
import pytest

from trials.physics.errors import BadTrace
from trials.physics.trace_file import MOST_COLUMNS, read_table


def table(text, encoding="utf-8"):
    return read_table(io.BytesIO(text.encode(encoding)))


@pytest.mark.parametrize(
    ("text", "separator"),
    [
        ("Time (ms),Force [kN]\n0,1.5\n0.5,2.5\n", "comma"),
        ("Time (ms);Force [kN]\n0;1,5\n0,5;2,5\n", "semicolon"),
        ("Time (ms);Force [kN];\n0;1.5;\n0.5;2.5;\n", "semicolon"),
        ("Time (ms)\tForce [kN]\r\n0\t1,5\r\n0,5\t2,5\r\n", "tab"),
        ("time_ms force_kN\n0 1.5\n 0.5   2.5\n", "space"),
    ],
)
def test_separators_and_decimal_commas(text, separator):
    found = table(text)
    assert found.separator == separator
    assert [column.unit for column in found.columns] == ["ms", "kN"]
    assert found.values[0].tolist() == [0.0, 0.5]
    assert found.values[1].tolist() == [1.5, 2.5]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_encodings(encoding):
    found = table("time (s);plate (°C)\n0;21,5\n1;22\n", encoding)
    assert found.columns[1].unit == "degC"
    assert found.values[1].tolist() == [21.5, 22.0]


def test_lines_before_the_header_tell_the_sampling_rate():
    found = table("Logger export\nSample rate: 20 kHz\n\nx (g),y (g)\n1,2\n3,4\n")
    assert found.sample_rate_hz == 20_000
    # loggers write g for multiples of gravity, which the unit table keeps for gram
    assert [column.unit for column in found.columns] == ["g_n", "g_n"]


def test_units_in_a_line_of_their_own():
    found = table("Time,Acc\nms,g_n\n0,1\n1,2\n")
    assert [(c.label, c.unit) for c in found.columns] == [("Time", "ms"), ("Acc", "g_n")]


def test_without_a_header_columns_are_numbered():
    found = table("0,1\n1,2\n2,3\n")
    assert [(c.label, c.unit) for c in found.columns] == [("column 1", ""), ("column 2", "")]
    assert found.values[1].tolist() == [1, 2, 3]


def test_empty_lines_are_passed_over():
    assert table("t,x\n0,1\n\n1,2\n\n").values[0].tolist() == [0, 1]


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"", "empty"),
        (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", "not text"),
        (b"only words\nand more words\n", "No line of numbers"),
        (b"t,x\n0,1\n", "fewer than two"),
        (b"t,x\n0,1\n\n\n", "fewer than two"),
        (b"t,x\n0,1\n1,2,3\n", "Line 3 has 3 cells; the first line has 2"),
        (b"t,x\n0,1\n1,\n", "Line 3 has 1 cells"),
        (b"t,x,y\n0,1,2\n1,,2\n", "Line 3, column 2: the cell is empty"),
        (b"t,x\n0,1\n1,two\n", "Line 3, column 2: 'two' is not a number"),
        (b"t,x\n0,1\n1,1_0\n", "'1_0' is not a number"),
        (b"1" * 10_000, "too long"),
        ((",".join("1" * (MOST_COLUMNS + 1)) + "\n").encode() * 2, "columns"),
        (b"t,x\n0,1\n1,2\n" + b"\xff\xfe" * 3000, "Line 4 has 1 cells"),
    ],
)
def test_hostile_files_are_refused_in_words(content, told):
    with pytest.raises(BadTrace, match=told):
        read_table(io.BytesIO(content))


def test_a_missing_value_is_kept_for_the_trace_to_refuse():
    assert np.isnan(table("t,x\n0,1\n1,nan\n").values[1][1])


def test_the_stream_is_left_open():
    stream = io.BytesIO(b"t,x\n0,1\n1,2\n")
    read_table(stream)
    assert not stream.closed
