"""Grades: two arms, exact p, agreement."""

from itertools import combinations
from math import comb

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import rankdata

from reports.degradation.grades import (
    compare_grades,
    kendall_concordance,
    krippendorff_alpha,
    specimens_to_rerate,
)


def seeded():
    return np.random.default_rng(20240229)


def single(*grades):
    """Specimens graded by one rater."""
    return [[grade] for grade in grades]


def p_by_listing_every_division(x, y):
    """Slow twin: lists every division of the specimens into two arms."""
    together = list(x) + list(y)
    ranks = rankdata(together)
    seen = ranks[len(x) :].sum()
    sums = [ranks[list(chosen)].sum() for chosen in combinations(range(len(together)), len(y))]
    low = sum(total <= seen + 1e-9 for total in sums)
    high = sum(total >= seen - 1e-9 for total in sums)
    return min(1, 2 * min(low, high) / len(sums))


@given(
    st.lists(st.integers(1, 5), min_size=1, max_size=6),
    st.lists(st.integers(1, 5), min_size=1, max_size=6),
)
@settings(max_examples=60, deadline=None)
def test_exact_p_is_the_share_of_all_divisions(x, y):
    found = compare_grades(single(*x), single(*y), rng=seeded(), resamples=100)
    assert found.p_value == pytest.approx(p_by_listing_every_division(x, y), abs=1e-12)
    assert found.p_value >= found.smallest_possible_p - 1e-12


@given(
    st.lists(st.integers(1, 4), min_size=1, max_size=14),
    st.lists(st.integers(1, 4), min_size=1, max_size=14),
)
@settings(max_examples=60, deadline=None)
def test_chance_of_worse_is_the_count_over_all_pairs(x, y):
    found = compare_grades(single(*x), single(*y), rng=seeded(), resamples=100)
    pairs = [1 if a < b else 0.5 if a == b else 0 for a in x for b in y]
    assert found.probability_worse == pytest.approx(sum(pairs) / len(pairs))
    swapped = compare_grades(single(*y), single(*x), rng=seeded(), resamples=100)
    assert swapped.probability_worse == pytest.approx(1 - found.probability_worse)
    assert swapped.p_value == pytest.approx(found.p_value)


def test_direction_is_turned_when_a_high_grade_is_good():
    found = compare_grades(
        single(5, 5, 4, 5), single(2, 1, 3, 2), rng=seeded(), higher_is_better=True
    )
    assert found.probability_worse == 1
    assert found.verdict == "graded worse"
    assert found.baseline.median == (5, 5)


def test_median_of_an_even_number_of_raters_names_both_middle_grades():
    found = compare_grades([[1, 2], [1, 1]], [[2, 5], [3, 4]], rng=seeded())
    assert found.baseline.specimen_medians == ((1, 2), (1, 1))
    assert found.other.specimen_medians == ((2, 5), (3, 4))
    assert found.other.median_words == "2 to 5"
    assert found.other.rating_counts == ((2, 1), (3, 1), (4, 1), (5, 1))


def test_three_against_three_can_show_nothing_at_95_percent():
    found = compare_grades(single(1, 1, 1), single(5, 5, 5), rng=seeded())
    assert found.p_value == pytest.approx(2 / comb(6, 3))
    assert found.verdict == "not resolved"
    assert "3 against 3 items are too few" in found.refusal
    assert "0.1" in found.refusal


def test_arm_without_a_grade_is_refused_in_words():
    found = compare_grades([[None, None]], [[1, 2]], rng=seeded())
    assert found.probability_worse is None
    assert found.verdict == "not resolved"
    assert found.refusal == "One of the arms has no graded item, so there is nothing to compare."
    assert found.worse_words() == found.refusal
    assert found.baseline.median_words == "not graded"


def test_ungraded_specimens_are_left_out_and_counted():
    found = compare_grades(
        [[1, 1], [None, None], [2, 1]], [[3, None], [4, 4], [3, 3]], rng=seeded()
    )
    assert found.baseline.specimen_count == 2
    assert found.notes == ("1 item of the baseline arm had no grade and could not be used.",)


def test_two_large_arms_without_overlap_get_p_but_no_interval():
    found = compare_grades(single(*[1] * 12), single(*[3] * 11), rng=seeded())
    assert found.p_value == pytest.approx(2 / comb(23, 11))
    assert found.low is None
    assert found.high is None
    assert found.verdict == "graded worse"
    assert "share no grade" in found.notes[0]


def test_two_large_arms_all_alike_show_no_difference():
    found = compare_grades(single(*[2] * 12), single(*[2] * 11), rng=seeded())
    assert found.p_value == 1
    assert found.probability_worse == 0.5
    assert found.verdict == "not resolved"


def test_ten_a_side_uses_the_small_sample_t():
    found = compare_grades(
        single(1, 1, 2, 1, 2, 3, 1, 2, 1, 2), single(3, 2, 4, 3, 3, 2, 5, 3, 4, 3), rng=seeded()
    )
    assert found.test == "Brunner-Munzel"
    assert 0.5 < found.low < found.probability_worse < found.high <= 1


@pytest.mark.parametrize("bad", [1.5, True, "2", float("nan")])
def test_grade_that_is_not_a_whole_number_is_refused(bad):
    with pytest.raises(ValueError, match="whole number"):
        compare_grades([[1]], [[bad]], rng=seeded())


def test_level_and_resamples_are_checked():
    with pytest.raises(ValueError, match="between 0 and 1"):
        compare_grades([[1]], [[1]], rng=seeded(), level=95)
    with pytest.raises(ValueError, match="at least 100"):
        krippendorff_alpha([[1, 2]], rng=seeded(), resamples=5)
    with pytest.raises(ValueError, match="metric"):
        krippendorff_alpha([[1, 2]], rng=seeded(), metric="ratio")


def test_same_seed_gives_the_same_interval():
    ratings = [[1, 2, 1], [3, 3, 4], [2, 2, 2], [5, 4, 5], [1, 1, 2]]
    first = krippendorff_alpha(ratings, rng=seeded())
    second = krippendorff_alpha(ratings, rng=seeded())
    assert (first.low, first.high) == (second.low, second.high)
    assert first.low <= first.alpha <= first.high


def test_perfect_agreement_is_one():
    found = krippendorff_alpha([[1, 1], [2, 2], [3, 3], [4, 4]] * 3, rng=seeded())
    assert found.alpha == 1
    assert "good enough to rely on" in found.words


def test_one_grade_only_leaves_agreement_undefined():
    found = krippendorff_alpha([[2, 2], [2, 2]], rng=seeded())
    assert found.alpha is None
    assert "same grade" in found.words


def test_one_rater_leaves_agreement_unknown():
    found = krippendorff_alpha([[2], [3]], rng=seeded())
    assert found.alpha is None
    assert found.refusal == "No item was graded by two raters, so agreement is not known."


def test_two_units_give_alpha_without_interval():
    found = krippendorff_alpha([[1, 1], [4, 3]], rng=seeded())
    assert found.alpha is not None
    assert found.low is None
    assert "2 items are too few" in found.interval_refusal


def test_rare_second_grade_withholds_the_interval():
    found = krippendorff_alpha([[1, 1]] * 5 + [[1, 2]], rng=seeded())
    assert found.alpha is not None
    assert found.low is None
    assert "Nearly all ratings" in found.interval_refusal


def test_concordance_needs_an_order_to_agree_on():
    assert kendall_concordance([[1, 1], [2, 3], [3, 4]]) == 1
    assert kendall_concordance([[1, 4], [2, 3], [3, 2], [4, 1]]) == 0
    assert kendall_concordance([[1, 1], [None, 3], [3, 4]]) == 1
    for too_little in ([], [[1], [2]], [[1, 2]], [[2, 2], [2, 2]], [[1, None], [None, 2]]):
        assert kendall_concordance(too_little) is None


def test_rerating_rule_looks_at_both_arms():
    arms = {"new": [[1, 1, 3], [1, 2, 1]], "worn": [[3, 3, 4], [2, 2, 5], [None, 4]]}
    assert specimens_to_rerate(arms) == {"new": (0,), "worn": (1,)}
    with pytest.raises(ValueError, match="at least 1 grade"):
        specimens_to_rerate(arms, spread=0)


rows = st.lists(
    st.lists(st.one_of(st.none(), st.integers(-3, 9)), max_size=4), min_size=0, max_size=12
)


@given(rows, rows)
@settings(max_examples=80, deadline=None)
def test_any_grades_give_numbers_or_a_sentence(baseline, other):
    found = compare_grades(baseline, other, rng=seeded(), resamples=100)
    if found.probability_worse is None:
        assert found.refusal
    else:
        assert 0 <= found.probability_worse <= 1
        assert 0 < found.p_value <= 1
    if found.low is not None:
        assert 0 <= found.low <= found.probability_worse <= found.high <= 1
    agreement = found.agreement
    assert (agreement.alpha is None) == bool(agreement.refusal)
    assert agreement.alpha is None or agreement.alpha <= 1
    assert "nan" not in (agreement.words + found.worse_words()).lower()
