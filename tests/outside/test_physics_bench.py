"""Abrasion, seam, water, heat, projectile and dwell figures from outside the project."""

import math

import numpy as np
import pytest

from trials.physics import abrasion, flame, heat, puncture, seam, water
from trials.physics.force import force_from_acceleration_kn
from trials.physics.peaks import dwell
from trials.physics.trace import Trace
from trials.physics.units import convert


@pytest.mark.parametrize(
    ("speed_km_h", "spin_rpm", "computed_rpm"),
    # Start speeds of the EN 17092 abrasion machine in rpm and km/h (from memory; every pair is
    # v/(2 pi r) with r = 0.450 m).
    [
        (120, 707.4, 707.355),
        (75, 442.1, 442.097),
        (70, 412.6, 412.624),
        (45, 265.3, 265.258),
        (25, 147.4, 147.366),
    ],
)
def test_rotational_speed_of_a_road_speed(speed_km_h, spin_rpm, computed_rpm):
    speed_m_s = convert(speed_km_h, "km/h", "m/s")
    spin = abrasion.rpm_from_speed(speed_m_s, radius_m=0.450)
    assert spin == pytest.approx(computed_rpm, abs=6e-4)
    assert spin == pytest.approx(spin_rpm, abs=0.06)
    assert abrasion.speed_from_rpm(spin, radius_m=0.450) == pytest.approx(speed_m_s, rel=1e-12)


def test_wear_index():
    # ASTM D3884 (from memory; arithmetic exact): 50 mg in 500 cycles is 100.
    index = abrasion.wear_index(mass_before_mg=1050, mass_after_mg=1000, cycle_count=500)
    assert index == pytest.approx(100.0, rel=1e-12)
    assert abrasion.wear_index_from_loss(50, cycle_count=500) == pytest.approx(100.0, rel=1e-12)


def test_belt_of_eight_metres_per_second():
    # EN 13595-2 belt: 8 m/s (satra.com/ppe/EN13595.php). 4 s of it are 32 m.
    assert abrasion.distance_from_time(4.0, belt_speed_m_s=8.0) == pytest.approx(32.0, rel=1e-12)
    assert abrasion.time_from_distance(32.0, belt_speed_m_s=8.0) == pytest.approx(4.0, rel=1e-12)


def test_seam_strength():
    # EN 17092: breaking force over length of seam (satra.com/ppe/PrEN17092.php).
    assert seam.force_per_width(300, seam_width_mm=25) == pytest.approx(12.0, rel=1e-12)
    # Seam efficiency is the seam's strength over the fabric's (ASTM D1683, from memory).
    assert seam.seam_efficiency_share(seam_force_n=240, fabric_force_n=300) == pytest.approx(0.8)


@pytest.mark.parametrize(
    ("pressure_pa", "head_mm"),
    # Divided by 9.80665 Pa/mm exactly.
    [(1000, 101.97162129779), (8000, 815.772970), (13000, 1325.631077), (20000, 2039.432426)],
)
def test_hydrostatic_head(pressure_pa, head_mm):
    assert water.head_from_pressure(pressure_pa) == pytest.approx(head_mm, abs=5e-7)
    assert water.pressure_from_head(water.head_from_pressure(pressure_pa)) == pytest.approx(
        pressure_pa, rel=1e-12
    )
    # A rise of 60 cm of water in a minute is 98.0665 Pa/s.
    assert water.pressure_from_head(600) / 60 == pytest.approx(98.0665, rel=1e-12)


@pytest.mark.parametrize(
    ("iso", "aatcc"),
    # http://gellowen.co.uk/News/342.html
    [(5, 100), (4, 90), (3, 80), (2, 70), (1, 50), (0, 0)],
)
def test_spray_scales(iso, aatcc):
    assert water.spray_percentage_from_grade(iso) == aatcc
    assert water.spray_grade_from_percentage(aatcc) == iso


@pytest.mark.parametrize(
    ("mass_g", "velocity_m_s", "energy_j"),
    [(0.20, 100, 1.0), (0.86, 45, 0.87075), (0.86, 120, 6.192), (0.86, 190, 15.523)],
)
def test_projectile_energy(mass_g, velocity_m_s, energy_j):
    # Arithmetic: m v^2/2.
    energy = puncture.projectile_energy(velocity_m_s, mass_g=mass_g)
    assert energy == pytest.approx(energy_j, rel=1e-12)
    assert puncture.projectile_velocity(energy, mass_g=mass_g) == pytest.approx(velocity_m_s)


def test_energy_per_area():
    # 1 J on a disc of 6 mm: 0.2827433388 cm^2, 3.536776513 J/cm^2.
    assert puncture.disc_area_cm2(6) == pytest.approx(0.2827433388, abs=5e-11)
    assert puncture.energy_per_area(1.0, diameter_mm=6) == pytest.approx(3.536776513, abs=5e-10)
    assert puncture.energy_per_area_from_velocity(100, mass_g=0.20, diameter_mm=6) == pytest.approx(
        3.536776513, abs=5e-10
    )


@pytest.mark.parametrize("interval_s", [0.01, 0.5, 0.7, 5.0])
def test_time_to_a_ten_degree_rise(interval_s):
    # A straight rise T = 25 + 0.8 t passes 35 degC at 12.5 s, whatever the sampling.
    time_s = np.arange(0.0, 30.0, interval_s)
    found = heat.time_to_rise(Trace(time_s, 25 + 0.8 * time_s, "degC"), rise_k=10)
    assert found.is_reached
    assert found.time_s == pytest.approx(12.5, abs=1e-9)
    assert found.start_degc == pytest.approx(25.0)


def test_rise_is_the_same_from_a_logger_in_fahrenheit():
    # A rise of 10 degC is one of 18 degF.
    time_s = np.arange(0.0, 30.0, 0.5)
    fahrenheit = Trace(time_s, 77 + 1.44 * time_s, "degF")
    assert heat.time_to_rise(fahrenheit, rise_k=10).time_s == pytest.approx(12.5, abs=1e-9)


# Time above a level L of a half-sine of amplitude A and length T: T (1 - (2/pi) asin(L/A)).
@pytest.mark.parametrize(
    ("peak_g", "length_ms", "above_150_ms", "above_200_ms"),
    [
        (300, 8, 16 / 3, 4.283527565),
        (380, 6, 4.450029161, 3.882875743),
        (250, 10, 5.903344706, 4.096655294),
    ],
)
def test_dwell_of_a_half_sine(peak_g, length_ms, above_150_ms, above_200_ms):
    time_s = np.linspace(0, length_ms / 1000, 40001)
    value = peak_g * np.sin(np.pi * time_s / (length_ms / 1000))
    trace = Trace(time_s, value, "g_n")
    assert dwell(trace, level=150).total_s * 1000 == pytest.approx(above_150_ms, abs=1e-6)
    assert dwell(trace, level=200).total_s * 1000 == pytest.approx(above_200_ms, abs=1e-6)


def test_dwell_adds_up_all_excursions():
    # 49 CFR 571.218 S5.1 (from memory) limits the cumulative time. Two half-sines of 300 g and 8 ms
    # are twice 16/3 ms above 150 g.
    one = 300 * np.sin(np.pi * np.arange(8001) / 8000)
    trace = Trace.evenly_sampled(
        np.concatenate([one, np.zeros(100), one]), unit="g_n", sample_rate_hz=1e6
    )
    found = dwell(trace, level=150)
    assert found.stretch_count == 2
    assert found.total_s == pytest.approx(0.032 / 3, abs=1e-9)
    assert found.longest_s == pytest.approx(0.016 / 3, abs=1e-9)


def test_acceleration_to_force():
    # F = m a: 275 g on 5.6 kg is 15.1022 kN.
    assert force_from_acceleration_kn(275, mass_kg=5.6) == pytest.approx(15.1022, abs=5e-5)


def test_video_frames():
    # 25 frames are one second of European video.
    assert flame.time_from_frame(25, frames_per_second=25) == pytest.approx(1.0)
    assert math.isclose(flame.time_from_frame(1, frames_per_second=25), 0.04)
