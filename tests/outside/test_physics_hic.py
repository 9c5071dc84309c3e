"""Head injury criterion.

Definition: 49 CFR 571.208 S6.2 (law.cornell.edu). Closed forms for one pulse of amplitude A
(multiples of g) and length T (s), no limit on the window: HIC = C A^2.5 T, derived and solved to
20 digits with mpmath apart from this project.
"""

import math

import numpy as np
import pytest

from trials.physics.hic import HIC15_S, HIC36_S, head_injury_criterion, severity_index
from trials.physics.trace import Trace

RATE_HZ = 400_000


def half_sine(x):
    return np.sin(np.pi * x)


def triangle(x):
    return 1 - np.abs(2 * x - 1)


def haversine(x):
    return np.sin(np.pi * x) ** 2


def leaning_triangle(x):
    return np.where(x < 0.2, x / 0.2, (1 - x) / 0.8)


def pulse(shape, *, peak_g, length_s, rate_hz=RATE_HZ, rest_s=0.002):
    count = round(length_s * rate_hz)
    rest = np.zeros(round(rest_s * rate_hz))
    value = np.concatenate([rest, peak_g * shape(np.arange(count + 1) / count), rest])
    return Trace.evenly_sampled(value, unit="g_n", sample_rate_hz=rate_hz)


SHAPES = [
    # shape, C, optimal window / T, severity-index constant
    (half_sine, 0.4146456495415114671, 0.67022966364966334391, 0.45765585810108791284),
    (triangle, (4 / 7) * (5 / 7) ** 2.5, 4 / 7, 2 / 7),
    (leaning_triangle, (4 / 7) * (5 / 7) ** 2.5, 4 / 7, 2 / 7),
    (haversine, 0.30293885495789656611, 0.50759181242294086365, 16 / (15 * math.pi)),
]


@pytest.mark.parametrize(("shape", "constant", "window_share", "severity"), SHAPES)
def test_closed_forms(shape, constant, window_share, severity):
    trace = pulse(shape, peak_g=100, length_s=0.010)
    found = head_injury_criterion(trace, longest_window_s=None)
    assert found.value == pytest.approx(constant * 100**2.5 * 0.010, rel=1e-6)
    assert found.window_s == pytest.approx(window_share * 0.010, abs=3 / RATE_HZ)
    assert severity_index(trace) == pytest.approx(severity * 100**2.5 * 0.010, rel=1e-6)


@pytest.mark.parametrize("shape", [half_sine, triangle, leaning_triangle, haversine])
def test_window_mean_is_five_thirds_of_the_acceleration_at_its_ends(shape):
    # Chou and Nyquist, SAE 740082 (abstract): the optimum has equal ends, and its mean is 5/3 of
    # them. Sampling leaves the ends known to one step of a steep flank.
    trace = pulse(shape, peak_g=80, length_s=0.012)
    found = head_injury_criterion(trace, longest_window_s=None)
    ends = np.interp([found.start_s, found.end_s], trace.time_s, trace.value)
    assert found.mean_acceleration_g / ends == pytest.approx([5 / 3, 5 / 3], rel=4e-3)


def test_documented_example_with_a_binding_window():
    # https://2021.help.altair.com/2021.0.1/.../oml_language/CAE/hic.htm: a = sin(20 pi t),
    # t = 0 to 0.05 s in steps of 0.1 ms, window 0.03 s: 0.02048 from 0.01 to 0.04 s.
    time_s = np.arange(501) * 0.0001
    trace = Trace(time_s, np.sin(20 * np.pi * time_s), "g_n")
    found = head_injury_criterion(trace, longest_window_s=0.03)
    assert found.value == pytest.approx(0.02048, abs=5e-6)
    assert found.value == pytest.approx(0.02048035817644576, rel=2e-5)
    assert (found.start_s, found.end_s) == pytest.approx((0.01, 0.04), abs=1e-9)


@pytest.mark.parametrize(
    ("peak_g", "length_s", "cap_s", "expected"),
    [
        (100, 0.010, HIC15_S, 414.645649541511),
        (100, 0.030, HIC15_S, 1153.6632571245),
        (150, 0.008, HIC15_S, 914.103238897441),
        (200, 0.006, HIC36_S, 1407.35400278546),
        (60, 0.060, HIC36_S, 685.32554426461),
        (80, 0.040, HIC15_S, 741.79821858087),
    ],
)
def test_worked_half_sines(peak_g, length_s, cap_s, expected):
    found = head_injury_criterion(
        pulse(half_sine, peak_g=peak_g, length_s=length_s), longest_window_s=cap_s
    )
    assert found.value == pytest.approx(expected, rel=1e-6)


def test_windows_of_the_worked_half_sines():
    free = head_injury_criterion(
        pulse(half_sine, peak_g=100, length_s=0.010, rest_s=0.0), longest_window_s=HIC15_S
    )
    assert free.window_s == pytest.approx(0.0067022966365, abs=3 / RATE_HZ)
    capped = head_injury_criterion(
        pulse(half_sine, peak_g=100, length_s=0.030, rest_s=0.0), longest_window_s=HIC15_S
    )
    assert (capped.start_s, capped.end_s) == pytest.approx((0.0075, 0.0225), abs=1e-9)


def square(*, peak_g, length_s):
    # Flanks of one sample, within the stated length.
    count = round(length_s * RATE_HZ)
    return Trace.evenly_sampled(
        np.full(count + 1, float(peak_g)), unit="g_n", sample_rate_hz=RATE_HZ
    )


@pytest.mark.parametrize(
    ("peak_g", "length_s", "cap_s", "expected"),
    [
        (100, 0.010, HIC15_S, 1000.0),
        (100, 0.020, HIC15_S, 1500.0),
        # The square pulses that just meet 700 within 15 ms and 1000 within 36 ms.
        (73.7229512452199, 0.020, HIC15_S, 700.0),
        (59.9071969789671, 0.050, HIC36_S, 1000.0),
    ],
)
def test_square_pulses(peak_g, length_s, cap_s, expected):
    found = head_injury_criterion(square(peak_g=peak_g, length_s=length_s), longest_window_s=cap_s)
    assert found.value == pytest.approx(expected, rel=1e-9)
    assert found.mean_acceleration_g == pytest.approx(peak_g, rel=1e-9)


def test_scaling_of_height_and_of_time():
    base = head_injury_criterion(
        pulse(half_sine, peak_g=50, length_s=0.010), longest_window_s=None
    ).value
    higher = head_injury_criterion(
        pulse(half_sine, peak_g=150, length_s=0.010), longest_window_s=None
    ).value
    longer = head_injury_criterion(
        pulse(half_sine, peak_g=50, length_s=0.040, rate_hz=RATE_HZ / 4, rest_s=0.008),
        longest_window_s=None,
    ).value
    assert higher / base == pytest.approx(3**2.5, rel=1e-9)
    assert longer / base == pytest.approx(4.0, rel=1e-9)


@pytest.mark.parametrize(
    ("rate_hz", "expected"), [(10_000, 414.465), (20_000, 414.624), (100_000, 414.6447)]
)
def test_loss_by_sampling(rate_hz, expected):
    # The trapezoidal rule on the first worked half-sine, by a plain double loop outside the project.
    trace = pulse(half_sine, peak_g=100, length_s=0.010, rate_hz=rate_hz)
    found = head_injury_criterion(trace, longest_window_s=HIC15_S)
    assert found.value == pytest.approx(expected, abs=6e-4)


def test_gravity_is_the_standard_one():
    # Acceleration in m/s^2 divided by 9.81 instead of 9.80665 would shift the figure by 0.085 %.
    in_g = pulse(half_sine, peak_g=100, length_s=0.010)
    in_si = Trace(in_g.time_s, in_g.value * 9.80665, "m/s2")
    assert head_injury_criterion(in_si, longest_window_s=HIC15_S).value == pytest.approx(
        head_injury_criterion(in_g, longest_window_s=HIC15_S).value, rel=1e-9
    )
    assert pytest.approx(0.00085, abs=5e-6) == (9.81 / 9.80665) ** 2.5 - 1
