"""The chart of one property's readings, as plain data for the page's chart library."""

from collections.abc import Mapping, Sequence
from typing import Any

from django.utils.translation import gettext

from reports.phrases import said_plainly

# one shape an arm, so that colour only repeats it
SYMBOLS = ("circle", "diamond", "square", "triangle-up", "pentagon", "hexagon")
ROW_PX = 24
EDGES_PX = 150


def readings_figure(content: Mapping[str, Any], name: str) -> dict[str, Any] | None:
    """Every reading of a property by item: a mark and its interval; None without readings."""
    readings = [
        r for r in content["readings"] if r["property"] == name and r["state"] != "superseded"
    ]
    if not readings:
        return None
    reach = max((_ends(r)[1] or _ends(r)[0]) for r in readings) * 1.06 or 1.0
    traces = []
    for place, arm in enumerate(content["arms"]):
        mine = [r for r in readings if r["arm_label"] == arm["label"] and r["state"] == "used"]
        if mine:
            traces.append(_arm(said_plainly(arm["label"]), place, mine, reach))
    if voids := [r for r in readings if r["state"] == "void"]:
        traces.append(_voids(voids))
    codes = [one["code"] for arm in content["arms"] for one in arm["specimens"]]
    seen = {r["specimen"] for r in readings}
    rows = [code for code in codes if code in seen]
    unit = next((f["unit"] for f in content["findings"] if f["property"] == name), "")
    title = f"{said_plainly(name).capitalize()}, {said_plainly(unit)}" if unit else name
    return {
        "data": traces,
        "layout": {
            "height": EDGES_PX + ROW_PX * len(rows),
            "margin": {"l": 16, "r": 16, "t": 8, "b": 56},
            "showlegend": True,
            "legend": {"orientation": "h", "y": 1.02, "yanchor": "bottom", "x": 0},
            "xaxis": {
                "title": {"text": title},
                "range": [0, reach],
                "fixedrange": True,
                "ticks": "outside",
                "zeroline": True,
            },
            "yaxis": {
                "type": "category",
                "categoryorder": "array",
                "categoryarray": rows[::-1],
                "fixedrange": True,
                "showgrid": True,
            },
        },
    }


def _ends(reading: Mapping[str, Any]) -> tuple[float, float | None]:
    if reading["grade"] is not None:
        return float(reading["grade"]), float(reading["grade"])
    return reading["low"] or 0.0, reading["high"]


def _arm(
    label: str, place: int, readings: Sequence[Mapping[str, Any]], reach: float
) -> dict[str, Any]:
    middles, less, more, symbols = [], [], [], []
    shape = SYMBOLS[place % len(SYMBOLS)]
    for reading in readings:
        low, high = _ends(reading)
        # an open end is drawn to the edge from the last value known, with a mark of its own
        middle = low if high is None else (low + high) / 2
        middles.append(middle)
        less.append(middle - low)
        more.append(reach - low if high is None else high - middle)
        symbols.append("triangle-right-open" if high is None else shape)
    return {
        "type": "scatter",
        "mode": "markers",
        "name": label,
        "x": middles,
        "y": [r["specimen"] for r in readings],
        "text": [said_plainly(r["words"]) for r in readings],
        "hovertemplate": f"%{{y}}, {label}<br>%{{text}}<extra></extra>",
        "marker": {"symbol": symbols, "size": 9, "color": "--ink" if place == 0 else "--accent"},
        "error_x": {
            "type": "data",
            "symmetric": False,
            "array": more,
            "arrayminus": less,
            "thickness": 2,
            "width": 4,
            "color": "--ink" if place == 0 else "--accent",
        },
    }


def _voids(readings: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    return {
        "type": "scatter",
        "mode": "markers",
        "name": gettext("void, not used"),
        "x": [_ends(r)[0] for r in readings],
        "y": [r["specimen"] for r in readings],
        "text": [said_plainly(r["words"]) for r in readings],
        "hovertemplate": "%{y}<br>%{text}<extra></extra>",
        "marker": {"symbol": "x-thin-open", "size": 10, "color": "--ink-soft"},
    }
