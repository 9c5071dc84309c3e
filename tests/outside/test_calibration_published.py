"""Corrections, their uncertainty and the tolerance of indicators, by rules from outside."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.calibrations import ReadWith, calibrated, slope_variance
from reports.degradation import Interval
from reports.degradation.trend import trend, with_slope_error
from trials.physics.calibration import (
    Shift,
    derived_shift,
    indicator_power,
    shift_in,
    shifted,
    widened_by_tolerance,
)
from trials.physics.errors import OutOfRange
from trials.physics.trace_figures import TraceSettings, read_figure


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


@pytest.mark.parametrize(
    ("pulse", "peak_g", "sensitivity"),
    [
        # square of 10 ms: HIC = A^2.5 T, so its derivative is 2.5 A^1.5 T
        (lambda share: np.where((share > 0) & (share < 1), 1.0, 0.0), 100.0, 25.0),
        # triangle of 10 ms: HIC = (4/7)(5/7)^2.5 A^2.5 T over a window whose mean is 5/7 A (Chou
        # and Nyquist, SAE 740082, solved for the triangle), so 2.5 HIC over that mean
        (
            lambda share: np.clip(1.0 - np.abs(2.0 * share - 1.0), 0.0, None),
            100.0,
            2.5 * 0.2464006573552526 * 100.0**2.5 * 0.01 / (5 / 7 * 100.0),
        ),
    ],
    ids=["square", "triangle"],
)
def test_how_the_head_injury_criterion_moves_with_an_offset(pulse, peak_g, sensitivity):
    time_s = np.arange(20_000) / 100_000
    columns = [time_s, peak_g * pulse((time_s - 0.1) / 0.01)]
    read = TraceSettings("hic_36", (1,), "g_n", time_column=0)
    assert read_figure(columns, read).offset_sensitivity == pytest.approx(sensitivity, rel=3e-3)


def test_how_other_figures_move_with_an_offset():
    time_s = np.arange(2_000) / 1_000
    # a pull that rises to 500 N in one second at 100 mm/min: 1.667 mm of travel, 50 mm of seam
    pull = np.where(time_s <= 1.0, 500.0 * time_s, 0.0)
    settings = TraceSettings(
        "seam_strength",
        (1,),
        "N",
        time_column=0,
        removes_baseline=False,
        jaw_speed_mm_min=100.0,
        seam_width_mm=50.0,
    )
    columns = [time_s, pull]
    assert read_figure(columns, settings).offset_sensitivity == pytest.approx(1 / 50)
    work = replace(settings, figure="seam_work")
    assert read_figure(columns, work).offset_sensitivity == pytest.approx(0.1 / 60, rel=1e-9)
    # a triangle of 100 g and 10 ms is 10 (1 - L/100) ms above a level L: 0.1 ms less for each g
    fine_s = np.arange(20_000) / 100_000
    triangle = 100.0 * np.clip(1.0 - np.abs((fine_s - 0.1) / 0.005), 0.0, None)
    above = TraceSettings("dwell", (1,), "g_n", time_column=0, level_g=50.0)
    assert read_figure([fine_s, triangle], above).offset_sensitivity == pytest.approx(0.1, rel=1e-6)


def test_a_thermometer_that_is_off_alike_everywhere_does_not_move_a_rise():
    # ISO 12127-1: time to a rise of 10 degC; T = 25 + 0.8 t rises by 10 in 12.5 s, whatever is
    # added to T
    time_s = np.arange(400) / 10
    settings = TraceSettings("rise_time", (1,), "degC", time_column=0, rise_k=10.0)
    for off_k in (0.0, 3.0, -3.0):
        found = read_figure([time_s, 25.0 + 0.8 * time_s + off_k], settings)
        assert found.value == pytest.approx(12.5, rel=1e-9)
        assert found.offset_sensitivity == 0.0


def test_a_correction_of_the_trace_in_the_unit_of_the_reading():
    # JCGM 100:2008, 5.1.3: 2 N on 50 mm of seam are 0.04 N/mm, that is 0.2284 lbf/in
    shift = Shift(amount=2.0, standard_uncertainty=0.5)
    found = derived_shift(shift, sensitivity=1 / 50, figure_unit="N/mm", unit="lbf/in")
    assert found.amount == pytest.approx(0.04 / 0.17512683524647638, rel=1e-12)
    assert found.standard_uncertainty == pytest.approx(found.amount / 4, rel=1e-12)
    assert derived_shift(shift, sensitivity=1.0, figure_unit="HIC", unit="kN") is None


def test_one_calibration_tilts_a_line_by_its_least_squares_slope():
    # Draper and Smith, Applied Regression Analysis, 1.2: b = sum (x - mean)(d) / sum (x - mean)^2.
    # By hand: x 0, 1, 2 and errors 0.01, 0.02, 0.06 give 0.05/2 = 0.025; a second calibration that
    # adds alike to all tilts nothing.
    served = [
        (0.0, {"cal": 0.01, "other": 0.3}),
        (1.0, {"cal": 0.02, "other": 0.3}),
        (2.0, {"cal": 0.06, "other": 0.3}),
    ]
    assert math.sqrt(slope_variance(served)) == pytest.approx(0.025, rel=1e-9)
    # one calibration only behind the oldest: (1)(0.06)/2
    last = [(0.0, {}), (1.0, {}), (2.0, {"cal": 0.06})]
    assert math.sqrt(slope_variance(last)) == pytest.approx(0.03, rel=1e-12)


def test_an_error_of_the_slope_widens_a_trend_in_squares():
    # four exact ages: Student's t with 2 degrees of freedom (Draper and Smith, 1.4); the error of
    # the slope is normal, 1.959964 at 95 %
    told = [(0.0, 10.0), (1.0, 9.1), (2.0, 7.9), (3.0, 7.2)]
    plain = trend([(x, Interval(y, y)) for x, y in told])
    wide = with_slope_error(plain, variance=0.04**2)
    assert wide.slope == plain.slope
    for one, other in ((plain.slope_low, wide.slope_low), (plain.slope_high, wide.slope_high)):
        half = math.hypot(one - plain.slope, 1.959963984540054 * 0.04)
        assert abs(other - plain.slope) == pytest.approx(half, rel=1e-9)
    assert wide.points[-1].low < plain.points[-1].low
    assert wide.points[-1].low == pytest.approx(math.exp(3 * wide.slope_low), rel=1e-12)
    assert with_slope_error(plain, variance=0.0) == plain
