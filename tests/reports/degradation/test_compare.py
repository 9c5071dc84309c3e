"""Two arms: identities that hold by mathematics, and the hard inputs."""

import math
import time
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from reports.degradation import (
    CannotCompare,
    Interval,
    Record,
    compare,
    compare_many,
    sidak_level,
    verdict_of,
)

INF = math.inf


def exact(values):
    return [Interval(value, value) for value in values]


def rounded(values, resolution):
    return [Interval(value - resolution / 2, value + resolution / 2) for value in values]


def widened(values, half_log_width):
    grow = math.exp(half_log_width)
    return [Interval(value / grow, value * grow) for value in values]


def log_t_interval(baseline, other, level=0.95):
    """Student's two-sample t on logs, from scipy.stats."""
    test = stats.ttest_ind(np.log(other), np.log(baseline))
    ends = test.confidence_interval(level)
    return math.exp(ends.low), math.exp(ends.high)


NEW = [9.8, 11.2, 10.4]
WORN = [7.9, 8.8, 7.2, 8.1]


@pytest.mark.parametrize("level", [0.5, 0.8, 0.95, 0.99])
@pytest.mark.parametrize("sizes", [(2, 2), (3, 3), (3, 8), (20, 12)])
def test_exact_readings_with_pooled_scatter_give_students_t(sizes, level):
    rng = np.random.default_rng(sum(sizes))
    baseline = rng.lognormal(2, 0.2, sizes[0])
    other = rng.lognormal(1.9, 0.3, sizes[1])
    found = compare(exact(baseline), exact(other), scale="pooled", level=level)
    expected = log_t_interval(baseline, other, level)
    assert (found.low, found.high) == pytest.approx(expected, rel=1e-6)
    assert found.retention == pytest.approx(stats.gmean(other) / stats.gmean(baseline), rel=1e-9)


@pytest.mark.parametrize("sizes", [(2, 2), (3, 3), (5, 8), (30, 20)])
def test_quadrature_meets_students_t_as_intervals_shrink(sizes):
    rng = np.random.default_rng(sum(sizes) + 1)
    baseline = rng.lognormal(2, 0.2, sizes[0])
    other = rng.lognormal(1.9, 0.2, sizes[1])
    found = compare(widened(baseline, 1e-6), widened(other, 1e-6), scale="pooled")
    low, high = log_t_interval(baseline, other)
    width = math.log(high / low)
    assert math.log(found.low) == pytest.approx(math.log(low), abs=1e-4 * width)
    assert math.log(found.high) == pytest.approx(math.log(high), abs=1e-4 * width)


def behrens_fisher_end(baseline, other, tail):
    """Quantile of the difference of two independent t posteriors, by one-dimensional integration."""
    x, y = np.log(baseline), np.log(other)
    t_x, t_y = stats.t(len(x) - 1), stats.t(len(y) - 1)
    se_x, se_y = stats.sem(x), stats.sem(y)
    # Nodes at the quantiles of one t: an average over them is an integral over its law.
    share = (np.arange(20_000) + 0.5) / 20_000
    shifts = se_x * t_x.ppf(share)

    def missed(end):
        return np.mean(t_y.cdf((end + shifts - (y.mean() - x.mean())) / se_y)) - tail

    return optimize.brentq(missed, -200, 200, xtol=1e-10)


@pytest.mark.parametrize("sizes", [(3, 3), (3, 8), (8, 4), (12, 15)])
def test_exact_readings_with_separate_scatter_give_behrens_fisher(sizes):
    rng = np.random.default_rng(7)
    baseline = rng.lognormal(2, 0.1, sizes[0])
    other = rng.lognormal(1.9, 0.4, sizes[1])
    found = compare(exact(baseline), exact(other), scale="separate")
    assert math.log(found.low) == pytest.approx(
        behrens_fisher_end(baseline, other, 0.025), abs=2e-5
    )
    assert math.log(found.high) == pytest.approx(
        behrens_fisher_end(baseline, other, 0.975), abs=2e-5
    )


def test_two_against_two_with_separate_scatter_is_a_difference_of_cauchys():
    # With one degree of freedom each t is a Cauchy, and Cauchys add up to a Cauchy whose scale is
    # the sum of theirs: a closed form for the heaviest tails that can occur.
    baseline, other = [1.0, math.exp(0.1)], [1.0, math.exp(0.2)]
    reach = (0.05 + 0.1) * math.tan(math.pi * 0.475)
    for arms in (
        (exact(baseline), exact(other)),
        (widened(baseline, 1e-7), widened(other, 1e-7)),
    ):
        found = compare(*arms, scale="separate")
        assert math.log(found.low) == pytest.approx(0.05 - reach, rel=1e-3)
        assert math.log(found.high) == pytest.approx(0.05 + reach, rel=1e-3)


def test_separate_scatter_is_close_to_welch_with_many_specimens():
    rng = np.random.default_rng(3)
    baseline, other = rng.lognormal(2, 0.1, 30), rng.lognormal(1.9, 0.3, 60)
    found = compare(exact(baseline), exact(other), scale="separate")
    ends = stats.ttest_ind(np.log(other), np.log(baseline), equal_var=False).confidence_interval()
    assert math.log(found.low) == pytest.approx(ends.low, abs=2e-3)
    assert math.log(found.high) == pytest.approx(ends.high, abs=2e-3)


def test_one_pair_with_a_record_has_a_closed_form():
    record = Record(variance=0.02, degrees_of_freedom=7)
    found = compare(exact([12.0]), exact([10.0]), record=record)
    reach = stats.t(7).ppf(0.975) * math.sqrt(0.02 * 2)
    assert found.low == pytest.approx(10 / 12 * math.exp(-reach), rel=1e-9)
    assert found.high == pytest.approx(10 / 12 * math.exp(reach), rel=1e-9)
    assert found.scope == "these items"
    narrow = compare(widened([12.0], 1e-5), widened([10.0], 1e-5), record=record)
    assert (narrow.low, narrow.high) == pytest.approx((found.low, found.high), rel=1e-4)


def test_one_specimen_against_four_with_a_record_has_a_closed_form():
    record = Record(variance=0.02, degrees_of_freedom=7)
    found = compare(exact([12.0]), exact(WORN), record=record)
    reach = stats.t(7).ppf(0.975) * math.sqrt(0.02 * (1 + 1 / 4))
    assert found.low == pytest.approx(stats.gmean(WORN) / 12 * math.exp(-reach), rel=1e-9)


def test_a_record_adds_its_degrees_of_freedom_to_pooled_scatter():
    # Normal likelihood times a scaled inverse chi-square: sums of squares and degrees add up.
    record = Record(variance=0.02, degrees_of_freedom=7)
    found = compare(exact(NEW), exact(WORN), record=record, scale="pooled")
    x, y = np.log(NEW), np.log(WORN)
    squares = np.sum((x - x.mean()) ** 2) + np.sum((y - y.mean()) ** 2) + 7 * 0.02
    reach = stats.t(12).ppf(0.975) * math.sqrt(squares / 12 * (1 / 3 + 1 / 4))
    assert math.log(found.high) == pytest.approx(y.mean() - x.mean() + reach, abs=1e-9)


def test_one_specimen_without_a_record_claims_nothing():
    found = compare(exact([12.0]), exact([9.0]))
    assert found.retention == pytest.approx(0.75)
    assert (found.low, found.high, found.verdict) == (0.0, INF, "not resolved")
    assert found.scope == "these items"
    assert "nothing is claimed" in found.refusal
    assert found.smallest_visible_loss is None
    assert not found.claims_something


SETS = [
    (rounded(NEW, 0.1), rounded(WORN, 0.1)),
    ([Interval(2.5, 5), Interval(5, 10), Interval(2.5, 5)], [Interval(2.5, 5)] * 3),
    ([Interval(4, INF), Interval(3.9, 4.1), Interval(5, 5.2)], rounded([2.1, 2.6, 2.2], 0.1)),
    ([Interval(0, 0.3), Interval(0.3, 0.5), Interval(0.5, 0.6)], rounded([2.1, 3.4, 2.8], 0.1)),
    ([Interval(10, INF)] * 3, rounded([5, 6, 7], 0.5)),
    (rounded([5, 6, 7], 0.5), [Interval(0, 3)] * 4),
]


@pytest.mark.parametrize("scale", ["linked", "pooled"])
@pytest.mark.parametrize("pair", SETS)
def test_the_unit_does_not_matter(pair, scale):
    first = compare(*pair, scale=scale)
    for factor in (1e-6, 0.3048, 4.4e7):
        arms = [[Interval(r.low * factor, r.high * factor) for r in arm] for arm in pair]
        again = compare(*arms, scale=scale)
        assert again.verdict == first.verdict
        assert (again.low, again.high) == pytest.approx((first.low, first.high), rel=1e-6)


@pytest.mark.parametrize("scale", ["linked", "pooled"])
@pytest.mark.parametrize("pair", SETS)
def test_swapping_the_arms_inverts_the_ratio(pair, scale):
    forth = compare(*pair, scale=scale)
    back = compare(*reversed(pair), scale=scale)

    def inverse(value):
        return INF if value == 0 else 1 / value

    assert (inverse(back.high), inverse(back.low)) == pytest.approx(
        (forth.low, forth.high), rel=2e-4
    )


@pytest.mark.parametrize("pair", SETS)
def test_lower_is_better_turns_the_ratio_over(pair):
    up = compare(*pair)
    down = compare(*pair, higher_is_better=False)
    assert down.low == pytest.approx(1 / up.high if up.high < INF else 0.0)
    assert down.high == pytest.approx(1 / up.low if up.low > 0 else INF)
    mirror = {
        "clear loss": "clear gain",
        "some loss": "some gain",
        "held": "held",
        "not resolved": "not resolved",
        "some gain": "some loss",
        "clear gain": "clear loss",
    }
    assert down.verdict == mirror[up.verdict]


@pytest.mark.parametrize("scale", ["linked", "pooled", "separate"])
@pytest.mark.parametrize("seed", [11, 12, 13])
def test_widening_every_reading_does_not_narrow_the_result(scale, seed):
    # From brackets far finer than the scatter to brackets five times as wide as it.
    rng = np.random.default_rng(seed)
    baseline, other = rng.lognormal(2, 0.1, 4), rng.lognormal(1.9, 0.1, 4)
    widths = []
    for half in (0.001, 0.005, 0.01, 0.03, 0.07, 0.1, 0.15, 0.3, 0.5):
        found = compare(widened(baseline, half), widened(other, half), scale=scale)
        widths.append(math.log(found.high / found.low))
    assert all(b >= a * (1 - 2e-4) for a, b in pairwise(widths))
    assert widths[-1] > 1.5 * widths[0] or scale == "separate"


def test_a_higher_level_is_wider_and_holds_the_lower():
    ends = [compare(*SETS[2], level=level) for level in (0.5, 0.8, 0.95, 0.99, 0.999)]
    for inner, outer in pairwise(ends):
        assert outer.low < inner.low < inner.high < outer.high


def test_auto_links_arms_of_like_size_and_separates_the_others():
    assert compare(rounded(NEW, 0.1), rounded(WORN, 0.1)).scale == "linked"
    eight = [8.2, 7.9, 8.8, 7.2, 8.1, 8.5, 7.7, 8.0]
    assert compare(rounded(NEW, 0.1), rounded(eight, 0.1)).scale == "separate"
    assert compare([Interval(8, INF)] * 3, rounded(eight, 0.1)).scale == "linked"


def test_linked_scatter_is_narrower_than_separate_and_wider_than_pooled():
    widths = {}
    for scale in ("pooled", "linked", "separate"):
        found = compare(exact(NEW), exact(WORN[:3]), scale=scale)
        widths[scale] = math.log(found.high / found.low)
    assert widths["pooled"] < widths["linked"] < widths["separate"]


def test_batch_and_one_by_one_agree():
    rng = np.random.default_rng(5)
    pairs = [
        (
            rounded(np.round(rng.lognormal(2, 0.15, rng.integers(2, 7)), 1), 0.1),
            rounded(np.round(rng.lognormal(1.9, 0.15, rng.integers(2, 7)), 1), 0.1),
        )
        for _ in range(60)
    ] + SETS
    for together, alone in zip(compare_many(pairs), (compare(*p) for p in pairs), strict=True):
        assert (together.low, together.high) == pytest.approx((alone.low, alone.high), rel=1e-9)
        assert (together.verdict, together.notes) == (alone.verdict, alone.notes)


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [
        (0.5, 0.8, "clear loss"),
        (0.5, 0.95, "some loss"),
        (0.92, 0.97, "some loss"),
        (0.95, 1.05, "held"),
        (0.9, 1 / 0.9, "held"),
        (0.85, 1.05, "not resolved"),
        (0.95, 1.2, "not resolved"),
        (1.02, 1.3, "some gain"),
        (1.2, 1.5, "clear gain"),
        (0.0, INF, "not resolved"),
        (0.0, 0.7, "clear loss"),
        (1.3, INF, "clear gain"),
    ],
)
def test_verdict(low, high, expected):
    assert verdict_of(low, high, 0.1) == expected


def test_an_arm_that_never_failed_bounds_the_ratio_on_one_side():
    found = compare(rounded([10, 11, 12], 1), [Interval(20, INF)] * 3)
    assert found.high == INF
    assert found.retention is None
    assert found.smallest_visible_loss is None
    assert 1.2 < found.low < 20 / 11
    assert found.verdict == "clear gain"
    assert any("no upper end" in note for note in found.notes)


def test_bound_of_an_open_arm_with_known_scatter_is_the_exact_one():
    # All n held at c: the mean m with Phi((m - ln c) / s)^n = 0.025 is the exact 97.5 % bound.
    # A record with very many degrees of freedom makes s known; the other arm is as good as known.
    s, n = 0.2, 4
    record = Record(s**2, 1e6)
    known = [Interval(10, 10)] * 4000 + [
        Interval(10 * math.exp(0.001), 10 * math.exp(0.001))
    ] * 4000
    found = compare(known, [Interval(15, INF)] * n, record=record, scale="pooled")
    bound = math.log(1.5) + s * stats.norm.ppf(0.025 ** (1 / n)) - 0.0005
    assert math.log(found.low) == pytest.approx(bound, abs=2e-4)


def test_two_open_arms_without_a_record_bound_nothing():
    found = compare([Interval(20, INF)] * 3, [Interval(0, 5)] * 3)
    assert (found.low, found.high, found.retention) == (0.0, INF, None)
    assert found.verdict == "not resolved"


def test_equal_exact_readings_are_refused_unless_something_else_shows_the_scatter():
    refused = compare(exact([10] * 3), exact([8] * 3))
    assert "exactly equal" in refused.refusal
    assert refused.verdict == "not resolved"
    pooled = compare(exact([10] * 3), exact([8, 8.2, 8.1]), scale="pooled")
    # Student's t by hand: one arm adds nothing to the sum of squares but its two degrees.
    y = np.log([8, 8.2, 8.1])
    reach = stats.t(4).ppf(0.975) * math.sqrt(np.sum((y - y.mean()) ** 2) / 4 * 2 / 3)
    assert math.log(pooled.high) == pytest.approx(y.mean() - math.log(10) + reach, abs=1e-6)
    recorded = compare(exact([10] * 3), exact([8] * 3), record=Record(0.01, 10))
    assert not recorded.refusal
    assert 0.5 < recorded.low < 0.8 < recorded.high < 1


def test_equal_rounded_readings_span_their_rounding():
    found = compare(rounded([10] * 3, 0.2), rounded([8] * 3, 0.2))
    assert found.low <= 7.9 / 10.1 + 1e-12
    assert found.high >= 8.1 / 9.9 - 1e-12
    assert found.verdict == "clear loss"


def test_specimens_that_say_nothing_are_left_out_and_counted():
    found = compare([Interval(0, INF), *rounded(NEW, 0.1)], rounded(WORN, 0.1))
    assert found.n_baseline == 3
    assert any("left out: 1" in note for note in found.notes)


def test_separate_scatter_for_an_open_arm_is_refused_with_a_reason():
    found = compare([Interval(10, INF)] * 3, rounded(WORN, 0.1), scale="separate")
    assert "tells nothing of its own scatter" in found.refusal


@pytest.mark.parametrize(
    ("arms", "options"),
    [
        (([], [Interval(1, 2)]), {}),
        (([Interval(0, INF)], [Interval(1, 2)]), {}),
        (([Interval(1, 2)] * 2, [Interval(1, 2)] * 2), {"level": 0.2}),
        (([Interval(1, 2)] * 2, [Interval(1, 2)] * 2), {"level": math.nan}),
        (([Interval(1, 2)] * 2, [Interval(1, 2)] * 2), {"margin": 1.0}),
        (([Interval(1, 2)] * 2, [Interval(1, 2)] * 2), {"scale": "welch"}),
        (([Interval(1, 2)] * 2, [Interval(1, 2)] * 2), {"distribution": "gamma"}),
        (([Interval(1, 2)] * 2, [Interval(1, 2)] * 2), {"record": [None, None]}),
    ],
)
def test_what_cannot_be_compared_is_refused_by_name(arms, options):
    with pytest.raises(CannotCompare):
        compare(*arms, **options)


@pytest.mark.parametrize(
    ("low", "high"),
    [(math.nan, 1), (1, math.nan), (2, 1), (-1, 1), (0, 0), (INF, INF), (-INF, 1)],
)
def test_ends_that_are_no_interval_are_refused_by_name(low, high):
    with pytest.raises(CannotCompare, match="reading"):
        Interval(low, high)


def test_sidak_level():
    # Sidak (1967): five intervals of level 0.98979 hold together with level 0.95.
    assert sidak_level(0.95, 5) == pytest.approx(0.98979, abs=1e-5)
    assert sidak_level(0.9, 1) == 0.9
    with pytest.raises(CannotCompare):
        sidak_level(0.95, 0)


@pytest.mark.parametrize("resolution", [1e-4, 0.1, 2.0])
def test_ten_thousand_readings_in_an_arm_take_less_than_a_second(resolution):
    rng = np.random.default_rng(2)
    draws = [rng.lognormal(mean, 0.2, 10_000) for mean in (3.0, 2.9)]
    arms = [
        [Interval(resolution * k, resolution * (k + 1)) for k in np.floor(draw / resolution)]
        for draw in draws
    ]
    started = time.process_time()
    found = compare(*arms)
    taken = time.process_time() - started
    ratio = math.exp(np.mean(np.log(draws[1])) - np.mean(np.log(draws[0])))
    assert found.retention == pytest.approx(ratio, rel=2e-3)
    width = math.log(found.high / found.low)
    assert width == pytest.approx(2 * 1.96 * 0.2 * math.sqrt(2 / 10_000), rel=0.1)
    assert taken < 1.0


ENDS = st.one_of(
    st.sampled_from([0.0, 1e-300, 1e-9, 0.5, 1.0, 1.0000001, 2.0, 5.0, 1e9, 1e300, INF]),
    st.floats(min_value=0, max_value=1e300, allow_nan=False),
    st.floats(min_value=0.5, max_value=2),
)


@st.composite
def intervals(draw):
    low, high = sorted((draw(ENDS), draw(ENDS)))
    if math.isinf(low) or high == 0:
        low, high = 1.0, 2.0
    return Interval(low, high)


ARMS = st.lists(intervals(), min_size=1, max_size=6)


@settings(max_examples=300, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    baseline=ARMS,
    other=ARMS,
    scale=st.sampled_from(["auto", "linked", "separate", "pooled"]),
    distribution=st.sampled_from(["lognormal", "weibull"]),
    record=st.sampled_from([None, Record(0.01, 10), Record(1e-12, 1), Record(9.0, 300)]),
    repeat=st.integers(min_value=1, max_value=3),
)
def test_any_readings_give_an_answer_or_a_named_refusal(
    baseline, other, scale, distribution, record, repeat
):
    options = {"scale": scale, "distribution": distribution, "record": record}
    if all(reading.says_nothing for reading in baseline) or all(
        reading.says_nothing for reading in other
    ):
        with pytest.raises(CannotCompare, match="says anything"):
            compare(baseline * repeat, other, **options)
        return
    started = time.process_time()
    found = compare(baseline * repeat, other, **options)
    assert time.process_time() - started < 1.0
    assert 0 <= found.low <= found.high <= INF
    assert found.verdict in {
        "clear loss",
        "some loss",
        "held",
        "some gain",
        "clear gain",
        "not resolved",
    }
    if found.retention is not None and not found.refusal:
        assert found.low <= found.retention <= found.high
    if found.refusal:
        assert found.verdict == "not resolved"
