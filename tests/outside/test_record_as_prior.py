"""A record as prior for pairs and trends, held against normal theory.

With a flat prior on the locations and a scaled inverse chi-square on the variance, degrees of
freedom and sums of squares of record and readings add up and the rest is Student's t: A. Gelman et
al., Bayesian Data Analysis, 3rd edition (2013), section 3.3 with no prior observation of the mean,
and section 14.8 for a regression. Cited from memory; the t quantiles are scipy's.
"""

import math

import numpy as np
import pytest
from scipy import stats

from reports.degradation import Interval, Record
from reports.degradation.pairs import paired
from reports.degradation.trend import trend

RECORD = Record(0.0064, 12.0)
LOGS = (-0.31, -0.18, -0.27, -0.09)


def exact(value: float) -> Interval:
    return Interval(value, value)


def around(value: float, share: float) -> Interval:
    return Interval(value * (1 - share), value * (1 + share))


def log_ends(found) -> tuple[float, float, float]:
    return math.log(found.low), math.log(found.retention), math.log(found.high)


def test_one_pair_is_its_ratio_and_the_record_alone():
    # the log ratio of two single values has variance 2 s^2, known with 12 degrees of freedom
    found = paired([(exact(10.0), exact(8.0))], record=RECORD)
    reach = stats.t.ppf(0.975, 12) * math.sqrt(2 * 0.0064)
    centre = math.log(0.8)
    assert log_ends(found) == pytest.approx((centre - reach, centre, centre + reach), abs=1e-9)
    assert (found.scope, found.scale, found.n_baseline) == ("these items", "record", 1)
    assert found.refusal == ""


def test_one_pair_without_a_record_claims_nothing():
    found = paired([(exact(10.0), exact(8.0))])
    assert found.refusal
    assert found.retention == pytest.approx(0.8)
    assert (found.low, found.high) == (0.0, math.inf)


@pytest.mark.parametrize("share", [0.0, 1e-5])
def test_several_pairs_add_degrees_of_freedom_and_squares(share):
    pairs = [(around(10.0, share), around(10.0 * math.exp(d), share)) for d in LOGS]
    found = paired(pairs, record=RECORD, level=0.9)
    mean, n = float(np.mean(LOGS)), len(LOGS)
    squares = float(np.sum((np.array(LOGS) - mean) ** 2))
    freedom = 12 + n - 1
    error = math.sqrt((12 * 2 * 0.0064 + squares) / freedom / n)
    reach = stats.t.ppf(0.95, freedom) * error
    assert log_ends(found) == pytest.approx((mean - reach, mean, mean + reach), abs=2e-5)
    assert (found.scope, found.scale) == ("this model", "paired")


def test_equal_exact_pairs_are_told_apart_by_the_record_only():
    pairs = [(exact(10.0), exact(9.0))] * 3
    assert paired(pairs).refusal
    found = paired(pairs, record=RECORD)
    reach = stats.t.ppf(0.975, 14) * math.sqrt(12 * 2 * 0.0064 / 14 / 3)
    assert math.log(found.high) == pytest.approx(math.log(0.9) + reach, abs=1e-9)


AGES = (0.0, 0.0, 1.0, 2.0, 4.0, 4.0)
VALUES = (2.01, 1.95, 1.90, 1.84, 1.55, 1.66)


def regression(record: Record | None, level: float = 0.95) -> tuple[float, float, float]:
    fit = stats.linregress(AGES, VALUES)
    x = np.array(AGES)
    rest = float(np.sum((np.array(VALUES) - fit.intercept - fit.slope * x) ** 2))
    freedom = len(AGES) - 2.0
    if record is not None:
        freedom += record.degrees_of_freedom
        rest += record.degrees_of_freedom * record.variance
    error = math.sqrt(rest / freedom / float(np.sum((x - x.mean()) ** 2)))
    reach = stats.t.ppf(0.5 + level / 2, freedom) * error
    return fit.slope - reach, fit.slope, fit.slope + reach


@pytest.mark.parametrize("record", [None, RECORD, Record(0.0004, 40.0), Record(0.09, 3.0)])
@pytest.mark.parametrize("share", [0.0, 1e-5])
def test_trend_adds_degrees_of_freedom_and_squares(record, share):
    specimens = [(a, around(math.exp(v), share)) for a, v in zip(AGES, VALUES, strict=True)]
    found = trend(specimens, record=record)
    expected = regression(record)
    width = expected[2] - expected[0]
    assert (found.slope_low, found.slope, found.slope_high) == pytest.approx(
        expected, abs=1e-4 * width
    )


def test_points_on_a_line_have_an_interval_with_a_record():
    specimens = [(a, exact(math.exp(2.0 - 0.1 * a))) for a in (0.0, 1.0, 3.0)]
    assert trend(specimens).refusal
    found = trend(specimens, record=RECORD)
    sxx = sum((a - 4 / 3) ** 2 for a in (0.0, 1.0, 3.0))
    reach = stats.t.ppf(0.975, 13) * math.sqrt(12 * 0.0064 / 13 / sxx)
    assert found.slope_low == pytest.approx(-0.1 - reach, rel=1e-6)
    assert found.slope_high == pytest.approx(-0.1 + reach, rel=1e-6)
