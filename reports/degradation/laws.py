"""The two laws a log value may follow about its mean: normal, and smallest extreme value.

Both are standardised so that the location is the mean of ``ln y`` and the scatter multiplies the
standard variable ``e`` of the law: ``ln y = mu + sigma * e`` with the mean of ``e`` equal to 0.
A ratio of geometric means is then ``exp(mu_other - mu_baseline)`` under either law.

The smallest-extreme-value law on logs is the Weibull law of a life: shape ``1 / sigma``, scale
``exp(mu + gamma * sigma)`` with Euler's constant gamma (Meeker and Escobar, Statistical Methods
for Reliability Data, 1998, section 4.8; from memory).
"""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

Array = NDArray[np.float64]

_LOG_ROOT_TWO_PI = 0.5 * float(np.log(2 * np.pi))
_EULER = float(np.euler_gamma)
# exp(-exp(4)) is below 1e-23 and exp(-700) is the last exponential that is not 0: beyond these
# the extreme-value functions are flat to double precision, so their argument may be clipped.
_EXTREME_HIGH = 6.6
_EXTREME_LOW = -700.0
_NORMAL_REACH = 38.0


class Law(Protocol):
    """A standard distribution with mean 0: what the likelihood needs to know of it."""

    name: str
    # True when exact readings may be replaced by their count, mean and sum of squares.
    has_sufficient_moments: bool

    def mass(self, low: Array, high: Array) -> Array:
        """Probability of ``[low, high]``, accurate in both tails; low <= high elementwise."""

    def density(self, z: Array) -> Array:
        """Density at z; 0 at plus and minus infinity."""

    def slope(self, z: Array) -> Array:
        """Derivative of the density at z; 0 at plus and minus infinity."""

    def log_density(self, z: Array) -> Array:
        """Natural logarithm of the density at finite z."""

    def log_density_slopes(self, z: Array) -> tuple[Array, Array]:
        """First and second derivative of the log density at finite z."""

    def quantile(self, probability: float) -> float:
        """The z that is not exceeded with this probability, 0 < probability < 1."""


class NormalLaw:
    """The normal law: lognormal values."""

    name = "lognormal"
    has_sufficient_moments = True

    def mass(self, low: Array, high: Array) -> Array:
        # Differences are taken in the lower tail, where the function keeps its relative accuracy.
        flip = high > -low
        return np.asarray(
            ndtr(np.where(flip, -low, high)) - ndtr(np.where(flip, -high, low)), dtype=np.float64
        )

    def density(self, z: Array) -> Array:
        clipped = np.clip(z, -_NORMAL_REACH, _NORMAL_REACH)
        return np.asarray(np.exp(-0.5 * clipped * clipped - _LOG_ROOT_TWO_PI), dtype=np.float64)

    def slope(self, z: Array) -> Array:
        clipped = np.clip(z, -_NORMAL_REACH, _NORMAL_REACH)
        return np.asarray(-clipped * self.density(clipped), dtype=np.float64)

    def log_density(self, z: Array) -> Array:
        return np.asarray(-0.5 * z * z - _LOG_ROOT_TWO_PI, dtype=np.float64)

    def log_density_slopes(self, z: Array) -> tuple[Array, Array]:
        return -z, np.full_like(z, -1.0)

    def quantile(self, probability: float) -> float:
        return float(ndtri(probability))


class ExtremeValueLaw:
    """The smallest-extreme-value law, shifted to mean 0: Weibull values."""

    name = "weibull"
    has_sufficient_moments = False

    @staticmethod
    def _hazard(z: Array) -> Array:
        """Cumulative hazard exp(z - gamma), clipped where it no longer matters."""
        return np.asarray(
            np.exp(np.clip(z - _EULER, _EXTREME_LOW, _EXTREME_HIGH)), dtype=np.float64
        )

    def mass(self, low: Array, high: Array) -> Array:
        at_low = np.where(np.isneginf(low), 0.0, self._hazard(low))
        rise = self._hazard(high) - at_low
        inside = -np.expm1(-np.maximum(rise, 0.0))
        return np.asarray(
            np.exp(-at_low) * np.where(np.isposinf(high), 1.0, inside), dtype=np.float64
        )

    def density(self, z: Array) -> Array:
        hazard = self._hazard(z)
        return np.asarray(hazard * np.exp(-hazard), dtype=np.float64)

    def slope(self, z: Array) -> Array:
        hazard = self._hazard(z)
        return np.asarray(hazard * (1 - hazard) * np.exp(-hazard), dtype=np.float64)

    def log_density(self, z: Array) -> Array:
        return np.asarray((z - _EULER) - np.exp(np.minimum(z - _EULER, 600.0)), dtype=np.float64)

    def log_density_slopes(self, z: Array) -> tuple[Array, Array]:
        hazard = self._hazard(z)
        return 1 - hazard, -hazard

    def quantile(self, probability: float) -> float:
        return float(np.log(-np.log1p(-probability))) + _EULER


LAWS: dict[str, Law] = {"lognormal": NormalLaw(), "weibull": ExtremeValueLaw()}
