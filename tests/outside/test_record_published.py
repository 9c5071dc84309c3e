"""Precision of a method against published studies.

Glucose in serum: material A of the worked example of ASTM E691 (eight laboratories, three readings
each), printed figures from memory and recomputed. Dyestuff: Davies and Goldsmith, Statistical
Methods in Research and Production (1972), and its simulated twin of Box and Tiao, Bayesian Inference
in Statistical Analysis (1973), both documented in R lme4 with their variance components. Sulphur in coal and
creosote oil: the worked examples of ISO 5725-2:1994, annex B.1 and B.3, readings and printed results
both from memory; that the readings give every printed figure is what makes them believable.
"""

import math

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import optimize, stats

from reports.degradation.intervals import Interval
from reports.degradation.record import (
    cochran_limit,
    grubbs_limit,
    h_limit,
    interlaboratory_precision,
    k_limit,
    method_record,
)

GLUCOSE_A = {
    "1": (41.03, 41.45, 41.37),
    "2": (41.17, 42.00, 41.15),
    "3": (41.01, 40.68, 42.66),
    "4": (39.37, 42.37, 42.63),
    "5": (41.88, 41.19, 41.32),
    "6": (43.28, 40.50, 42.28),
    "7": (41.08, 41.27, 39.02),
    "8": (43.36, 42.65, 41.72),
}
DYESTUFF = {
    "A": (1545, 1440, 1440, 1520, 1580),
    "B": (1540, 1555, 1490, 1560, 1495),
    "C": (1595, 1550, 1605, 1510, 1560),
    "D": (1445, 1440, 1595, 1465, 1545),
    "E": (1595, 1630, 1515, 1635, 1625),
    "F": (1520, 1455, 1450, 1480, 1445),
}
# From memory; the mean squares below, which lme4 documents, confirm every digit that matters.
DYESTUFF_TWIN = {
    "A": (7.298, 3.846, 2.434, 9.566, 7.990),
    "B": (5.220, 6.556, 0.608, 11.788, -0.892),
    "C": (0.110, 10.386, 13.434, 5.510, 8.166),
    "D": (2.212, 4.852, 7.092, 9.288, 4.980),
    "E": (0.282, 9.014, 4.458, 9.446, 7.198),
    "F": (1.722, 4.782, 8.106, 0.758, 3.758),
}
# ISO 5725-2 B.1, percent of sulphur by mass; eight laboratories with three to five readings each.
# Levels 1, 3 and 4: of level 2 one laboratory's readings are not remembered for certain.
COAL = {
    1: [
        (0.71, 0.71, 0.70, 0.71),
        (0.69, 0.67, 0.68),
        (0.66, 0.65, 0.69),
        (0.67, 0.65, 0.66),
        (0.70, 0.69, 0.66, 0.71, 0.69),
        (0.73, 0.74, 0.73),
        (0.71, 0.71, 0.69),
        (0.70, 0.65, 0.68),
    ],
    3: [
        (1.68, 1.70, 1.68, 1.69),
        (1.64, 1.64, 1.65),
        (1.61, 1.61, 1.62),
        (1.68, 1.66, 1.66),
        (1.64, 1.67, 1.60, 1.66, 1.68),
        (1.70, 1.73, 1.73),
        (1.69, 1.70, 1.68),
        (1.67, 1.68, 1.67),
    ],
    4: [
        (3.26, 3.26, 3.20, 3.24),
        (3.20, 3.20, 3.20),
        (3.37, 3.36, 3.38),
        (3.16, 3.22, 3.23),
        (3.20, 3.19, 3.18, 3.27, 3.24),
        (3.27, 3.31, 3.29),
        (3.27, 3.24, 3.23),
        (3.25, 3.26, 3.26),
    ],
}
# ISO 5725-2 B.3, percent by mass; nine laboratories of two readings at each of five levels.
CREOSOTE = np.array(
    [
        [(4.44, 4.39), (9.34, 9.34), (17.40, 16.90), (19.23, 19.23), (24.28, 24.00)],
        [(4.03, 4.23), (8.42, 8.33), (14.42, 14.50), (16.06, 16.22), (20.40, 19.91)],
        [(3.70, 3.70), (7.60, 7.40), (13.60, 13.60), (14.50, 15.10), (19.30, 19.70)],
        [(4.10, 4.10), (8.93, 8.80), (14.60, 14.20), (15.60, 15.50), (20.30, 20.30)],
        [(3.97, 4.04), (7.89, 8.12), (13.73, 13.92), (15.54, 15.78), (20.53, 20.88)],
        [(3.75, 4.03), (8.76, 9.24), (13.90, 14.06), (16.42, 16.58), (18.56, 16.58)],
        [(3.70, 3.80), (8.00, 8.30), (14.10, 14.20), (14.90, 16.00), (19.70, 20.50)],
        [(3.91, 3.90), (8.04, 8.07), (14.84, 14.84), (15.41, 15.22), (21.10, 20.78)],
        [(4.02, 4.07), (8.44, 8.17), (14.24, 14.10), (15.14, 15.44), (20.71, 21.66)],
    ]
)


def as_logs(cells, scale):
    """Exact readings whose natural logs are the published values divided by `scale`."""
    return {
        name: [Interval(math.exp(x / scale), math.exp(x / scale)) for x in values]
        for name, values in cells.items()
    }


def test_glucose_a_has_no_scatter_between_laboratories():
    found = interlaboratory_precision(GLUCOSE_A)
    # Printed in E691: 41.5183, 0.6061, 1.0632, 1.0632.
    assert found.mean == pytest.approx(41.518333, abs=5e-7)
    assert found.standard_deviation_of_means == pytest.approx(0.606127, abs=5e-7)
    assert found.repeatability_standard_deviation == pytest.approx(1.063224, abs=5e-7)
    assert found.between_standard_deviation == 0
    assert found.reproducibility_standard_deviation == pytest.approx(1.063224, abs=5e-7)
    assert found.repeatability_limit == pytest.approx(2.9770, abs=5e-5)
    assert found.reproducibility_limit == pytest.approx(2.9770, abs=5e-5)
    assert list(found.h.values()) == pytest.approx(
        [-0.3877, -0.1292, -0.1127, -0.1017, -0.0907, 0.8277, -1.7516, 1.7461], abs=5.1e-5
    )
    assert list(found.k.values()) == pytest.approx(
        [0.2097, 0.4562, 0.9977, 1.7040, 0.3448, 1.3244, 1.1736, 0.7735], abs=5.1e-5
    )


@pytest.mark.parametrize(
    ("s_x", "s_r", "s_l", "s_R"),
    [(2.595005, 2.625065, 2.106433, 3.365713), (2.693136, 3.934974, 1.446252, 4.192334)],
)
def test_glucose_d_and_e_from_their_published_parts(s_x, s_r, s_l, s_R):
    # Cells made to have the spread of means and the repeatability E691 prints for D and E.
    shape = np.array([-1.3, -0.9, -0.2, 0.1, 0.3, 0.4, 0.6, 1.0])
    means = 200 + s_x * (shape - shape.mean()) / shape.std(ddof=1)
    cells = {str(at): (mean - s_r, mean, mean + s_r) for at, mean in enumerate(means)}
    found = interlaboratory_precision(cells)
    assert found.standard_deviation_of_means == pytest.approx(s_x)
    assert found.repeatability_standard_deviation == pytest.approx(s_r)
    assert found.between_standard_deviation == pytest.approx(s_l, abs=2e-6)
    assert found.reproducibility_standard_deviation == pytest.approx(s_R, abs=2e-6)


@pytest.mark.parametrize(
    ("level", "mean", "s_r", "s_R"),
    [(1, 0.690, 0.015, 0.026), (3, 1.667, 0.017, 0.035), (4, 3.250, 0.026, 0.058)],
)
def test_sulphur_in_coal_from_readings_to_precision(level, mean, s_r, s_R):
    # Unequal cells: here the mean size of a cell that ISO 5725-2 uses is not their plain mean.
    cells = {str(place): values for place, values in enumerate(COAL[level], start=1)}
    found = interlaboratory_precision(cells)
    assert found.mean == pytest.approx(mean, abs=0.0005)
    assert found.repeatability_standard_deviation == pytest.approx(s_r, abs=0.0005)
    assert found.reproducibility_standard_deviation == pytest.approx(s_R, abs=0.0005)
    # the record of a method takes the same way, on logs
    record = method_record(as_logs(cells, 1))
    assert record.repeatability.standard_deviation == pytest.approx(s_r, abs=0.0005)
    assert record.intermediate.standard_deviation == pytest.approx(s_R, abs=0.0005)


@pytest.mark.parametrize(
    ("level", "discarded", "mean", "s_r", "s_R"),
    [
        (1, [1], 3.94, 0.092, 0.171),
        (2, [1], 8.28, 0.179, 0.498),
        (3, [1], 14.18, 0.127, 0.400),
        (4, [1], 15.59, 0.337, 0.579),
        (5, [1, 6], 20.41, 0.393, 0.637),
    ],
)
def test_creosote_oil_from_readings_to_precision(level, discarded, mean, s_r, s_R):
    # ISO 5725-2 discards laboratory 1 throughout, and laboratory 6 at level 5.
    cells = {
        str(place): readings
        for place, readings in enumerate(CREOSOTE[:, level - 1], start=1)
        if place not in discarded
    }
    found = interlaboratory_precision(cells)
    assert found.mean == pytest.approx(mean, abs=0.005)
    assert found.repeatability_standard_deviation == pytest.approx(s_r, abs=0.0005)
    assert found.reproducibility_standard_deviation == pytest.approx(s_R, abs=0.0005)
    record = method_record(as_logs(cells, 10))
    assert 10 * record.repeatability.standard_deviation == pytest.approx(s_r, abs=0.0005)
    assert 10 * record.intermediate.standard_deviation == pytest.approx(s_R, abs=0.0005)


def test_limits_of_h_and_k():
    # E691's table prints 2.15 and 2.06.
    assert h_limit(8) == pytest.approx(2.152492, abs=5e-7)
    assert k_limit(8, 3) == pytest.approx(2.060840, abs=5e-7)
    found = interlaboratory_precision(GLUCOSE_A)
    assert (found.h_limit, found.k_limit) == pytest.approx((2.152492, 2.060840), abs=5e-7)


@pytest.mark.parametrize(
    ("laboratories", "readings", "at_5", "at_1"),
    [
        (8, 3, 0.5157, 0.6152),
        (8, 2, 0.6798, 0.7945),
        (5, 3, 0.6838, 0.7885),
        (10, 3, 0.4450, 0.5358),
    ],
)
def test_limits_of_cochran(laboratories, readings, at_5, at_1):
    # ISO 5725-2 table 4 prints 0.516 and 0.615 for eight laboratories of three (from memory).
    assert cochran_limit(laboratories, readings, significance=0.05) == pytest.approx(at_5, abs=6e-5)
    assert cochran_limit(laboratories, readings, significance=0.01) == pytest.approx(at_1, abs=6e-5)


@pytest.mark.parametrize(
    ("laboratories", "at_5", "at_1"),
    [(8, 2.1266, 2.2744), (5, 1.7150, 1.7637), (10, 2.2900, 2.4821)],
)
def test_limits_of_grubbs(laboratories, at_5, at_1):
    # ISO 5725-2 table 5 prints 2.126 and 2.274 for eight (from memory).
    assert grubbs_limit(laboratories, significance=0.05) == pytest.approx(at_5, abs=6e-5)
    assert grubbs_limit(laboratories, significance=0.01) == pytest.approx(at_1, abs=6e-5)


def test_dyestuff_components_on_the_log_scale():
    # Balanced, so restricted maximum likelihood equals the analysis of variance: 1764.05, 2451.25.
    record = method_record(as_logs(DYESTUFF, 100))
    assert record.repeatability.variance * 1e4 == pytest.approx(2451.25, rel=1e-9)
    assert record.repeatability.degrees_of_freedom == 24
    assert record.between_sessions.variance * 1e4 == pytest.approx(1764.05, rel=1e-9)
    assert record.intermediate.variance * 1e4 == pytest.approx(1764.05 + 2451.25, rel=1e-9)
    classical = interlaboratory_precision(DYESTUFF)
    assert classical.mean == 1527.5
    assert classical.between_standard_deviation == pytest.approx(42.001, abs=5e-4)
    assert classical.repeatability_standard_deviation == pytest.approx(49.510, abs=5e-4)


def test_balanced_sessions_agree_with_a_mixed_model_of_statsmodels():
    # statsmodels MixedLM, restricted maximum likelihood, random intercepts by session: in a balanced
    # design with something between sessions it is the analysis of variance.
    rng = np.random.default_rng(5)
    values = 100 + 8 * rng.standard_normal((8, 1)) + 5 * rng.standard_normal((8, 4))
    fit = sm.MixedLM(values.ravel(), np.ones(32), np.repeat(np.arange(8), 4)).fit(reml=True)
    record = method_record(as_logs({str(k): row for k, row in enumerate(values)}, 100))
    assert record.repeatability.variance * 1e4 == pytest.approx(fit.scale, rel=1e-3)
    assert record.between_sessions.variance * 1e4 == pytest.approx(fit.cov_re.item(), rel=1e-3)


def test_dyestuff_as_specimens_of_one_arm():
    arms = {"new": as_logs(DYESTUFF, 100)}
    record = method_record({}, arms=arms)
    assert record.specimen_to_specimen.variance * 1e4 == pytest.approx(1764.05, rel=1e-9)
    # The mean square between batches, 11271.5, is five times the variance of a batch mean.
    prior = record.for_this_model(readings_per_specimen=5)
    assert prior.variance * 1e4 == pytest.approx(11271.5 / 5, rel=1e-9)


def test_dyestuff_twin_is_the_boundary_case():
    # lme4 documents mean squares 8.3363 between and 14.9459 within: nothing between batches.
    classical = interlaboratory_precision(DYESTUFF_TWIN)
    assert classical.repeatability_standard_deviation**2 == pytest.approx(14.9459, abs=5e-5)
    assert 5 * classical.standard_deviation_of_means**2 == pytest.approx(8.3363, abs=5e-5)
    record = method_record(as_logs(DYESTUFF_TWIN, 10))
    assert record.between_sessions.variance == 0
    assert record.intermediate.variance == record.repeatability.variance
    assert any("it is put to 0" in note for note in record.notes)


def test_many_stopped_readings_agree_with_maximum_likelihood():
    # scipy's censored data and a plain minimiser; with 400 readings the two estimates must meet.
    rng = np.random.default_rng(17)
    logs, ceiling = rng.normal(1.0, 0.2, 400), 1.08
    seen, stopped = logs[logs <= ceiling], int((logs > ceiling).sum())
    readings = [Interval(math.exp(x), math.exp(x)) for x in seen]
    readings += [Interval(math.exp(ceiling), math.inf)] * stopped
    censored = stats.CensoredData(uncensored=seen, right=np.full(stopped, ceiling))
    fit = stats.norm.fit(
        censored,
        optimizer=lambda f, x0, args, disp: optimize.fmin(
            f, x0, args=args, disp=disp, xtol=1e-9, ftol=1e-12
        ),
    )
    record = method_record({"a": readings})
    assert 100 < stopped < 200
    assert record.repeatability.standard_deviation == pytest.approx(fit[1], rel=0.01)
