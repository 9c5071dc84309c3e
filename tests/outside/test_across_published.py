"""Pooling against a published meta-analysis and statsmodels.

Data: thirteen trials of a vaccine, Colditz et al. (1994), as tabulated in van Houwelingen, Arends
and Stijnen, Statistics in Medicine 21 (2002) 589-624, Table I.
"""

import math

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import special
from statsmodels.stats.meta_analysis import combine_effects

from reports.degradation.across import StudyLoss, pool_losses

# Ill and well among the vaccinated, ill and well among the others.
TRIALS = np.array(
    [
        (4, 119, 11, 128),
        (6, 300, 29, 274),
        (3, 228, 11, 209),
        (62, 13536, 248, 12619),
        (33, 5036, 47, 5761),
        (180, 1361, 372, 1079),
        (8, 2537, 10, 619),
        (505, 87886, 499, 87892),
        (29, 7470, 45, 7232),
        (17, 1699, 65, 1600),
        (186, 50448, 141, 27197),
        (5, 2493, 3, 2338),
        (27, 16886, 29, 17825),
    ],
    dtype=float,
)


def pooled(y, v, **options):
    return pool_losses(
        [
            StudyLoss(f"trial {at}", a, math.sqrt(b))
            for at, (a, b) in enumerate(zip(y, v, strict=True))
        ],
        **options,
    )


def odds_ratios():
    a, b, c, d = TRIALS.T
    return np.log(a * d / (b * c)), 1 / a + 1 / b + 1 / c + 1 / d


def risk_ratios():
    a, b, c, d = TRIALS.T
    return (
        np.log(a / (a + b)) - np.log(c / (c + d)),
        1 / a - 1 / (a + b) + 1 / c - 1 / (c + d),
    )


def test_log_odds_ratios_are_the_published_ones():
    # Printed to four decimals in the replication of the 2002 article by the author of metafor.
    y, v = odds_ratios()
    assert y[:6] == pytest.approx([-0.9387, -1.6662, -1.3863, -1.4564, -0.2191, -0.9581], abs=5e-5)
    assert v[:6] == pytest.approx([0.3571, 0.2081, 0.4334, 0.0203, 0.0520, 0.0099], abs=5e-5)


def test_risk_ratio_by_restricted_maximum_likelihood():
    # R metafor's documented example, from memory: tau^2 0.3132, I^2 92.22 % by its own formula,
    # Q 152.2330 on 12, mean -0.7145 (0.1798). The first and the last two were recomputed in R
    # 4.2.2 by maximising the restricted likelihood with optimize():
    # 0.3132432611, -0.7145323424, 0.1797815168; Hartung-Knapp error 0.1807917442.
    found = pooled(*risk_ratios(), guard=False)
    assert found.variance_between == pytest.approx(0.3132432611, abs=2e-7)
    assert found.log_loss == pytest.approx(-0.7145323424, abs=2e-7)
    assert found.standard_error == pytest.approx(0.1807917442, abs=2e-7)
    assert found.standard_error / math.sqrt(found.hartung_knapp_factor) == pytest.approx(
        0.1797815168, abs=2e-7
    )
    assert found.q == pytest.approx(152.2330, abs=5e-5)
    assert found.q_degrees_of_freedom == 12


def test_odds_ratio_by_restricted_maximum_likelihood():
    # R 4.2.2, restricted likelihood maximised with optimize(): 0.3377720292, -0.7451777705,
    # Hartung-Knapp error 0.1867261876.
    found = pooled(*odds_ratios(), guard=False)
    assert found.variance_between == pytest.approx(0.3377720292, abs=2e-7)
    assert found.log_loss == pytest.approx(-0.7451777705, abs=2e-7)
    assert found.standard_error == pytest.approx(0.1867261876, abs=2e-7)


@pytest.mark.parametrize("effects", [odds_ratios, risk_ratios])
def test_heterogeneity_agrees_with_statsmodels(effects):
    y, v = effects()
    theirs = combine_effects(y, v, method_re="iterated")
    ours = pooled(y, v)
    homogeneity = theirs.test_homogeneity()
    assert ours.q == pytest.approx(theirs.q, rel=1e-12)
    assert ours.q_p_value == pytest.approx(homogeneity.pvalue, rel=1e-9)
    assert ours.inconsistency_share == pytest.approx(theirs.i2, rel=1e-12)


@pytest.mark.parametrize("effects", [odds_ratios, risk_ratios])
def test_interval_given_the_variance_is_a_weighted_regression(effects):
    # Hartung-Knapp is ordinary weighted least squares on a constant with estimated scale.
    y, v = effects()
    ours = pooled(y, v, guard=False)
    fit = sm.WLS(y, np.ones_like(y), weights=1 / (v + ours.variance_between)).fit()
    low, high = fit.conf_int(alpha=0.05)[0]
    assert ours.log_loss == pytest.approx(fit.params[0], rel=1e-12)
    assert (ours.low, ours.high) == pytest.approx((low, high), rel=1e-10)


def test_studies_without_spread_agree_with_statsmodels_wholly():
    # Six losses closer together than their errors: no variance between studies by any method.
    y = np.array([0.20, 0.25, 0.22, 0.18, 0.24, 0.21])
    v = np.array([0.010, 0.020, 0.015, 0.030, 0.012, 0.025])
    theirs = combine_effects(y, v, method_re="iterated", use_t=True)
    ours = pooled(y, v, guard=False)
    assert ours.variance_between == 0
    # Without variance between studies the weights are those of their common-effect line.
    assert ours.log_loss == pytest.approx(theirs.mean_effect_fe, rel=1e-12)
    assert ours.standard_error == pytest.approx(theirs.sd_eff_w_fe_hksj, rel=1e-10)


def test_prediction_interval_formula_of_2009():
    # Higgins, Thompson and Spiegelhalter (2009), section 4.1, worked from the parts R gave above
    # with the t quantile of 11 degrees of freedom, 2.200985160 (tables).
    found = pooled(*risk_ratios(), guard=False)
    reach = 2.200985160 * math.sqrt(0.3132432611 + 0.1807917442**2)
    assert found.prediction_high == pytest.approx(-0.7145323424 + reach, abs=1e-6)
    assert found.prediction_low == pytest.approx(-0.7145323424 - reach, abs=1e-6)
    assert special.stdtrit(11, 0.975) == pytest.approx(2.200985160, abs=1e-8)
