"""What a hostile or tired hand could type: an answer or a named refusal, never an overflow."""

import math

import numpy as np
import pytest

from reports.degradation import across, control_chart, drift, grades, planning, record
from reports.degradation.compare import compare
from reports.degradation.intervals import CannotCompare, Interval, Record
from reports.degradation.trend import service_correlation, trend


def test_a_pool_so_wide_that_its_end_fits_no_number_has_open_ends() -> None:
    losses = [across.StudyLoss("a", 500.0, 1.0), across.StudyLoss("b", -500.0, 1.0)]
    pooled = across.pool_losses(losses)
    # t(1) at 97.5 % is 12.706 (any table of Student's t), the error of two so far apart is 500
    assert pooled.high == pytest.approx(12.706 * 500, rel=1e-3)
    assert (pooled.retention_low, pooled.retention_high) == (0.0, math.inf)
    assert "over 10,000 %" in pooled.words(per="12 months")


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("open_reading", [Interval(3.0, math.inf), Interval(0.0, 3.0)])
def test_equal_readings_learn_no_scatter_from_an_arm_without_ends(
    open_reading: Interval, turned: bool
) -> None:
    arms = [[Interval(5.0, 5.0)] * 3, [open_reading, open_reading]]
    found = compare(*reversed(arms) if turned else arms, scale="pooled")
    assert found.refusal.startswith("All readings of an arm are exactly equal")
    assert (found.low, found.high, found.verdict) == (0.0, math.inf, "not resolved")


def test_an_end_moved_beyond_every_number_is_open() -> None:
    low, high = drift.widened(0.5, 1.0, 2.0, variance=1e6, degrees_of_freedom=1, level=0.95)
    assert (low, high) == (0.0, None)
    far = drift.widened(1e-300, 1.0, 1e300, variance=0.0, degrees_of_freedom=1, level=0.95)
    assert far == pytest.approx((1e-300, 1e300))
    assert drift.widened(1e-200, 1e200, None, variance=0.0, degrees_of_freedom=5, level=0.9)[
        0
    ] == pytest.approx(1e-200)


def test_a_scatter_beyond_every_number_is_told_as_such() -> None:
    assert record.VarianceComponent(1e6, 3.0).relative_scatter_share == math.inf
    # by hand: e^0.1 - 1
    assert record.VarianceComponent(0.01, 3.0).relative_scatter_share == pytest.approx(0.1051709181)


def test_what_is_only_rounding_is_no_record() -> None:
    assert record.VarianceComponent(1e-30, 3.0).record is None


@pytest.mark.parametrize(
    ("variance", "freedom"),
    [(1e-300, 5), (1e300, 5), (0.01, 1e-9), (0.01, 1e300), (math.nan, 5), (0.01, math.inf)],
)
def test_a_record_that_no_bench_has_is_refused_by_name(variance: float, freedom: float) -> None:
    with pytest.raises(CannotCompare, match="of a method's record must lie between"):
        Record(variance, freedom)


@pytest.mark.parametrize("huge", [1e150, 1e300, -1e300, math.inf, math.nan])
def test_values_too_large_to_be_squared_are_refused(huge: float) -> None:
    with pytest.raises(CannotCompare, match="squared"):
        record.interlaboratory_precision({"a": [1.0, 2.0], "b": [huge, 1.0]})
    with pytest.raises(CannotCompare, match="squared"):
        control_chart.individuals_chart([1.0, 2.0, huge])
    with pytest.raises(CannotCompare, match="squared"):
        control_chart.weighted_average_chart([1.0, huge], centre=1.0, deviation=1.0)


def test_grades_beyond_every_scale_are_refused() -> None:
    with pytest.raises(ValueError, match="a place on a scale"):
        grades.kendall_concordance([[1, 10**30], [2, 1]])
    with pytest.raises(ValueError, match="a place on a scale"):
        grades.compare_grades([[10**400]], [[1]], rng=np.random.default_rng(1))


def test_planning_with_absurd_scatter() -> None:
    # sqrt(ln(1 + v^2)) with v = 1e200, where the 1 no longer counts
    assert planning.log_scatter(1e200) == pytest.approx(math.sqrt(400 * math.log(10)))
    assert planning.with_resolution(1e200, 1.0) == 1e200
    rng = np.random.default_rng(1)
    assert planning.simulated_chance(2, loss=0.1, scatter=900, rng=rng, simulations=5) == 0.0
    seen = planning.simulated_chance(
        2, loss=0.1, scatter=1, freedom=0.1, rng=np.random.default_rng(2), simulations=20
    )
    assert 0 <= seen <= 1
    for scatter in (1e-300, 1e300, math.inf, math.nan):
        with pytest.raises(CannotCompare, match="scatter between specimens"):
            planning.chance_of_loss_seen(3, loss=0.1, scatter=scatter)
    with pytest.raises(CannotCompare, match="degrees of freedom"):
        planning.chance_of_loss_seen(3, loss=0.1, scatter=0.1, freedom=5e-324)


def test_the_chance_of_a_trend_does_not_depend_on_the_unit_of_service() -> None:
    ages = [0.0, 6.0, 12.0, 24.0]
    usual = planning.chance_of_trend_seen(ages, loss=0.3, scatter=0.1)
    far = planning.chance_of_trend_seen([x * 1e300 for x in ages], loss=0.3, scatter=0.1)
    assert far == pytest.approx(usual, rel=1e-9)


def test_correlation_does_not_depend_on_the_unit_of_service() -> None:
    km, months = np.array([0.0, 100.0, 300.0, 500.0]), np.array([0.0, 6.0, 11.0, 24.0])
    usual = np.corrcoef(km, months)[0, 1]
    for factor in (1e300, 1e-300):
        assert service_correlation(km * factor, months) == pytest.approx(usual, rel=1e-9)


@pytest.mark.parametrize("exposure", [1e200, 1e-300, math.inf, math.nan, -1.0])
def test_an_exposure_that_no_record_holds_is_refused(exposure: float) -> None:
    reading = Interval(1.0, 1.1)
    with pytest.raises(CannotCompare, match="from 0 up"):
        trend([(0, reading), (1, reading), (2, reading), (exposure, reading)])


def test_a_reading_as_narrow_as_rounding_beside_open_ones() -> None:
    # the width of a rounding error lost its chance to cancellation, and its square ran over
    found = trend(
        [
            (2, Interval(3.0, 3.0)),
            (3, Interval(2.0, math.inf)),
            (0, Interval(2.5, 2.5000000000000027)),
            (12, Interval(3.0, math.inf)),
            (1, Interval(2.0, 2.02)),
            (2, Interval(2.5, 5.0)),
            (24, Interval(2.0, 2.0)),
            (12, Interval(3.0, 3.0)),
            (1, Interval(2.5, 2.5)),
        ],
        level=0.8,
    )
    assert not found.refusal
    assert found.slope_low < found.slope < found.slope_high
