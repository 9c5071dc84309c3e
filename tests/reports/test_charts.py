"""Where things stand on the strip and in the drawing. Positions worked out by hand."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.charts import Shown, strip, strip_top
from reports.reading_charts import readings_figure


def shown(retention=0.8, low=0.6, high=0.95, margin=0.1, label="Seam strength, worn") -> Shown:
    return Shown(label, retention, low, high, margin, "Some loss", "60 to 95 %")


def test_the_strip_always_passes_100_percent_and_ends_somewhere() -> None:
    assert strip_top([]) == 1.3
    assert strip_top([shown()]) == 1.3
    assert strip_top([shown(retention=1.4, high=1.6)]) == pytest.approx(1.68)
    assert strip_top([shown(high=50.0)]) == 2.0
    assert strip_top([shown(high=None)]) == 1.3


def test_positions_are_shares_of_the_strips_width() -> None:
    placed = strip(shown(), 2.0)
    assert placed == {
        "x_low": 30.0,
        "x_high": 47.5,
        "x_width": 17.5,
        "x_point": 40.0,
        "open_low": False,
        "open_high": False,
        "margin_low": 45.0,
        "margin_high": 55.56,
        "margin_width": 10.56,
        "hundred": 50.0,
    }


@pytest.mark.parametrize(
    ("low", "high", "open_low", "open_high", "x_low", "x_high"),
    [
        (0.6, None, False, True, 30.0, 100.0),
        (None, 0.6, True, False, 0.0, 30.0),
        (0.6, 9.0, False, True, 30.0, 100.0),
    ],
)
def test_open_ends_run_to_the_edge_and_are_marked(
    low, high, open_low, open_high, x_low, x_high
) -> None:
    placed = strip(shown(retention=None, low=low, high=high), 2.0)
    assert (placed["open_low"], placed["open_high"]) == (open_low, open_high)
    assert (placed["x_low"], placed["x_high"]) == (x_low, x_high)
    assert placed["x_point"] is None


def test_a_point_without_a_range_has_no_bar() -> None:
    placed = strip(shown(low=None, high=None), 2.0)
    assert placed["x_point"] == 40.0
    assert placed["x_low"] is None
    assert placed["x_width"] is None
    assert not placed["open_low"]
    assert not placed["open_high"]


def test_nothing_to_draw_is_no_strip() -> None:
    assert strip(shown(retention=None, low=None, high=None), 2.0) is None


ends = st.none() | st.floats(min_value=0, max_value=1e6)


@given(st.lists(st.tuples(ends, ends, ends), min_size=1, max_size=6))
def test_everything_stays_on_the_strip(rows) -> None:
    all_shown = [
        shown(point, *sorted((low, high)) if None not in (low, high) else (low, high))
        for point, low, high in rows
    ]
    top = strip_top(all_shown)
    for one in all_shown:
        placed = strip(one, top)
        if placed is None:
            continue
        for name, value in placed.items():
            if name.startswith(("x_", "margin", "hundred")) and value is not None:
                assert 0 <= value <= 100, name
        assert placed["margin_low"] < placed["hundred"] < placed["margin_high"]
        json.dumps(placed, allow_nan=False)


def content(*readings: dict[str, object]) -> dict[str, object]:
    """An edition with two arms of one item each and these readings."""
    return {
        "arms": [
            {"label": "New", "specimens": [{"code": "AAAA-2"}]},
            {"label": "Worn", "specimens": [{"code": "BBBB-3"}]},
        ],
        "findings": [{"property": "seam strength", "unit": "N"}],
        "readings": [
            {
                "property": "seam strength",
                "state": "used",
                "grade": None,
                "arm_label": "New",
                "specimen": "AAAA-2",
                "words": "read",
            }
            | reading
            for reading in readings
        ],
    }


def test_each_reading_is_a_mark_with_its_own_ends() -> None:
    figure = readings_figure(
        content(
            {"low": 2.0, "high": 4.0},
            {"low": 5.0, "high": None, "arm_label": "Worn", "specimen": "BBBB-3"},
        ),
        "seam strength",
    )
    assert figure is not None
    new, worn = figure["data"]
    assert (new["x"], new["error_x"]["arrayminus"], new["error_x"]["array"]) == (
        [3.0],
        [1.0],
        [1.0],
    )
    # no upper end: drawn from the value known to the edge, with a mark of its own
    reach = figure["layout"]["xaxis"]["range"][1]
    assert (worn["x"], worn["error_x"]["array"]) == ([5.0], [reach - 5.0])
    assert worn["marker"]["symbol"] == ["triangle-right-open"]
    assert new["marker"]["symbol"] == ["circle"]
    assert reach > 5.0
    json.dumps(figure, allow_nan=False)


def test_void_readings_are_crossed_and_replaced_ones_left_out() -> None:
    figure = readings_figure(
        content(
            {"low": 2.0, "high": 4.0},
            {"low": 9.0, "high": 9.5, "state": "void"},
            {"low": 7.0, "high": 7.5, "state": "superseded"},
        ),
        "seam strength",
    )
    assert figure is not None
    used, void = figure["data"]
    assert void["marker"]["symbol"] == "x-thin-open"
    assert void["x"] == [9.0]
    assert used["x"] == [3.0]


def test_a_property_without_readings_has_no_chart() -> None:
    assert readings_figure(content(), "seam strength") is None


def test_the_drawing_uses_the_pages_colours_only() -> None:
    text = json.dumps(readings_figure(content({"low": 0.0, "high": 0.3}), "seam strength"))
    assert "#" not in text
    assert "rgb" not in text
    assert "--ink" in text
