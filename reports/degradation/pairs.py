"""Matched pairs: the mean of the within-pair log ratios, each pair an interval.

One owner's left and right, or one item before and after a treatment. What a pair shares cancels
in its ratio; the pair is the unit. The model is one-sample: ``ln(other / baseline) = mu + sigma e``
with e standard normal and a flat prior on mu and ln sigma, so that exact readings give the paired
t interval on the log scale. Pairs whose readings have two ends enter as the interval of ratios
that the two leave open. A record of the scatter of single values multiplies the prior with twice
its variance; with one pair it speaks alone, and the answer is for these items.

References
----------
.. [1] A. Gelman et al., Bayesian Data Analysis, 3rd edition (2013), section 3.2: the flat prior
       and Student's t.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.special import stdtrit

from reports.degradation.arms import Arm, PackedArms, at_middles, read_arm
from reports.degradation.compare import (
    NOTE_STEPS_BOUND,
    THIS_MODEL,
    Comparison,
    compare,
    verdict_of,
)
from reports.degradation.intervals import CannotCompare, Interval, Record, from_log
from reports.degradation.laws import LAWS, Array
from reports.degradation.likelihood import (
    conditional_modes,
    log_likelihood,
    record_ceiling,
    record_term,
)

LEAST_PAIRS = 2
LEAST_BOUNDED = 2
PAIRED = "paired"
FLOOR_SHARE = 0.1

_LAW = LAWS["lognormal"]
_NODES = 36
_POINTS = 181
_LOG_CUT = 17.0
_REACH = 12.0
_MOST_LOG = 700.0  # ratios beyond e to this power are no numbers


@dataclass(frozen=True, slots=True)
class _Posterior:
    """Mean given each scatter node on a grid of its own, and the nodes' weights."""

    first: Array
    step: Array
    chance: CubicSpline
    total: Array
    share: Array


def paired(
    pairs: Sequence[tuple[Interval, Interval]],
    *,
    higher_is_better: bool = True,
    margin: float = 0.1,
    level: float = 0.95,
    record: Record | None = None,
) -> Comparison:
    """Compare the two sides of matched pairs.

    Parameters
    ----------
    pairs : sequence of (baseline, other)
        One value of each side of a pair, in one unit.
    higher_is_better : bool
    margin, level : float
        Between 0 and 1.
    record : Record or None
        Scatter of single values that the method has shown before; the log ratio of a pair has
        twice its variance.

    Returns
    -------
    Comparison
        With `scale` "paired" and both counts the number of pairs that say anything; one pair with
        a record has `scale` "record" and speaks for these items. Without a record `refusal` is
        set, and nothing is claimed, with fewer than two such pairs, with fewer than two that have
        both ends, or when exact pairs agree to the last digit.

    Raises
    ------
    CannotCompare
        A margin or level out of range, no pair, or sides whose ratio is no number.
    """
    if not 0 < level < 1 or not 0 < margin < 1:
        raise CannotCompare("Level and margin must lie between 0 and 1.")
    if not pairs:
        raise CannotCompare("There is no pair to compare.")
    telling = [(pair, r) for pair in pairs if (r := _ratio(*pair)) is not None]
    arm = read_arm([r for _, r in telling])
    count = arm.count if arm else 0
    left_out = (
        ()
        if count == len(pairs)
        else (f"Pairs whose readings say nothing were left out: {len(pairs) - count}.",)
    )
    if record is not None and len(telling) == 1:
        (((baseline, other), _),) = telling
        found_one = compare(
            [baseline],
            [other],
            higher_is_better=higher_is_better,
            margin=margin,
            level=level,
            record=record,
        )
        return replace(found_one, notes=(*found_one.notes, *left_out))
    prior = Record(2 * record.variance, record.degrees_of_freedom) if record else None
    refusal = _refusal(arm, prior)
    found: tuple[float, float, float] | None = None
    notes: tuple[str, ...] = ()
    if not refusal and arm is not None:
        tail = (1 - level) / 2
        found = _quantiles(arm, (tail, 0.5, 1 - tail), prior)
        if found is None:
            refusal = (
                "All pairs show exactly the same ratio and carry no resolution, so their scatter "
                "cannot be known. Enter the resolution of the readings."
            )
        else:
            found, notes = _widened(arm, found, tail, prior)
    if found is not None and not higher_is_better:
        found = (-found[2], -found[1], -found[0])
    low, middle, high = found or (-math.inf, 0.0, math.inf)
    ends = from_log(low), from_log(high)
    return Comparison(
        retention=from_log(middle)
        if found
        else _plain_ratio(arm, higher_is_better=higher_is_better),
        low=ends[0],
        high=ends[1],
        verdict=verdict_of(*ends, margin) if found else "not resolved",
        smallest_visible_loss=-math.expm1(min(0.0, middle - high)) if found else None,
        refusal=refusal,
        scope=THIS_MODEL,
        scale=PAIRED,
        level=level,
        margin=margin,
        n_baseline=count,
        n_other=count,
        distribution=_LAW.name,
        notes=(*notes, *left_out),
    )


def _widened(
    arm: Arm, found: tuple[float, float, float], tail: float, prior: Record | None
) -> tuple[tuple[float, float, float], tuple[str, ...]]:
    """Span what the steps leave undecided, and what sharper readings would have left.

    As for two arms: where all pairs can be true without any scatter, the readings do not prefer one
    ratio to another inside what they have in common; and coarse readings never narrow a result
    below that of the same readings taken at their middles.
    """
    low, middle, high = found
    notes: tuple[str, ...] = ()
    middles = None if arm.is_fine else at_middles(arm)
    if middles is not None:
        sharp = _student(middles, (tail, 0.5, 1 - tail), prior)
        if sharp is not None:
            low, high = min(low, sharp[0]), max(high, sharp[2])
    if arm.common_width is not None and arm.log_low < arm.log_high:
        if arm.log_low <= low and arm.log_high >= high:
            notes = (NOTE_STEPS_BOUND,)
        low, high = min(low, arm.log_low), max(high, arm.log_high)
    return (low, middle, high), notes


def _ratio(baseline: Interval, other: Interval) -> Interval | None:
    """What a pair leaves open of other / baseline; None when that is everything."""
    log_low, log_high = other.log_low - baseline.log_high, other.log_high - baseline.log_low
    if log_low > _MOST_LOG or log_high < -_MOST_LOG:
        raise CannotCompare("The two sides of a pair are too far apart in size to form a ratio.")
    low = math.exp(log_low)
    high = math.exp(log_high) if log_high < _MOST_LOG else math.inf
    if low == 0 and math.isinf(high):
        return None
    return Interval(min(low, high), high)


def _refusal(arm: Arm | None, prior: Record | None) -> str:
    if arm is None or arm.count < LEAST_PAIRS:
        return "One pair shows no scatter: at least two pairs are needed."
    if arm.bounded_count < (LEAST_BOUNDED if prior is None else 1):
        return "Too few pairs have both ends to place their mean."
    return ""


def _plain_ratio(arm: Arm | None, *, higher_is_better: bool) -> float | None:
    if arm is None or arm.middle is None:
        return None
    return from_log(arm.middle if higher_is_better else -arm.middle)


def _quantiles(
    arm: Arm, wanted: tuple[float, float, float], prior: Record | None
) -> tuple[float, float, float] | None:
    if not arm.groups:
        return _student(arm, wanted, prior)
    posterior = _integrate(arm, prior)
    low, middle, high = (_invert(posterior, p) for p in wanted)
    return low, middle, high


def _student(
    arm: Arm, wanted: tuple[float, float, float], prior: Record | None
) -> tuple[float, float, float] | None:
    """Exact pairs: degrees of freedom and sums of squares of the pairs and of the record add up."""
    values, counts = np.array(arm.exact, dtype=np.float64).T
    total = float(np.sum(counts))
    mean = float(np.sum(counts * values) / total)
    squares = float(np.sum(counts * (values - mean) ** 2))
    freedom = total - 1
    if prior is not None:
        freedom += prior.degrees_of_freedom
        squares += prior.degrees_of_freedom * prior.variance
    if squares == 0:
        return None
    error = math.sqrt(squares / freedom / total)
    low, middle, high = (float(mean + error * stdtrit(freedom, p)) for p in wanted)
    return low, middle, high


def _integrate(arm: Arm, prior: Record | None) -> _Posterior:
    low, high = _scatter_limits(arm, prior)
    for _ in range(6):
        nodes = np.linspace(low, high, _NODES)
        weight = _log_mass(arm, nodes)[0] + record_term(prior, nodes)
        carries = np.flatnonzero(weight > np.max(weight) - _LOG_CUT)
        step = nodes[1] - nodes[0]
        if carries.size >= 2 * _NODES // 3:
            break
        low, high = max(low, nodes[carries[0]] - step), min(high, nodes[carries[-1]] + step)
    weight, first, step_mean, chance, total = _log_mass(arm, nodes)
    weight = weight + record_term(prior, nodes)
    share = np.exp(weight - np.max(weight))
    share[[0, -1]] *= 0.5
    return _Posterior(first, step_mean, chance, total, share / np.sum(share))


def _scatter_limits(arm: Arm, prior: Record | None) -> tuple[float, float]:
    span = max(arm.last_end - arm.first_end, 1e-9)
    # with k bounded pairs the likelihood falls like sigma^(1 - k)
    high = math.log(span) + 3.0 + (_LOG_CUT + 1.0) / max(arm.scatter_power, 1)
    if prior is not None:
        high = max(high, record_ceiling(prior))
    if arm.common_width is not None:
        low = math.log(FLOOR_SHARE * max(arm.common_width, 1e-9 * span))
    else:
        low = math.log(max((arm.log_low - arm.log_high) / 16, 1e-7 * arm.narrowest, 1e-290))
    return low, max(high, low + 1.0)


def _log_mass(arm: Arm, nodes: Array) -> tuple[Array, Array, Array, CubicSpline, Array]:
    packed = PackedArms.pack([arm], _LAW)
    scatter = np.exp(nodes)[None, :]
    mode, width, _ = conditional_modes(packed, scatter, _LAW)
    # a flat stretch of the likelihood is as wide as what the pairs have in common
    flat = max(arm.log_high - arm.log_low, 0.0)
    reach = _REACH * width[0] + flat
    place = np.linspace(-1.0, 1.0, _POINTS)
    mean = mode[0][:, None] + reach[:, None] * place
    height = log_likelihood(packed, mean[None], scatter, _LAW)[0]
    top = np.max(height, axis=1)
    density = np.exp(height - top[:, None])
    chance = CubicSpline(np.arange(_POINTS), density, axis=1).antiderivative()
    total = np.asarray(chance(_POINTS - 1), dtype=np.float64)
    step = 2 * reach / (_POINTS - 1)
    return top + np.log(total * step), mode[0] - reach, step, chance, total


def _invert(posterior: _Posterior, probability: float) -> float:
    low = float(np.min(posterior.first))
    high = float(np.max(posterior.first + posterior.step * (_POINTS - 1)))
    for _ in range(80):
        middle = 0.5 * (low + high)
        place = np.clip((middle - posterior.first) / posterior.step, 0.0, _POINTS - 1.0)
        each = np.diagonal(np.asarray(posterior.chance(place))) / posterior.total
        if float(posterior.share @ np.clip(each, 0.0, 1.0)) < probability:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
