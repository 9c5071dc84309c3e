"""A slow, obvious twin of matched pairs, with and without a record: one dense grid, added up."""

import math

import numpy as np
import pytest
from scipy import stats

from reports.degradation import Interval, Record
from reports.degradation.pairs import paired

PROBABILITIES = (0.025, 0.5, 0.975)


def twin(ratios: list[tuple[float, float]], record: Record | None) -> list[float]:
    """Quantiles of the mean log ratio, every (mean, scatter) weighed one by one."""
    ends = [e for pair in ratios for e in pair if math.isfinite(e)]
    span = max(ends) - min(ends)
    means = np.linspace(min(ends) - 12 * span, max(ends) + 12 * span, 6001)
    sigmas = np.exp(np.linspace(math.log(span) - 6, math.log(span) + 4, 241))
    weight = np.zeros(means.size)
    for sigma in sigmas:  # equal steps of ln sigma weigh the same
        chance = np.ones(means.size)
        for low, high in ratios:
            chance *= stats.norm.cdf((high - means) / sigma) - stats.norm.cdf((low - means) / sigma)
        if record is not None:
            # scaled inverse chi-square on sigma^2, as a density of ln sigma; a pair's log ratio
            # has twice the variance of a single value
            nu, variance = record.degrees_of_freedom, 2 * record.variance
            prior = stats.invgamma.pdf(sigma**2, nu / 2, scale=nu * variance / 2) * 2 * sigma**2
            chance = chance * prior
        weight += chance
    total = (np.cumsum(weight) - 0.5 * weight) / weight.sum()
    return [float(np.interp(p, total, means)) for p in PROBABILITIES]


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("freedom", [None, 4.0, 20.0])
def test_dense_grid_agrees(seed, freedom):
    rng = np.random.default_rng([77, seed])
    pairs, ratios = [], []
    for k in range(int(rng.integers(5, 9))):
        values = np.exp(rng.normal((2.0, 1.8), 0.15))
        step = 0.25
        one, two = (
            Interval(math.floor(v / step) * step, math.floor(v / step) * step + step)
            for v in values
        )
        if k == 4:
            two = Interval(two.low, math.inf)
        pairs.append((one, two))
        ratios.append((two.log_low - one.log_high, two.log_high - one.log_low))
    record = None if freedom is None else Record(0.02, freedom)
    low, middle, high = twin(ratios, record)
    found = paired(pairs, record=record)
    width = high - low
    assert math.log(found.retention) == pytest.approx(middle, abs=0.01 * width)
    assert math.log(found.low) == pytest.approx(low, abs=0.015 * width)
    assert math.log(found.high) == pytest.approx(high, abs=0.015 * width)
