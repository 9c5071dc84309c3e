"""Likelihood of packed arms: log likelihood on a grid, and its mode in the mean given the scatter."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from reports.degradation.arms import Arm, PackedArms
from reports.degradation.intervals import Record
from reports.degradation.laws import Array, Law

Mask = NDArray[np.bool_]

# Probabilities are kept off 0 so that their logarithm stays finite; nothing this small carries
# weight beside the rest of a posterior.
_SMALLEST = 1e-300
# Below this width in units of sigma an interval is its midpoint density times its width, with
# the second-order term: relative error below (1e-3)^4 * z^4 / 1920.
_NARROW = 1e-3
_LARGEST_BLOCK = 400_000
# Log likelihood of what was not asked for: nothing, but finite.
NOWHERE = -1e9
_MODE_STEPS = 14
_LOG_ROOT_TWO_PI = 0.5 * float(np.log(2 * np.pi))


def log_likelihood(
    arms: PackedArms, mean: Array, scatter: Array, law: Law, within: Mask | None = None
) -> Array:
    """Log likelihood of every arm on its own grid.

    Parameters
    ----------
    arms : PackedArms, A arms
    mean : Array, shape (A, K, X) or (A, 1, X)
        Mean of the log values.
    scatter : Array, shape (A, K)
        Standard deviation of the log values (the scale of the law), > 0.
    law : Law
    within : array of bool, shape (A, K, X), or None
        Where it is wanted; elsewhere the result is ``NOWHERE``. None means everywhere.

    Returns
    -------
    Array, shape (A, K, X)
    """
    shape = np.broadcast_shapes(mean.shape, (*scatter.shape, 1))
    wanted = np.ones(shape, dtype=np.bool_) if within is None else within
    row, node, _ = np.nonzero(wanted)
    at = np.broadcast_to(mean, shape)[wanted]
    sigma = scatter[row, node]
    total = np.empty(at.shape)
    step = max(1, _LARGEST_BLOCK // max(1, arms.low.shape[1], arms.exact.shape[1]))
    for start in range(0, len(at), step):
        part = slice(start, start + step)
        total[part] = _log_terms(arms, row[part], at[part], sigma[part], law)
    result = np.full(shape, NOWHERE)
    result[wanted] = total
    return result


def _log_terms(
    arms: PackedArms, row: NDArray[np.intp], mean: Array, sigma: Array, law: Law
) -> Array:
    """Log likelihood of arm ``row`` at a mean and a scatter; all of shape (N,)."""
    inverse = 1.0 / sigma
    total = np.zeros_like(mean)
    if arms.low.shape[1]:
        low = (arms.low.T[:, row] - mean) * inverse
        high = (arms.high.T[:, row] - mean) * inverse
        part = np.log(np.maximum(_mass(low, high, law), _SMALLEST))
        if np.any(arms.weight > 1):
            part *= arms.weight.T[:, row]
        total += np.sum(part, axis=0)
    moments = arms.moments
    if np.any(moments.count):
        count, widths = moments.count[row], moments.width_squares[row]
        from_mean = mean - moments.mean[row]
        squares = moments.squares[row] + count * from_mean**2
        spread = moments.width_spread[row] - 2 * from_mean * moments.width_tilt[row]
        spread = spread + from_mean**2 * widths
        # ln of an interval's mass is ln density at its midpoint plus width^2 (z^2 - 1) / 24.
        total -= count * np.log(sigma)
        total -= (0.5 * squares + (widths - spread * inverse**2) / 24) * inverse**2
    if arms.exact.shape[1]:
        z = (arms.exact.T[:, row] - mean) * inverse
        part = law.log_density(z) - np.log(sigma)
        total += np.einsum("gn,gn->n", arms.exact_weight.T[:, row], part)
    return total


def _mass(low: Array, high: Array, law: Law) -> Array:
    mass = law.mass(low, high)
    narrow = high - low < _NARROW
    if np.any(narrow):
        z = 0.5 * (low[narrow] + high[narrow])
        width = high[narrow] - low[narrow]
        first, second = law.log_density_slopes(z)
        bend = 1 + width**2 / 24 * (first**2 + second)
        mass[narrow] = width * law.density(z) * np.maximum(bend, 0.5)
    return mass


def slopes(arms: PackedArms, mean: Array, scatter: Array, law: Law) -> tuple[Array, Array]:
    """First and second derivative of the log likelihood in the mean.

    Parameters
    ----------
    arms : PackedArms, A arms
    mean, scatter : Array, shape (A, K)

    Returns
    -------
    first, second : Array, shape (A, K)
    """
    inverse = 1.0 / scatter
    first = np.zeros_like(mean)
    second = np.zeros_like(mean)
    groups = arms.low.shape[1]
    step = max(1, _LARGEST_BLOCK // max(1, mean.size))
    for start in range(0, groups, step):
        block = slice(start, start + step)
        low = (arms.low[:, None, block] - mean[:, :, None]) * inverse[:, :, None]
        high = (arms.high[:, None, block] - mean[:, :, None]) * inverse[:, :, None]
        one, two = _interval_slopes(low, high, law)
        weight = arms.weight[:, None, block]
        first += np.sum(weight * one, axis=-1) * inverse
        second += np.sum(weight * two, axis=-1) * inverse**2
    moments = arms.moments
    count = moments.count[:, None]
    from_mean = mean - moments.mean[:, None]
    widths = moments.width_squares[:, None] / 12
    tilt = moments.width_tilt[:, None] / 12
    first += (-count * from_mean + (from_mean * widths - tilt) * inverse**2) * inverse**2
    second += (-count + widths * inverse**2) * inverse**2
    for column in range(arms.exact.shape[1]):
        z = (arms.exact[:, column, None] - mean) * inverse
        one, two = law.log_density_slopes(z)
        weight = arms.exact_weight[:, column, None]
        first -= weight * one * inverse
        second += weight * two * inverse**2
    return first, second


def _interval_slopes(low: Array, high: Array, law: Law) -> tuple[Array, Array]:
    """Derivatives of log mass in the mean, in units of sigma."""
    narrow = high - low < _NARROW
    # The mass of a narrow interval is mostly rounding; its slopes come from the density below.
    mass = np.where(narrow, 1.0, np.maximum(law.mass(low, high), _SMALLEST))
    one = (law.density(low) - law.density(high)) / mass
    two = (law.slope(high) - law.slope(low)) / mass - one**2
    if np.any(narrow):
        first, second = law.log_density_slopes(0.5 * (low[narrow] + high[narrow]))
        one[narrow], two[narrow] = -first, second
    return one, two


def conditional_modes(arms: PackedArms, scatter: Array, law: Law) -> tuple[Array, Array, Array]:
    """Mode, width and Laplace integral of the mean's posterior, given the scatter.

    The likelihood in the mean is log-concave for both laws, so a Newton step kept inside a
    shrinking bracket cannot fail.

    Parameters
    ----------
    arms : PackedArms, A arms
    scatter : Array, shape (A, K)

    Returns
    -------
    mode, width, log_integral : Array, shape (A, K)
        ``log_integral`` is 0 for an open arm: it does not tell one scatter from another.
    """
    low, high = _brackets(arms, scatter)
    mean = 0.5 * (low + high)
    start = np.array([_start(arm) for arm in arms.arms])[:, None]
    mean = np.where(np.isfinite(start), np.clip(start, low, high), mean)
    second = np.zeros_like(mean)
    for _ in range(_MODE_STEPS):
        first, second = slopes(arms, mean, scatter, law)
        low = np.where(first > 0, mean, low)
        high = np.where(first < 0, mean, high)
        curved = second < 0
        target = mean - np.where(curved, first, 0.0) / np.where(curved, second, -1.0)
        inside = curved & (target >= low) & (target <= high)
        moved = np.where(inside, target, 0.5 * (low + high))
        moved = np.where(first == 0, mean, moved)
        done = np.abs(moved - mean) <= 1e-4 * scatter / np.sqrt(np.maximum(1.0, _sizes(arms)))
        mean = moved
        if np.all(done):
            break
    width = _widths(arms, second, scatter)
    integral = log_likelihood(arms, mean[:, :, None], scatter, law)[:, :, 0] + np.log(width)
    return _open_arms(arms, scatter, law, mean, width, integral + _LOG_ROOT_TWO_PI)


def _start(arm: Arm) -> float:
    """Middle of what the readings have in common; infinite where that has one end alone."""
    return 0.5 * (arm.log_low + arm.log_high)


def _sizes(arms: PackedArms) -> Array:
    return np.array([arm.count for arm in arms.arms], dtype=np.float64)[:, None]


def _brackets(arms: PackedArms, scatter: Array) -> tuple[Array, Array]:
    """Where the mode can lie: between the ends, or beyond by a few sigma when readings are open."""
    first = np.array([arm.first_end for arm in arms.arms])[:, None]
    last = np.array([arm.last_end for arm in arms.arms])[:, None]
    reach = (2.0 + np.sqrt(2.0 * np.log(_sizes(arms) + 1.0))) * scatter
    return first - reach, last + reach


def _widths(arms: PackedArms, second: Array, scatter: Array) -> Array:
    """Width from the curvature; where the likelihood is flat, that of the flat stretch."""
    common = np.array([_flat_width(arm) for arm in arms.arms])[:, None]
    curved = 1.0 / np.sqrt(np.maximum(-second, 1e-300))
    narrowest = scatter / np.sqrt(_sizes(arms)) * 0.5
    return np.clip(curved, narrowest, np.maximum(scatter + 0.3 * common, narrowest))


def _flat_width(arm: Arm) -> float:
    width = arm.log_high - arm.log_low
    return float(width) if np.isfinite(width) and width > 0 else 0.0


def _open_arms(
    arms: PackedArms, scatter: Array, law: Law, mean: Array, width: Array, integral: Array
) -> tuple[Array, Array, Array]:
    for row, arm in enumerate(arms.arms):
        if not arm.is_open:
            continue
        chance = 0.5 ** (1.0 / arm.count)
        if arm.is_open_above:
            mean[row] = arm.log_low - scatter[row] * law.quantile(1 - chance)
        else:
            mean[row] = arm.log_high - scatter[row] * law.quantile(chance)
        width[row] = scatter[row]
        integral[row] = 0.0
    return mean, width, integral


def record_term(record: Record | None, log_scatter: Array) -> Array:
    """Log density in ln sigma of a record's scaled inverse chi-square on sigma^2, up to a constant.

    Parameters
    ----------
    record : Record or None
        None stands for the flat prior: 0 everywhere.
    log_scatter : Array
    """
    if record is None:
        return np.zeros_like(log_scatter)
    away = np.clip(log_scatter - 0.5 * math.log(record.variance), -300.0, 300.0)
    nu = record.degrees_of_freedom
    return np.asarray(-nu * away - 0.5 * nu * np.exp(-2 * away), dtype=np.float64)


def record_ceiling(record: Record) -> float:
    """ln of a scatter above which a record leaves nothing: it falls like sigma^-nu."""
    nu = record.degrees_of_freedom
    return 0.5 * math.log(record.variance) + 0.5 + 3.0 / math.sqrt(nu) + 22.0 / nu
