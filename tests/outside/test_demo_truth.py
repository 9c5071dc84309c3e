"""The invented lab's true values inside its 95 % intervals, counted over many seeds.

The truth is drawn by fixtures/make_demo.py, which knows nothing of the analysis; the readings go
through the lab's own file reader. Thresholds are quantiles of the binomial distribution (scipy).
"""

import pytest
from scipy.stats import binom

from benchmarks.demo_truth import KINDS, count

SEEDS = range(24)


@pytest.fixture(scope="module")
def held():
    return count(SEEDS)


@pytest.mark.parametrize("kind", KINDS)
def test_true_values_lie_inside_about_as_often_as_they_should(held, kind):
    # Arms of one study and method share their baseline, so of each only the last counts: what is
    # left is independent. An interval that covers exactly 95 % falls below this threshold in one of
    # a thousand such tests.
    last = {(one.seed, one.what): one.is_held for one in held if one.kind == kind}
    assert len(last) >= 3 * len(SEEDS)
    assert sum(last.values()) >= binom.ppf(0.001, len(last), 0.95)
