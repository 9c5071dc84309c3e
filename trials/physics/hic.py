r"""Head injury criterion: the worst mean acceleration over any window, weighed by its length.

.. math:: HIC = \max_{t_1 < t_2} (t_2 - t_1)
          \left[ \frac{1}{t_2 - t_1} \int_{t_1}^{t_2} a \, dt \right]^{2.5}

with a in multiples of standard gravity, t in seconds, and t2 - t1 at most 15 ms, at most 36 ms, or
unlimited.

How the maximum is found
------------------------
Let V be the running integral of a (straight lines between samples). The score of a window from
sample i to sample j is (V[j] - V[i])^2.5 / (t[j] - t[i])^1.5, and there are n^2/2 windows. Nearly
all of them are hopeless, and whole blocks of them can be shown to be so at once. For i in a block A
and j in a block B of samples,

* V[j] - V[i] is at most D = max V over B - min V over A,
* V[j] - V[i] is at most (t[j] - t[i]) times the highest acceleration,
* t[j] - t[i] lies between the gap and the span of the two blocks.

The score that these three allow is a bound for every window from A to B. Blocks start large, those
whose bound is below the best window found so far are dropped, the rest is cut in four, down to
single samples. What is left is scored as it stands, so the answer is the maximum over all pairs of
samples and not a search on a grid.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from trials.physics.checks import positive
from trials.physics.errors import BadTrace

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from trials.physics.trace import Trace

    Indices = NDArray[np.int64]
    Floats = NDArray[np.float64]


HIC15_S = 0.015
HIC36_S = 0.036

# Two windows whose scores differ by less than this share are taken as equal, and the earliest and
# then the longest is reported. It also covers the rounding of the bounds.
_TIE = 1e-9

# Time stamps of a 15 ms window may differ from 0.015 in their last binary digits.
_WINDOW_SLACK = 1e-6

# Pairs of blocks judged in one go: keeps the working arrays within some tens of megabytes.
_CHUNK = 1 << 18


@dataclass(frozen=True)
class HeadInjuryCriterion:
    """The head injury criterion of a trace and the window that gave it.

    Attributes
    ----------
    value : float
        The criterion, with acceleration in multiples of standard gravity and time in seconds.
    start_s, end_s : float
        The window, on the trace's clock, s.
    mean_acceleration_g : float
        Mean acceleration over the window, multiples of standard gravity.
    longest_window_s : float or None
        Longest window that was allowed, s; None for unlimited.
    """

    value: float
    start_s: float
    end_s: float
    mean_acceleration_g: float
    longest_window_s: float | None

    @property
    def window_s(self) -> float:
        """Length of the window, s."""
        return self.end_s - self.start_s


class _Pyramid:
    """Lowest and highest running integral of blocks of 1, 2, 4 ... samples."""

    def __init__(self, running: Floats) -> None:
        self.lowest: list[Floats] = [running]
        self.highest: list[Floats] = [running]
        while self.lowest[-1].size > 1:
            self.lowest.append(self._halved(self.lowest[-1], np.minimum))
            self.highest.append(self._halved(self.highest[-1], np.maximum))

    @staticmethod
    def _halved(values: Floats, choose: np.ufunc) -> Floats:
        if values.size % 2:
            # The last block of an odd row stands alone; doubling it changes no extreme.
            values = np.append(values, values[-1])
        halved: Floats = choose(values[0::2], values[1::2])
        return halved


class _Search:
    """Branch and bound over pairs of blocks. Times and accelerations are scaled to at most 1."""

    def __init__(self, time: Floats, running: Floats, cap: float) -> None:
        self.time = time
        self.running = running
        self.cap = cap
        self.pyramid = _Pyramid(running)
        # Windows of one interval first: when none of them gains, no longer one can, because a
        # longer one is made of them; and when one does, hopeless blocks are seen from the start.
        starts = np.arange(time.size - 1, dtype=np.int64)
        self.best = float(self.score(starts, starts + 1).max())
        self.kept: list[tuple[Indices, Indices, Floats]] = []

    def score(self, i: Indices, j: Indices) -> Floats:
        """Return the squared score of windows from sample i to sample j; 0 where not allowed.

        Squared, because whole powers cost much less than halves of them; as gain^2 times the mean
        cubed and not as gain^5 over length^3, which underflows on very short windows.
        """
        gain = self.running[j] - self.running[i]
        length = self.time[j] - self.time[i]
        allowed = (gain > 0.0) & (length > 0.0) & (length <= self.cap)
        scores = np.zeros(gain.shape)
        scores[allowed] = gain[allowed] ** 2 * (gain[allowed] / length[allowed]) ** 3
        return scores

    def bounds(self, a: Indices, b: Indices, level: int) -> Floats:
        """Return the squared score that no window from block a to block b can exceed."""
        last = self.time.size - 1
        gain = self.pyramid.highest[level][b] - self.pyramid.lowest[level][a]
        shortest = self.time[b << level] - self.time[np.minimum(((a + 1) << level) - 1, last)]
        longest = self.time[np.minimum(((b + 1) << level) - 1, last)] - self.time[a << level]
        shortest = np.maximum(shortest, 0.0)
        longest = np.minimum(longest, self.cap)
        # Up to length = gain the highest acceleration (scaled to 1) limits the score, which then
        # rises with length; beyond it the gain limits the score, which then falls.
        length = np.clip(gain, shortest, longest)
        possible = (gain > 0.0) & (length > 0.0) & (shortest <= self.cap)
        bounds = np.zeros(gain.shape)
        reach = np.minimum(gain[possible], length[possible])
        bounds[possible] = reach**2 * (reach / length[possible]) ** 3
        return bounds

    def run(self) -> tuple[int, int]:
        top = len(self.pyramid.lowest) - 1
        zero = np.zeros(1, dtype=np.int64)
        stack: list[tuple[int, Indices, Indices]] = [(top, zero, zero)]
        while stack:
            level, a, b = stack.pop()
            if a.size > _CHUNK:
                half = a.size // 2
                stack.append((level, a[half:], b[half:]))
                stack.append((level, a[:half], b[:half]))
                continue
            if level == 0:
                self._keep(a, b)
                continue
            self._raise_best(a, b, level)
            promising = self.bounds(a, b, level) >= self.best * (1.0 - _TIE)
            if promising.any():
                stack.append((level - 1, *self._split(a[promising], b[promising], level - 1)))
        return self._choose()

    def _raise_best(self, a: Indices, b: Indices, level: int) -> None:
        last = self.time.size - 1
        middle = 1 << level >> 1
        i, j = np.minimum((a << level) + middle, last), np.minimum((b << level) + middle, last)
        for scores in (self.score(i, j), self.score(a << level, j)):
            self.best = max(self.best, float(scores.max()))

    def _split(self, a: Indices, b: Indices, level: int) -> tuple[Indices, Indices]:
        count = self.pyramid.lowest[level].size
        child_a = np.concatenate((2 * a, 2 * a, 2 * a + 1, 2 * a + 1))
        child_b = np.concatenate((2 * b, 2 * b + 1, 2 * b, 2 * b + 1))
        real = (child_a <= child_b) & (child_b < count)
        return child_a[real], child_b[real]

    def _keep(self, i: Indices, j: Indices) -> None:
        scores = self.score(i, j)
        self.best = max(self.best, float(scores.max()))
        near = scores >= self.best * (1.0 - _TIE)
        self.kept.append((i[near], j[near], scores[near]))

    def _choose(self) -> tuple[int, int]:
        i = np.concatenate([kept[0] for kept in self.kept])
        j = np.concatenate([kept[1] for kept in self.kept])
        scores = np.concatenate([kept[2] for kept in self.kept])
        near = np.flatnonzero(scores >= self.best * (1.0 - _TIE))
        first = near[np.lexsort((-j[near], i[near]))[0]]
        return int(i[first]), int(j[first])


def running_integral(trace: Trace) -> NDArray[np.float64]:
    """Return the integral of a trace from its first sample to each sample, straight lines between.

    Parameters
    ----------
    trace : Trace
        n samples.

    Returns
    -------
    ndarray of float, shape (n,)
        In the trace's unit times s, starting at 0.
    """
    value = trace.value
    steps = 0.5 * (value[1:] + value[:-1]) * np.diff(trace.time_s)
    return np.concatenate(([0.0], np.cumsum(steps)))


def head_injury_criterion(trace: Trace, *, longest_window_s: float | None) -> HeadInjuryCriterion:
    """Return the head injury criterion of an acceleration trace.

    Parameters
    ----------
    trace : Trace
        Resultant acceleration over time, in any unit of acceleration, baseline at zero, filtered
        as the method asks. Need not be evenly sampled.
    longest_window_s : float or None
        Longest window, s, more than zero: `HIC15_S`, `HIC36_S`, or None for unlimited.

    Returns
    -------
    HeadInjuryCriterion
        The maximum over all windows that start and end on a sample, exact but for rounding.

    Raises
    ------
    OutOfRange
        When the longest window is not a number above zero.
    UnitMismatch
        When the trace is not an acceleration.
    BadTrace
        When no stretch has a mean above zero, or no two samples lie within the window.

    Notes
    -----
    Sampling limits the figure, not the search: a 10 ms half-sine sampled at 10 kHz gives 4.4e-4
    less than the smooth pulse, at 20 kHz 5e-5 less. When the longest window is not a whole number
    of sampling intervals, the longest window used is the whole number below it.

    References
    ----------
    .. [1] 49 CFR 571.208 S6.2: two points in time not more than 15 ms (or 36 ms) apart,
       acceleration in multiples of g.
    .. [2] C. C. Chou and G. W. Nyquist, Analytical studies of the head injury criterion (HIC), SAE
       740082, 1974: at the optimum both ends have equal acceleration, 3/5 of the window's mean.
    """
    if longest_window_s is not None:
        longest_window_s = positive(longest_window_s, "Longest window", "s")
    in_g = trace.in_unit("g_n")
    highest_g = float(in_g.value.max())
    # Next to a vast negative swing a trace of positive acceleration is rounding, not a reading.
    if highest_g <= 1e-12 * float(np.max(np.abs(in_g.value))):
        raise BadTrace("The acceleration never rises above zero. Check the sign and the baseline.")
    # Scaled to a duration and a highest acceleration of 1, so that no size of input overflows.
    duration_s = in_g.duration_s
    time = (in_g.time_s - in_g.time_s[0]) / duration_s
    running = running_integral(in_g) / (highest_g * duration_s)
    cap = 1.0 if longest_window_s is None else longest_window_s / duration_s
    cap *= 1.0 + _WINDOW_SLACK
    if cap < float(np.min(np.diff(time))):
        raise BadTrace(
            f"No two samples lie within {longest_window_s:g} s of each other. Log faster."
        )
    search = _Search(time, running, cap)
    if search.best <= 0.0:
        raise BadTrace(
            "No stretch of the trace has a mean acceleration above zero. "
            "Check the sign and the baseline."
        )
    i, j = search.run()
    length_s = float(in_g.time_s[j] - in_g.time_s[i])
    mean_g = float(running[j] - running[i]) * highest_g * duration_s / length_s
    return HeadInjuryCriterion(
        value=length_s * mean_g**2.5,
        start_s=float(in_g.time_s[i]),
        end_s=float(in_g.time_s[j]),
        mean_acceleration_g=mean_g,
        longest_window_s=longest_window_s,
    )


def severity_index(trace: Trace) -> float:
    """Return the integral of acceleration (multiples of gravity) to the power 2.5 over time in s.

    Parameters
    ----------
    trace : Trace
        Resultant acceleration, baseline at zero. Values below zero count as zero.

    Returns
    -------
    float
        By the trapezoidal rule.

    Raises
    ------
    UnitMismatch
        When the trace is not an acceleration.
    BadTrace
        When the result is too large to be real.
    """
    in_g = trace.in_unit("g_n")
    index = float(np.trapezoid(np.maximum(in_g.value, 0.0) ** 2.5, in_g.time_s))
    if not math.isfinite(index):
        raise BadTrace("The severity index comes out too large to be real. Check the unit.")
    return index
