"""Figures of traces against closed forms of ideal pulses, from file to figure.

A half-sine pulse of amplitude A g and base T s, window not binding, has the criterion
0.4146 A^2.5 T; a square pulse A^2.5 T. Closed forms worked out apart from this project.
"""

import io

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trials.physics.errors import BadSettings, BadTrace
from trials.physics.trace import FlawKind
from trials.physics.trace_figures import TraceSettings, outline, read_figure
from trials.physics.trace_file import read_table

RATE_HZ = 20_000


def half_sine(amplitude, base_s, *, start_s=0.3, length_s=1.0, offset=0.0):
    time = np.arange(int(length_s * RATE_HZ)) / RATE_HZ
    inside = (time >= start_s) & (time <= start_s + base_s)
    pulse = amplitude * np.sin(np.pi * (time - start_s) / base_s)
    return time, np.where(inside, pulse, 0.0) + offset


def acceleration(figure, **more):
    return TraceSettings(figure, (1,), "g_n", time_column=0, **more)


def test_drop_from_file_to_criterion():
    time, value = half_sine(180.0, 0.006)
    lines = [f"{t * 1000:.3f};{v:.4f}".replace(".", ",") for t, v in zip(time, value, strict=True)]
    table = read_table(io.BytesIO("\n".join(["Zeit (ms);Kopf (g)", *lines]).encode()))
    found = read_figure(table.values, TraceSettings("hic_36", (1,), "g_n", 0, "ms"))
    assert found.value == pytest.approx(0.4146 * 180**2.5 * 0.006, rel=2e-4)
    assert found.flaws == ()
    # its parts: a 6 ms half sine stays above half its height for two thirds of its base
    spent = read_figure(table.values, TraceSettings("dwell", (1,), "g_n", 0, "ms", level_g=90))
    assert spent.value == pytest.approx(4.0, rel=1e-3)


@given(
    offset=st.floats(-50, 50),
    start_s=st.floats(0.1, 0.8),
    amplitude=st.floats(20, 400),
)
def test_neither_offset_nor_time_moves_the_figure(offset, start_s, amplitude):
    time, value = half_sine(amplitude, 0.008, start_s=start_s, offset=offset)
    found = read_figure([time, value], acceleration("hic_15"))
    assert found.value == pytest.approx(0.4146 * amplitude**2.5 * 0.008, rel=2e-3)


def test_three_axes_make_one_resultant():
    # 3-4-12 is 13
    time, value = half_sine(1.0, 0.008)
    columns = [time, 30 * value, 40 * value, 120 * value]
    settings = TraceSettings("peak_acceleration", (1, 2, 3), "g_n", time_column=0)
    assert read_figure(columns, settings).value == pytest.approx(130.0, rel=1e-3)


def test_turned_sign_and_sampling_rate_without_times():
    _, value = half_sine(100.0, 0.008)
    settings = TraceSettings(
        "peak_acceleration", (0,), "g_n", sample_rate_hz=RATE_HZ, is_inverted=True
    )
    assert read_figure([-value], settings).value == pytest.approx(100.0, rel=1e-3)


def test_clipping_is_a_flaw_with_words():
    time, value = half_sine(180.0, 0.006)
    found = read_figure([time, np.minimum(value, 120.0)], acceleration("peak_acceleration"))
    assert [flaw.kind for flaw in found.flaws] == [FlawKind.CLIPPED]


def test_a_slow_logger_is_refused_for_its_filter_class():
    # SAE J211-1: at least ten times the class
    time, value = half_sine(100.0, 0.02)
    with pytest.raises(BadTrace, match="10,000 samples per second"):
        read_figure([time[::4], value[::4]], acceleration("hic_36", cfc=1000))


def test_rise_reached_and_not_reached():
    time = np.arange(0.0, 61.0)
    settings = TraceSettings("rise_time", (1,), "degC", time_column=0, rise_k=10.0)
    found = read_figure([time, 20 + 0.5 * time], settings)
    assert (found.value, found.is_reached) == (pytest.approx(20.0), True)
    cold = read_figure([time, 20 + 0.1 * time], settings)
    assert (cold.value, cold.is_reached) == (60.0, False)


@pytest.mark.parametrize(
    "settings",
    [
        TraceSettings("beauty", (1,), "g_n", 0),
        TraceSettings("hic", (1,), "degC", 0),
        TraceSettings("hic", (5,), "g_n", 0),
        TraceSettings("hic", (0,), "g_n", 0),
        TraceSettings("hic", (), "g_n", 0),
        TraceSettings("hic", (1,), "g_n"),
        TraceSettings("hic", (1,), "g_n", 0, cfc=500),
        TraceSettings("dwell", (1,), "g_n", 0),
    ],
)
def test_settings_that_do_not_fit_are_refused(settings):
    with pytest.raises(BadSettings):
        read_figure(list(half_sine(100.0, 0.008)), settings)


@pytest.mark.parametrize("fault", [np.nan, np.inf])
def test_missing_values_are_refused(fault):
    time, value = half_sine(100.0, 0.008)
    value[100] = fault
    with pytest.raises(BadTrace, match="sample 101"):
        read_figure([time, value], acceleration("hic"))


def test_double_and_unsorted_times_are_refused():
    time, value = half_sine(100.0, 0.008)
    for at, told in ((time[9], "twice"), (0.0, "backwards")):
        wrong = time.copy()
        wrong[10] = at
        with pytest.raises(BadTrace, match=told):
            read_figure([wrong, value], acceleration("hic"))


def test_an_outline_keeps_the_peak():
    time, value = half_sine(100.0, 0.001)
    trace = read_figure([time, value], acceleration("hic")).trace
    drawn = outline(trace, from_s=0.0, to_s=1.0, stretches=50).points
    assert max(y for _, y in drawn) == pytest.approx(float(trace.value.max()))
    assert len(drawn) <= 100


def test_settings_survive_json():
    settings = acceleration("dwell", level_g=150.0, cfc=1000)
    assert TraceSettings.from_json(settings.as_json()) == settings
