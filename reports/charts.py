"""Pictures of findings: positions for the inline strip, and the chart for the page."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from plotly import graph_objects

STRIP_LEAST_TOP = 1.3  # the strip always shows what lies beyond 100 %
STRIP_MOST_TOP = 2.0  # wider intervals run out of the strip with an open end


@dataclass(frozen=True)
class Shown:
    """A retention as drawn; None ends are open."""

    label: str
    retention: float | None
    low: float | None
    high: float | None
    margin: float
    verdict_words: str
    interval_words: str


def strip_top(all_shown: Sequence[Shown]) -> float:
    """Right end of the strip, one for a whole card so that its strips compare by eye."""
    ends = [s.high for s in all_shown if s.high is not None]
    ends += [s.retention for s in all_shown if s.retention is not None]
    return min(STRIP_MOST_TOP, max(STRIP_LEAST_TOP, *(end * 1.05 for end in ends), 0))


def strip(shown: Shown, top: float) -> dict[str, Any] | None:
    """Positions in percent of the strip's width; None when there is nothing to draw."""
    if shown.retention is None and shown.low is None and shown.high is None:
        return None

    def place(share: float) -> float:
        return round(min(max(share / top, 0.0), 1.0) * 100, 2)

    has_interval = shown.low is not None or shown.high is not None
    low = place(shown.low or 0.0) if has_interval else None
    high = place(shown.high if shown.high is not None else top) if has_interval else None
    point = place(shown.retention) if shown.retention is not None else None
    return {
        "x_low": low,
        "x_high": high,
        "x_width": None if low is None or high is None else round(high - low, 2),
        "x_point": point,
        "open_low": has_interval and shown.low is None,
        "open_high": has_interval and (shown.high is None or shown.high > top),
        "margin_low": place(1 - shown.margin),
        "margin_high": place(1 / (1 - shown.margin)),
        "margin_width": round(place(1 / (1 - shown.margin)) - place(1 - shown.margin), 2),
        "hundred": place(1.0),
    }


def trend_figure(trend: dict[str, Any]) -> dict[str, Any]:
    """A trend as line and band, from no service to the longest tested and no further."""
    points = trend["points"]
    x = [p["exposure"] for p in points]
    figure = graph_objects.Figure(
        [
            graph_objects.Scatter(
                x=x + x[::-1],
                y=[100 * p["high"] for p in points] + [100 * p["low"] for p in points[::-1]],
                mode="lines",
                line={"width": 0},
                fill="toself",
                hoverinfo="skip",
            ),
            graph_objects.Scatter(
                x=x, y=[100 * p["retention"] for p in points], mode="lines", line={"width": 3}
            ),
            graph_objects.Scatter(
                x=trend["exposures"],
                y=[0] * len(trend["exposures"]),
                mode="markers",
                marker={"symbol": "line-ns-open", "size": 12},
                hovertemplate="an item with this service<extra></extra>",
            ),
        ]
    )
    figure.add_hline(y=100, line_width=1)
    figure.update_layout(
        template="none",
        showlegend=False,
        height=340,
        margin={"l": 64, "r": 16, "t": 12, "b": 56},
        xaxis={
            "title": {"text": f"{trend['driver_words']}, {trend['driver_unit']}"},
            "fixedrange": True,
            "showgrid": False,
            "rangemode": "tozero",
        },
        yaxis={
            "range": [0, max(110.0, *(105 * p["high"] for p in points))],
            "ticksuffix": " %",
            "title": {"text": "kept"},
            "fixedrange": True,
        },
    )
    plain = figure.to_plotly_json()
    plain["layout"].pop("template", None)
    band, line, marks = plain["data"]
    band["fillcolor"], band["line"]["color"] = "--band", "--band"
    line["line"]["color"] = "--accent"
    marks["marker"]["color"] = "--ink"
    for shape in plain["layout"]["shapes"]:
        shape["line"]["color"] = "--ink"
    plain["layout"]["shapes"] = list(plain["layout"]["shapes"])
    return {"data": list(plain["data"]), "layout": plain["layout"]}
