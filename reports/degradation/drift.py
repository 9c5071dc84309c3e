"""Correction of readings by the control runs before and after them.

A machine that drifts (a belt that wears, a plate that cools) reads a stable control material
differently through the day. Each reading is multiplied by ``reference / control``, where the
control's log reading is interpolated in time between the runs before and after. The error of a
control run enters every reading near it, so what two arms share of it cancels in their ratio:
arms that took turns lose almost nothing, arms measured one after the other pay in full.

References
----------
.. [1] JCGM 100:2008, 5.1.2 and G.4.1: propagation of variance through a linear function and
       effective degrees of freedom of a sum of squares (Welch-Satterthwaite).
.. [2] J. von Neumann et al., "The mean square successive difference", Annals of Mathematical
       Statistics 12 (1941) 153-162: scatter judged apart from a slow drift.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.special import stdtrit

from reports.degradation.intervals import CannotCompare, Interval, from_log

LONGEST_GAP_S = 12 * 3600.0  # a control run speaks for its own working day


@dataclass(frozen=True)
class ControlPoint:
    """A control run.

    Attributes
    ----------
    at_s : float
        Time, s, on any clock that the readings share.
    reading : Interval
        In the unit of the method, with both ends.
    group : str
        What must be the same for it to speak for a reading: the belt, the session.
    """

    at_s: float
    reading: Interval
    group: str = ""

    @property
    def log_middle(self) -> float:
        """Middle of the log ends."""
        return (self.reading.log_low + self.reading.log_high) / 2


@dataclass(frozen=True)
class Factor:
    """What a reading at one time is multiplied by.

    Attributes
    ----------
    value : float
        Reference over interpolated control, above 0.
    before, after : int
        Positions of the two control runs.
    weight_after : float
        Share of the later one in the interpolation, 0 to 1.
    """

    value: float
    before: int
    after: int
    weight_after: float


@dataclass(frozen=True)
class ControlScatter:
    """Scatter of single control runs about a smooth drift, on the natural-log scale.

    Attributes
    ----------
    variance : float
        0 or more; at least what the steps of the readings leave open.
    degrees_of_freedom : float
        Above 0.
    """

    variance: float
    degrees_of_freedom: float


def check_controls(controls: Sequence[ControlPoint]) -> tuple[ControlPoint, ...]:
    """Return the control runs in the order of time.

    Raises
    ------
    CannotCompare
        When one has an open end, or two of a group have the same time.
    """
    ordered = tuple(sorted(controls, key=lambda point: point.at_s))
    for point in ordered:
        if point.reading.low == 0 or math.isinf(point.reading.high):
            raise CannotCompare(
                "A control run was stopped before it ended or saw nothing, so it cannot correct "
                "a reading."
            )
    places = [(point.group, point.at_s) for point in ordered]
    if len(set(places)) != len(places):
        raise CannotCompare("Two control runs have the same time.")
    return ordered


def reference_of(controls: Sequence[ControlPoint]) -> float:
    """Return the geometric mean of the control runs, the level that corrections turn to."""
    return math.exp(math.fsum(point.log_middle for point in controls) / len(controls))


def factor_at(
    controls: Sequence[ControlPoint],
    at_s: float,
    *,
    reference: float,
    group: str = "",
    drift_limit: float | None = None,
) -> Factor:
    """Return the factor for a reading.

    Parameters
    ----------
    controls : sequence of ControlPoint
        In the order of time, as `check_controls` returns them.
    at_s : float
        When the reading was taken, s.
    reference : float
        What the control material should read, in the unit of the method, above 0.
    group : str
        Only control runs of this group count.
    drift_limit : float, optional
        Largest share by which the later control run may differ from the earlier, above 0.

    Raises
    ------
    CannotCompare
        When no control run of the group lies within twelve hours before and after the reading, or
        when the control drifted past its limit between them.
    """
    mine = [i for i, point in enumerate(controls) if point.group == group]
    before = [i for i in mine if 0 <= at_s - controls[i].at_s <= LONGEST_GAP_S]
    after = [i for i in mine if 0 <= controls[i].at_s - at_s <= LONGEST_GAP_S]
    if not before or not after:
        missing = "before" if not before else "after"
        raise CannotCompare(
            f"A reading has no control run {missing} it on the same day and the same piece, so "
            "the machine's drift cannot be taken out."
        )
    first, last = before[-1], after[0]
    start, end = controls[first], controls[last]
    change = end.log_middle - start.log_middle
    if drift_limit is not None and abs(change) > math.log1p(drift_limit):
        raise CannotCompare(
            f"The control went from {math.exp(start.log_middle):.3g} to "
            f"{math.exp(end.log_middle):.3g} around a reading: more than the "
            f"{100 * drift_limit:.3g} % that the method allows, so the reading is not corrected."
        )
    span_s = end.at_s - start.at_s
    weight_after = (at_s - start.at_s) / span_s if span_s > 0 else 0.0
    return Factor(
        value=reference / math.exp(start.log_middle + weight_after * change),
        before=first,
        after=last,
        weight_after=weight_after,
    )


def control_scatter(controls: Sequence[ControlPoint]) -> ControlScatter:
    """Judge the scatter of control runs apart from a smooth drift.

    Each run with a neighbour on both sides, in its group and within twelve hours, is held against
    the straight line between the two; where no run has both, neighbours are held against each
    other, which counts the drift as scatter.

    Raises
    ------
    CannotCompare
        When no two control runs are neighbours.
    """
    contrasts = _contrasts(controls)
    values = np.array([point.log_middle for point in controls])
    form = contrasts.T @ contrasts
    trace = float(np.trace(form))
    # Squaring the contrasts themselves: values @ form @ values would lose half the digits.
    seen = float(np.sum((contrasts @ values) ** 2)) / trace
    freedom = trace**2 / float(np.trace(form @ form))
    steps = [(p.reading.log_high - p.reading.log_low) ** 2 / 12 for p in controls]
    return ControlScatter(max(seen, math.fsum(steps) / len(steps)), freedom)


def _contrasts(controls: Sequence[ControlPoint]) -> npt.NDArray[np.float64]:
    """Rows of weights that a smooth drift leaves at zero, each scaled to the variance of one run."""
    threes: list[npt.NDArray[np.float64]] = []
    twos: list[npt.NDArray[np.float64]] = []
    for group in sorted({point.group for point in controls}):
        mine = [i for i, point in enumerate(controls) if point.group == group]
        for left, right in pairwise(mine):
            if controls[right].at_s - controls[left].at_s <= LONGEST_GAP_S:
                row = np.zeros(len(controls))
                row[left], row[right] = -1.0, 1.0
                twos.append(row / math.sqrt(2.0))
        for left, middle, right in zip(mine, mine[1:], mine[2:], strict=False):
            span_s = controls[right].at_s - controls[left].at_s
            if span_s <= LONGEST_GAP_S:
                share = (controls[middle].at_s - controls[left].at_s) / span_s
                row = np.zeros(len(controls))
                row[left], row[middle], row[right] = -(1 - share), 1.0, -share
                threes.append(row / float(np.linalg.norm(row)))
    rows = threes or twos
    if not rows:
        raise CannotCompare(
            "No two control runs of one day and piece, so their scatter cannot be judged."
        )
    return np.vstack(rows)


def mean_weights(
    specimens: Sequence[Sequence[Factor]], control_count: int
) -> npt.NDArray[np.float64]:
    """Return how much each control run weighs in the mean log value of an arm; sums to 1."""
    total = np.zeros(control_count)
    for factors in specimens:
        for factor in factors:
            share = 1.0 / (len(specimens) * len(factors))
            total[factor.before] += share * (1 - factor.weight_after)
            total[factor.after] += share * factor.weight_after
    return total


def ratio_variance(
    one: npt.NDArray[np.float64], other: npt.NDArray[np.float64], scatter: ControlScatter
) -> float:
    """Variance that the control runs add to the log ratio of two arms; what they share cancels."""
    return scatter.variance * float(np.sum((one - other) ** 2))


def widened(
    low: float | None,
    middle: float,
    high: float | None,
    *,
    variance: float,
    degrees_of_freedom: float,
    level: float,
) -> tuple[float | None, float | None]:
    """Widen an interval of a ratio by an independent error of its logarithm.

    Half widths are added in squares on the log scale, each side by itself. An open end (None)
    stays open, and one that would be moved beyond every number is open from then on.

    Parameters
    ----------
    low, middle, high : float
        The interval and its point, above 0.
    variance : float
        Of the added error, on the natural-log scale, 0 or more.
    degrees_of_freedom : float
        Behind that variance, above 0.
    level : float
        Of the interval, 0 to 1.
    """
    reach = float(stdtrit(degrees_of_freedom, 0.5 + level / 2)) * math.sqrt(variance)

    def moved(end: float | None) -> float | None:
        if end is None or end <= 0:
            return end
        # in logs throughout: the ratio of two far ends may not fit in a float
        half = math.hypot(math.log(end) - math.log(middle), reach)
        moved_end = from_log(math.log(middle) + (half if end >= middle else -half))
        return moved_end if math.isfinite(moved_end) else None

    return moved(low), moved(high)
