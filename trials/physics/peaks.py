"""Peak of a trace and time spent above a level."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from trials.physics.checks import finite

if TYPE_CHECKING:
    from trials.physics.trace import Trace


@dataclass(frozen=True)
class Peak:
    """Highest sample of a trace.

    Attributes
    ----------
    value : float
        In `unit`.
    time_s : float
        When, s; the first such sample when several are equal.
    unit : str
        The trace's unit.
    """

    value: float
    time_s: float
    unit: str


def peak(trace: Trace) -> Peak:
    """Return the highest sample of a trace.

    The highest sample, not a curve through its neighbours: standards limit what was recorded.
    """
    i = int(np.argmax(trace.value))
    return Peak(value=float(trace.value[i]), time_s=float(trace.time_s[i]), unit=trace.unit)


@dataclass(frozen=True)
class Dwell:
    """Time that a trace spent above a level.

    Attributes
    ----------
    level : float
        The level, in the trace's unit.
    total_s : float
        Time above it in all stretches together, s.
    longest_s : float
        Time above it in the longest single stretch, s.
    stretch_count : int
        How many separate stretches rose above it.
    """

    level: float
    total_s: float
    longest_s: float
    stretch_count: int


def dwell(trace: Trace, *, level: float) -> Dwell:
    """Return the time that a trace spent above a level.

    Parameters
    ----------
    trace : Trace
    level : float
        In the trace's unit. Strictly above counts; a trace that only touches the level does not.

    Returns
    -------
    Dwell
        Exact for straight lines between the samples.

    Raises
    ------
    OutOfRange
        When the level is not a finite number.

    Notes
    -----
    Regulations that limit dwell add up all excursions, as `total_s` does (49 CFR 571.218 S5.1,
    from memory).
    """
    level = finite(level, "Level", trace.unit)
    time_s, height = trace.time_s, trace.value - level
    is_above = height > 0.0
    rises = np.flatnonzero(~is_above[:-1] & is_above[1:])
    falls = np.flatnonzero(is_above[:-1] & ~is_above[1:])

    def crossing_s(i: np.ndarray) -> np.ndarray:
        share = height[i] / (height[i] - height[i + 1])
        crossed: np.ndarray = time_s[i] + share * (time_s[i + 1] - time_s[i])
        return crossed

    starts_s = crossing_s(rises)
    ends_s = crossing_s(falls)
    if is_above[0]:
        starts_s = np.concatenate((time_s[:1], starts_s))
    if is_above[-1]:
        ends_s = np.concatenate((ends_s, time_s[-1:]))
    stretches_s = ends_s - starts_s
    return Dwell(
        level=level,
        total_s=float(stretches_s.sum()),
        longest_s=float(stretches_s.max()) if stretches_s.size else 0.0,
        stretch_count=int(stretches_s.size),
    )
