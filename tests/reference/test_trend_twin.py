"""A slow, obvious twin of the trend: one dense grid over slope, level and scatter."""

import math

import numpy as np
import pytest
from scipy.special import ndtr

from reports.degradation import Interval
from reports.degradation.trend import trend


def twin(
    specimens: list[tuple[float, Interval]], level: float = 0.95
) -> tuple[float, float, float]:
    """Quantiles of the slope by adding up a fixed grid; different code, no mode, no zoom."""
    x = np.array([age for age, _ in specimens])
    low = np.log([i.low for _, i in specimens])
    high = np.array([math.log(i.high) if math.isfinite(i.high) else np.inf for _, i in specimens])
    middle = np.where(np.isfinite(high), 0.5 * (low + high), low)
    slope0, level0 = np.polyfit(x, middle, 1)
    spread = max(float(np.std(middle - slope0 * x - level0)), 0.02)
    slopes = slope0 + np.linspace(-1, 1, 201) * 14 * spread / np.ptp(x)
    levels = level0 + np.linspace(-1, 1, 101) * 8 * spread
    sigmas = np.exp(np.linspace(math.log(spread / 12), math.log(spread * 14), 40))
    weight = np.zeros(slopes.size)
    for sigma in sigmas:  # flat in ln sigma: equal steps of its logarithm weigh the same
        total = np.zeros((slopes.size, levels.size))
        for age, a, b in zip(x, low, high, strict=True):
            mean = levels[None, :] + slopes[:, None] * age
            chance = ndtr((b - mean) / sigma) - ndtr((a - mean) / sigma)
            total += np.log(np.maximum(chance, 1e-300))
        weight += np.exp(total).sum(axis=1)
    chance = (np.cumsum(weight) - 0.5 * weight) / weight.sum()  # at the middle of each step
    tail = (1 - level) / 2
    low_end, mid, high_end = (float(np.interp(p, chance, slopes)) for p in (tail, 0.5, 1 - tail))
    return low_end, mid, high_end


@pytest.mark.parametrize("seed", range(8))
def test_dense_grid_agrees(seed):
    rng = np.random.default_rng(seed)
    ages = rng.choice([0.0, 1.0, 2.0, 4.0], size=12)
    ages[:3] = (0.0, 1.0, 4.0)
    values = np.exp(2 - 0.1 * ages + 0.15 * rng.standard_normal(12))
    width = rng.choice([0.5, 1.0, 2.0])
    specimens = []
    for k, (age, value) in enumerate(zip(ages, values, strict=True)):
        low = max(math.floor(value / width) * width, 0.25)
        high = math.inf if k % 5 == 4 else low + width
        specimens.append((float(age), Interval(low, high)))
    found = trend(specimens)
    low, middle, high = twin(specimens)
    span = high - low
    assert found.slope == pytest.approx(middle, abs=0.01 * span)
    assert found.slope_low == pytest.approx(low, abs=0.02 * span)
    assert found.slope_high == pytest.approx(high, abs=0.02 * span)
