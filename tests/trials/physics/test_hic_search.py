"""The search for the worst window against a plain double loop that looks at every window."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trials.physics.errors import BadTrace, OutOfRange, UnitMismatch
from trials.physics.hic import (
    HIC15_S,
    HIC36_S,
    head_injury_criterion,
    running_integral,
    severity_index,
)
from trials.physics.trace import Trace


def by_double_loop(time_s, value_g, longest_window_s):
    area = [0.0]
    for k in range(len(time_s) - 1):
        area.append(area[-1] + (value_g[k] + value_g[k + 1]) / 2 * (time_s[k + 1] - time_s[k]))
    worst = 0.0
    for i in range(len(time_s)):
        for j in range(i + 1, len(time_s)):
            length_s = time_s[j] - time_s[i]
            if longest_window_s is not None and length_s > longest_window_s * (1 + 1e-6):
                break
            mean = (area[j] - area[i]) / length_s
            if mean > 0:
                worst = max(worst, length_s * mean**2.5)
    return worst


ROUGH = st.lists(
    st.one_of(st.floats(-50, 200), st.sampled_from([0.0, 100.0])), min_size=2, max_size=70
).filter(lambda values: any(a + b > 1e-6 for a, b in pairwise(values)))


@settings(max_examples=150, deadline=None)
@given(ROUGH, st.sampled_from([None, 0.015, 0.036, 0.0031]))
def test_every_window_of_an_even_trace(values, cap_s):
    time_s = np.arange(len(values)) * 0.001
    found = head_injury_criterion(Trace(time_s, values, "g_n"), longest_window_s=cap_s)
    assert found.value == pytest.approx(by_double_loop(time_s, values, cap_s), rel=1e-8, abs=1e-12)


@settings(max_examples=100, deadline=None)
@given(ROUGH, st.integers(0, 2**32 - 1), st.sampled_from([None, 0.015]))
def test_every_window_of_an_uneven_trace(values, seed, cap_s):
    gaps_s = np.random.default_rng(seed).uniform(0.0001, 0.003, len(values))
    time_s = np.cumsum(gaps_s)
    found = head_injury_criterion(Trace(time_s, values, "g_n"), longest_window_s=cap_s)
    assert found.value == pytest.approx(by_double_loop(time_s, values, cap_s), rel=1e-8, abs=1e-12)


@pytest.mark.parametrize("cap_s", [HIC15_S, HIC36_S, None])
@pytest.mark.parametrize("kind", ["noise", "walk", "two pulses", "plateau", "sine"])
def test_longer_traces(kind, cap_s):
    rng = np.random.default_rng(7)
    time_s = np.arange(700) / 5000
    value = {
        "noise": rng.normal(0, 5, 700),
        "walk": np.cumsum(rng.normal(0, 5, 700)),
        "two pulses": 100 * np.exp(-(((time_s - 0.03) / 0.004) ** 2))
        + 100 * np.exp(-(((time_s - 0.10) / 0.004) ** 2)),
        "plateau": np.where((time_s > 0.02) & (time_s < 0.12), 60.0, 0.0),
        "sine": 50 * np.sin(2 * np.pi * 50 * time_s),
    }[kind]
    found = head_injury_criterion(Trace(time_s, value, "g_n"), longest_window_s=cap_s)
    assert found.value == pytest.approx(by_double_loop(time_s, value, cap_s), rel=1e-8)


@settings(max_examples=60, deadline=None)
@given(ROUGH, st.floats(-1000, 1000))
def test_the_clock_does_not_matter(values, shift_s):
    time_s = np.arange(len(values)) * 0.001
    base = head_injury_criterion(Trace(time_s, values, "g_n"), longest_window_s=HIC15_S)
    moved = head_injury_criterion(Trace(time_s + shift_s, values, "g_n"), longest_window_s=HIC15_S)
    assert moved.value == pytest.approx(base.value, rel=1e-6)


@settings(max_examples=60, deadline=None)
@given(ROUGH)
def test_a_longer_limit_never_lowers_the_figure(values):
    trace = Trace(np.arange(len(values)) * 0.001, values, "g_n")
    figures = [
        head_injury_criterion(trace, longest_window_s=cap_s).value
        for cap_s in (0.005, HIC15_S, HIC36_S, None)
    ]
    for shorter, longer in pairwise(figures):
        assert longer >= shorter * (1 - 1e-8)


@settings(max_examples=60, deadline=None)
@given(ROUGH)
def test_severity_index_is_never_below_the_criterion(values):
    # Jensen: a mean to the power 2.5 is at most the mean of the powers. Straight lines between
    # samples are convex under that power, so the trapezoidal index only errs upwards.
    trace = Trace(np.arange(len(values)) * 0.001, np.maximum(values, 0.0), "g_n")
    criterion = head_injury_criterion(trace, longest_window_s=None).value
    assert severity_index(trace) >= criterion * (1 - 1e-8)


@pytest.mark.parametrize("scale", [1e-9, 1e-3, 1e9])
def test_very_small_and_very_large_readings(scale):
    value = np.sin(np.pi * np.linspace(0, 1, 201))
    base = head_injury_criterion(
        Trace.evenly_sampled(value, unit="g_n", sample_rate_hz=20000), longest_window_s=None
    )
    scaled = head_injury_criterion(
        Trace.evenly_sampled(value * scale, unit="g_n", sample_rate_hz=20000), longest_window_s=None
    )
    assert scaled.value == pytest.approx(base.value * scale**2.5, rel=1e-9)
    assert (scaled.start_s, scaled.end_s) == (base.start_s, base.end_s)


def test_ties_give_the_earliest_window():
    value = np.zeros(2000)
    value[200:401] = value[1200:1401] = 100 * np.sin(np.pi * np.arange(201) / 200)
    found = head_injury_criterion(
        Trace.evenly_sampled(value, unit="g_n", sample_rate_hz=20000), longest_window_s=HIC15_S
    )
    assert 0.010 < found.start_s < found.end_s < 0.020
    assert found.window_s == pytest.approx(found.end_s - found.start_s)


def test_running_integral_of_a_ramp():
    trace = Trace([0.0, 1.0, 3.0], [0.0, 2.0, 6.0], "g_n")
    assert running_integral(trace) == pytest.approx([0.0, 1.0, 9.0])


@pytest.mark.parametrize(
    ("values", "cap_s", "kind", "words"),
    [
        ([0.0, 0.0, 0.0], None, BadTrace, "never rises above zero"),
        ([-5.0, -1.0, -5.0], None, BadTrace, "Check the sign"),
        ([-5.0, 1.0, -5.0], None, BadTrace, "No stretch of the trace has a mean"),
        ([1.0, 1.0, 1.0], 0.0001, BadTrace, "No two samples lie within 0.0001 s"),
        ([1.0, 1.0, 1.0], 0.0, OutOfRange, "Longest window"),
        ([1.0, 1.0, 1.0], float("nan"), OutOfRange, "Longest window"),
    ],
)
def test_refusals(values, cap_s, kind, words):
    trace = Trace(np.arange(3) * 0.001, values, "g_n")
    with pytest.raises(kind, match=words):
        head_injury_criterion(trace, longest_window_s=cap_s)


def test_a_trace_below_zero_but_for_spikes_is_refused_at_once():
    value = np.full(200_000, -5.0)
    value[::1000] = 4.0
    trace = Trace.evenly_sampled(value, unit="g_n", sample_rate_hz=20000)
    with pytest.raises(BadTrace, match="No stretch"):
        head_injury_criterion(trace, longest_window_s=None)
    # One spike of two samples is the only window with a mean above zero.
    value[5001] = 4.0
    found = head_injury_criterion(
        Trace.evenly_sampled(value, unit="g_n", sample_rate_hz=20000), longest_window_s=None
    )
    assert (found.start_s, found.end_s) == pytest.approx((5000 / 20000, 5001 / 20000))
    assert found.value == pytest.approx(4.0**2.5 / 20000)


def test_a_force_is_not_an_acceleration():
    trace = Trace([0.0, 0.001], [1.0, 1.0], "N")
    with pytest.raises(UnitMismatch):
        head_injury_criterion(trace, longest_window_s=None)
    with pytest.raises(UnitMismatch):
        severity_index(trace)
