"""Control charts as pictures: positions for an inline drawing, nothing else."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from reports.degradation.control_chart import ControlChart, control_chart
from reports.degradation.intervals import CannotCompare, Interval
from trials.models import ControlRun

WIDTH, HEIGHT = 800, 280
LEFT, RIGHT, TOP, BOTTOM = 100, 90, 16, 36


@dataclass(frozen=True)
class Point:
    """A control run on the chart."""

    x: float
    y: float
    at: datetime
    words: str
    signals: tuple[str, ...]


@dataclass(frozen=True)
class Level:
    """A line across the chart."""

    y: float
    label: str
    words: str


@dataclass(frozen=True)
class DrawnControls:
    """The chart of one material; `refusal` says why there is none."""

    material: str
    refusal: str
    points: tuple[Point, ...] = ()
    levels: tuple[Level, ...] = ()
    path: str = ""
    notes: tuple[str, ...] = ()
    left_out: int = 0
    width: int = WIDTH
    height: int = HEIGHT
    left: int = LEFT
    right: int = WIDTH - RIGHT

    @property
    def signalled(self) -> tuple[Point, ...]:
        """The runs that gave a signal."""
        return tuple(point for point in self.points if point.signals)


def drawn_controls(material: str, runs: Sequence[ControlRun], unit: str) -> DrawnControls:
    """The chart of one material's runs in the order of time."""
    ordered = sorted(runs, key=lambda run: run.ran_at)
    closed = [run for run in ordered if run.low > 0 and run.high is not None]
    left_out = len(ordered) - len(closed)
    if len(closed) < 2:
        return DrawnControls(
            material, "A chart needs two control runs with both ends.", left_out=left_out
        )
    try:
        chart = control_chart([Interval(run.low, run.high or run.low) for run in closed])
    except CannotCompare as why:
        return DrawnControls(material, str(why), left_out=left_out)
    return _drawn(material, closed, chart, unit, left_out)


def _drawn(
    material: str, runs: Sequence[ControlRun], chart: ControlChart, unit: str, left_out: int
) -> DrawnControls:
    values = [*chart.middles, chart.centre, chart.lower, chart.upper]
    low, high = min(values), max(values)
    span = (high - low) or high or 1.0
    low, high = low - 0.08 * span, high + 0.08 * span

    def y(value: float) -> float:
        return round(HEIGHT - BOTTOM - (HEIGHT - TOP - BOTTOM) * (value - low) / (high - low), 1)

    step = (WIDTH - LEFT - RIGHT) / max(len(runs) - 1, 1)
    signals: dict[int, list[str]] = {}
    for signal in chart.signals:
        signals.setdefault(signal.at, []).append(f"{signal.rule}, {signal.side}")
    points = tuple(
        Point(
            x=round(LEFT + step * place, 1),
            y=y(middle),
            at=run.ran_at,
            words=f"{middle:.3g} {unit}",
            signals=tuple(signals.get(place, ())),
        )
        for place, (run, middle) in enumerate(zip(runs, chart.middles, strict=True))
    )
    return DrawnControls(
        material=material,
        refusal="",
        points=points,
        levels=(
            Level(y(chart.upper), "upper", f"{chart.upper:.3g} {unit}"),
            Level(y(chart.centre), "centre", f"{chart.centre:.3g} {unit}"),
            Level(y(chart.lower), "lower", f"{chart.lower:.3g} {unit}"),
        ),
        path="M" + "L".join(f"{point.x} {point.y}" for point in points),
        notes=chart.notes,
        left_out=left_out,
    )
