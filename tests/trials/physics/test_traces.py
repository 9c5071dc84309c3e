import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trials.physics.errors import BadTrace, OutOfRange, UnitMismatch, UnknownUnit
from trials.physics.trace import (
    FlawKind,
    Trace,
    find_event,
    find_flaws,
    remove_baseline,
    resultant,
)


def half_sine(*, peak=100.0, length_s=0.010, rate_hz=20000, lead_s=0.05, tail_s=0.05):
    pulse = peak * np.sin(np.pi * np.linspace(0, 1, round(length_s * rate_hz) + 1))
    value = np.concatenate(
        [np.zeros(round(lead_s * rate_hz)), pulse, np.zeros(round(tail_s * rate_hz))]
    )
    return Trace.evenly_sampled(value, unit="g_n", sample_rate_hz=rate_hz)


@pytest.mark.parametrize(
    ("time_s", "value", "words"),
    [
        ([], [], "at least two samples, but this one has 0"),
        ([0.0], [1.0], "at least two samples"),
        ([0.0, 1.0], [1.0], "2 times but 1 values"),
        ([0.0, 1.0, 2.0], [1.0, math.nan, math.nan], "2 of 3 values .* first is sample 2"),
        ([0.0, math.nan, 2.0], [1.0, 1.0, 1.0], "1 of 3 times .* sample 2"),
        ([0.0, 1.0], [1.0, math.inf], "missing or not numbers"),
        ([0.0, 0.2, 0.1], [1, 2, 3], "backwards at sample 3: 0.1 s comes after 0.2 s"),
        ([0.0, 0.1, 0.1, 0.1], [1, 2, 3, 4], r"2 time\(s\) occur twice.*0.1 s at samples 2 and 3"),
        ([0.0, 1e-15], [1, 2], "Check the unit of time"),
        ([0.0, 1.0], [1.0, 1e300], "Sample 2 of the values is 1e\\+300, too large"),
        ([[0.0, 1.0]], [1.0, 2.0], "one column"),
        (["a", "b"], [1.0, 2.0], "must be numbers"),
    ],
)
def test_a_trace_that_cannot_be_right_is_refused(time_s, value, words):
    with pytest.raises(BadTrace, match=words):
        Trace(time_s, value, "N")


def test_a_helmet_data_set_with_repeated_times_is_refused():
    # The first rows of a published crash data set (Silverman 1985, motorcycle helmets): times in ms
    # repeat and are uneven.
    time_ms = np.array([2.4, 2.6, 3.2, 3.6, 4.0, 6.2, 6.6, 6.8, 7.8, 8.2, 8.8, 8.8, 9.6])
    with pytest.raises(BadTrace, match="occur twice"):
        Trace(time_ms / 1000, np.zeros(13), "g_n")


def test_unknown_units_and_bad_rates_are_refused():
    with pytest.raises(UnknownUnit):
        Trace([0, 1], [1, 2], "blips")
    with pytest.raises(BadTrace, match="Sampling rate"):
        Trace.evenly_sampled(np.zeros(5), unit="N", sample_rate_hz=0)
    with pytest.raises(BadTrace, match="Start"):
        Trace.evenly_sampled(np.zeros(5), unit="N", sample_rate_hz=10, start_s=math.nan)


def test_a_trace_cannot_be_written_to_and_takes_no_second_copy():
    value = np.zeros(10)
    trace = Trace(np.arange(10.0), value, "N")
    with pytest.raises(ValueError, match="read-only"):
        trace.value[0] = 1.0
    assert np.shares_memory(trace.value, value)
    assert value.flags.writeable


def test_facts_of_an_even_trace():
    trace = Trace.evenly_sampled(np.zeros(201), unit="N", sample_rate_hz=20000, start_s=3.0)
    assert trace.sample_count == 201
    assert trace.duration_s == pytest.approx(0.010)
    assert trace.sample_rate_hz == pytest.approx(20000)


def test_times_printed_with_few_decimals_still_count_as_even():
    # 12.8 kHz logged with six decimals: 78.125 us printed as 78 or 79 us.
    time_s = np.round(np.arange(5000) / 12800, 6)
    trace = Trace(time_s, np.zeros(5000), "N")
    assert trace.is_evenly_sampled
    assert trace.sample_rate_hz == pytest.approx(12800, rel=1e-5)


@pytest.mark.parametrize("lost", [1, 37, 500, 998])
def test_one_lost_sample_shows(lost):
    time_s = np.delete(np.arange(1000) / 20000, lost)
    trace = Trace(time_s, np.zeros(999), "N")
    assert not trace.is_evenly_sampled
    with pytest.raises(BadTrace, match="not evenly spaced"):
        _ = trace.sample_rate_hz
    assert FlawKind.UNEVEN in {flaw.kind for flaw in find_flaws(trace)}


def test_changing_the_unit():
    trace = Trace([0, 1], [1.0, 2.0], "kN")
    assert trace.in_unit("N").value == pytest.approx([1000.0, 2000.0])
    assert trace.in_unit("kN") is trace
    with pytest.raises(UnitMismatch):
        trace.in_unit("mm")


def test_cutting_a_stretch_includes_both_ends():
    trace = Trace(np.arange(10.0), np.arange(10.0), "N")
    assert list(trace.between(2.0, 5.0).time_s) == [2.0, 3.0, 4.0, 5.0]
    with pytest.raises(BadTrace, match="Fewer than two samples"):
        trace.between(2.1, 2.9)


def test_resultant_of_three_axes():
    time_s = np.arange(3.0)
    x = Trace(time_s, [3.0, 0.0, 2.0], "g_n")
    y = Trace(time_s, np.array([-4.0, 0.0, 3.0]) * 9.80665, "m/s2")
    z = Trace(time_s, [0.0, 0.0, 6.0], "g_n")
    # 3-4-5 and 2-3-6-7.
    assert resultant(x, y, z).value == pytest.approx([5.0, 0.0, 7.0])
    with pytest.raises(BadTrace, match="same times"):
        resultant(x, Trace(time_s + 1, [0, 0, 0], "g_n"))
    with pytest.raises(BadTrace, match="at least one axis"):
        resultant()
    with pytest.raises(UnitMismatch):
        resultant(x, Trace(time_s, [0, 0, 0], "N"))


def test_the_event_is_the_stretch_around_the_peak():
    event = find_event(half_sine())
    assert event.peak == pytest.approx(100.0)
    assert event.peak_s == pytest.approx(0.055)
    # 5 % of the peak is passed asin(0.05)/pi of 10 ms from either end.
    edge_s = 0.010 * math.asin(0.05) / math.pi
    assert event.from_s == pytest.approx(0.050 + edge_s, abs=1 / 20000)
    assert event.to_s == pytest.approx(0.060 - edge_s, abs=1 / 20000)
    trace = half_sine()
    first, last = np.searchsorted(trace.time_s, [event.from_s, event.to_s])
    assert trace.value[first] > 5.0 >= trace.value[first - 1]
    assert trace.value[last] > 5.0 >= trace.value[last + 1]


def test_a_flat_trace_has_no_event():
    with pytest.raises(BadTrace, match="flat"):
        find_event(Trace(np.arange(5.0), np.full(5, 3.0), "N"))


@given(st.floats(-50, 50), st.floats(-1000, 1000), st.integers(0, 2**32 - 1))
def test_baseline_and_clock_do_not_matter(offset, shift_s, seed):
    noise = np.random.default_rng(seed).normal(0, 0.1, half_sine().sample_count)
    base = half_sine()
    plain = remove_baseline(base.with_value(base.value + noise))
    moved = remove_baseline(Trace(base.time_s + shift_s, base.value + noise + offset, "g_n"))
    assert moved.offset - plain.offset == pytest.approx(offset, abs=0.05)
    assert moved.trace.value == pytest.approx(plain.trace.value, abs=0.05)
    assert plain.noise_sd == pytest.approx(0.1, rel=0.2)


def test_baseline_of_a_chosen_stretch():
    value = np.concatenate([np.full(20, 5.0), np.full(20, 9.0)])
    trace = Trace(np.arange(40.0), value, "N")
    found = remove_baseline(trace, from_s=0, to_s=19)
    assert (found.offset, found.noise_sd, found.sample_count) == (5.0, 0.0, 20)
    assert found.trace.value[-1] == 4.0


def test_a_log_that_starts_with_the_impact_has_no_baseline():
    with pytest.raises(BadTrace, match="Start logging earlier"):
        remove_baseline(half_sine(lead_s=0.0002))
    with pytest.raises(BadTrace, match="Only 0 samples"):
        remove_baseline(half_sine(), from_s=5.0, to_s=4.0)


def kinds(trace, **options):
    return {flaw.kind for flaw in find_flaws(trace, **options)}


def test_a_sound_trace_has_no_flaws():
    assert find_flaws(half_sine()) == ()


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("limit_share", [0.5, 0.8, 0.95, 0.99])
def test_clipping_is_found_on_either_side(sign, limit_share):
    whole = half_sine()
    clipped = whole.with_value(sign * np.minimum(whole.value, 100 * limit_share))
    (flaw,) = find_flaws(clipped)
    assert flaw.kind is FlawKind.CLIPPED
    assert "true peak is not known" in flaw.words
    assert ("top" if sign > 0 else "bottom") in flaw.words


@given(
    st.integers(6, 16),
    st.floats(0.5, 1.0),
    st.floats(0.0, 1.0),
    st.sampled_from([0.004, 0.010, 0.030]),
    st.sampled_from([1, 2, 4]),
)
def test_a_coarse_reading_of_a_smooth_peak_is_not_clipping(bits, share, phase, length_s, power):
    # Pulses of any height and phase, as broad as a half-sine or as narrow as its fourth power.
    rate_hz = 20000
    angle = np.pi * np.clip((np.arange(2400) + phase - 1200) / (length_s * rate_hz) + 0.5, 0, 1)
    step = 200 / 2**bits
    value = np.round(100 * share * np.sin(angle) ** power / step) * step
    trace = Trace.evenly_sampled(value, unit="g_n", sample_rate_hz=rate_hz)
    assert kinds(trace) == set()


def test_clipping_shows_through_a_coarse_reading():
    whole = half_sine()
    step = 200 / 2**8
    coarse = np.round(np.minimum(whole.value, 90) / step) * step
    assert kinds(whole.with_value(coarse)) == {FlawKind.CLIPPED}


def test_full_scale_is_believed():
    assert kinds(half_sine(), full_scale=100.0) == {FlawKind.CLIPPED}
    assert kinds(half_sine(), full_scale=200.0) == set()
    with pytest.raises(OutOfRange, match="Full scale"):
        find_flaws(half_sine(), full_scale=0)


def test_cut_off_events_are_named():
    whole = half_sine()
    assert kinds(whole.between(0.0, 0.055)) == {FlawKind.ENDS_EARLY}
    assert kinds(whole.between(0.053, 0.1)) == {FlawKind.STARTS_LATE}


def test_a_flat_trace_at_rest_is_not_clipped():
    assert FlawKind.CLIPPED not in kinds(Trace(np.arange(9.0), np.zeros(9), "N"))


def test_a_square_pulse_counts_as_clipped():
    value = np.zeros(400)
    value[100:150] = 80.0
    assert kinds(Trace.evenly_sampled(value, unit="g_n", sample_rate_hz=1e4)) == {FlawKind.CLIPPED}
