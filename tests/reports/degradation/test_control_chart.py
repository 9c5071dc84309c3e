"""Control charts: limits and named signals.

Worked examples: NIST/SEMATECH e-Handbook of Statistical Methods, sections 6.3.2.2 and 6.3.2.4,
data and figures from memory, confirmed by recomputation. Factors d2 and d3 as tabulated in any
handbook of quality control.
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reports.degradation.control_chart import (
    AVERAGE_BEYOND,
    BEYOND_LIMIT,
    EIGHT_ON_ONE_SIDE,
    RANGE_BEYOND,
    TWO_OF_THREE,
    control_chart,
    individuals_chart,
    mean_range_factor,
    range_deviation_factor,
    weighted_average_chart,
)
from reports.degradation.intervals import CannotCompare, Interval

FLOW_RATES = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
TWENTY = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, *FLOW_RATES]
TWENTY_AVERAGED = [
    *(50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33),
    *(50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99),
]


def test_factors_of_two_values_have_closed_forms():
    assert mean_range_factor(2) == pytest.approx(2 / math.sqrt(math.pi), abs=1e-12)
    assert range_deviation_factor(2) == pytest.approx(math.sqrt(2 - 4 / math.pi), abs=1e-10)


@pytest.mark.parametrize(
    ("span", "d2", "d3"),
    [
        (2, 1.128, 0.853),
        (3, 1.693, 0.888),
        (4, 2.059, 0.880),
        (5, 2.326, 0.864),
        (10, 3.078, 0.797),
    ],
)
def test_factors_are_those_of_the_handbooks(span, d2, d3):
    assert mean_range_factor(span) == pytest.approx(d2, abs=6e-4)
    assert range_deviation_factor(span) == pytest.approx(d3, abs=6e-4)


def test_handbook_individuals_example():
    chart = individuals_chart(FLOW_RATES)
    assert chart.centre == pytest.approx(50.81)
    assert chart.range_centre == pytest.approx(1.8778, abs=5e-5)
    # Printed with d2 rounded to 1.128: 55.8041 and 45.8159.
    assert chart.upper == pytest.approx(55.8041, abs=2e-3)
    assert chart.lower == pytest.approx(45.8159, abs=2e-3)
    # Upper limit of the range: 3.267 times the mean range.
    assert chart.range_upper == pytest.approx(3.267 * 1.8778, abs=2e-3)
    assert chart.signals == ()
    assert "10 values only" in chart.notes[0]


def test_handbook_weighted_average_example():
    chart = weighted_average_chart(TWENTY, centre=50, deviation=2.0539, weight=0.3)
    assert list(chart.averages) == pytest.approx(TWENTY_AVERAGED, abs=5.1e-3)
    # Printed: 52.5884 and 47.4115.
    assert chart.upper_in_the_long_run == pytest.approx(52.5884, abs=2e-4)
    assert chart.lower_in_the_long_run == pytest.approx(47.4115, abs=2e-4)
    assert chart.signals == ()


def test_exact_variance_starts_at_the_weight_and_widens():
    chart = weighted_average_chart([0.0] * 60, centre=0, deviation=2, weight=0.2)
    # After one value the average is w y, with standard deviation w s.
    assert chart.upper[0] == pytest.approx(3 * 0.2 * 2)
    # After two, w^2 + w^2 (1 - w)^2.
    assert chart.upper[1] == pytest.approx(3 * 2 * math.hypot(0.2, 0.2 * 0.8))
    assert chart.upper[-1] == pytest.approx(chart.upper_in_the_long_run, rel=1e-9)


def quiet(count):
    """Base values swinging evenly about 0, with moving ranges of 1.128 so that s is 1."""
    half = mean_range_factor(2) / 2
    return [half if at % 2 else -half for at in range(count)]


def rules(values, base):
    return {
        (signal.rule, signal.at, signal.side)
        for signal in individuals_chart(values, base_count=base).signals
    }


def test_one_point_beyond_three_s():
    assert (BEYOND_LIMIT, 20, "above") in rules([*quiet(20), 3.01], 20)
    assert BEYOND_LIMIT not in {rule for rule, _, _ in rules([*quiet(20), 2.99], 20)}
    assert (BEYOND_LIMIT, 20, "below") in rules([*quiet(20), -3.01], 20)


def test_two_of_three_beyond_two_s_on_one_side():
    assert (TWO_OF_THREE, 22, "above") in rules([*quiet(20), 2.1, 0.5, 2.1], 20)
    assert not {rule for rule, _, _ in rules([*quiet(20), 2.1, 0.5, 0.1, 2.1], 20)} & {TWO_OF_THREE}
    assert not {rule for rule, _, _ in rules([*quiet(20), 2.1, 0.5, -2.1], 20)} & {TWO_OF_THREE}


def test_eight_in_a_row_on_one_side():
    # The base ends above the centre, so seven more complete a run of eight.
    assert (EIGHT_ON_ONE_SIDE, 26, "above") in rules([*quiet(20), *[0.3] * 7], 20)
    assert not rules([*quiet(20), *[0.3] * 6], 20)
    assert (EIGHT_ON_ONE_SIDE, 27, "below") in rules([*quiet(20), *[-0.3] * 8], 20)


def test_a_jump_is_named_where_it_lands():
    assert (RANGE_BEYOND, 21, "above") in rules([*quiet(20), -2.0, 1.9], 20)


def test_slow_drift_is_seen_by_the_weighted_average_first():
    values = [*quiet(20), *np.linspace(0, 1.6, 12)]
    chart = weighted_average_chart(values, centre=0, deviation=1)
    assert chart.signals[0].rule == AVERAGE_BEYOND
    assert chart.signals[0].side == "above"
    assert BEYOND_LIMIT not in {rule for rule, _, _ in rules(values, 20)}


def test_control_readings_are_charted_in_their_unit():
    chart = control_chart([Interval(x * 0.999, x * 1.001) for x in (4.0, 4.2, 4.1, 3.9, 4.0, 9.0)])
    assert chart.lower < chart.centre < chart.upper
    assert chart.middles[0] == pytest.approx(4.0, rel=1e-5)
    assert chart.centre == pytest.approx(
        math.prod((4.0, 4.2, 4.1, 3.9, 4.0, 9.0)) ** (1 / 6), rel=1e-5
    )
    held = control_chart(
        [Interval(x * 0.999, x * 1.001) for x in (4.0, 4.2, 4.1, 3.9, 4.0, 9.0)], base_count=5
    )
    assert {signal.at for signal in held.signals} == {5}
    assert BEYOND_LIMIT in {signal.rule for signal in held.signals}


def test_equal_coarse_readings_have_limits_as_wide_as_their_steps_allow():
    chart = control_chart([Interval(1.0, 1.2)] * 6)
    assert chart.signals == ()
    assert chart.individuals.deviation == pytest.approx(math.log(1.2) / math.sqrt(12))


def test_equal_exact_values_have_no_width_and_no_signal():
    chart = individuals_chart([0.1 + 0.2] * 12)
    assert chart.upper == chart.lower
    assert chart.signals == ()
    assert any("no width" in note for note in chart.notes)


@pytest.mark.parametrize(
    ("readings", "words"),
    [
        ([Interval(1, 2)], "at least 2 values"),
        ([Interval(1, 2), Interval(3, math.inf)], "reading 2 has no upper end"),
        ([Interval(0, 2), Interval(3, 4)], "reading 1 has no lower end"),
        ([], "at least 2 values"),
    ],
)
def test_readings_that_cannot_be_charted_say_why(readings, words):
    with pytest.raises(CannotCompare, match=words):
        control_chart(readings)


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"weight": 0}, "above 0 and at most 1"),
        ({"deviation": -1}, "standard deviation 0 or more"),
        ({"multiplier": 0}, "multiplier"),
        ({"values": [math.nan]}, "finite numbers"),
    ],
)
def test_options_out_of_range_are_refused(changed, words):
    options = {"values": [1.0], "centre": 0.0, "deviation": 1.0} | changed
    with pytest.raises(CannotCompare, match=words):
        weighted_average_chart(options.pop("values"), **options)


def test_base_span_and_hidden_variance_are_checked():
    with pytest.raises(CannotCompare, match="set by 2 to 3"):
        individuals_chart([1, 2, 3], base_count=4)
    with pytest.raises(CannotCompare, match="spans at least 2"):
        individuals_chart([1, 2, 3], span=1)
    with pytest.raises(CannotCompare, match="hidden variance"):
        individuals_chart([1, 2, 3], hidden_variance=-1)


closed = st.tuples(st.floats(1e-300, 1e300), st.floats(0, 3)).map(
    lambda pair: Interval(pair[0], pair[0] * (1 + pair[1]))
)


@given(st.lists(closed, min_size=2, max_size=25), st.floats(0.01, 1))
@settings(max_examples=150, deadline=1000)
def test_any_closed_readings_give_limits_in_order(readings, weight):
    chart = control_chart(readings, weight=weight)
    assert 0 <= chart.lower <= chart.centre * (1 + 1e-9)
    assert chart.centre <= chart.upper * (1 + 1e-9)
    assert all(math.isfinite(x) for x in chart.weighted_average.averages)
    assert all(0 <= signal.at < len(readings) for signal in chart.signals)


@given(st.lists(st.floats(-1e6, 1e6), min_size=8, max_size=30))
@settings(max_examples=100, deadline=1000)
def test_turning_the_values_over_turns_the_signals_over(values):
    up, down = individuals_chart(values), individuals_chart([-x for x in values])
    patterns = (BEYOND_LIMIT, TWO_OF_THREE, EIGHT_ON_ONE_SIDE)
    other = {"above": "below", "below": "above"}
    assert {(s.rule, s.at, other[s.side]) for s in up.signals if s.rule in patterns} == {
        (s.rule, s.at, s.side) for s in down.signals if s.rule in patterns
    }
