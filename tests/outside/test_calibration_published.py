"""Corrections, their uncertainty and the tolerance of indicators, by rules from outside."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.calibrations import ReadWith, calibrated
from trials.physics.calibration import (
    indicator_power,
    shift_in,
    shifted,
    widened_by_tolerance,
)
from trials.physics.errors import OutOfRange


def shift(unit, instrument_unit, correction=1.0, expanded=0.4, factor=2.0):
    return shift_in(
        unit,
        correction=correction,
        expanded_uncertainty=expanded,
        coverage_factor=factor,
        instrument_unit=instrument_unit,
    )


def test_standard_uncertainty_is_the_expanded_one_over_its_factor():
    # JCGM 100:2008, 4.3.3 and 4.3.4, example of a 1 kg weight: 240 ug at three standard deviations
    # is a standard uncertainty of 80 ug.
    found = shift("g", "mg", correction=0.325, expanded=0.240, factor=3)
    assert found.standard_uncertainty == pytest.approx(80e-6)
    assert found.amount == pytest.approx(325e-6)


@pytest.mark.parametrize(
    ("unit", "instrument_unit", "amount"),
    # SI brochure: a difference of 1 degC is one of 1.8 degF and of 1 K; 1 kN is 1000 N, and
    # 1 lbf is 4.4482216152605 N.
    [
        ("degF", "degC", 1.8),
        ("degC", "degF", 1 / 1.8),
        ("N", "kN", 1000.0),
        ("N", "lbf", 4.4482216152605),
    ],
)
def test_a_correction_converts_as_a_difference(unit, instrument_unit, amount):
    assert shift(unit, instrument_unit).amount == pytest.approx(amount, rel=1e-12)


def test_another_quantity_is_not_corrected():
    assert shift("s", "degC") is None
    assert shift("HIC", "g_n") is None
    assert shift("grade", "degC") is None


@pytest.mark.parametrize("numbers", [(math.nan, 0.4, 2), (1, math.inf, 2), (1, 0.4, 0), (1, -1, 2)])
def test_numbers_that_cannot_be_are_refused(numbers):
    correction, expanded, factor = numbers
    with pytest.raises(OutOfRange):
        shift("N", "kN", correction, expanded, factor)


def test_open_ends_and_nothing_seen_stay():
    assert shifted(4.0, 5.0, 0.5) == (4.5, 5.5)
    assert shifted(4.0, None, -0.5) == (3.5, None)
    assert shifted(0.0, 0.5, 0.2) == (0.0, 0.7)
    assert shifted(0.1, 0.3, -0.5) == (0.0, 0.0)


def test_a_ladder_of_indicators_brackets_the_peak():
    # Arithmetic: tripped at 50 g and not at 75 g, each within 15 %, is 42.5 to 86.25 g, and two
    # arms in that bracket allow a ratio from 0.49 to 2.03.
    low, high = widened_by_tolerance(50, 75, tolerance=0.15, power=1)
    assert (low, high) == (pytest.approx(42.5), pytest.approx(86.25))
    assert low / high == pytest.approx(0.49, abs=0.005)
    assert high / low == pytest.approx(2.03, abs=0.005)


def test_a_spring_needs_the_square_in_height():
    # Closed form: a mass m falling from h on a spring k peaks at a = sqrt(2 g h k/m) (the weight
    # itself left out), so the height that gives 1.15 times the peak is 1.15^2 times as high.
    assert indicator_power("g_n", "m") == 2
    assert indicator_power("g_n", "J") == 2
    assert indicator_power("m/s2", "m/s") == 1
    assert indicator_power("g_n", "g_n") == 1
    assert indicator_power("g_n", "s") is None
    g, k, m, h = 9.80665, 2.0e5, 5.0, 0.8
    peak = math.sqrt(2 * g * h * k / m)
    _, high = widened_by_tolerance(h, h, tolerance=0.15, power=2)
    assert math.sqrt(2 * g * high * k / m) == pytest.approx(1.15 * peak, rel=1e-12)


@pytest.mark.parametrize("tolerance", [0, 1, -0.1, math.nan])
def test_a_tolerance_is_a_share(tolerance):
    with pytest.raises(OutOfRange):
        widened_by_tolerance(1, 2, tolerance=tolerance, power=1)


def log_ratio(one, other, error):
    return np.mean(np.log(np.add(other, error))) - np.mean(np.log(np.add(one, error)))


@given(
    st.lists(st.floats(2, 50), min_size=1, max_size=5),
    st.lists(st.floats(2, 50), min_size=1, max_size=5),
)
def test_a_shared_error_enters_the_ratio_as_a_small_push_shows(one, other):
    # JCGM 100:2008, 5.2.2 and 5.1.4: fully correlated inputs add linearly, and a sensitivity may
    # be found by pushing the input by its standard uncertainty.
    u = 1e-4
    readings = [ReadWith("a", str(i), y, y, (("cal", u),)) for i, y in enumerate(one)]
    readings += [ReadWith("b", str(i), y, y, (("cal", u),)) for i, y in enumerate(other)]
    known = calibrated(readings, moved_count=0, widened_count=0)
    pushed = abs(log_ratio(one, other, u) - log_ratio(one, other, 0.0))
    assert math.sqrt(known.log_variance("a", "b")) == pytest.approx(pushed, rel=1e-3, abs=1e-9)


def test_two_calibrations_do_not_cancel():
    # Independent: the squares of 0.1/10 and 0.1/10 add (JCGM 100:2008, 5.1.2).
    readings = [
        ReadWith("a", "1", 10, 10, (("first", 0.1),)),
        ReadWith("b", "2", 10, 10, (("second", 0.1),)),
    ]
    known = calibrated(readings, moved_count=0, widened_count=0)
    assert math.sqrt(known.log_variance("a", "b")) == pytest.approx(0.01 * math.sqrt(2))
    same = [ReadWith(r.arm, r.specimen, 10, 10, (("first", 0.1),)) for r in readings]
    assert calibrated(same, moved_count=0, widened_count=0).log_variance("a", "b") == 0.0
