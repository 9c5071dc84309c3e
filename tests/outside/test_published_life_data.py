"""Published life data with every kind of reading: the likelihood has its maximum where books say.

Part cracking (Nelson, Applied Life Data Analysis, 1982, chapter 9: inspections of 167 parts), turbine
wheels (Nelson, the same book: each of 432 wheels was looked at once), the radiotherapy arm of the breast
cosmesis trial (Finkelstein and Wolfe, Biometrics 41, 1985, 933-945) and the capacity example of the
NIST/SEMATECH e-Handbook, section 8.4.1.3. The estimates beside them are those of the e-Handbook, of a
manual (1.4854, 71.6904; from memory), and of survreg in R 4.2.2, package survival 3.5-3. Data of the
trial from memory; its two fits agree with survreg's on the data set of the R package interval to every
digit.
"""

import math

import numpy as np
import pytest
from scipy.optimize import minimize

from reports.degradation import Interval, compare
from reports.degradation.arms import PackedArms, read_arm
from reports.degradation.laws import LAWS
from reports.degradation.likelihood import log_likelihood

INF = math.inf

CRACK_MONTHS = (0.0, 6.12, 19.92, 29.64, 35.40, 39.72, 45.24, 52.32, 63.48, INF)
CRACK_COUNTS = (5, 16, 12, 18, 18, 2, 6, 17, 73)
CRACKS = [
    Interval(low, high)
    for low, high, count in zip(CRACK_MONTHS, CRACK_MONTHS[1:], CRACK_COUNTS, strict=False)
    for _ in range(count)
]

WHEELS = [
    interval
    for hundred_hours, inspected, cracked in zip(
        (4, 10, 14, 18, 22, 26, 30, 34, 38, 42, 46),
        (39, 53, 33, 73, 30, 39, 42, 13, 34, 40, 36),
        (0, 4, 2, 7, 5, 9, 9, 6, 22, 21, 21),
        strict=True,
    )
    for interval in (
        [Interval(0, hundred_hours)] * cracked
        + [Interval(hundred_hours, INF)] * (inspected - cracked)
    )
]

# months between visits: not yet at the first, seen at the second; a dash where it was never seen
MONTHS = (
    "45 -,6 10,0 7,46 -,46 -,7 16,17 -,7 14,37 44,0 8,4 11,15 -,11 15,22 -,46 -,46 -,25 37,"
    "46 -,26 40,46 -,27 34,36 44,46 -,36 48,37 -,40 -,17 25,46 -,11 18,38 -,5 12,37 -,0 5,"
    "18 -,24 -,36 -,5 11,19 35,17 25,24 -,32 -,33 -,19 26,37 -,34 -,36 -"
)
RADIOTHERAPY = [
    Interval(float(low), INF if high == "-" else float(high))
    for low, high in (pair.split() for pair in MONTHS.split(","))
]

HANDBOOK = [
    *(Interval(float(h), float(h)) for h in (54, 187, 216, 240, 244, 335, 361, 373, 375, 386)),
    *[Interval(500.0, INF)] * 10,
]


def best(readings: list[Interval], law: str) -> tuple[float, float, float]:
    """Location and scale of ln y in the usual parameters, and the log likelihood."""
    packed = PackedArms.pack([read_arm(readings)], LAWS[law])

    def loss(theta):
        at = np.array([[[theta[0]]]])
        return -float(
            log_likelihood(packed, at, np.array([[math.exp(theta[1])]]), LAWS[law])[0, 0, 0]
        )

    ends = [e for r in readings for e in (r.log_low, r.log_high) if math.isfinite(e)]
    found = minimize(
        loss,
        [np.mean(ends), math.log(np.std(ends))],
        method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-11, "maxiter": 4000},
    )
    mean, sigma = found.x[0], math.exp(found.x[1])
    # the mean of a smallest-extreme-value law lies gamma sigma below its location
    return mean + (np.euler_gamma * sigma if law == "weibull" else 0.0), sigma, -found.fun


@pytest.mark.parametrize(
    ("readings", "shape", "scale", "height"),
    [
        (CRACKS, 1.485367, 71.69041, -309.66841),
        (WHEELS, 2.175780, 46.77723, -189.28719),
        (RADIOTHERAPY, 1.121613, 57.51310, None),
        (HANDBOOK, 1.720797, 606.52757, -75.13462),
    ],
    ids=["cracks", "wheels", "radiotherapy", "handbook"],
)
def test_weibull_fits(readings, shape, scale, height):
    location, sigma, found = best(readings, "weibull")
    assert 1 / sigma == pytest.approx(shape, rel=2e-6)
    assert math.exp(location) == pytest.approx(scale, rel=2e-6)
    if height is not None:
        # books give the density of y itself; here it is that of ln y
        exact = sum(r.log_low for r in readings if r.low == r.high)
        assert found - exact == pytest.approx(height, abs=1e-5)


@pytest.mark.parametrize(
    ("readings", "mu", "sigma"),
    [
        (CRACKS, 4.026854, 0.998525),
        (WHEELS, 3.699908, 0.719886),
        (RADIOTHERAPY, 3.750333, 1.308045),
        (HANDBOOK, 6.226015, 0.908914),
    ],
    ids=["cracks", "wheels", "radiotherapy", "handbook"],
)
def test_lognormal_fits(readings, mu, sigma):
    location, scale, _ = best(readings, "lognormal")
    assert location == pytest.approx(mu, abs=2e-6)
    assert scale == pytest.approx(sigma, abs=2e-6)


def test_two_data_sets_against_each_other_sit_where_their_fits_do():
    # months of cracking against hundreds of hours of wheels have nothing to do with each other but
    # are large: with scatters of their own, the ratio of geometric means is that of the two fits
    found = compare(CRACKS, WHEELS, scale="separate")
    assert math.log(found.retention) == pytest.approx(3.699908 - 4.026854, abs=0.02)
    assert found.low < math.exp(3.699908 - 4.026854) < found.high
