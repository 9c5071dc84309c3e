"""How many specimens a side, before the first is broken, and what a cheaper plan could still see.

A comparison is resolved when its interval lies wholly on one side of 1, or wholly inside the
margin. With one scatter for both sides and exact readings the chance of the first has a closed
form, the noncentral t distribution [1]_; for the analysis as it is done (scatters alike but not
equal, coarse readings) it is simulated through `compare_many` itself.

References
----------
.. [1] J. Cohen, Statistical Power Analysis for the Behavioral Sciences, 2nd edition (1988),
       chapter 2; here on natural logs, where a loss is a difference.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import nctdtr, stdtrit

from reports.degradation.compare import compare_many
from reports.degradation.intervals import CannotCompare, Interval

MOST_SPECIMENS = 2000


@dataclass(frozen=True, slots=True)
class Plan:
    """What a number of specimens a side can be expected to show.

    Attributes
    ----------
    specimens_a_side : int
    chance : float
        Of an interval wholly below 1, when the loss is as given.
    loss : float
        Share of the property lost.
    scatter : float
        Standard deviation of specimen values on the natural-log scale.
    smallest_loss : float
        The loss that this number would show with a chance of `wanted`.
    wanted, level : float
    """

    specimens_a_side: int
    chance: float
    loss: float
    scatter: float
    smallest_loss: float
    wanted: float
    level: float


def log_scatter(coefficient_of_variation: float) -> float:
    """Standard deviation on the log scale of lognormal values with this coefficient of variation.

    Raises
    ------
    CannotCompare
        When it is not above 0.
    """
    if not (math.isfinite(coefficient_of_variation) and coefficient_of_variation > 0):
        raise CannotCompare("The scatter between specimens must be a number above 0.")
    return math.sqrt(math.log1p(coefficient_of_variation**2))


def chance_of_loss_seen(
    specimens_a_side: int, *, loss: float, scatter: float, level: float = 0.95
) -> float:
    """Chance that the interval lies wholly below 1: one scatter for both sides, exact readings.

    Parameters
    ----------
    specimens_a_side : int, 2 or more
    loss : float
        True loss as a share, between 0 and 1.
    scatter : float
        Standard deviation on the natural-log scale, above 0.
    level : float
        Of the two-sided interval.

    Returns
    -------
    float
        Between 0 and 1.

    Raises
    ------
    CannotCompare
        For an argument out of range.
    """
    _check(loss=loss, scatter=scatter, level=level)
    if specimens_a_side < 2:
        raise CannotCompare("Scatter needs at least 2 specimens a side.")
    freedom = 2 * specimens_a_side - 2
    shift = -math.log1p(-loss) / scatter * math.sqrt(specimens_a_side / 2)
    limit = float(stdtrit(freedom, (1 + level) / 2))
    if shift > 35:  # beyond this the noncentral t is 1 to double precision at any limit used here
        return 1.0
    return float(np.clip(1 - nctdtr(freedom, shift, limit), 0.0, 1.0))


def specimens_needed(
    *, loss: float, scatter: float, wanted: float = 0.8, level: float = 0.95
) -> Plan:
    """Fewest specimens a side that show the loss with the wanted chance.

    Raises
    ------
    CannotCompare
        For an argument out of range, or when more than `MOST_SPECIMENS` would be needed.
    """
    _check(loss=loss, scatter=scatter, level=level, wanted=wanted)
    low, high = 1, 2
    while chance_of_loss_seen(high, loss=loss, scatter=scatter, level=level) < wanted:
        low, high = high, 2 * high
        if low >= MOST_SPECIMENS:
            raise CannotCompare(
                f"More than {MOST_SPECIMENS} specimens a side would be needed to see a loss of "
                f"{loss:.1%} through this scatter."
            )
    while high - low > 1:
        middle = (low + high) // 2
        if chance_of_loss_seen(middle, loss=loss, scatter=scatter, level=level) < wanted:
            low = middle
        else:
            high = middle
    return plan_for(high, loss=loss, scatter=scatter, wanted=wanted, level=level)


def plan_for(
    specimens_a_side: int,
    *,
    loss: float,
    scatter: float,
    wanted: float = 0.8,
    level: float = 0.95,
) -> Plan:
    """What this number of specimens a side can be expected to show."""
    _check(loss=loss, scatter=scatter, level=level, wanted=wanted)
    low, high = 0.0, 1.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        seen = 0 < middle < 1 and (
            chance_of_loss_seen(specimens_a_side, loss=middle, scatter=scatter, level=level)
            >= wanted
        )
        low, high = (low, middle) if seen else (middle, high)
    return Plan(
        specimens_a_side=specimens_a_side,
        chance=chance_of_loss_seen(specimens_a_side, loss=loss, scatter=scatter, level=level),
        loss=loss,
        scatter=scatter,
        smallest_loss=high,
        wanted=wanted,
        level=level,
    )


def simulated_chance(  # noqa: PLR0913 one argument for each part of the question
    specimens_a_side: int,
    *,
    loss: float,
    scatter: float,
    rng: np.random.Generator,
    margin: float = 0.1,
    level: float = 0.95,
    resolution_share: float = 0.0,
    simulations: int = 400,
) -> float:
    """Chance of a resolved verdict through the analysis itself.

    Parameters
    ----------
    specimens_a_side : int, 2 or more
    loss, scatter, level, margin : float
        As in `chance_of_loss_seen` and `compare`.
    rng : numpy.random.Generator
        The same state gives the same answer.
    resolution_share : float
        Resolution of a reading as a share of the baseline value, 0 for exact readings.
    simulations : int
        The answer is good to about ``1 / sqrt(simulations)``.

    Raises
    ------
    CannotCompare
        For an argument out of range.
    """
    _check(loss=loss, scatter=scatter, level=level)
    if specimens_a_side < 2 or simulations < 1 or not 0 <= resolution_share < 1:
        raise CannotCompare("Needs 2 specimens a side, a simulation, and a resolution below 1.")
    e = rng.standard_normal((simulations, 2, specimens_a_side))
    values = np.exp(scatter * e + np.array([0.0, math.log1p(-loss)])[:, None])
    pairs = [
        tuple([_read(float(v), resolution_share) for v in arm] for arm in study) for study in values
    ]
    found = compare_many([(a, b) for a, b in pairs], margin=margin, level=level)
    return sum(c.verdict != "not resolved" for c in found) / simulations


def _read(value: float, resolution: float) -> Interval:
    if resolution == 0:
        return Interval(value, value)
    step = max(0.0, round(value / resolution) - 0.5) * resolution
    return Interval(step, step + resolution)


def _check(*, loss: float, scatter: float, level: float, wanted: float = 0.5) -> None:
    for name, value in (("loss", loss), ("level", level), ("wanted chance", wanted)):
        if not 0 < value < 1:
            raise CannotCompare(f"The {name} must lie between 0 and 1, not {value}.")
    if not (math.isfinite(scatter) and scatter > 0):
        raise CannotCompare("The scatter between specimens must be a number above 0.")
