"""What the trend over service must say, must refuse and must survive."""

import math
import time
import warnings
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reports.degradation import CannotCompare, Interval
from reports.degradation.trend import service_correlation, trend

AGES = (0.0, 5.0, 10.0, 20.0)


def simulated(
    *, slope: float, sigma: float, width: float, seed: int, each: int = 4
) -> list[tuple[float, Interval]]:
    rng = np.random.default_rng(seed)
    found = []
    for age in AGES:
        for _ in range(each):
            value = math.exp(2.0 + slope * age + sigma * rng.standard_normal())
            low = math.floor(value / width) * width
            found.append((age, Interval(low, low + width)))
    return found


def test_two_ages_are_refused_with_the_reason():
    found = trend([(a, Interval(9 - a, 10 - a)) for a in (0.0, 0.0, 3.0, 3.0)])
    assert found.slope is None
    assert found.points == ()
    assert found.refusal == "A trend needs at least 3 service ages; readings of 2 are there."


def test_three_specimens_are_refused():
    found = trend([(a, Interval(9 - a, 10 - a)) for a in (0.0, 1.0, 3.0)])
    assert "at least 4 specimens" in found.refusal


def test_readings_without_ends_are_refused():
    open_top = [(a, Interval(5, math.inf)) for a in (0.0, 1.0, 2.0, 3.0)]
    assert trend(open_top).refusal == "Too few readings have both ends to place a line."


def test_exact_points_on_a_line_are_refused():
    found = trend([(a, Interval(2.0**-a, 2.0**-a)) for a in (0.0, 1.0, 2.0, 3.0)])
    assert "no resolution" in found.refusal


def test_nothing_is_said_beyond_the_longest_service():
    found = trend(simulated(slope=-0.02, sigma=0.05, width=0.1, seed=1))
    assert found.points[-1].exposure == 20.0
    with pytest.raises(CannotCompare, match="longest service tested is 20"):
        found.retention_at(40)


def test_limit_beyond_the_tested_service_is_open():
    found = trend(simulated(slope=-0.002, sigma=0.02, width=0.05, seed=2), limit=0.5)
    assert found.crossing.exposure is None
    assert found.crossing.low is None


def test_band_starts_at_one_and_holds_its_line():
    found = trend(simulated(slope=-0.03, sigma=0.08, width=0.5, seed=3))
    assert (found.points[0].retention, found.points[0].low, found.points[0].high) == (1, 1, 1)
    for point in found.points[1:]:
        assert point.low < point.retention < point.high


def test_less_is_better_turns_the_slope():
    specimens = simulated(slope=0.03, sigma=0.05, width=0.2, seed=4)
    up, down = trend(specimens), trend(specimens, higher_is_better=False)
    assert down.slope == pytest.approx(-up.slope)
    assert (down.slope_low, down.slope_high) == pytest.approx((-up.slope_high, -up.slope_low))


def test_units_of_service_and_of_the_reading_do_not_matter():
    specimens = simulated(slope=-0.03, sigma=0.08, width=0.5, seed=5)
    other = [(1000 * a, Interval(25.4 * i.low, 25.4 * i.high)) for a, i in specimens]
    one, two = trend(specimens), trend(other)
    assert two.slope * 1000 == pytest.approx(one.slope, rel=1e-6)
    assert two.slope_low * 1000 == pytest.approx(one.slope_low, rel=1e-6)


def test_intervals_cover_the_true_slope_about_as_often_as_they_say():
    # 200 simulations of 12 coarse readings: 95 % of them is 190; fewer than 180 would be very bad
    # luck (binomial, below 0.3 %) for an interval that covers 95 %
    covered = 0
    for seed in range(200):
        found = trend(simulated(slope=-0.02, sigma=0.1, width=1.0, seed=100 + seed, each=3))
        covered += found.slope_low <= -0.02 <= found.slope_high
    assert covered >= 180


def test_many_readings_are_quick():
    rng = np.random.default_rng(6)
    ages = rng.choice(AGES, 2000)
    values = np.round(np.exp(2 - 0.02 * ages + 0.1 * rng.standard_normal(2000)), 1)
    specimens = [
        (float(a), Interval(v - 0.05, v + 0.05)) for a, v in zip(ages, values, strict=True)
    ]
    started = time.perf_counter()
    found = trend(specimens)
    assert found.slope == pytest.approx(-0.02, abs=0.002)
    assert time.perf_counter() - started < 30  # a guard against a hang, not a measure of speed


finite = st.floats(min_value=1e-300, max_value=1e300)
ends = st.tuples(st.one_of(st.just(0.0), finite), st.one_of(st.just(math.inf), finite)).map(sorted)
readings = st.tuples(st.sampled_from((0.0, 1.0, 2.5, 1e6)), ends.filter(lambda e: e[1] > 0))


@settings(max_examples=150, deadline=None)
@given(st.lists(readings, max_size=9))
def test_any_readings_give_an_answer_or_a_named_refusal(rows):
    specimens = [(x, Interval(*pair)) for x, pair in rows]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = trend(specimens)
    if found.refusal:
        assert found.slope is None
        return
    assert found.slope_low <= found.slope <= found.slope_high
    assert all(math.isfinite(s) for s in (found.slope_low, found.slope, found.slope_high))


def test_an_exposure_below_nothing_is_refused():
    with pytest.raises(CannotCompare, match="from 0 up"):
        trend([(-1.0, Interval(1, 2))])


def test_measures_that_move_together():
    km, months = [0, 6, 15, 28], [0, 7, 14, 30]
    # Pearson's formula by numpy
    assert service_correlation(km, months) == pytest.approx(np.corrcoef(km, months)[0, 1])
    assert service_correlation([1, 1, 1], [1, 2, 3]) is None


def test_lines_that_all_fit_are_not_told_apart():
    # brackets [1, 2] at every age: with the ages 0, 1 and 2 a line through the corners has slopes
    # from -ln 2 / 2 to ln 2 / 2, and every one of them fits without any scatter
    found = trend([(a, Interval(1, 2)) for a in (0.0, 0.0, 1.0, 1.0, 2.0, 2.0)])
    assert found.slope_low == pytest.approx(-math.log(2) / 2, rel=1e-6)
    assert found.slope_high == pytest.approx(math.log(2) / 2, rel=1e-6)
    assert any("every line that fits" in note for note in found.notes)
    assert found.crossing.low is not None


def test_a_blunter_instrument_never_narrows_a_trend():
    sharp = [
        (a, v) for a, v in zip(AGES * 2, (7.4, 7.0, 6.1, 5.2, 7.1, 6.6, 6.3, 4.9), strict=True)
    ]
    widths = []
    for half in (1e-6, 0.2, 0.5, 1.0):
        found = trend([(a, Interval(v * math.exp(-half), v * math.exp(half))) for a, v in sharp])
        widths.append(found.slope_high - found.slope_low)
    assert all(b >= a * (1 - 1e-6) for a, b in pairwise(widths)), widths
