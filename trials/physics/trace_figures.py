"""The figure that a method reads from a logged trace, from columns and settings alone.

Nothing here remembers: the same columns and settings give the same figure, so that a reading
derived from a trace can be worked out again at any time.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trials.physics.cfc import CLASSES, filtered
from trials.physics.errors import BadSettings, BadTrace
from trials.physics.force import impulse_n_s, peak_transmitted_force_kn, seam_pull
from trials.physics.heat import time_to_rise
from trials.physics.hic import head_injury_criterion
from trials.physics.peaks import dwell, peak
from trials.physics.trace import (
    Event,
    Flaw,
    Trace,
    find_event,
    find_flaws,
    remove_baseline,
    resultant,
)
from trials.physics.units import convert_array, is_convertible

CODE_VERSION = "1"  # goes up when the same columns and settings would give another figure


@dataclass(frozen=True)
class FigureKind:
    """A figure that can be read from a trace.

    Attributes
    ----------
    key : str
        Its name in a method revision; keeps its meaning for good.
    words : str
        What it is.
    unit : str
        Unit it comes in.
    trace_unit : str
        Any unit of the quantity that must have been logged.
    needs : tuple of str
        Settings that the method must fix.
    """

    key: str
    words: str
    unit: str
    trace_unit: str
    needs: tuple[str, ...] = ()


FIGURES: Mapping[str, FigureKind] = {
    kind.key: kind
    for kind in (
        FigureKind("peak_acceleration", "peak acceleration", "g_n", "g_n"),
        FigureKind("hic_15", "head injury criterion, windows to 15 ms", "HIC", "g_n"),
        FigureKind("hic_36", "head injury criterion, windows to 36 ms", "HIC", "g_n"),
        FigureKind("hic", "head injury criterion, any window", "HIC", "g_n"),
        FigureKind(
            "dwell", "time above a level, all stretches together", "ms", "g_n", ("level_g",)
        ),
        FigureKind("peak_force", "peak transmitted force", "kN", "kN"),
        FigureKind(
            "seam_strength",
            "highest force over the length of seam",
            "N/mm",
            "N",
            ("jaw_speed_mm_min", "seam_width_mm"),
        ),
        FigureKind(
            "seam_work",
            "work to the highest force",
            "J",
            "N",
            ("jaw_speed_mm_min", "seam_width_mm"),
        ),
        FigureKind("peak_pull", "highest force", "N", "N"),
        FigureKind("rise_time", "time to a stated temperature rise", "s", "degC", ("rise_k",)),
    )
}

# what a method fixes, as lines for a page
FIXED_WORDS = {
    "cfc": "Filter: channel frequency class {}",
    "rise_k": "Rise: {} K",
    "level_g": "Level: {} times gravity",
    "jaw_speed_mm_min": "Speed of the jaw: {} mm/min",
    "seam_width_mm": "Length of seam: {} mm",
}

_WINDOWS_S: Mapping[str, float | None] = {"hic_15": 0.015, "hic_36": 0.036, "hic": None}


@dataclass(frozen=True)
class TraceSettings:
    """How a trace is to be read.

    Attributes
    ----------
    figure : str
        A key of `FIGURES`.
    value_columns : tuple of int
        Positions of one to three columns; several are axes and make one resultant.
    value_unit : str
        Unit of those columns.
    time_column : int or None
        Position of the column of times; None takes the sampling rate.
    time_unit : str
    sample_rate_hz : float or None
    is_inverted : bool
        The logger wrote the wanted direction as negative.
    removes_baseline : bool
    baseline_from_s, baseline_to_s : float or None
        The quiet stretch; by default what lies before the event.
    cfc : int or None
        Channel frequency class.
    full_scale : float or None
        Of the sensor, in the unit of the columns.
    level_g, rise_k, contact_s, jaw_speed_mm_min, seam_width_mm : float or None
        What some figures need.
    """

    figure: str
    value_columns: tuple[int, ...]
    value_unit: str
    time_column: int | None = None
    time_unit: str = "s"
    sample_rate_hz: float | None = None
    is_inverted: bool = False
    removes_baseline: bool = True
    baseline_from_s: float | None = None
    baseline_to_s: float | None = None
    cfc: int | None = None
    full_scale: float | None = None
    level_g: float | None = None
    rise_k: float | None = None
    contact_s: float | None = None
    jaw_speed_mm_min: float | None = None
    seam_width_mm: float | None = None

    def as_json(self) -> dict[str, Any]:
        """The settings as plain JSON."""
        return asdict(self) | {"value_columns": list(self.value_columns)}

    @classmethod
    def from_json(cls, stored: Mapping[str, Any]) -> TraceSettings:
        """The settings back from JSON."""
        return cls(**(dict(stored) | {"value_columns": tuple(stored["value_columns"])}))


@dataclass(frozen=True)
class NamedValue:
    """A value with what it is."""

    words: str
    value: float
    unit: str


@dataclass(frozen=True, eq=False)
class Figure:
    """What a trace gave.

    Attributes
    ----------
    value : float
        In `unit`.
    unit : str
    is_reached : bool
        False when the log ended before a wanted rise; then `value` is only a lower end.
    beside : tuple of NamedValue
        Other figures of the same trace, for the person who looks at it.
    flaws : tuple of Flaw
        What may keep the trace from carrying the figure.
    event : Event or None
    trace : Trace
        As read: baseline taken, filtered, axes combined.
    offset_sensitivity : float
        See `offset_sensitivity`.
    """

    value: float
    unit: str
    is_reached: bool
    beside: tuple[NamedValue, ...]
    flaws: tuple[Flaw, ...]
    event: Event | None
    trace: Trace
    offset_sensitivity: float


def read_figure(columns: Sequence[NDArray[np.float64]], settings: TraceSettings) -> Figure:
    """Return the figure of a trace.

    Parameters
    ----------
    columns : sequence of ndarray of float, shape (n,)
        All columns of the file.
    settings : TraceSettings

    Raises
    ------
    BadSettings
        When a setting is missing or does not fit the file or the figure.
    BadTrace
        When the trace cannot carry the figure: too slow for the filter class, flat, cut off.
    """
    kind = _checked(columns, settings)
    axes = [_axis(columns, place, settings) for place in settings.value_columns]
    flaws: list[Flaw] = []
    quiet: list[Trace] = []
    is_heat = kind.key == "rise_time"
    for axis in axes:
        based = axis
        if settings.removes_baseline and not is_heat:
            based = remove_baseline(
                axis, from_s=settings.baseline_from_s, to_s=settings.baseline_to_s
            ).trace
        if not is_heat:
            flaws += find_flaws(based, full_scale=settings.full_scale)
        quiet.append(based if settings.cfc is None else filtered(based, cfc=settings.cfc))
    trace = resultant(*quiet) if len(quiet) > 1 else quiet[0]
    value, is_reached, sensitivity = _value(kind, trace, settings)
    return Figure(
        value=value,
        unit=kind.unit,
        is_reached=is_reached,
        beside=_beside(kind, trace),
        flaws=tuple(dict.fromkeys(flaws)),
        event=None if is_heat else find_event(trace),
        trace=trace,
        offset_sensitivity=sensitivity,
    )


def offset_sensitivity(figure: str, *, seam_width_mm: float | None = None) -> float | None:
    """Return how a figure moves for one unit added to the trace, where that needs no trace.

    Parameters
    ----------
    figure : str
        A key of `FIGURES`.
    seam_width_mm : float, optional
        Length of seam, mm, more than zero.

    Returns
    -------
    float or None
        In the figure's unit for one of the kind's `trace_unit`, added to every sample after the
        baseline was taken: the correction that a calibration found at the level of the readings.
        0 for a time to a rise, because a rise is the difference of two readings of one
        thermometer; 1 for a peak. None where it depends on the trace.

    References
    ----------
    .. [1] JCGM 100:2008, 5.1.3: the sensitivity coefficient is the partial derivative.
    """
    if figure == "rise_time":
        return 0.0
    if figure in {"peak_acceleration", "peak_force", "peak_pull"}:
        return 1.0
    if figure == "seam_strength" and seam_width_mm:
        return 1.0 / seam_width_mm
    return None


def _checked(columns: Sequence[NDArray[np.float64]], settings: TraceSettings) -> FigureKind:
    kind = FIGURES.get(settings.figure)
    if kind is None:
        raise BadSettings(f"There is no figure called '{settings.figure}'.")
    places = [*settings.value_columns]
    if settings.time_column is not None:
        places.append(settings.time_column)
    if not 1 <= len(settings.value_columns) <= 3 or not all(0 <= p < len(columns) for p in places):
        raise BadSettings("Choose one to three columns of the file.")
    if len(set(places)) != len(places):
        raise BadSettings("A column is chosen twice.")
    if settings.time_column is None and settings.sample_rate_hz is None:
        raise BadSettings("Choose the column of times, or give the sampling rate.")
    if not is_convertible(settings.value_unit, kind.trace_unit):
        raise BadSettings(f"The {kind.words} is not read from a trace in {settings.value_unit}.")
    if settings.cfc is not None and settings.cfc not in CLASSES:
        raise BadSettings(f"The filter class is one of {', '.join(map(str, CLASSES))}.")
    for name in kind.needs:
        given = getattr(settings, name)
        if given is None or not math.isfinite(given) or given <= 0:
            raise BadSettings(f"The method does not say '{name}', which the {kind.words} needs.")
    return kind


def _axis(columns: Sequence[NDArray[np.float64]], place: int, settings: TraceSettings) -> Trace:
    value = -columns[place] if settings.is_inverted else columns[place]
    if settings.time_column is None:
        if settings.sample_rate_hz is None:
            raise BadSettings("Give the sampling rate.")
        return Trace.evenly_sampled(
            value, unit=settings.value_unit, sample_rate_hz=settings.sample_rate_hz
        )
    time = columns[settings.time_column]
    if not is_convertible(settings.time_unit, "s"):
        raise BadSettings(f"{settings.time_unit} is not a unit of time.")
    time_s = time if settings.time_unit == "s" else convert_array(time, settings.time_unit, "s")
    return Trace(time_s, value, settings.value_unit)


def _value(kind: FigureKind, trace: Trace, settings: TraceSettings) -> tuple[float, bool, float]:
    known = offset_sensitivity(kind.key, seam_width_mm=settings.seam_width_mm)
    if kind.key == "rise_time":
        rise = time_to_rise(trace, rise_k=settings.rise_k or 0.0, contact_s=settings.contact_s)
        return rise.time_s, rise.is_reached, known or 0.0
    if kind.key in _WINDOWS_S:
        acceleration = trace.in_unit("g_n")
        found = head_injury_criterion(acceleration, longest_window_s=_WINDOWS_S[kind.key])
        # the best window moves too, but at a maximum that costs nothing in first order
        mean_g = found.mean_acceleration_g
        return found.value, True, 2.5 * found.value / mean_g if mean_g else 0.0
    if kind.key == "dwell":
        level, step = settings.level_g or 0.0, 0.5
        least, spent, most = (
            1000.0 * dwell(trace.in_unit("g_n"), level=at).total_s
            for at in (level + step, level, level - step)
        )
        return spent, True, (most - least) / (2.0 * step)
    if kind.key == "peak_force":
        return peak_transmitted_force_kn(trace), True, known or 0.0
    if kind.key in {"seam_strength", "seam_work"}:
        pull = seam_pull(
            trace,
            jaw_speed_mm_min=settings.jaw_speed_mm_min or 0.0,
            seam_width_mm=settings.seam_width_mm or 0.0,
        )
        if kind.key == "seam_strength":
            return pull.max_force_per_width_n_mm, True, known or 0.0
        return pull.work_to_max_j, True, pull.extension_at_max_mm / 1000.0
    highest = peak(trace.in_unit(kind.unit)).value
    if highest <= 0.0:
        raise BadTrace("The trace never rises above zero. Check the sign and the baseline.")
    return highest, True, known or 0.0


def _beside(kind: FigureKind, trace: Trace) -> tuple[NamedValue, ...]:
    if kind.trace_unit == "g_n":
        g = trace.in_unit("g_n")
        named = [NamedValue("Peak acceleration", peak(g).value, "g_n")]
        named += [
            NamedValue(
                FIGURES[key].words.capitalize(),
                head_injury_criterion(g, longest_window_s=window).value,
                "HIC",
            )
            for key, window in _WINDOWS_S.items()
        ]
        for level in (150.0, 200.0):
            if peak(g).value > level:
                spent_ms = 1000.0 * dwell(g, level=level).total_s
                named.append(NamedValue(f"Time above {level:g} times gravity", spent_ms, "ms"))
        return tuple(named)
    if kind.trace_unit in {"kN", "N"}:
        return (
            NamedValue("Peak force", peak(trace.in_unit("kN")).value, "kN"),
            NamedValue("Area under the force", impulse_n_s(trace), "N s"),
        )
    celsius = trace.in_unit("degC")
    return (NamedValue("Highest temperature", peak(celsius).value, "degC"),)


@dataclass(frozen=True)
class Outline:
    """A trace thinned for drawing: lowest and highest sample of each stretch.

    Attributes
    ----------
    points : tuple of (float, float)
        Time in s and value, in the order of drawing.
    """

    points: tuple[tuple[float, float], ...]


def outline(trace: Trace, *, from_s: float, to_s: float, stretches: int = 400) -> Outline:
    """Thin a part of a trace to at most two points a stretch, keeping every peak."""
    part = trace.between(from_s, to_s)
    count = part.sample_count
    if count <= 2 * stretches:
        return Outline(tuple(zip(part.time_s.tolist(), part.value.tolist(), strict=True)))
    edges = np.linspace(0, count, stretches + 1).astype(int)
    points: list[tuple[float, float]] = []
    for first, past in pairwise(edges.tolist()):
        stretch = part.value[first:past]
        for place in sorted({int(np.argmin(stretch)), int(np.argmax(stretch))}):
            at = first + place
            points.append((float(part.time_s[at]), float(part.value[at])))
    return Outline(tuple(points))
