import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trials.physics.errors import BadTrace, OutOfRange, UnitMismatch
from trials.physics.force import (
    force_from_acceleration_kn,
    impulse_n_s,
    peak_transmitted_force_kn,
    seam_pull,
)
from trials.physics.peaks import dwell, peak
from trials.physics.trace import Trace


def triangle(top=10.0, unit="N"):
    return Trace([0.0, 1.0, 2.0, 3.0, 4.0], [0.0, 0.0, top, 0.0, 0.0], unit)


def test_peak_is_the_first_highest_sample():
    found = peak(Trace([0.0, 1.0, 2.0, 3.0], [1.0, 5.0, 5.0, 2.0], "kN"))
    assert (found.value, found.time_s, found.unit) == (5.0, 1.0, "kN")


def test_dwell_of_a_triangle():
    # Above 4 of 10 on flanks of one second: 0.6 s up, 0.6 s down.
    found = dwell(triangle(), level=4.0)
    assert found.total_s == pytest.approx(1.2)
    assert found.longest_s == pytest.approx(1.2)
    assert found.stretch_count == 1


def test_touching_the_level_is_not_above_it():
    assert dwell(triangle(), level=10.0).stretch_count == 0
    assert dwell(triangle(), level=10.0).total_s == 0.0
    assert dwell(Trace([0, 1, 2], [5.0, 5.0, 5.0], "N"), level=5.0).total_s == 0.0


def test_a_trace_above_the_level_from_end_to_end():
    found = dwell(Trace([1.0, 2.0, 4.0], [5.0, 6.0, 5.0], "N"), level=1.0)
    assert (found.total_s, found.longest_s, found.stretch_count) == (3.0, 3.0, 1)


def test_several_stretches():
    trace = Trace(np.arange(7.0), [0.0, 2.0, 0.0, 0.0, 2.0, 2.0, 0.0], "N")
    found = dwell(trace, level=1.0)
    assert (found.stretch_count, found.total_s, found.longest_s) == (2, 3.0, 2.0)


@given(
    st.lists(st.floats(-100, 100), min_size=2, max_size=40),
    st.floats(-100, 100),
    st.floats(-100, 100),
    st.floats(-500, 500),
)
def test_dwell_falls_with_the_level_and_ignores_the_clock(values, first, second, shift_s):
    low, high = sorted((first, second))
    time_s = np.arange(len(values), dtype=float)
    trace = Trace(time_s, values, "N")
    at_low, at_high = dwell(trace, level=low), dwell(trace, level=high)
    assert 0.0 <= at_high.total_s <= at_low.total_s + 1e-9
    assert at_low.total_s <= trace.duration_s + 1e-9
    assert at_low.longest_s <= at_low.total_s + 1e-9
    moved = dwell(Trace(time_s + shift_s, values, "N"), level=low)
    assert moved.total_s == pytest.approx(at_low.total_s, abs=1e-9)


@given(st.lists(st.integers(-100, 100), min_size=2, max_size=40), st.floats(-90, 90))
def test_dwell_is_the_share_of_a_fine_grid_above_the_level(values, level):
    # A slow twin: a fine grid on the straight lines between the samples.
    time_s = np.arange(len(values), dtype=float)
    grid_s = np.linspace(0, time_s[-1], 20001)
    share_above = float(np.mean(np.interp(grid_s, time_s, values) > level))
    found = dwell(Trace(time_s, values, "N"), level=level)
    crossings = 2 * len(values)
    assert found.total_s == pytest.approx(
        share_above * time_s[-1], abs=time_s[-1] * crossings / 20000
    )


def test_level_must_be_a_number():
    with pytest.raises(OutOfRange, match="Level"):
        dwell(triangle(), level=float("nan"))


def test_peak_transmitted_force_in_any_unit():
    assert peak_transmitted_force_kn(triangle(12_300.0)) == pytest.approx(12.3)
    assert peak_transmitted_force_kn(triangle(12.3, "kN")) == pytest.approx(12.3)
    with pytest.raises(UnitMismatch):
        peak_transmitted_force_kn(triangle(unit="g_n"))


def test_a_force_that_only_pulls_is_refused():
    with pytest.raises(BadTrace, match="Check the sign"):
        peak_transmitted_force_kn(Trace([0, 1], [0.0, -5.0], "kN"))


def test_impulse_is_the_area():
    # A triangle of 10 N and 2 s: 10 N s.
    assert impulse_n_s(triangle()) == pytest.approx(10.0)
    assert impulse_n_s(triangle(10.0, "kN")) == pytest.approx(10_000.0)


def test_impulse_stops_a_falling_mass():
    # 5 kg at 4.4287 m/s brought to rest by a half-sine of 10 ms: m v = A T 2/pi.
    time_s = np.linspace(0, 0.010, 2001)
    top_n = 5 * 4.428691 * np.pi / (2 * 0.010)
    trace = Trace(time_s, top_n * np.sin(np.pi * time_s / 0.010), "N")
    assert impulse_n_s(trace) == pytest.approx(5 * 4.428691, rel=1e-6)


def test_seam_pull_by_hand():
    # 300 N reached after 6 s at 100 mm/min (10 mm), then nothing after 6.6 s (11 mm).
    trace = Trace([0.0, 6.0, 6.6], [0.0, 300.0, 0.0], "N")
    found = seam_pull(trace, jaw_speed_mm_min=100, seam_width_mm=25)
    assert found.max_force_n == 300.0
    assert found.max_force_per_width_n_mm == pytest.approx(12.0)
    assert found.extension_at_max_mm == pytest.approx(10.0)
    # Triangles: 300 N x 10 mm / 2 = 1.5 J, and 300 N x 1 mm / 2 = 0.15 J more.
    assert found.work_to_max_j == pytest.approx(1.5)
    assert found.work_j == pytest.approx(1.65)


@given(st.floats(-1000, 1000))
def test_seam_pull_ignores_the_clock(shift_s):
    trace = Trace(np.array([0.0, 6.0, 6.6]) + shift_s, [0.0, 300.0, 0.0], "N")
    found = seam_pull(trace, jaw_speed_mm_min=100, seam_width_mm=25)
    assert found.work_j == pytest.approx(1.65, abs=1e-9)
    assert found.extension_at_max_mm == pytest.approx(10.0, abs=1e-9)


def test_seam_pull_refusals():
    trace = Trace([0.0, 1.0], [0.0, 5.0], "N")
    with pytest.raises(OutOfRange, match="Speed of the jaw"):
        seam_pull(trace, jaw_speed_mm_min=0, seam_width_mm=25)
    with pytest.raises(OutOfRange, match="Length of seam"):
        seam_pull(trace, jaw_speed_mm_min=100, seam_width_mm=0)
    with pytest.raises(BadTrace, match="never rises above zero"):
        seam_pull(Trace([0.0, 1.0], [0.0, -5.0], "N"), jaw_speed_mm_min=100, seam_width_mm=25)


def test_force_from_acceleration_refusals():
    with pytest.raises(OutOfRange, match="Mass"):
        force_from_acceleration_kn(100, mass_kg=0)
