"""Where things stand on the strip and in the drawing. Positions worked out by hand."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.charts import Shown, retention_figure, strip, strip_top


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
    json.dumps(retention_figure(all_shown), allow_nan=False)


def test_the_drawing_has_a_bar_and_a_dot_for_each_row() -> None:
    figure = retention_figure([shown(label="A, worn"), shown(label="B, worn", high=None)])
    lines = [t for t in figure["data"] if t["mode"] == "lines"]
    dots = [t for t in figure["data"] if t["mode"] == "markers"]
    assert [list(t["x"]) for t in lines] == [[60.0, 95.0], [60.0, 130.0]]
    assert [t["line"]["dash"] for t in lines] == ["solid", "dot"]
    assert [list(t["x"]) for t in dots] == [[80.0], [80.0]]
    assert [list(t["y"]) for t in dots] == [["A, worn"], ["B, worn"]]


def test_the_drawing_shades_each_rows_own_margin() -> None:
    figure = retention_figure([shown(margin=0.1), shown(label="B", margin=0.25)])
    bands = [s for s in figure["layout"]["shapes"] if s["type"] == "rect"]
    assert [(b["x0"], round(b["x1"], 1)) for b in bands] == [(90.0, 111.1), (75.0, 133.3)]


def test_the_drawing_uses_the_pages_colours_only() -> None:
    text = json.dumps(retention_figure([shown()]))
    assert "#" not in text
    assert "rgb" not in text
    assert "--accent" in text


def test_a_dot_without_a_range_is_hollow() -> None:
    figure = retention_figure([shown(low=None, high=None)])
    (dot,) = figure["data"]
    assert dot["marker"]["symbol"] == "circle-open"


def test_a_row_with_nothing_to_draw_is_left_out() -> None:
    figure = retention_figure([shown(), shown(label="B", retention=None, low=None, high=None)])
    assert {row for t in figure["data"] for row in t["y"]} == {"Seam strength, worn"}
