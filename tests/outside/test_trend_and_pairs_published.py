"""Trend and pairs held against published figures and a reference library."""

import math
from pathlib import Path

import lifelines
import numpy as np
import pandas as pd
import pytest
import scipy.stats
from scipy.special import stdtrit

from reports.degradation import Interval
from reports.degradation.pairs import paired
from reports.degradation.trend import trend


def exact(value: float) -> Interval:
    return Interval(value, value)


def around(value: float, width: float) -> Interval:
    return Interval(value - width / 2, value + width / 2)


# Shoe-sole wear of ten boys, two materials, one shoe each. Box, Hunter and Hunter, Statistics for
# Experimenters (1978), section 4.3; the same data as MASS::shoes in R.
MATERIAL_A = (13.2, 8.2, 10.9, 14.3, 10.7, 6.6, 9.5, 10.8, 8.8, 13.3)
MATERIAL_B = (14.0, 8.8, 11.2, 14.2, 11.8, 6.4, 9.8, 11.3, 9.3, 13.6)


def test_shoes_geometric_mean_ratio_with_exact_readings():
    # 1.0377543742 (1.0103561337 to 1.0658955839): paired t on the logs of the data above, worked
    # out with R and scipy
    pairs = [(exact(a), exact(b)) for a, b in zip(MATERIAL_A, MATERIAL_B, strict=True)]
    found = paired(pairs)
    assert found.retention == pytest.approx(1.0377543742, rel=1e-9)
    assert found.low == pytest.approx(1.0103561337, rel=1e-9)
    assert found.high == pytest.approx(1.0658955839, rel=1e-9)


def test_shoes_unpaired_would_not_see_it():
    # pairing changes what can be said: t = -3.3489 paired, -0.36891 pooled (Box, Hunter and Hunter)
    pairs = [(exact(a), exact(b)) for a, b in zip(MATERIAL_A, MATERIAL_B, strict=True)]
    assert paired(pairs).low > 1
    assert scipy.stats.ttest_rel(MATERIAL_A, MATERIAL_B).statistic == pytest.approx(
        -3.3489, abs=1e-4
    )
    pooled = scipy.stats.ttest_ind(MATERIAL_A, MATERIAL_B).statistic
    assert pooled == pytest.approx(-0.36891, abs=1e-5)


def test_narrow_pairs_come_to_the_exact_answer():
    pairs = [
        (around(a, 1e-6), around(b, 1e-6)) for a, b in zip(MATERIAL_A, MATERIAL_B, strict=True)
    ]
    found = paired(pairs)
    assert found.low == pytest.approx(1.0103561337, rel=1e-6)
    assert found.high == pytest.approx(1.0658955839, rel=1e-6)


NORRIS = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_linregress" / "Norris.dat"


def norris() -> tuple[list[float], list[float]]:
    rows = [line.split() for line in NORRIS.read_text().splitlines()[60:] if line.strip()]
    y, x = zip(*((float(a), float(b)) for a, b in rows), strict=True)
    return list(y), list(x)


def test_norris_slope_is_the_certified_one():
    # NIST StRD, Norris: B1 = 1.00211681802045, standard deviation 0.429796848199937E-03, 36 points.
    # The values are taken as a hundredth of logs, since the trend works on logs.
    y, x = norris()
    found = trend([(b, exact(math.exp(a / 100))) for a, b in zip(y, x, strict=True)])
    spread = stdtrit(34, 0.975) * 0.429796848199937e-3
    assert found.slope is not None
    assert found.slope * 100 == pytest.approx(1.00211681802045, rel=1e-10)
    assert found.slope_low * 100 == pytest.approx(1.00211681802045 - spread, rel=1e-8)
    assert found.slope_high * 100 == pytest.approx(1.00211681802045 + spread, rel=1e-8)


# Webbing pull of tethers of three ages, kN. Invented; the figures below were worked out
# independently with ordinary least squares on logs.
TETHERS = {
    0.0: (22.4, 21.8, 22.9, 22.1),
    120.0: (20.6, 19.5, 21.2, 20.1),
    360.0: (16.9, 15.2, 17.8, 16.1),
}


def tethers() -> list[tuple[float, Interval]]:
    return [(days, exact(v)) for days, values in TETHERS.items() for v in values]


def test_three_ages_of_tethers():
    found = trend(tethers())
    per_hundred = [math.expm1(100 * s) for s in (found.slope, found.slope_low, found.slope_high)]
    assert [round(100 * s, 1) for s in per_hundred] == [-8.1, -9.8, -6.4]
    assert round(found.retention_at(120).retention, 2) == 0.90
    at_240 = found.retention_at(240)
    assert [round(s, 2) for s in (at_240.retention, at_240.low, at_240.high)] == [0.82, 0.78, 0.85]
    at_360 = found.retention_at(360)
    assert [round(s, 2) for s in (at_360.retention, at_360.low, at_360.high)] == [0.74, 0.69, 0.79]
    assert round(found.lack_of_fit_p, 2) == 0.76


def test_interval_censored_slope_agrees_with_lifelines_where_specimens_are_many():
    # lifelines.LogNormalAFTFitter, maximum likelihood with interval censoring: with 240 specimens
    # the flat prior hardly moves the slope, so the two must agree to a small share of its error.
    rng = np.random.default_rng(20260311)
    x = np.repeat([0.0, 1.0, 2.0, 4.0], 60)
    y = np.exp(3.0 - 0.15 * x + 0.2 * rng.standard_normal(x.size))
    low, high = np.floor(y / 2) * 2, np.floor(y / 2) * 2 + 2
    high[::7] = np.inf
    frame = pd.DataFrame({"low": np.maximum(low, 1e-9), "high": high, "x": x})
    fitter = lifelines.LogNormalAFTFitter()
    fitter.fit_interval_censoring(frame, lower_bound_col="low", upper_bound_col="high")
    theirs = fitter.params_["mu_", "x"]
    error = fitter.standard_errors_["mu_", "x"]
    specimens = [(a, Interval(b, c)) for a, b, c in zip(x, low, high, strict=True)]
    found = trend(specimens)
    assert abs(found.slope - theirs) < 0.05 * error
    assert (found.slope_high - found.slope_low) == pytest.approx(2 * 1.96 * error, rel=0.03)
