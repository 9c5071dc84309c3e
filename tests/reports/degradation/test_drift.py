"""Correction by control runs against closed forms and simulated wear with known truth."""

import math

import numpy as np
import pytest

from reports.degradation.drift import (
    ControlPoint,
    ControlScatter,
    check_controls,
    control_scatter,
    factor_at,
    mean_weights,
    ratio_variance,
    reference_of,
    widened,
)
from reports.degradation.intervals import CannotCompare, Interval

HOUR = 3600.0


def point(hours, value, group="", half=0.0):
    return ControlPoint(hours * HOUR, Interval(value - half, value + half), group)


def test_the_factor_lies_on_the_line_between_the_logs():
    # 4 s at the start, 9 s two hours later: half way the control reads sqrt(36) = 6 s
    controls = [point(0, 4.0), point(2, 9.0)]
    found = factor_at(controls, HOUR, reference=6.0)
    assert found.value == pytest.approx(1.0)
    assert found.weight_after == pytest.approx(0.5)
    assert factor_at(controls, 0.0, reference=6.0).value == pytest.approx(1.5)
    assert factor_at(controls, 2 * HOUR, reference=6.0).value == pytest.approx(6 / 9)


def test_the_reference_is_the_geometric_mean():
    assert reference_of([point(0, 4.0), point(1, 9.0)]) == pytest.approx(6.0)


@pytest.mark.parametrize(
    ("controls", "told"),
    [
        ([point(0, 4.0)], "after"),
        ([point(2, 4.0)], "before"),
        ([point(0, 4.0, "belt 1"), point(2, 4.0, "belt 2")], "before"),
        ([point(-13, 4.0), point(2, 4.0)], "before"),
    ],
)
def test_without_a_control_on_both_sides_it_is_refused(controls, told):
    with pytest.raises(CannotCompare, match=told):
        factor_at(controls, HOUR, reference=4.0)


def test_drift_past_its_limit_is_refused_and_at_its_limit_is_not():
    controls = [point(0, 10.0), point(2, 12.0)]
    with pytest.raises(CannotCompare, match="more than the 15 %"):
        factor_at(controls, HOUR, reference=10.0, drift_limit=0.15)
    assert factor_at(controls, HOUR, reference=10.0, drift_limit=0.21).value < 1


def test_controls_with_an_open_end_or_one_time_are_refused():
    with pytest.raises(CannotCompare, match="stopped"):
        check_controls([ControlPoint(0, Interval(4, math.inf))])
    with pytest.raises(CannotCompare, match="same time"):
        check_controls([point(0, 4.0), point(0, 5.0)])


def test_a_smooth_drift_is_no_scatter():
    steady = [point(h, 5 * math.exp(0.2 * h)) for h in range(6)]
    assert control_scatter(steady).variance == pytest.approx(0.0, abs=1e-20)


def test_steps_of_the_reading_are_the_least_scatter():
    # a rectangle of width w on the log scale has variance w^2 / 12 (JCGM 100, 4.3.7)
    alike = [point(h, 5.0, half=0.05) for h in range(4)]
    width = math.log(5.05 / 4.95)
    assert control_scatter(alike).variance == pytest.approx(width**2 / 12)


def test_scatter_is_found_on_the_average_whatever_the_drift():
    rng = np.random.default_rng(5)
    found = [
        control_scatter(
            [point(h, 5 * math.exp(-0.1 * h + 0.03 * rng.standard_normal())) for h in range(8)]
        )
        for _ in range(400)
    ]
    assert np.mean([one.variance for one in found]) == pytest.approx(0.03**2, rel=0.08)


def test_arms_that_take_turns_share_the_error_and_others_do_not():
    controls = [point(0, 5.0), point(4, 5.0)]
    at = [factor_at(controls, h * HOUR, reference=5.0) for h in (0, 1, 2, 3, 4)]
    scatter = ControlScatter(0.01, 5.0)
    turns = [mean_weights([[at[1]], [at[3]]], 2), mean_weights([[at[2]]], 2)]
    assert ratio_variance(*turns, scatter) == pytest.approx(0.0)
    # all of one arm at the first control, all of the other at the last: both errors in full
    apart = [mean_weights([[at[0]]], 2), mean_weights([[at[4]]], 2)]
    assert ratio_variance(*apart, scatter) == pytest.approx(0.02)


def test_widening_adds_in_squares_on_the_log_scale():
    # 3 and 4 make 5: half widths in logs, with the normal quantile 1.959964 (many degrees)
    low, high = widened(
        math.exp(-0.3),
        1.0,
        math.exp(0.3),
        variance=(0.4 / 1.959964) ** 2,
        degrees_of_freedom=1e9,
        level=0.95,
    )
    assert (math.log(low), math.log(high)) == pytest.approx((-0.5, 0.5), abs=1e-6)
    assert widened(None, 1.0, None, variance=1.0, degrees_of_freedom=3.0, level=0.95) == (
        None,
        None,
    )


def test_intervals_cover_the_truth_of_a_wearing_belt():
    """The reference runs' own error: its 95 % interval must hold the true factor ratio."""
    rng = np.random.default_rng(11)
    held = 0
    for _ in range(400):
        controls = [
            point(h, 6 * math.exp(0.1 * h + 0.02 * rng.standard_normal())) for h in range(0, 9, 2)
        ]
        early = [factor_at(controls, h * HOUR, reference=6.0) for h in (0.5, 1.5, 2.5)]
        late = [factor_at(controls, h * HOUR, reference=6.0) for h in (5.5, 6.5, 7.5)]
        error = np.mean([math.log(f.value) for f in late]) - np.mean(
            [math.log(f.value) for f in early]
        )
        error += 0.1 * 5.0  # the drift itself, which the factors take out
        scatter = control_scatter(controls)
        variance = ratio_variance(
            mean_weights([[f] for f in early], 5), mean_weights([[f] for f in late], 5), scatter
        )
        low, high = widened(
            1.0,
            1.0,
            1.0,
            variance=variance,
            degrees_of_freedom=scatter.degrees_of_freedom,
            level=0.95,
        )
        reach = math.hypot(0.0, math.log(high or 1.0)) or math.log(1 / (low or 1.0))
        held += abs(error) <= abs(reach)
    assert held / 400 >= 0.93
