"""Matched pairs: what coarse steps leave open, what is refused, and what they must survive."""

import math
import warnings
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reports.degradation import CannotCompare, Interval, Record
from reports.degradation.pairs import paired


def test_pairs_in_one_bracket_leave_open_what_the_bracket_leaves_open():
    # left and right both held at 2.5 J and failed at 5 J: the ratio lies from 0.5 to 2
    few = paired([(Interval(2.5, 5), Interval(2.5, 5))] * 3)
    assert few.low < 0.5
    assert few.high > 2.0
    found = paired([(Interval(2.5, 5), Interval(2.5, 5))] * 8)
    assert (found.low, found.high) == pytest.approx((0.5, 2.0))
    assert found.verdict == "not resolved"
    assert any("too coarse" in note for note in found.notes)
    assert found.smallest_visible_loss == pytest.approx(0.5, abs=1e-3)


def test_a_blunter_instrument_never_narrows_a_result():
    logs = (-0.2, -0.35, -0.1, -0.28)
    widths = []
    for half in (1e-6, 0.05, 0.2, 0.5):
        pairs = [
            (
                Interval(10 * math.exp(-half), 10 * math.exp(half)),
                Interval(10 * math.exp(d - half), 10 * math.exp(d + half)),
            )
            for d in logs
        ]
        found = paired(pairs)
        widths.append(math.log(found.high / found.low))
    assert all(b >= a * (1 - 1e-6) for a, b in pairwise(widths)), widths


def test_swapping_the_sides_turns_the_ratio_over():
    pairs = [(Interval(9, 10), Interval(7, 9)), (Interval(8, 10), Interval(7, 8))] * 2
    one, two = paired(pairs), paired([(b, a) for a, b in pairs])
    assert two.retention == pytest.approx(1 / one.retention, rel=1e-6)
    assert (two.low, two.high) == pytest.approx((1 / one.high, 1 / one.low), rel=1e-6)


def test_ratios_whose_interval_would_not_fit_in_a_number_have_open_ends():
    pairs = [(Interval(1, 1), Interval(1e-260, 1e-260)), (Interval(1, 1), Interval(1e260, 1e260))]
    found = paired(pairs)
    assert (found.low, found.high) == (0.0, math.inf)
    assert found.verdict == "not resolved"


finite = st.floats(min_value=1e-300, max_value=1e300)
ends = st.tuples(st.one_of(st.just(0.0), finite), st.one_of(st.just(math.inf), finite)).map(sorted)
values = ends.filter(lambda e: e[1] > 0).map(lambda e: Interval(*e))


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.tuples(values, values), max_size=7),
    st.one_of(st.none(), st.builds(Record, st.sampled_from((1e-8, 0.01, 4.0)), st.just(5.0))),
)
def test_any_pairs_give_an_answer_or_a_named_refusal(pairs, record):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        if not pairs:
            with pytest.raises(CannotCompare, match="no pair"):
                paired(pairs, record=record)
            return
        if any(o.log_low - b.log_high > 700 or o.log_high - b.log_low < -700 for b, o in pairs):
            with pytest.raises(CannotCompare, match="too far apart"):
                paired(pairs, record=record)
            return
        found = paired(pairs, record=record)
    assert not math.isnan(found.low)
    assert not math.isnan(found.high)
    assert found.low <= found.high
    if found.refusal:
        assert found.verdict == "not resolved"
