"""Control charts of a method: is it still reading what it used to read?

Individuals with moving ranges, and the exponentially weighted moving average. A signal is named by
the rule that gave it, so that a technician knows what to look for.

References
----------
.. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.2 (individuals and moving
       range) and section 6.3.2.4 (exponentially weighted moving average).
.. [2] D. C. Montgomery, Introduction to Statistical Quality Control, sections 6.4 and 9.2:
       moving ranges; exact variance of the weighted average.
.. [3] Western Electric, Statistical Quality Control Handbook (1956): tests for unnatural patterns,
       one point beyond three sigma, two of three beyond two, eight on one side.
.. [4] L. H. C. Tippett, "On the extreme individuals and the range of samples taken from a normal
       population", Biometrika 17 (1925) 364-387: mean and variance of the range.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy import special

from reports.degradation.intervals import MOST_SIZE, CannotCompare, Interval, from_log

Side = Literal["above", "below"]

BEYOND_LIMIT = "one point beyond 3 s"
TWO_OF_THREE = "2 of 3 points beyond 2 s on one side"
EIGHT_ON_ONE_SIDE = "8 points in a row on one side"
RANGE_BEYOND = "jump from the point before beyond its limit"
AVERAGE_BEYOND = "weighted average beyond its limit"

# Two points give one moving range; with fewer than this the limits are drawn but called early.
POINTS_FOR_FIRM_LIMITS = 20
DEFAULT_WEIGHT = 0.2


@dataclass(frozen=True)
class Signal:
    """A point where the chart says that something has changed.

    Attributes
    ----------
    rule : str
        The rule that gave it.
    at : int
        Zero-based position of the point that completed the pattern.
    side : {"above", "below"}
    """

    rule: str
    at: int
    side: Side


@dataclass(frozen=True)
class IndividualsChart:
    """Single values against limits from their moving ranges.

    Attributes
    ----------
    values : tuple of float
        In the order of time.
    centre, lower, upper : float
        Mean of the base period and the limits around it, in the unit of the values.
    deviation : float
        Standard deviation by moving ranges, same unit, 0 or more.
    ranges : tuple of float
        Moving ranges, one fewer than the values for a span of two.
    range_centre, range_upper : float
        Mean moving range of the base period and its upper limit; the lower one is 0 here.
    base_count : int
        Number of first values that set the limits.
    signals : tuple of Signal
    notes : tuple of str
    """

    values: tuple[float, ...]
    centre: float
    lower: float
    upper: float
    deviation: float
    ranges: tuple[float, ...]
    range_centre: float
    range_upper: float
    base_count: int
    signals: tuple[Signal, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class WeightedAverageChart:
    """Exponentially weighted moving average against its exact limits.

    Attributes
    ----------
    averages : tuple of float
        One per value, in the unit of the values.
    centre : float
    lower, upper : tuple of float
        Limits at each value; they widen from the first one on.
    lower_in_the_long_run, upper_in_the_long_run : float
        What the limits tend to.
    weight : float
        Share of the newest value, above 0 and at most 1.
    signals : tuple of Signal
    """

    averages: tuple[float, ...]
    centre: float
    lower: tuple[float, ...]
    upper: tuple[float, ...]
    lower_in_the_long_run: float
    upper_in_the_long_run: float
    weight: float
    signals: tuple[Signal, ...]


@dataclass(frozen=True)
class ControlChart:
    """Control readings of one material, charted on the log scale.

    Attributes
    ----------
    individuals : IndividualsChart
        Of the natural logs of the readings.
    weighted_average : WeightedAverageChart
        Of the same.
    middles : tuple of float
        Geometric middle of each reading, in its unit.
    centre, lower, upper : float
        Centre and limits in the unit of the readings.
    signals : tuple of Signal
        Of both charts, in the order of time.
    notes : tuple of str
    """

    individuals: IndividualsChart
    weighted_average: WeightedAverageChart
    middles: tuple[float, ...]
    centre: float
    lower: float
    upper: float
    signals: tuple[Signal, ...]
    notes: tuple[str, ...]


@cache
def mean_range_factor(span: int) -> float:
    """Mean range of `span` >= 2 standard normal values, d2 [4]_.

    The integral over x of 1 - F(x)^n - (1 - F(x))^n; 2 / sqrt(pi) = 1.128 for two.
    """
    _check_span(span)
    x, step = np.linspace(-12, 12, 4801, retstep=True)
    below = special.ndtr(x)
    return float((1 - below**span - (1 - below) ** span).sum() * step)


@cache
def range_deviation_factor(span: int) -> float:
    """Standard deviation of the range of `span` >= 2 standard normal values, d3 [4]_.

    P(range <= r) is n times the integral over x of f(x) (F(x + r) - F(x))^(n - 1), and the mean square
    is the integral over r of 2 r P(range > r); sqrt(2 - 4 / pi) = 0.853 for two.
    """
    _check_span(span)
    nodes, weights = np.polynomial.legendre.leggauss(200)
    longest = 20.0
    r, share = (nodes + 1) * longest / 2, weights * longest / 2
    x, step = np.linspace(-12, 12, 1201, retstep=True)
    density = np.exp(-(x**2) / 2) / math.sqrt(2 * math.pi)
    between = special.ndtr(x + r[:, None]) - special.ndtr(x)
    at_most = span * (density * between ** (span - 1)).sum(axis=1) * step
    mean_square = float(share @ (2 * r * (1 - at_most)))
    return math.sqrt(mean_square - mean_range_factor(span) ** 2)


def individuals_chart(
    values: Sequence[float],
    *,
    base_count: int | None = None,
    span: int = 2,
    hidden_variance: float = 0.0,
) -> IndividualsChart:
    """Limits for single values from their moving ranges [1]_.

    Parameters
    ----------
    values : sequence of float
        In the order of time, finite, `span` or more.
    base_count : int, optional
        How many of the first values set the limits; all when not given. Limits set by values that
        are themselves out of control are too wide.
    span : int
        Values per moving range, 2 or more.
    hidden_variance : float
        Variance that the resolution of the readings can hide, 0 or more, in the unit of the values
        squared; added to that of the moving ranges, so that a run of equal readings does not give
        limits of no width.

    Returns
    -------
    IndividualsChart

    Raises
    ------
    CannotCompare
        Fewer values than a span, a value that is not a finite number, or options out of range.

    Notes
    -----
    Standard deviation s = mean moving range / d2(span); limits at the mean +- 3 s; the moving
    range's upper limit at its mean + 3 d3 s. Signals [3]_: one point beyond 3 s; 2 of 3 points in
    a row beyond 2 s on one side; 8 in a row on one side; a moving range beyond its limit.
    """
    _check_span(span)
    series = _checked_values(values, at_least=span, name="A control chart")
    base = series.size if base_count is None else base_count
    if not span <= base <= series.size:
        raise CannotCompare(
            f"The limits must be set by {span} to {series.size} of the values, not {base}."
        )
    if not (math.isfinite(hidden_variance) and hidden_variance >= 0):
        raise CannotCompare(f"The hidden variance must be 0 or more, not {hidden_variance}.")
    windows = np.lib.stride_tricks.sliding_window_view(series, span)
    ranges = windows.max(axis=1) - windows.min(axis=1)
    range_centre = float(ranges[: base - span + 1].mean())
    deviation = math.hypot(range_centre / mean_range_factor(span), math.sqrt(hidden_variance))
    centre = float(series[:base].mean())
    range_upper = range_centre + 3 * range_deviation_factor(span) * deviation
    signals = _pattern_signals(series, centre, deviation)
    for at in np.flatnonzero(ranges > range_upper + _slack(series)).tolist():
        last = at + span - 1
        side: Side = "above" if series[last] >= windows[at].mean() else "below"
        signals.append(Signal(RANGE_BEYOND, last, side))
    notes = []
    if base < POINTS_FOR_FIRM_LIMITS:
        notes.append(
            f"The limits rest on {base} values only; below {POINTS_FOR_FIRM_LIMITS} they are early."
        )
    if deviation == 0:
        notes.append("The base values are all the same, so the limits have no width.")
    return IndividualsChart(
        values=tuple(series.tolist()),
        centre=centre,
        lower=centre - 3 * deviation,
        upper=centre + 3 * deviation,
        deviation=deviation,
        ranges=tuple(ranges.tolist()),
        range_centre=range_centre,
        range_upper=range_upper,
        base_count=base,
        signals=_in_time(signals),
        notes=tuple(notes),
    )


def weighted_average_chart(
    values: Sequence[float],
    *,
    centre: float,
    deviation: float,
    weight: float = DEFAULT_WEIGHT,
    multiplier: float = 3.0,
) -> WeightedAverageChart:
    """Exponentially weighted moving average with its exact variance [1]_, [2]_.

    Parameters
    ----------
    values : sequence of float
        In the order of time, finite, one or more.
    centre, deviation : float
        Mean and standard deviation while in control; the average starts at `centre`.
    weight : float
        Share of the newest value, above 0 and at most 1. Small weights see small lasting shifts.
    multiplier : float
        Limits in standard deviations of the average, above 0.

    Returns
    -------
    WeightedAverageChart

    Raises
    ------
    CannotCompare
        No value, a value that is not a finite number, or options out of range.

    Notes
    -----
    z_t = w y_t + (1 - w) z_(t-1) with z_0 the centre, and
    var z_t = s^2 w / (2 - w) (1 - (1 - w)^(2 t)).
    """
    series = _checked_values(values, at_least=1, name="A weighted average")
    if not (math.isfinite(centre) and math.isfinite(deviation) and deviation >= 0):
        raise CannotCompare(
            "The centre must be a finite number and the standard deviation 0 or more, "
            f"not {centre} and {deviation}."
        )
    if not 0 < weight <= 1:
        raise CannotCompare(
            f"The weight of the newest value must be above 0 and at most 1, not {weight}."
        )
    if not (math.isfinite(multiplier) and multiplier > 0):
        raise CannotCompare(f"The multiplier of the limits must be above 0, not {multiplier}.")
    averages = np.empty(series.size)
    average = centre
    for at, value in enumerate(series):
        average = weight * value + (1 - weight) * average
        averages[at] = average
    turns = np.arange(1, series.size + 1)
    in_the_long_run = multiplier * deviation * math.sqrt(weight / (2 - weight))
    reach = in_the_long_run * np.sqrt(1 - (1 - weight) ** (2 * turns))
    slack = _slack(series)
    signals = [
        Signal(AVERAGE_BEYOND, at, "above" if averages[at] > centre else "below")
        for at in np.flatnonzero(np.abs(averages - centre) > reach + slack).tolist()
    ]
    return WeightedAverageChart(
        averages=tuple(averages.tolist()),
        centre=centre,
        lower=tuple((centre - reach).tolist()),
        upper=tuple((centre + reach).tolist()),
        lower_in_the_long_run=centre - in_the_long_run,
        upper_in_the_long_run=centre + in_the_long_run,
        weight=weight,
        signals=tuple(signals),
    )


def control_chart(
    readings: Sequence[Interval],
    *,
    base_count: int | None = None,
    weight: float = DEFAULT_WEIGHT,
) -> ControlChart:
    """Chart control readings of one material on the log scale.

    Parameters
    ----------
    readings : sequence of Interval
        In the order of time, two or more, each with both ends; one unit.
    base_count : int, optional
        How many of the first readings set the limits; all when not given.
    weight : float
        Share of the newest reading in the weighted average.

    Returns
    -------
    ControlChart

    Raises
    ------
    CannotCompare
        Too few readings, or one with an open end: a control run that was stopped early does not
        say where it would have read.

    Notes
    -----
    Each reading stands at the middle of its log ends. The mean of (ln high - ln low)^2 / 12 over the
    base readings is taken as variance that the reading steps can hide.
    """
    for at, one in enumerate(readings, 1):
        if one.low == 0 or math.isinf(one.high):
            raise CannotCompare(
                f"Control reading {at} has no {'lower' if one.low == 0 else 'upper'} end, so it "
                "cannot be charted."
            )
    low = np.array([one.log_low for one in readings], dtype=float)
    high = np.array([one.log_high for one in readings], dtype=float)
    base = low.size if base_count is None else max(0, base_count)
    hidden = float(((high - low)[:base] ** 2).mean() / 12) if low[:base].size else 0.0
    middles = ((low + high) / 2).tolist()
    individuals = individuals_chart(middles, base_count=base_count, hidden_variance=hidden)
    average = weighted_average_chart(
        middles, centre=individuals.centre, deviation=individuals.deviation, weight=weight
    )
    return ControlChart(
        individuals=individuals,
        weighted_average=average,
        middles=tuple(math.exp(middle) for middle in middles),
        centre=math.exp(individuals.centre),
        lower=from_log(individuals.lower),
        upper=from_log(individuals.upper),
        signals=_in_time([*individuals.signals, *average.signals]),
        notes=individuals.notes,
    )


def _check_span(span: int) -> None:
    if span < 2:
        raise CannotCompare(f"A moving range spans at least 2 values, not {span}.")


def _checked_values(
    values: Sequence[float], *, at_least: int, name: str
) -> npt.NDArray[np.float64]:
    series = np.array(values, dtype=float)
    if series.size < at_least:
        raise CannotCompare(f"{name} needs at least {at_least} values; there are {series.size}.")
    if not (np.abs(series) <= MOST_SIZE).all():
        raise CannotCompare(f"{name} needs finite numbers only, none too large to be squared.")
    return series


def _slack(series: npt.NDArray[np.float64]) -> float:
    """Rounding allowance, so that equal values never stand beyond limits of no width."""
    return 1e-12 * float(np.abs(series).max())


def _in_time(signals: Sequence[Signal]) -> tuple[Signal, ...]:
    return tuple(sorted(signals, key=lambda signal: (signal.at, signal.rule)))


def _pattern_signals(
    series: npt.NDArray[np.float64], centre: float, deviation: float
) -> list[Signal]:
    """Points and runs of [3]; a point belongs to a pattern that it completes."""
    slack = _slack(series)
    signals: list[Signal] = []
    sides: tuple[tuple[Side, int], ...] = (("above", 1), ("below", -1))
    for side, sign in sides:
        distance = sign * (series - centre)
        beyond_three = distance > 3 * deviation + slack
        beyond_two = distance > 2 * deviation + slack
        on_side = distance > slack
        for at in range(series.size):
            if beyond_three[at]:
                signals.append(Signal(BEYOND_LIMIT, at, side))
            if beyond_two[at] and beyond_two[max(0, at - 2) : at + 1].sum() >= 2:
                signals.append(Signal(TWO_OF_THREE, at, side))
            if at >= 7 and on_side[at - 7 : at + 1].all():
                signals.append(Signal(EIGHT_ON_ONE_SIDE, at, side))
    return signals
