"""How many specimens a side, before the first is broken, and what a cheaper plan could still see.

A comparison is resolved when its interval lies wholly on one side of 1, or wholly inside the
margin. With one scatter for both sides and exact readings the chance of the first has a closed
form, the noncentral t distribution [1]_; for the analysis as it is done (scatters alike but not
equal, coarse readings) it is simulated through `compare_many` itself.

A scatter learnt from few specimens is itself uncertain: with its degrees of freedom given, the
chance is the mean over what the scatter may be, a scaled inverse chi-square [2]_, and not the
chance at the best guess, which promises too much.

References
----------
.. [1] J. Cohen, Statistical Power Analysis for the Behavioral Sciences, 2nd edition (1988),
       chapter 2; here on natural logs, where a loss is a difference.
.. [2] A. O'Hagan, J. Stevens and M. Campbell, Assurance in clinical trial design, Pharmaceutical
       Statistics 4 (2005) 187-201; from memory.
.. [3] W. Dupont and W. Plummer, Power and sample size calculations for studies involving linear
       regression, Controlled Clinical Trials 19 (1998) 589-601; from memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypedDict

import numpy as np
from scipy.special import chdtri, nctdtr, stdtrit

from reports.degradation.compare import compare_many
from reports.degradation.intervals import (
    LEAST_FREEDOM,
    LEAST_VARIANCE,
    MOST_FREEDOM,
    MOST_VARIANCE,
    CannotCompare,
    Interval,
)

MOST_SPECIMENS = 2000
# nodes in probability for the mean over what the scatter may be
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(64)
_CHANCES, _WEIGHTS = (1 + _NODES) / 2, _WEIGHTS / 2
CERTAIN = 35.0  # beyond this shift the noncentral t is 1 to double precision at any limit used here


class _Terms(TypedDict):
    scatter: float
    level: float
    freedom: float | None


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
    if coefficient_of_variation > 1e6:  # its square might not fit, and the 1 no longer counts
        return math.sqrt(2 * math.log(coefficient_of_variation))
    return math.sqrt(math.log1p(coefficient_of_variation**2))


def with_resolution(scatter: float, log_width: float, readings_each: int = 1) -> float:
    """Scatter of specimen values read to a resolution: rounding adds a twelfth of its square.

    Parameters
    ----------
    scatter : float
        Of exact specimen values, on the natural-log scale.
    log_width : float
        ``ln(high / low)`` of a reading, 0 for exact ones. Good while it is below about twice the
        scatter; coarser readings are to be simulated.
    readings_each : int
        Readings a specimen's value is the mean of.

    References
    ----------
    W. F. Sheppard (1898), the correction of moments for grouping.
    """
    return math.hypot(scatter, log_width / math.sqrt(12 * max(1, readings_each)))


def _mean_chance(
    shift: float, freedom_of_test: float, level: float, freedom: float | None
) -> float:
    """Chance to pass the upper limit of t, at one scatter or over what the scatter may be."""
    limit = float(stdtrit(freedom_of_test, (1 + level) / 2))
    if freedom is None:
        shifts, weights = np.array([shift]), np.array([1.0])
    else:
        if not LEAST_FREEDOM <= freedom <= MOST_FREEDOM:
            raise CannotCompare(
                f"The degrees of freedom must lie between {LEAST_FREEDOM:g} and {MOST_FREEDOM:g}."
            )
        # sigma = s * sqrt(nu / chi-square): the shift goes the other way
        shifts, weights = shift * np.sqrt(chdtri(freedom, _CHANCES) / freedom), _WEIGHTS
    sure = shifts > CERTAIN
    passed = np.where(sure, 1.0, 1 - nctdtr(freedom_of_test, np.where(sure, 0.0, shifts), limit))
    return float(np.clip(np.sum(weights * passed), 0.0, 1.0))


def chance_of_trend_seen(
    exposures: Sequence[float],
    *,
    loss: float,
    scatter: float,
    level: float = 0.95,
    freedom: float | None = None,
) -> float:
    """Chance that a straight line in the log over exposure is seen to fall [3]_.

    Parameters
    ----------
    exposures : sequence of float
        One for each specimen, 3 or more of them, not all the same.
    loss : float
        True loss between the lowest and the highest exposure, as a share.
    scatter, level, freedom
        As in `chance_of_loss_seen`.

    Raises
    ------
    CannotCompare
        For an argument out of range.
    """
    _check(loss=loss, scatter=scatter, level=level)
    x = np.asarray(exposures, dtype=float)
    span = float(np.ptp(x)) if x.size else 0.0
    if x.size < 3 or not math.isfinite(span) or span == 0:
        raise CannotCompare("A trend needs 3 specimens or more, of different exposures.")
    share = (x - x.min()) / span
    spread = math.sqrt(float(np.sum((share - share.mean()) ** 2)))
    shift = -math.log1p(-loss) * spread / scatter
    return _mean_chance(shift, x.size - 2, level, freedom)


def chance_of_loss_seen(
    specimens_a_side: int,
    *,
    loss: float,
    scatter: float,
    level: float = 0.95,
    freedom: float | None = None,
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
    freedom : float, optional
        Degrees of freedom that the scatter is known with; None takes it as certain.

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
    shift = -math.log1p(-loss) / scatter * math.sqrt(specimens_a_side / 2)
    return _mean_chance(shift, 2 * specimens_a_side - 2, level, freedom)


def specimens_needed(
    *,
    loss: float,
    scatter: float,
    wanted: float = 0.8,
    level: float = 0.95,
    freedom: float | None = None,
) -> Plan:
    """Fewest specimens a side that show the loss with the wanted chance.

    Raises
    ------
    CannotCompare
        For an argument out of range, or when more than `MOST_SPECIMENS` would be needed.
    """
    _check(loss=loss, scatter=scatter, level=level, wanted=wanted)
    terms: _Terms = {"scatter": scatter, "level": level, "freedom": freedom}
    low, high = 1, 2
    while chance_of_loss_seen(high, loss=loss, **terms) < wanted:
        low, high = high, 2 * high
        if low >= MOST_SPECIMENS:
            raise CannotCompare(
                f"More than {MOST_SPECIMENS} specimens a side would be needed to see a loss of "
                f"{loss:.1%} through this scatter."
            )
    while high - low > 1:
        middle = (low + high) // 2
        if chance_of_loss_seen(middle, loss=loss, **terms) < wanted:
            low = middle
        else:
            high = middle
    return plan_for(high, loss=loss, wanted=wanted, **terms)


def plan_for(
    specimens_a_side: int,
    *,
    loss: float,
    scatter: float,
    wanted: float = 0.8,
    level: float = 0.95,
    freedom: float | None = None,
) -> Plan:
    """What this number of specimens a side can be expected to show."""
    _check(loss=loss, scatter=scatter, level=level, wanted=wanted)
    terms: _Terms = {"scatter": scatter, "level": level, "freedom": freedom}
    low, high = 0.0, 1.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        seen = 0 < middle < 1 and (
            chance_of_loss_seen(specimens_a_side, loss=middle, **terms) >= wanted
        )
        low, high = (low, middle) if seen else (middle, high)
    return Plan(
        specimens_a_side=specimens_a_side,
        chance=chance_of_loss_seen(specimens_a_side, loss=loss, **terms),
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
    freedom: float | None = None,
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
    freedom : float, optional
        Degrees of freedom that the scatter is known with: each simulation then draws its own.
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
    sigma = np.full((simulations, 1, 1), float(scatter))
    if freedom is not None:
        drawn = np.maximum(rng.chisquare(freedom, (simulations, 1, 1)), 1e-300)
        sigma *= np.sqrt(freedom / drawn)
    # no value beyond e^300 either way: nothing is seen through such a scatter, and it fits a float
    logs = np.clip(sigma * e + np.array([0.0, math.log1p(-loss)])[:, None], -300.0, 300.0)
    values = np.exp(logs)
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
    if not math.sqrt(LEAST_VARIANCE) <= scatter <= math.sqrt(MOST_VARIANCE):
        raise CannotCompare(
            "The scatter between specimens must be a number above 0, and one a bench can have."
        )
