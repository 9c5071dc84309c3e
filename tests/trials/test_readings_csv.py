"""The reader of files by itself, without a database.

Cells and separators follow RFC 4180 where it has a rule (quotes doubled inside quotes, line breaks
inside quotes); semicolons and decimal commas are common practice, no source.
"""

import csv
import io
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labsite.tables import BadFile, LineProblem, csv_bytes, separator_of
from trials.intervals import ReadingKind, Scale
from trials.readings_csv import (
    COLUMNS,
    rows_of,
    template,
)

SCALES = {
    "belt": Scale(ReadingKind.TIMER, "s", 0.1, range_high=60),
    "spray": Scale(ReadingKind.MASS_GAIN, "g", 0.1, detection_limit=0.3),
    "drop": Scale(ReadingKind.RISING_STEPS, "m", 0.01, levels=(0.5, 0.63, 0.8)),
    "value": Scale(ReadingKind.VALUE, "N", 1, detection_limit=5),
}
AT = "2026-03-14T09:30:00+00:00"


def file(*rows, separator=","):
    text = io.StringIO()
    writer = csv.DictWriter(text, COLUMNS, delimiter=separator)
    writer.writeheader()
    base = {"specimen": "K7M2-H", "zone": "back", "site": 1, "measured_at": AT}
    writer.writerows(base | row for row in rows)
    return text.getvalue().encode()


BELT = {"method": "belt", "unit": "s", "value": "4.2", "ended": "failed"}


def test_lines_count_as_an_editor_counts_them():
    # the note of line 2 runs over two lines, a blank line follows, so the bad one is line 5
    content = (
        file(BELT | {"note": "first\nsecond"})
        + b"\r\n"
        + file(BELT | {"value": "x"}).split(b"\r\n", 1)[1]
    )

    rows, problems = rows_of(content, SCALES)

    assert [row.line for row in rows] == [2]
    assert rows[0].note == "first\nsecond"
    assert [(p.line, p.column) for p in problems] == [(5, "value")]


def test_quotes_inside_quotes_are_doubled():
    rows, _ = rows_of(file(BELT | {"note": 'a "soft" stop, then dust'}), SCALES)

    assert rows[0].note == 'a "soft" stop, then dust'


@pytest.mark.parametrize(
    ("header", "separator"), [("a,b,c", ","), ("a;b;c", ";"), ("a\tb\tc", "\t"), ('"a,b";c;d', ";")]
)
def test_the_header_tells_the_separator(header, separator):
    assert separator_of(header) == separator


def test_columns_may_stand_in_any_order_and_optional_ones_may_be_missing():
    content = f"unit,value,ended,site,zone,method,measured_at,specimen\ns,4.2,failed,1,back,belt,{AT},K7M2-H\n"

    rows, problems = rows_of(content.encode(), SCALES)

    assert problems == []
    assert rows[0].measured_at == datetime(2026, 3, 14, 9, 30, tzinfo=UTC)
    assert (rows[0].entry.bounds.low, rows[0].entry.bounds.high) == (4.15, 4.25)


def test_below_the_limit_is_a_reading():
    rows, problems = rows_of(file({"method": "value", "unit": "N", "value": "Below limit"}), SCALES)

    assert problems == []
    # nothing seen above the detection limit of 5 N
    assert (rows[0].entry.bounds.low, rows[0].entry.bounds.high) == (0, 5)


def test_a_thousand_with_a_comma_is_not_taken_for_one():
    _, problems = rows_of(file({"method": "value", "unit": "N", "value": "1,234"}), SCALES)

    assert [(p.column, "write a decimal point" in p.message) for p in problems] == [("value", True)]


def test_kilograms_become_grams():
    rows, _ = rows_of(
        file({"method": "spray", "unit": "kg", "mass_before": "0.8", "mass_after": "0.805"}), SCALES
    )

    # 5 g, each mass read to 0.1 g
    assert rows[0].entry.bounds.low == pytest.approx(4.9)
    assert rows[0].entry.bounds.high == pytest.approx(5.1)


def test_a_check_of_places_is_asked_for_lines_with_wrong_numbers_too():
    asked = []

    def check(claim):
        asked.append((claim.line, claim.site, claim.measured_at))
        return [LineProblem(claim.line, "zone", "Not here.")]

    rows, problems = rows_of(file(BELT | {"value": "x", "site": "x"}), SCALES, check)

    assert rows == []
    assert asked == [(2, None, datetime(2026, 3, 14, 9, 30, tzinfo=UTC))]
    assert [p.column for p in problems] == ["zone", "site", "value"]


def test_more_rows_than_can_be_read_are_refused():
    content = file(BELT) + file(BELT).split(b"\r\n", 1)[1] * 100_000

    with pytest.raises(BadFile, match="more than 100000 rows"):
        rows_of(content, SCALES)


def test_every_example_of_the_template_is_a_reading():
    scales = SCALES | {
        "push": Scale(ReadingKind.CHALLENGE, "J", 0.1, levels=(1, 2)),
        "turns": Scale(ReadingKind.TALLY, "turns", 1, range_high=60),
        "look": Scale(ReadingKind.GRADE, "grade", 1, grades=(1, 2, 3)),
    }

    rows, problems = rows_of(csv_bytes(template(scales, dict.fromkeys(scales, "back"))), scales)

    assert problems == []
    assert [row.claim.method for row in rows] == list(scales)
    assert all(row.entry is not None for row in rows)
    # no specimen is named, so that nobody can store the examples
    assert {row.claim.specimen for row in rows} == {"example"}


def read(content):
    """Rows, problems and, for a file that cannot be read, why."""
    try:
        return *rows_of(content, SCALES), ""
    except BadFile as why:
        return [], [], str(why)


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=400), st.sampled_from([b"", ",".join(COLUMNS).encode() + b"\n"]))
def test_any_bytes_are_read_or_refused_in_words(content, prefix):
    rows, problems, why = read(prefix + content)

    assert rows or problems or why.endswith((".", "?"))


@settings(max_examples=200, deadline=None)
@given(st.dictionaries(st.sampled_from(COLUMNS), st.text(max_size=40), min_size=3))
def test_any_cells_give_a_sound_row_or_a_problem_with_its_line(cells):
    rows, problems, why = read(file(BELT | cells))

    assert sum(map(bool, (rows, problems, why))) == 1
    assert all(p.line >= 2 and p.message and p.column in {"", *COLUMNS} for p in problems)
