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


def retention_figure(all_shown: Sequence[Shown]) -> dict[str, Any]:
    """Retention of every finding as dot and interval, from nothing past 100 %."""
    top = strip_top(all_shown) * 100
    figure = graph_objects.Figure()
    drawn = [s for s in all_shown if s.retention is not None or s.low is not None or s.high]
    for shown in drawn:
        low = (shown.low or 0.0) * 100
        high = min((shown.high if shown.high is not None else top / 100) * 100, top)
        has_interval = shown.low is not None or shown.high is not None
        if has_interval:
            figure.add_trace(
                graph_objects.Scatter(
                    x=[low, high],
                    y=[shown.label, shown.label],
                    mode="lines",
                    name="interval",
                    hoverinfo="skip",
                    line={"width": 3, "dash": _dash(shown)},
                )
            )
        if shown.retention is not None:
            figure.add_trace(
                graph_objects.Scatter(
                    x=[min(shown.retention * 100, top)],
                    y=[shown.label],
                    mode="markers",
                    name="retention",
                    marker={"size": 11, "symbol": "circle" if has_interval else "circle-open"},
                    hovertemplate=f"{shown.label}<br>{shown.verdict_words}<br>"
                    f"{shown.interval_words}<extra></extra>",
                )
            )
    figure.add_vline(x=100, line_width=1)
    figure.update_layout(
        template="none",
        showlegend=False,
        height=90 + 46 * max(len(drawn), 1),
        margin={"l": 10, "r": 16, "t": 12, "b": 56},
        xaxis={
            "range": [0, top],
            "tickvals": [0, 50, 100, 150, 200],
            "ticktext": ["nothing", "50 %", "100 %", "150 %", "200 %"],
            "ticks": "outside",
            "showgrid": False,
            "zeroline": True,
            "title": {"text": "kept, with the baseline at 100 %"},
            "fixedrange": True,
        },
        yaxis={
            "range": [len(drawn) - 0.5, -0.5],
            "automargin": True,
            "fixedrange": True,
            "showgrid": False,
        },
    )
    return _in_page_colours(figure.to_plotly_json(), drawn)


def _in_page_colours(figure: dict[str, Any], drawn: Sequence[Shown]) -> dict[str, Any]:
    """Colours as names of the page's tokens, which the script fills in for light and dark."""
    for trace in figure["data"]:
        trace.pop("meta", None)
        part = trace["line"] if trace["mode"] == "lines" else trace["marker"]
        part["color"] = "--ink" if trace["mode"] == "lines" else "--accent"
    layout = figure["layout"]
    layout.pop("template", None)
    for shape in layout["shapes"]:
        shape["line"]["color"] = "--ink"
    # one band a row: each property has its own margin
    bands = [
        {
            "type": "rect",
            "layer": "below",
            "x0": (1 - shown.margin) * 100,
            "x1": 100 / (1 - shown.margin),
            "y0": row - 0.4,
            "y1": row + 0.4,
            "fillcolor": "--band",
            "line": {"width": 0},
        }
        for row, shown in enumerate(drawn)
    ]
    layout["shapes"] = [*bands, *layout["shapes"]]
    return {"data": list(figure["data"]), "layout": layout}


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


def _dash(shown: Shown) -> str:
    return "dot" if shown.low is None or shown.high is None else "solid"


def shown_of(finding: dict[str, Any]) -> Shown:
    """A retention as drawn, from the frozen content of an edition."""
    name = finding["property"]
    return Shown(
        label=f"{name[:1].upper()}{name[1:]}, {finding['arm_label']}",
        retention=finding["retention"],
        low=finding["low"],
        high=finding["high"],
        margin=finding["margin"],
        verdict_words=finding["verdict_words"],
        interval_words=finding["interval_words"],
    )
