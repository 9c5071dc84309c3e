"""An arm's specimens on the natural-log scale, and many arms packed side by side.

Identical intervals are grouped, exact readings are kept apart, and what the readings can and
cannot say about their own scatter is worked out once, before any integration.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from reports.degradation.intervals import Interval
from reports.degradation.laws import Array, Law

# Shares of the proven gap between readings (highest lower end minus lowest upper end). An interval
# narrower than the first is an exact reading to double precision. One narrower than the second
# enters the normal likelihood by its midpoint and the square of its width, which leaves out terms
# of the fourth order in width / sigma: below 1e-6 of the log likelihood per reading.
_EXACT_WIDTH_SHARE = 1e-7
_FINE_WIDTH_SHARE = 0.01
# Arms with more distinct intervals than this are snapped to a lattice of 1/400 of their span: the
# log ends move by at most a few hundredths of sigma, and only where thousands of them average out.
_MOST_GROUPS = 512
_LATTICE_STEPS = 400


@dataclass(frozen=True, slots=True)
class Arm:
    """One arm: grouped log intervals, exact log values, and what they can tell.

    Attributes
    ----------
    groups : tuple of (log low, log high, count)
        Distinct intervals with a width; ends may be infinite.
    exact : tuple of (log value, count)
        Distinct exact readings.
    count : int
        Specimens that say anything (an interval from 0 to infinity is left out).
    bounded_count : int
        Specimens with both ends, exact ones included: only these limit the scatter from above.
    is_open_above, is_open_below : bool
        No specimen has an upper (lower) end: the mean has none either.
    common_width : float or None
        When every reading can be true without any scatter: the width on the log scale of what
        they have in common (infinite for an open arm), or the distance from a single exact
        reading to the nearest end of the others. None when the readings prove scatter.
    has_equal_exact : bool
        Two or more equal exact readings and nothing against them: no scatter, no resolution.
    log_low, log_high : float
        Highest lower end and lowest upper end; low <= high when there is something in common.
    first_end, last_end : float
        Lowest and highest finite end.
    narrowest : float
        Smallest positive width or gap, the finest scale on which the likelihood can change.
    """

    groups: tuple[tuple[float, float, int], ...]
    exact: tuple[tuple[float, int], ...]
    count: int
    bounded_count: int
    is_open_above: bool
    is_open_below: bool
    common_width: float | None
    has_equal_exact: bool
    log_low: float
    log_high: float
    first_end: float
    last_end: float
    narrowest: float

    @property
    def is_open(self) -> bool:
        """True when the mean of the arm has one end at most."""
        return self.is_open_above or self.is_open_below

    @property
    def scatter_power(self) -> int:
        """Power of 1/sigma by which the likelihood falls when sigma grows; 0 for an open arm.

        With k readings that have both ends, the likelihood integrated over the mean falls like
        sigma^(1 - k). Readings with one end alone do not limit the scatter.
        """
        return 0 if self.is_open else self.bounded_count - 1

    @property
    def is_fine(self) -> bool:
        """True when every reading is exact, or fine beside the scatter that the readings prove."""
        limit = _FINE_WIDTH_SHARE * (self.log_low - self.log_high)
        return all(high - low <= limit for low, high, _ in self.groups)

    @property
    def middle(self) -> float | None:
        """Mean of the midpoints of the log intervals, or None when an end is missing."""
        if self.bounded_count < self.count:
            return None
        parts = [count * (low / 2 + high / 2) for low, high, count in self.groups]
        parts += [count * value for value, count in self.exact]
        return math.fsum(parts) / self.count

    @property
    def bounds(self) -> tuple[float, float]:
        """Bounds of the mean log value of these very specimens: mean of the low and high ends."""
        lows = [count * low for low, _, count in self.groups]
        highs = [count * high for _, high, count in self.groups]
        points = [count * value for value, count in self.exact]
        return sum(lows + points) / self.count, sum(highs + points) / self.count


def read_arm(intervals: Sequence[Interval]) -> Arm | None:
    """Group the intervals of one arm; None when no interval says anything.

    Parameters
    ----------
    intervals : sequence of Interval
        One per specimen, all in one unit.
    """
    counts = Counter(
        (interval.log_low, interval.log_high) for interval in intervals if not interval.says_nothing
    )
    if not counts:
        return None
    gap = max(low for low, _ in counts) - min(high for _, high in counts)
    exact: Counter[float] = Counter()
    groups: list[tuple[float, float, int]] = []
    for (low, high), count in sorted(counts.items()):
        if high == low or high - low <= _EXACT_WIDTH_SHARE * gap:
            exact[low / 2 + high / 2] += count
        else:
            groups.append((low, high, count))
    return _describe(tuple(groups), tuple(sorted(exact.items())))


def at_middles(arm: Arm) -> Arm | None:
    """Take every reading at the middle of its log interval.

    None when an end is missing somewhere, or when the middles are all the same and so show no
    scatter.
    """
    if arm.bounded_count < arm.count or arm.count < 2:
        return None
    exact: Counter[float] = Counter(dict(arm.exact))
    for low, high, count in arm.groups:
        exact[low / 2 + high / 2] += count
    if len(exact) < 2:
        return None
    return _describe((), tuple(sorted(exact.items())))


def _describe(
    groups: tuple[tuple[float, float, int], ...], exact: tuple[tuple[float, int], ...]
) -> Arm:
    values = [value for value, _ in exact]
    lows = [low for low, _, _ in groups] + values
    highs = [high for _, high, _ in groups] + values
    finite = sorted({end for end in lows + highs if math.isfinite(end)})
    log_low, log_high = max(lows), min(highs)
    bounded = sum(c for low, high, c in groups if math.isfinite(low) and math.isfinite(high))
    steps = [b - a for a, b in pairwise(finite)]
    return Arm(
        groups=groups,
        exact=exact,
        count=sum(c for *_, c in groups) + sum(c for _, c in exact),
        bounded_count=bounded + sum(c for _, c in exact),
        is_open_above=not exact and all(math.isinf(high) for high in highs),
        is_open_below=not exact and all(math.isinf(low) for low in lows),
        common_width=_common_width(log_low, log_high, exact, finite),
        # an exact reading that meets the only end of another shows as little scatter as two equal
        has_equal_exact=len(exact) == 1
        and log_low <= log_high
        and (exact[0][1] > 1 or (bool(groups) and finite == [exact[0][0]])),
        log_low=log_low,
        log_high=log_high,
        first_end=finite[0],
        last_end=finite[-1],
        narrowest=min(steps, default=0.0),
    )


def _common_width(
    log_low: float, log_high: float, exact: tuple[tuple[float, int], ...], finite: list[float]
) -> float | None:
    if len(exact) == 1 and log_low <= log_high:
        gaps = [abs(end - exact[0][0]) for end in finite if end != exact[0][0]]
        return min(gaps, default=0.0)
    if log_low < log_high:
        return log_high - log_low
    return None


@dataclass(frozen=True, slots=True)
class Moments:
    """Readings that enter the normal likelihood by sums alone: exact ones and fine intervals.

    Attributes
    ----------
    count, mean, squares : Array, shape (arms,)
        Count, mean of the midpoints and sum of squared deviations from it.
    width_squares, width_tilt, width_spread : Array, shape (arms,)
        Sums of the squared widths times the zeroth, first and second power of the deviation.
    """

    count: Array
    mean: Array
    squares: Array
    width_squares: Array
    width_tilt: Array
    width_spread: Array


@dataclass(frozen=True, slots=True)
class PackedArms:
    """Several arms in arrays, one row each, shorter rows padded with intervals that say nothing.

    Attributes
    ----------
    low, high, weight : Array, shape (arms, groups)
        Log ends and counts; padding has infinite ends and weight 0.
    exact, exact_weight : Array, shape (arms, values)
        Exact log values with counts, for a law without sufficient moments.
    moments : Moments
        The readings that a law with sufficient moments sums up; counts of 0 for other laws.
    is_normal : bool
        Sums stand for all readings, so that every mean is normal given its scatter.
    """

    arms: tuple[Arm, ...]
    low: Array
    high: Array
    weight: Array
    exact: Array
    exact_weight: Array
    moments: Moments
    is_normal: bool

    @classmethod
    def pack(cls, arms: Sequence[Arm], law: Law) -> PackedArms:
        """Lay the arms side by side for one law."""
        if law.has_sufficient_moments:
            sorted_out = [_sort_out(arm) for arm in arms]
        else:
            sorted_out = [(arm.groups, (), arm.exact) for arm in arms]
        coarse = [_snapped(parts[0], arm) for parts, arm in zip(sorted_out, arms, strict=True)]
        low, high, weight = _rectangle(coarse)
        exact, exact_weight = _points([parts[2] for parts in sorted_out])
        moments = np.array([_moments(parts[1]) for parts in sorted_out]).T
        return cls(
            tuple(arms),
            low,
            high,
            weight,
            exact,
            exact_weight,
            Moments(*moments),
            low.shape[1] == 0 and exact.shape[1] == 0,
        )


_Groups = tuple[tuple[float, float, int], ...]
_Values = tuple[tuple[float, int], ...]


def _sort_out(arm: Arm) -> tuple[_Groups, _Groups, _Values]:
    """Coarse groups, and (midpoint, width, count) of whatever sums can stand for."""
    limit = _FINE_WIDTH_SHARE * (arm.log_low - arm.log_high)
    fine = tuple(
        (low / 2 + high / 2, high - low, c) for low, high, c in arm.groups if high - low <= limit
    )
    coarse = tuple(group for group in arm.groups if group[1] - group[0] > limit)
    return coarse, fine + tuple((value, 0.0, c) for value, c in arm.exact), ()


def _snapped(groups: _Groups, arm: Arm) -> _Groups:
    if len(groups) <= _MOST_GROUPS:
        return groups
    step = (arm.last_end - arm.first_end) / _LATTICE_STEPS
    merged: Counter[tuple[float, float]] = Counter()
    for low, high, count in groups:
        shift = 0.0
        if math.isfinite(low) and math.isfinite(high):
            # The whole interval moves, so that a narrow one keeps its width.
            middle = low / 2 + high / 2
            shift = round((middle - arm.first_end) / step) * step + arm.first_end - middle
            half = max(round((high - low) / 2 / step) * step, min((high - low) / 2, step / 2))
            merged[(middle + shift - half, middle + shift + half)] += count
        else:
            end = low if math.isfinite(low) else high
            end = round((end - arm.first_end) / step) * step + arm.first_end
            merged[(end, high) if math.isfinite(low) else (low, end)] += count
    return tuple((low, high, count) for (low, high), count in sorted(merged.items()))


def _rectangle(rows: Sequence[_Groups]) -> tuple[Array, Array, Array]:
    width = max(len(row) for row in rows)
    low = np.full((len(rows), width), -np.inf)
    high = np.full((len(rows), width), np.inf)
    weight = np.zeros((len(rows), width))
    for place, row in enumerate(rows):
        if row:
            low[place, : len(row)], high[place, : len(row)], weight[place, : len(row)] = np.array(
                row, dtype=np.float64
            ).T
    return low, high, weight


def _points(rows: Sequence[_Values]) -> tuple[Array, Array]:
    width = max(len(row) for row in rows)
    exact, weight = np.zeros((len(rows), width)), np.zeros((len(rows), width))
    for place, row in enumerate(rows):
        if row:
            values, counts = np.array(row, dtype=np.float64).T
            # Padding repeats a value of the same arm, which keeps every intermediate finite.
            exact[place, :] = values[0]
            exact[place, : len(row)], weight[place, : len(row)] = values, counts
    return exact, weight


def _moments(parts: _Groups) -> tuple[float, float, float, float, float, float]:
    if not parts:
        return (0.0,) * 6
    middles, widths, counts = np.array(parts, dtype=np.float64).T
    total = float(np.sum(counts))
    mean = float(np.sum(counts * middles) / total)
    away = middles - mean
    squared = counts * widths**2
    return (
        total,
        mean,
        float(np.sum(counts * away**2)),
        float(np.sum(squared)),
        float(np.sum(squared * away)),
        float(np.sum(squared * away**2)),
    )
