"""Uncertainty budgets against the worked examples of the GUM (JCGM 100:2008).

The printed figures are from memory; those with more digits were computed apart from this project
with a multiple-precision library.
"""

import math
import statistics

import pytest

from trials.physics.budget import Component, Shape, combine
from trials.physics.errors import BadSettings


def test_end_gauge_of_annex_h1():
    # JCGM 100 H.1.7: u_c = 32 nm, 16 effective degrees, t99(16) = 2.92, U99 = 93 nm.
    gauge = [
        Component("standard", "B", 25.0, degrees_of_freedom=18),
        Component("difference", "A", 9.681941954, degrees_of_freedom=25.447250777),
        Component("expansion", "B", 2.886787, degrees_of_freedom=50),
        Component("temperature", "B", 16.599027, degrees_of_freedom=2),
    ]
    found = combine(gauge, at_value=50_000_838, level=0.99)
    assert found.combined == pytest.approx(31.663879, abs=1e-5)
    assert found.effective_degrees == pytest.approx(16.751856, abs=1e-4)
    assert found.coverage_factor == pytest.approx(2.920781622, abs=1e-8)
    assert found.expanded == pytest.approx(92.483276, abs=1e-4)


def test_product_of_annex_g4():
    # JCGM 100 G.4.1, example: 1.03 %, 19.0 degrees, t95 = 2.09, U = 2.2 %.
    product = [
        Component("x1", "A", 0.25, degrees_of_freedom=9),
        Component("x2", "A", 0.57, degrees_of_freedom=4),
        Component("x3", "A", 0.82, degrees_of_freedom=14),
    ]
    found = combine(product, at_value=100)
    assert found.combined == pytest.approx(1.029466, abs=1e-6)
    assert found.effective_degrees == pytest.approx(18.99874, abs=1e-5)
    assert round(found.combined, 2) == 1.03
    # 18.998... is 19.0 as printed, but truncation (G.6.4) takes 18: t95(18) = 2.100922
    assert found.coverage_factor == pytest.approx(2.100922, abs=1e-6)


def test_correlated_resistance_of_annex_h2():
    # JCGM 100 tables H.2 to H.4: R = 127.732 ohm with u = 0.071, X = 219.847 with u = 0.295; the
    # two ways of that annex differ in the fourth decimal.
    volts = [5.007, 4.994, 5.005, 4.990, 4.999]
    amps = [0.019663, 0.019639, 0.019640, 0.019685, 0.019678]
    phase = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433]
    v, i, p = (statistics.fmean(column) for column in (volts, amps, phase))
    u = [statistics.stdev(column) / math.sqrt(5) for column in (volts, amps, phase)]
    correlations = {(0, 1): -0.3553112, (0, 2): 0.8576242, (1, 2): -0.6451113}
    r, x = v * math.cos(p) / i, v * math.sin(p) / i
    for value, slopes, expected in (
        (r, (r / v, -r / i, -x), 0.071),
        (x, (x / v, -x / i, r), 0.295),
    ):
        parts = [
            Component(name, "A", amount, sensitivity=slope)
            for name, amount, slope in zip("vip", u, slopes, strict=True)
        ]
        found = combine(parts, at_value=value, correlations=correlations)
        assert found.combined == pytest.approx(expected, abs=0.001)


@pytest.mark.parametrize(
    ("shape", "divisor"),
    # JCGM 100 4.3.7 (rectangular), 4.3.9 (triangular); arcsine from H.1.3.4 (cyclic temperature).
    [
        (Shape.STANDARD, 1),
        (Shape.EXPANDED, 2),
        (Shape.RECTANGULAR, math.sqrt(3)),
        (Shape.TRIANGULAR, math.sqrt(6)),
        (Shape.ARCSINE, math.sqrt(2)),
    ],
)
def test_half_widths_become_standard_uncertainties(shape, divisor):
    found = combine([Component("one", "B", 0.5, shape=shape)], at_value=1)
    assert found.combined == pytest.approx(0.5 / divisor)
    assert found.coverage_factor == pytest.approx(1.959964, abs=1e-5)


def test_what_two_arms_share_cancels_in_their_ratio():
    own = Component("own", "A", 3.0)
    shared = Component("shared", "B", 4.0, is_shared=True)
    found = combine([own, shared], at_value=100)
    assert found.combined == pytest.approx(5.0)
    assert found.ratio_relative == pytest.approx(1.959964 * 3 * math.sqrt(2) / 100, rel=1e-6)
    assert found.shares == pytest.approx((0.36, 0.64))


@pytest.mark.parametrize(
    "parts",
    [
        [],
        [Component("", "A", 1.0)],
        [Component("x", "C", 1.0)],
        [Component("x", "A", -1.0)],
        [Component("x", "A", math.nan)],
        [Component("x", "A", 1.0, degrees_of_freedom=0)],
    ],
)
def test_a_budget_that_cannot_be_is_refused(parts):
    with pytest.raises(BadSettings):
        combine(parts, at_value=1)
