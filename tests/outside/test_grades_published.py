"""Grades against published examples and reference libraries.

Brunner-Munzel: pain scores of Neubert and Brunner (2007) and ordinal counts of Munzel and Hauschke
(2003), figures as carried by the test files of scipy and statsmodels (from R lawstat). Krippendorff:
the four-observer example of "Computing Krippendorff's alpha-reliability" (2011) and the
three-coder example of the encyclopaedia article on the coefficient.
"""

import krippendorff
import numpy as np
import pytest
from scipy.stats import brunnermunzel, mannwhitneyu, spearmanr

from reports.degradation.grades import (
    compare_grades,
    kendall_concordance,
    krippendorff_alpha,
    specimens_to_rerate,
)

N = None
FOUR_OBSERVERS = [
    [1, 2, 3, 3, 2, 1, 4, 1, 2, N, N, N],
    [1, 2, 3, 3, 2, 2, 4, 1, 2, 5, N, 3],
    [N, 3, 3, 3, 2, 3, 4, 2, 2, 5, 1, N],
    [1, 2, 3, 3, 2, 4, 4, 1, 2, 5, 1, N],
]
THREE_CODERS = [
    [N, N, N, N, N, 3, 4, 1, 2, 1, 1, 3, 3, N, 3],
    [1, N, 2, 1, 3, 3, 4, 3, N, N, N, N, N, N, N],
    [N, N, 2, 1, 3, 4, 4, N, 2, 1, 1, 3, 3, N, 4],
]
PAIN_X = [1, 2, 1, 1, 1, 1, 1, 1, 1, 1, 2, 4, 1, 1]
PAIN_Y = [3, 3, 4, 3, 1, 2, 3, 1, 1, 5, 4]


def seeded():
    return np.random.default_rng(8)


def single(grades):
    return [[grade] for grade in grades]


def by_unit(by_rater):
    return [list(unit) for unit in zip(*by_rater, strict=True)]


@pytest.mark.parametrize(
    ("metric", "published", "computed"),
    [
        ("nominal", 0.743, 0.743421053),
        ("ordinal", 0.815, 0.815387504),
        ("interval", 0.849, 0.849107143),
    ],
)
def test_four_observers(metric, published, computed):
    found = krippendorff_alpha(by_unit(FOUR_OBSERVERS), rng=seeded(), metric=metric)
    assert found.alpha == pytest.approx(published, abs=5e-4)
    assert found.alpha == pytest.approx(computed, abs=1e-9)
    # One unit was seen by one observer only and carries no information.
    assert (found.unit_count, found.rater_count, found.rating_count) == (11, 4, 40)


@pytest.mark.parametrize(("metric", "published"), [("nominal", 0.691), ("interval", 0.811)])
def test_three_coders(metric, published):
    found = krippendorff_alpha(by_unit(THREE_CODERS), rng=seeded(), metric=metric)
    assert found.alpha == pytest.approx(published, abs=5e-4)


def test_random_ratings_agree_with_the_krippendorff_library():
    rng = np.random.default_rng(31)
    for _ in range(40):
        ratings = rng.integers(1, 6, size=(4, 9)).astype(float)
        ratings[rng.random(ratings.shape) < 0.2] = np.nan
        rows = [[None if np.isnan(v) else int(v) for v in unit] for unit in ratings.T]
        expected = krippendorff.alpha(reliability_data=ratings, level_of_measurement="ordinal")
        found = krippendorff_alpha(rows, rng=seeded(), resamples=100)
        assert found.alpha == pytest.approx(expected, abs=1e-12)


def test_pain_scores():
    found = compare_grades(single(PAIN_X), single(PAIN_Y), rng=seeded())
    assert found.test == "Brunner-Munzel"
    assert found.p_value == pytest.approx(0.0057862086661515, abs=1e-13)
    assert found.probability_worse == pytest.approx(0.788961039, abs=1e-9)
    assert found.low == pytest.approx(0.595216864, abs=1e-8)
    assert found.high == pytest.approx(0.982705214, abs=1e-8)
    assert found.verdict == "graded worse"


def test_ordinal_counts():
    def spread(counts):
        return [g for g, count in zip(range(-2, 3), counts, strict=True) for _ in range(count)]

    new, active = spread([24, 37, 21, 19, 6]), spread([11, 51, 22, 21, 7])
    found = compare_grades(single(new), single(active), rng=seeded())
    assert found.p_value == pytest.approx(0.2410606649547, abs=1e-12)
    assert found.probability_worse == pytest.approx(0.5442256341789, abs=1e-12)
    assert found.low == pytest.approx(0.470062983, abs=1e-8)
    assert found.high == pytest.approx(0.618388286, abs=1e-8)
    assert found.verdict == "not resolved"


def test_random_grades_agree_with_scipy():
    rng = np.random.default_rng(5)
    for _ in range(30):
        x, y = rng.integers(1, 6, 13), rng.integers(2, 7, 16)
        found = compare_grades(single(x), single(y), rng=seeded(), resamples=100)
        assert found.p_value == pytest.approx(brunnermunzel(x, y).pvalue, rel=1e-9)


def test_concordance_is_the_mean_rank_correlation_turned():
    # Without ties W is (1 + (m - 1) r) / m, r the mean of Spearman's correlation over pairs of
    # raters (Kendall and Babington Smith 1939); Spearman's by scipy.
    rng = np.random.default_rng(9)
    raters = [rng.permutation(8) for _ in range(4)]
    pairs = [spearmanr(raters[a], raters[b]).statistic for a in range(4) for b in range(a)]
    found = kendall_concordance([list(row) for row in np.transpose(raters)])
    assert found == pytest.approx((1 + 3 * np.mean(pairs)) / 4)


def test_untied_exact_p_agrees_with_scipy():
    rng = np.random.default_rng(6)
    for _ in range(20):
        order = rng.permutation(11)
        x, y = order[:5], order[5:]
        found = compare_grades(single(x), single(y), rng=seeded(), resamples=100)
        expected = mannwhitneyu(x, y, method="exact").pvalue
        assert found.p_value == pytest.approx(expected, abs=1e-12)


NEW = [[1, 1, 2], [2, 1, 2], [1, 1, 1], [2, 2, 2]]
FIRST_ROUND = [[3, 3, 4], [4, 3, 4], [2, 2, 5], [4, 4, 5]]
SECOND_ROUND = [[3, 3, 4], [4, 3, 4], [3, 3, 4], [4, 4, 5]]


def test_three_raters_and_four_mitts_a_side():
    """Invented mitts; alpha and p worked out separately with the ordinary formulas."""
    first = compare_grades(NEW, FIRST_ROUND, rng=seeded())
    assert [low for low, _ in first.baseline.specimen_medians] == [1, 2, 1, 2]
    assert [low for low, _ in first.other.specimen_medians] == [3, 4, 2, 4]
    assert first.agreement.alpha == pytest.approx(0.72, abs=0.005)
    assert "tentative" in first.agreement.words
    assert kendall_concordance(NEW + FIRST_ROUND) == pytest.approx(0.87, abs=0.005)
    assert first.p_value == pytest.approx(6 / 70)
    assert first.verdict == "not resolved"
    assert specimens_to_rerate({"new": NEW, "used": FIRST_ROUND}) == {"new": (), "used": (2,)}

    second = compare_grades(NEW, SECOND_ROUND, rng=seeded())
    assert second.agreement.alpha == pytest.approx(0.85, abs=0.005)
    assert second.p_value == pytest.approx(2 / 70)
    assert second.verdict == "graded worse"
    assert "the smallest possible for 4 against 4" in second.worse_words(other_label="used")
