"""Channel-frequency-class filter.

Design equations: SAE J211-1 appendix C, as written out in two independent public implementations.
The coefficients below were computed from those equations by another package (pyavia 0.0.3) and
agree with scipy.signal.butter to 1e-9.
"""

import math

import numpy as np
import pytest
from scipy.signal import butter, freqz

from trials.physics.cfc import CLASSES, coefficients, cutoff_hz, filtered
from trials.physics.errors import BadTrace
from trials.physics.trace import Trace

TABLE = [
    # fs, CFC, a0, b1, b2, two-pass gain at CFC/0.6 (dB), two-pass -3.01 dB (Hz)
    (10000, 60, 0.00145236747355, 1.88934322422, -0.895152694116, -3.0085, 100.018),
    (10000, 180, 0.0117962710998, 1.67011746327, -0.717302547667, -2.9936, 300.491),
    (10000, 600, 0.0971846252794, 0.945574009062, -0.334312510179, -2.8188, 1018.241),
    (10000, 1000, 0.219231417219, 0.311896544996, -0.188822213872, -2.4470, 1751.040),
    (20000, 60, 0.000373000630963, 1.94463304553, -0.94612504805, -3.0099, 100.004),
    (20000, 180, 0.00318263624927, 1.83419642188, -0.846926966875, -3.0062, 300.122),
    (20000, 600, 0.0298060720398, 1.45572821391, -0.574952502066, -2.9636, 1004.553),
    (20000, 1000, 0.0718930970684, 1.11158617616, -0.39915856443, -2.8786, 1687.770),
]


def two_pass_gain_db(cfc, sample_rate_hz, frequency_hz):
    c = coefficients(cfc, sample_rate_hz=sample_rate_hz)
    _, one_pass = freqz(
        [c.a0, c.a1, c.a2], [1.0, -c.b1, -c.b2], worN=np.atleast_1d(frequency_hz), fs=sample_rate_hz
    )
    # Forwards and backwards multiply the magnitude by itself: 40 log10 and not 20.
    return 40.0 * np.log10(np.abs(one_pass))


@pytest.mark.parametrize(("fs", "cfc", "a0", "b1", "b2", "gain_db", "cutoff"), TABLE)
def test_coefficients_and_gain(fs, cfc, a0, b1, b2, gain_db, cutoff):
    c = coefficients(cfc, sample_rate_hz=fs)
    assert c.a0 == pytest.approx(a0, rel=1e-9)
    assert c.a1 == pytest.approx(2 * a0, rel=1e-9)
    assert c.a2 == pytest.approx(a0, rel=1e-9)
    assert c.b1 == pytest.approx(b1, rel=1e-9)
    assert c.b2 == pytest.approx(b2, rel=1e-9)
    assert two_pass_gain_db(cfc, fs, cfc / 0.6)[0] == pytest.approx(gain_db, abs=1e-4)
    assert two_pass_gain_db(cfc, fs, cutoff)[0] == pytest.approx(-3.0103, abs=2e-4)


@pytest.mark.parametrize("fs", [10000, 20000, 50000])
@pytest.mark.parametrize("cfc", CLASSES)
def test_coefficients_are_those_of_the_standard_equations(fs, cfc):
    # J211-1 appendix C, written out.
    wd = 2 * math.pi * cfc * 2.0775
    wa = math.tan(wd / fs / 2)
    divisor = 1 + math.sqrt(2) * wa + wa**2
    c = coefficients(cfc, sample_rate_hz=fs)
    assert c.a0 == pytest.approx(wa**2 / divisor, rel=1e-9)
    assert c.b1 == pytest.approx(-2 * (wa**2 - 1) / divisor, rel=1e-9)
    assert c.b2 == pytest.approx((-1 + math.sqrt(2) * wa - wa**2) / divisor, rel=1e-9)
    numerator, denominator = butter(2, 2.0775 * cfc, fs=fs)
    assert (c.a0, -c.b1, -c.b2) == pytest.approx((numerator[0], denominator[1], denominator[2]))


def test_design_constant_is_the_rounded_exact_one():
    # Two passes of a second-order Butterworth are 3 dB down where one pass is 1.5 dB down.
    assert 1 / 0.6 / (math.sqrt(2) - 1) ** 0.25 == pytest.approx(2.0775, abs=5e-5)


@pytest.mark.parametrize(
    ("cfc", "expected_hz"), [(60, 100), (180, 300), (600, 1000), (1000, 5000 / 3)]
)
def test_two_passes_are_three_decibels_down_at_class_over_six_tenths(cfc, expected_hz):
    assert cutoff_hz(cfc) == pytest.approx(expected_hz, rel=1e-12)
    # With fast sampling the bilinear transform no longer bends the frequency axis.
    assert two_pass_gain_db(cfc, 1_000_000, expected_hz)[0] == pytest.approx(-3.0103, abs=1e-3)


def test_a_constant_passes_with_gain_one():
    for fs, cfc, *_ in TABLE:
        c = coefficients(cfc, sample_rate_hz=fs)
        assert (c.a0 + c.a1 + c.a2) / (1 - c.b1 - c.b2) == pytest.approx(1.0, rel=1e-9)


@pytest.mark.parametrize(
    ("cfc", "peak_g"),
    # A 100 g, 10 ms half-sine at 20 kHz through pyavia 0.0.3 and scipy, which agree to 3e-12.
    [(1000, 99.999970993), (600, 99.999754108), (180, 99.965076496), (60, 95.073465391)],
)
def test_filtered_half_sine(cfc, peak_g):
    fs = 20000
    pulse = 100 * np.sin(np.pi * np.arange(201) / 200)
    value = np.concatenate([np.zeros(800), pulse, np.zeros(2000)])
    trace = Trace.evenly_sampled(value, unit="g_n", sample_rate_hz=fs)
    smooth = filtered(trace, cfc=cfc)
    assert smooth.value.max() == pytest.approx(peak_g, abs=2e-8)
    # Zero phase: the peak stays where it was. The area, 0.636606682344 g s by the trapezoidal
    # rule, is preserved.
    assert int(np.argmax(smooth.value)) == 900
    assert np.trapezoid(smooth.value, smooth.time_s) == pytest.approx(0.636606682344, rel=1e-9)


@pytest.mark.parametrize("cfc", CLASSES)
def test_sampling_slower_than_ten_times_the_class_is_refused(cfc):
    # The ratio of ten is the one that published filter functions check for J211 data
    # (2021.help.altair.com, saefilt95).
    value = np.zeros(5000)
    value[2500] = 1.0
    fast_enough = Trace.evenly_sampled(value, unit="g_n", sample_rate_hz=10 * cfc)
    assert filtered(fast_enough, cfc=cfc).sample_count == 5000
    too_slow = Trace.evenly_sampled(value, unit="g_n", sample_rate_hz=9.9 * cfc)
    with pytest.raises(BadTrace, match=r"needs at least .* samples per second"):
        filtered(too_slow, cfc=cfc)


# Limits of the frequency response of SAE J211-1 (figure 1 and table 1) and ISO 6487, from memory:
# half a decibel to the class itself, where +0.5 and -1 dB hold; +0.5 and -4 dB at the cut-off
# (class over 0.6; 1650 Hz for class 1000); beyond it between 9 and 24 dB an octave.
CORRIDOR = [
    (0.1, -0.5, 0.5),
    (0.5, -0.5, 0.5),
    (1.0, -1.0, 0.5),
    (1 / 0.6, -4.0, 0.5),
    (2 / 0.6, -28.0, -8.5),
    (4 / 0.6, -52.0, -17.5),
]


@pytest.mark.parametrize("cfc", [60, 180, 600, 1000])
@pytest.mark.parametrize(("share", "lowest_db", "highest_db"), CORRIDOR)
def test_response_lies_in_the_corridor(cfc, share, lowest_db, highest_db):
    # a steady sine through the filter, as a calibration would do it, away from both ends
    rate_hz = 100.0 * cfc
    frequency_hz = share * cfc
    time_s = np.arange(round(max(20.0 / frequency_hz, 40.0 / cfc) * rate_hz)) / rate_hz
    sine = Trace(time_s, np.sin(2 * np.pi * frequency_hz * time_s), "g_n")
    middle = slice(time_s.size // 4, 3 * time_s.size // 4)
    passed = filtered(sine, cfc=cfc).value[middle]
    wave = np.exp(-2j * np.pi * frequency_hz * time_s[middle])
    gain_db = 20 * np.log10(abs(passed @ wave) / abs(sine.value[middle] @ wave))
    assert lowest_db <= gain_db <= highest_db
