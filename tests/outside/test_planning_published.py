"""How many specimens a side, held against published tables and statsmodels."""

import math

import numpy as np
import pytest
from scipy.stats import chi2, linregress
from statsmodels.stats.power import TTestIndPower

from reports.degradation.planning import (
    chance_of_loss_seen,
    chance_of_trend_seen,
    log_scatter,
    plan_for,
    simulated_chance,
    specimens_needed,
    with_resolution,
)


def loss_of(effect: float, scatter: float) -> float:
    return -math.expm1(-effect * scatter)


@pytest.mark.parametrize(
    ("effect", "wanted", "needed"),
    # J. Cohen, Statistical Power Analysis (1988), table 2.4.1, two-sided 5 %; from memory, and the
    # same as R's power.t.test: 63.77, 25.52, 16.71 and at 90 % 85.03, 33.83, 22.02
    [
        (0.5, 0.8, 64),
        (0.8, 0.8, 26),
        (1.0, 0.8, 17),
        (0.5, 0.9, 86),
        (0.8, 0.9, 34),
        (1.0, 0.9, 23),
    ],
)
def test_sample_sizes_of_the_handbook(effect, wanted, needed):
    plan = specimens_needed(loss=loss_of(effect, 0.1), scatter=0.1, wanted=wanted)
    assert plan.specimens_a_side == needed


@pytest.mark.parametrize("count", [3, 4, 8, 20])
@pytest.mark.parametrize("effect", [0.4, 1.0, 2.5])
def test_chance_agrees_with_statsmodels(count, effect):
    # only the right side counts: a gain mistaken for a loss is not a loss seen
    theirs = TTestIndPower().power(effect, count, 0.025, alternative="larger")
    ours = chance_of_loss_seen(count, loss=loss_of(effect, 0.2), scatter=0.2)
    assert ours == pytest.approx(theirs, abs=1e-6)


# Independent items per arm for an 80 % chance of detecting a loss, two-sided 5 %, log scale: worked
# out independently of this program with the noncentral t distribution.
LOSSES = (0.05, 0.10, 0.15, 0.20, 0.30, 0.50)
TABLE = {
    0.05: (16, 5, 3, 3, 2, 2),
    0.10: (61, 16, 8, 5, 3, 2),
    0.15: (134, 33, 15, 9, 4, 3),
    0.20: (235, 57, 25, 14, 6, 3),
    0.30: (516, 123, 53, 29, 12, 5),
}


@pytest.mark.parametrize(("cv", "row"), TABLE.items())
def test_table_of_items_per_arm(cv, row):
    found = [
        specimens_needed(loss=loss, scatter=log_scatter(cv)).specimens_a_side for loss in LOSSES
    ]
    assert tuple(found) == row


def test_smallest_loss_is_the_one_that_needs_so_many():
    plan = plan_for(8, loss=0.2, scatter=log_scatter(0.1))
    again = chance_of_loss_seen(8, loss=plan.smallest_loss, scatter=log_scatter(0.1))
    assert again == pytest.approx(0.8, abs=1e-6)


def test_simulation_through_the_analysis_comes_near_the_formula():
    # the analysis lets the scatters differ, so it sees a little less than the formula for one scatter
    exact = chance_of_loss_seen(8, loss=0.15, scatter=0.1)
    found = simulated_chance(8, loss=0.15, scatter=0.1, rng=np.random.default_rng(3))
    assert exact - 0.15 < found < exact + 0.05
    again = simulated_chance(8, loss=0.15, scatter=0.1, rng=np.random.default_rng(3))
    assert found == again


@pytest.mark.parametrize(("freedom", "count"), [(3, 4), (10, 8), (40, 8)])
def test_an_uncertain_scatter_is_the_mean_of_what_statsmodels_says_of_each(freedom, count):
    # 40,000 draws of the scatter, with an even grid of chances so that nothing is left to luck
    chances = (np.arange(40_000) + 0.5) / 40_000
    sigmas = 0.15 * np.sqrt(freedom / chi2.ppf(chances, freedom))
    grid = np.quantile(sigmas, (np.arange(400) + 0.5) / 400)
    effects = -np.log1p(-0.2) / grid
    theirs = np.mean(
        [TTestIndPower().power(e, count, 0.025, alternative="larger") for e in effects]
    )
    ours = chance_of_loss_seen(count, loss=0.2, scatter=0.15, freedom=freedom)
    assert ours == pytest.approx(theirs, abs=2e-3)
    # the best guess alone promises more than is kept where the chance is good
    assert ours < chance_of_loss_seen(count, loss=0.2, scatter=0.15)


def test_a_scatter_known_for_certain_is_the_limit():
    known = chance_of_loss_seen(6, loss=0.2, scatter=0.1)
    assert chance_of_loss_seen(6, loss=0.2, scatter=0.1, freedom=1e6) == pytest.approx(
        known, abs=1e-4
    )


@pytest.mark.parametrize("count", [3, 5, 12])
def test_a_trend_over_two_ages_is_the_comparison_of_two_sides(count):
    # the slope of a line through two groups is their difference, with the same t test
    effect = -math.log1p(-0.2) / 0.12
    theirs = TTestIndPower().power(effect, count, 0.025, alternative="larger")
    ours = chance_of_trend_seen([0.0] * count + [9000.0] * count, loss=0.2, scatter=0.12)
    assert ours == pytest.approx(theirs, abs=1e-6)


def test_a_trend_over_three_ages_against_fits_by_scipy():
    # 4,000 simulated studies, each fitted by scipy.stats.linregress
    x = np.repeat([0.0, 6000.0, 15000.0], 3)
    draw = np.random.default_rng(5)
    seen = 0
    for _ in range(4000):
        y = np.log1p(-0.25) * x / 15000 + 0.12 * draw.standard_normal(x.size)
        fit = linregress(x, y, alternative="less")
        seen += fit.pvalue < 0.025
    ours = chance_of_trend_seen(list(x), loss=0.25, scatter=0.12)
    # three standard errors of a share of 4,000
    assert ours == pytest.approx(seen / 4000, abs=3 * 0.5 / math.sqrt(4000))


def test_rounding_adds_a_twelfth_of_the_square_of_the_step():
    # W. F. Sheppard's correction, checked by rounding 200,000 draws
    draw = np.random.default_rng(2).normal(0, 0.1, 200_000)
    rounded = np.round(draw / 0.12) * 0.12
    assert with_resolution(0.1, 0.12) == pytest.approx(float(np.std(rounded)), rel=0.01)
    assert with_resolution(0.1, 0.0) == 0.1
