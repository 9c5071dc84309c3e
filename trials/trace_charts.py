"""Traces as pictures: positions for an inline drawing, nothing else."""

from dataclasses import dataclass

from trials.intervals import plain
from trials.physics.trace import Trace
from trials.physics.trace_figures import Figure, outline
from trials.physics.units import written

WIDTH, HEIGHT = 800, 260
LEFT, RIGHT, TOP, BOTTOM = 96, 16, 14, 38


@dataclass(frozen=True)
class Mark:
    """A tick with its place and its words."""

    at: float
    words: str


@dataclass(frozen=True)
class TraceChart:
    """A drawing of a trace in a box of `width` by `height`."""

    title: str
    path: str
    zero_y: float | None
    event_x: float | None
    event_width: float
    x_marks: tuple[Mark, ...]
    y_marks: tuple[Mark, ...]
    unit: str
    words: str
    width: int = WIDTH
    height: int = HEIGHT
    left: int = LEFT
    right: int = WIDTH - RIGHT
    top: int = TOP
    bottom: int = HEIGHT - BOTTOM


def trace_charts(figure: Figure) -> tuple[TraceChart, ...]:
    """The whole trace, and the event by itself when it is a small part of it."""
    trace, event = figure.trace, figure.event
    start_s, end_s = float(trace.time_s[0]), float(trace.time_s[-1])
    charts = [_chart(figure, "Whole trace", start_s, end_s)]
    if event is not None:
        length_s = max(event.to_s - event.from_s, 4 * trace.duration_s / trace.sample_count)
        if length_s < 0.2 * trace.duration_s:
            from_s = max(start_s, event.from_s - length_s)
            to_s = min(end_s, event.to_s + length_s)
            charts.insert(0, _chart(figure, "The event", from_s, to_s))
    return tuple(charts)


def _chart(figure: Figure, title: str, from_s: float, to_s: float) -> TraceChart:
    trace = figure.trace
    points = outline(trace, from_s=from_s, to_s=to_s).points
    low = min(0.0, *(value for _, value in points))
    high = max(0.0, *(value for _, value in points))
    if trace.unit == "degC":
        low = min(value for _, value in points)
    span = (high - low) or 1.0
    span_s = (to_s - from_s) or 1.0

    def x(at_s: float) -> float:
        return round(LEFT + (WIDTH - LEFT - RIGHT) * (at_s - from_s) / span_s, 1)

    def y(value: float) -> float:
        return round(HEIGHT - BOTTOM - (HEIGHT - TOP - BOTTOM) * (value - low) / span, 1)

    event = figure.event
    is_milli = span_s < 1.0
    unit = "ms" if is_milli else "s"
    marks = [from_s + span_s * part / 4 for part in range(5)]
    return TraceChart(
        title=title,
        path="M" + "L".join(f"{x(at)} {y(value)}" for at, value in points),
        zero_y=y(0.0) if low <= 0 <= high else None,
        event_x=None if event is None else max(x(event.from_s), LEFT),
        event_width=0.0 if event is None else max(x(event.to_s) - x(event.from_s), 1.0),
        x_marks=tuple(
            Mark(x(at), f"{_short(at * 1000 if is_milli else at)} {unit}") for at in marks
        ),
        y_marks=tuple(Mark(y(v), _short(v)) for v in sorted({low, (low + high) / 2, high})),
        unit=written(trace.unit),
        words=_words(trace, title, from_s, to_s, high),
    )


def _short(value: float) -> str:
    return plain(float(f"{value:.3g}"))


def _words(trace: Trace, title: str, from_s: float, to_s: float, high: float) -> str:
    return (
        f"{title}: {written(trace.unit)} from {_short(from_s)} to {_short(to_s)} s, "
        f"highest {_short(high)} {written(trace.unit)}."
    )
