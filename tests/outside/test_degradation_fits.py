"""Two arms beside reference fits and published figures.

Where specimens are many the flat-prior posterior and maximum likelihood tell the same story; where
they are few the intervals differ on purpose, and the tests say which way.
"""

import math
import warnings

import numpy as np
import pandas as pd
import pytest
from lifelines import LogNormalAFTFitter, WeibullAFTFitter
from scipy import stats

from reports.degradation import Interval, Record, compare

# Wear of shoe soles, ten boys, two materials (Box, Hunter and Hunter, Statistics for
# Experimenters, 1978, table 4.3; as MASS::shoes in R).
SHOES_A = (13.2, 8.2, 10.9, 14.3, 10.7, 6.6, 9.5, 10.8, 8.8, 13.3)
SHOES_B = (14.0, 8.8, 11.2, 14.2, 11.8, 6.4, 9.8, 11.3, 9.3, 13.6)


def exact(values):
    return [Interval(value, value) for value in values]


def large_study(distribution, seed):
    """Four hundred specimens a side, read in steps of 20 %, a quarter stopped early."""
    rng = np.random.default_rng(seed)
    arms = []
    for scale in (10.0, 8.0):
        if distribution == "weibull":
            values = scale * rng.weibull(3.0, 400)
        else:
            values = scale * np.exp(0.3 * rng.standard_normal(400))
        cells = np.floor(np.log(values) / 0.2)
        arm = [Interval(math.exp(0.2 * c), math.exp(0.2 * (c + 1))) for c in cells]
        stopped = rng.random(400) < 0.25
        arms.append(
            [
                Interval(reading.low * 0.8, math.inf) if cut else reading
                for reading, cut in zip(arm, stopped, strict=True)
            ]
        )
    return arms


def lifelines_fit(arms, fitter):
    frame = pd.DataFrame(
        [(r.low, r.high, float(arm)) for arm, readings in enumerate(arms) for r in readings],
        columns=["low", "high", "arm"],
    )
    with warnings.catch_warnings():
        # lifelines warns of its own starting values; its answer is what is compared.
        warnings.simplefilter("ignore")
        fitter.fit_interval_censoring(frame, "low", "high")
    return fitter


@pytest.mark.parametrize(
    ("distribution", "fitter", "parameter"),
    [("lognormal", LogNormalAFTFitter(), "mu_"), ("weibull", WeibullAFTFitter(), "lambda_")],
)
def test_many_specimens_agree_with_lifelines(distribution, fitter, parameter):
    arms = large_study(distribution, 5)
    found = compare(*arms, distribution=distribution, scale="pooled")
    fitted = lifelines_fit(arms, fitter)
    estimate = fitted.params_[parameter]["arm"]
    error = fitted.standard_errors_[parameter]["arm"]
    # With one scatter (one Weibull shape) the shift of the log scale is the shift of the log mean.
    assert math.log(found.retention) == pytest.approx(estimate, abs=0.05 * error)
    half = 1.959964 * error
    assert math.log(found.low) == pytest.approx(estimate - half, abs=0.1 * half)
    assert math.log(found.high) == pytest.approx(estimate + half, abs=0.1 * half)


def test_few_specimens_are_wider_than_maximum_likelihood():
    # With three a side Wald intervals cover about 80 %: Student's t with four degrees of freedom
    # reaches 1.42 times as far as the normal and divides by n - 2 where the fit divides by n.
    arms = [
        [Interval(v - 0.05, v + 0.05) for v in arm] for arm in ((9.8, 11.2, 10.4), (7.9, 8.8, 7.2))
    ]
    found = compare(*arms, scale="pooled")
    fitted = lifelines_fit(arms, LogNormalAFTFitter())
    half = 1.959964 * fitted.standard_errors_["mu_"]["arm"]
    ours = 0.5 * math.log(found.high / found.low)
    expected = stats.t(4).ppf(0.975) / 1.959964 * math.sqrt(6 / 4)
    assert ours / half == pytest.approx(expected, rel=0.03)


def test_survreg_of_r_gives_the_same_estimate():
    # R 4.2.2, package survival 3.5-3, on these very readings (drawn by numpy, seed 6):
    # survreg(Surv(low, high, type = "interval2") ~ arm, dist = "lognormal"); the coefficient of arm
    # and its standard error. benchmarks/coverage.py runs survreg on thousands more.
    estimate, error = -0.2436104565561, 0.0239344079674
    found = compare(*large_study("lognormal", 6), scale="pooled")
    assert math.log(found.retention) == pytest.approx(estimate, abs=0.05 * error)
    assert math.log(found.high / found.low) == pytest.approx(2 * 1.959964 * error, rel=0.02)


def test_shoes_as_two_independent_arms():
    # Pooled t on the logs, by scipy.stats; unpaired, the two materials cannot be told apart
    # (published for the raw values: t = -0.36891, p = 0.7165).
    found = compare(exact(SHOES_A), exact(SHOES_B), scale="pooled")
    ends = stats.ttest_ind(np.log(SHOES_B), np.log(SHOES_A)).confidence_interval()
    assert math.log(found.low) == pytest.approx(ends.low, abs=1e-6)
    assert math.log(found.high) == pytest.approx(ends.high, abs=1e-6)
    assert found.verdict == "not resolved"
    # Geometric mean ratio 1.0377543742 (R and scipy on the same data).
    assert found.retention == pytest.approx(1.0377543742, rel=1e-9)


def test_sleep_data_as_logs():
    # Student's sleep data (R: datasets::sleep) taken as log values: Welch -3.365483 to 0.205483
    # for x - y, pooled t on 18 degrees of freedom -3.363874 to 0.203874 (R's t.test, from memory).
    x = (0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0)
    y = (1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4)
    arms = exact(np.exp(y)), exact(np.exp(x))
    pooled = compare(*arms, scale="pooled")
    assert math.log(pooled.low) == pytest.approx(-3.363874, abs=2e-6)
    assert math.log(pooled.high) == pytest.approx(0.203874, abs=2e-6)
    separate = compare(*arms, scale="separate")
    # Behrens-Fisher is wider than Welch and never reaches t with the smaller degrees, here 9.
    reach = 2.262157162798 * math.hypot(stats.sem(x), stats.sem(y))
    middle = np.mean(x) - np.mean(y)
    assert middle - reach < math.log(separate.low) < -3.365483
    assert 0.205483 < math.log(separate.high) < middle + reach


@pytest.mark.parametrize(
    ("freedom", "angle", "tabled"),
    [(6, 45, 2.435), (6, 15, 2.440), (8, 45, 2.292), (8, 30, 2.294)],
)
def test_separate_scatter_meets_the_behrens_fisher_table(freedom, angle, tabled):
    # 5 % points of the Behrens-Fisher distribution, Sukhatme's table as in Fisher and Yates,
    # Statistical Tables, table VI; from memory, and the figures agree with the integral itself.
    rng = np.random.default_rng(freedom)
    arms = []
    for error in (math.sin(math.radians(angle)), math.cos(math.radians(angle))):
        logs = rng.standard_normal(freedom + 1)
        logs = (logs - logs.mean()) / stats.sem(logs) * error
        arms.append(exact(np.exp(logs)))
    found = compare(*arms, scale="separate")
    assert 0.5 * math.log(found.high / found.low) == pytest.approx(tabled, abs=1.1e-3)


@pytest.mark.parametrize(
    ("freedom", "quantile"),
    [
        (1, 12.70620473617),
        (2, 4.302652729749),
        (3, 3.182446305284),
        (4, 2.776445105198),
        (9, 2.262157162798),
        (10, 2.228138851986),
        (20, 2.085963447266),
        (30, 2.042272456301),
    ],
)
def test_a_record_spans_the_table_of_students_t(freedom, quantile):
    # Two-sided 95 % points of t, 13 digits computed with mpmath; table G.2 of JCGM 100:2008
    # prints the same rounded to two decimals.
    record = Record(variance=0.01, degrees_of_freedom=freedom)
    found = compare(exact([5.0]), exact([4.0]), record=record)
    reach = quantile * 0.1 * math.sqrt(2)
    assert math.log(found.high / 0.8) == pytest.approx(reach, rel=1e-9)
    assert math.log(0.8 / found.low) == pytest.approx(reach, rel=1e-9)


def test_a_bracketed_pair_stays_inside_the_table_value():
    # The quadrature for brackets that have shrunk to nothing meets the same table.
    record = Record(variance=0.01, degrees_of_freedom=3)
    arms = [[Interval(v * (1 - 1e-6), v * (1 + 1e-6))] for v in (5.0, 4.0)]
    found = compare(*arms, record=record)
    reach = 3.182446305284 * 0.1 * math.sqrt(2)
    assert math.log(found.high / 0.8) == pytest.approx(reach, rel=2e-4)
