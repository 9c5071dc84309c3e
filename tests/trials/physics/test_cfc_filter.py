import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trials.physics.cfc import CLASSES, coefficients, cutoff_hz, filtered
from trials.physics.errors import BadTrace, OutOfRange
from trials.physics.trace import Trace


def noisy(seed=1, count=4000):
    rng = np.random.default_rng(seed)
    pulse = np.zeros(count)
    pulse[1500:1701] = 100 * np.sin(np.pi * np.arange(201) / 200)
    return Trace.evenly_sampled(pulse + rng.normal(0, 2, count), unit="g_n", sample_rate_hz=20000)


@settings(max_examples=30)
@given(st.sampled_from(CLASSES), st.floats(-100, 100), st.floats(-100, 100))
def test_baseline_and_clock_do_not_matter(cfc, offset, shift_s):
    base = noisy()
    plain = filtered(base, cfc=cfc)
    moved = filtered(Trace(base.time_s + shift_s, base.value + offset, "g_n"), cfc=cfc)
    # Times far from zero lose digits, and with them the sampling rate: hence not 1e-12.
    assert moved.value - offset == pytest.approx(plain.value, abs=1e-5)


@pytest.mark.parametrize("cfc", CLASSES)
def test_a_constant_stays(cfc):
    trace = Trace.evenly_sampled(np.full(2000, 7.5), unit="N", sample_rate_hz=20000)
    assert filtered(trace, cfc=cfc).value == pytest.approx(np.full(2000, 7.5), abs=1e-9)


@pytest.mark.parametrize("cfc", CLASSES)
def test_a_steady_rise_is_continued_beyond_both_ends(cfc):
    # Continuing the last value instead of the rise would bend the ends by about 2 % of this scale.
    trace = Trace.evenly_sampled(np.linspace(0, 100, 2000), unit="N", sample_rate_hz=20000)
    assert filtered(trace, cfc=cfc).value == pytest.approx(trace.value, abs=1e-3)


@pytest.mark.parametrize("cfc", CLASSES)
def test_backwards_is_the_same_as_forwards(cfc):
    # Two passes in opposite directions shift nothing, so a mirrored trace filters to the mirror.
    base = noisy()
    mirrored = base.with_value(base.value[::-1])
    assert filtered(mirrored, cfc=cfc).value[1000:3000] == pytest.approx(
        filtered(base, cfc=cfc).value[::-1][1000:3000], abs=1e-6
    )


def test_a_lower_class_leaves_less_noise():
    quiet = slice(200, 1200)
    left = [float(np.std(filtered(noisy(), cfc=cfc).value[quiet])) for cfc in CLASSES]
    assert left == sorted(left)
    assert left[-1] < float(np.std(noisy().value[quiet]))


@pytest.mark.parametrize("cfc", [0, 61, 1650, -60, None, "CFC 60"])
def test_other_classes_are_refused(cfc):
    with pytest.raises(OutOfRange, match="must be one of 60, 180, 600, 1000"):
        filtered(noisy(), cfc=cfc)
    with pytest.raises(OutOfRange, match="must be one of"):
        cutoff_hz(cfc)
    with pytest.raises(OutOfRange, match="must be one of"):
        coefficients(cfc, sample_rate_hz=20000)


def test_uneven_and_short_traces_are_refused():
    base = noisy()
    lost = Trace(np.delete(base.time_s, 700), np.delete(base.value, 700), "g_n")
    with pytest.raises(BadTrace, match="not evenly spaced"):
        filtered(lost, cfc=180)
    short = Trace.evenly_sampled(np.zeros(50), unit="g_n", sample_rate_hz=20000)
    with pytest.raises(BadTrace, match="needs more than 367 samples"):
        filtered(short, cfc=60)


def test_the_sampling_rate_must_be_a_number():
    with pytest.raises(OutOfRange, match="Sampling rate"):
        coefficients(60, sample_rate_hz=float("nan"))
