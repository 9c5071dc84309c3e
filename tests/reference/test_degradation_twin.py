"""The slow obvious twin of the two-arm posterior: equal steps, Fourier sums, no clever grid.

Given both scatters, the density of the difference of two means is a convolution; on a fine
equally spaced grid of means that is a product of Fourier transforms. Nothing is shared with the
package but the model itself.
"""

import math

import numpy as np
import pytest
from scipy import stats

from reports.degradation import Interval
from reports.degradation.arms import read_arm
from reports.degradation.laws import LAWS
from reports.degradation.posterior import FLOOR_SHARE, LINK_SPREAD, Problem, difference_quantiles

POINTS = 2**13
NODES = 56


def standard(law):
    if law == "lognormal":
        return stats.norm.cdf, stats.norm.pdf

    # Smallest extreme value with mean 0, written out; beyond 700 the exponential would overflow.
    def grown(z):
        return np.exp(np.minimum(z - np.euler_gamma, 700.0))

    return lambda z: 1 - np.exp(-grown(z)), lambda z: grown(z) * np.exp(-grown(z))


def densities(arm, means, log_scatters, law):
    """Likelihood of the arm at every (scatter, mean): plain products of plain probabilities."""
    cdf, pdf = standard(law)
    result = np.ones((len(log_scatters), len(means)))
    for row, sigma in enumerate(np.exp(log_scatters)):
        for interval in arm:
            low, high = interval.log_low, interval.log_high
            if low == high:
                result[row] *= pdf((low - means) / sigma) / sigma
            else:
                result[row] *= cdf((high - means) / sigma) - cdf((low - means) / sigma)
    return result


def overlap(arm):
    """Width of what all readings of an arm have in common, or None."""
    width = min(r.log_high for r in arm) - max(r.log_low for r in arm)
    return width if width > 0 else None


def twin_quantiles(baseline, other, tie, law, probabilities):
    ends = [e for r in baseline + other for e in (r.log_low, r.log_high) if math.isfinite(e)]
    scale = max(ends) - min(ends)
    log_scatters = [np.linspace(math.log(scale) - 7.5, math.log(scale) + 5.5, NODES)] * 2
    widths = [overlap(arm) for arm in (baseline, other)]
    both_overlap = all(w is not None for w in widths)
    if both_overlap and tie == "pooled":
        floors = [math.log(FLOOR_SHARE * min(widths))] * 2
    elif both_overlap or tie == "separate":
        floors = [None if w is None else math.log(FLOOR_SHARE * w) for w in widths]
    else:
        floors = [None, None]
    log_scatters = [
        nodes if floor is None else np.linspace(floor, nodes[-1], NODES)
        for nodes, floor in zip(log_scatters, floors, strict=True)
    ]
    span = 60 * scale
    means = np.linspace(-span, span, POINTS, endpoint=False)
    middle = 0.5 * (max(ends) + min(ends))
    tables = [
        densities(arm, middle + means, nodes, law)
        for arm, nodes in zip((baseline, other), log_scatters, strict=True)
    ]
    one, two = log_scatters[0][:, None], log_scatters[1][None, :]
    prior = np.ones((NODES, NODES))
    if tie == "linked":
        prior = stats.norm.pdf(two - one, scale=LINK_SPREAD)
    elif tie == "pooled":
        prior = np.eye(NODES)
    waves = [np.fft.rfft(table, axis=1) for table in tables]
    wave = np.einsum("jf,jk,kf->f", waves[0].conj(), prior, waves[1])
    density = np.fft.fftshift(np.fft.irfft(wave, POINTS))
    chance = np.cumsum(density) / np.sum(density)
    # The running sum reaches its value at the upper edge of a cell.
    return np.interp(probabilities, chance, means + 0.5 * (means[1] - means[0]))


def hard_arm(rng, kind, size, mean):
    logs = mean + rng.choice([0.1, 0.3]) * rng.standard_normal(size)
    if kind == "brackets":
        step = rng.choice([0.25, 0.5])
        cells = np.floor(logs / step)
        return [Interval(math.exp(c * step), math.exp((c + 1) * step)) for c in cells]
    arm = [Interval(math.exp(x - 0.05), math.exp(x + 0.05)) for x in logs]
    if kind == "stopped" and size > 3:
        arm[0] = Interval(arm[0].low, math.inf)
    if kind == "below" and size > 3:
        arm[-1] = Interval(0.0, arm[-1].high)
    if kind == "mixed" and size > 3:
        arm[0] = Interval(arm[0].low, math.inf)
        arm[1] = Interval(arm[1].low, arm[1].low * 2.5)
    return arm


KINDS = ["brackets", "plain", "stopped", "below", "mixed"]


def hard_case(seed):
    rng = np.random.default_rng([2024, seed])
    arms = [
        hard_arm(rng, rng.choice(KINDS), int(rng.integers(4, 8)), mean)
        for mean in (0.0, rng.uniform(-1, 0.3))
    ]
    return arms, str(rng.choice(["linked", "pooled", "separate"]))


@pytest.mark.parametrize("seed", range(200))
def test_the_twin_agrees_on_hard_cases(seed):
    (baseline, other), tie = hard_case(seed)
    law = "weibull" if seed % 5 == 0 else "lognormal"
    wanted = (0.025, 0.1, 0.5, 0.9, 0.975)
    problem = Problem(read_arm(baseline), read_arm(other), tie, None)
    found = difference_quantiles([problem], LAWS[law], wanted)[0]
    expected = twin_quantiles(baseline, other, tie, law, wanted)
    # The twin's grid of means is its limit: one cell is 1/68 of the span of the readings, and the
    # two cases furthest apart come together when it is made four times finer.
    width = expected[-1] - expected[0]
    assert found == pytest.approx(expected, abs=0.015 * width)
