"""An uncertainty budget: components, sensitivities, combined and expanded uncertainty.

References
----------
.. [1] JCGM 100:2008 (GUM): 4.3 type B evaluations, 5.1 and 5.2 law of propagation without and with
       correlation, G.4 effective degrees of freedom (Welch-Satterthwaite), G.6.4 expanded
       uncertainty with the degrees truncated to a whole number.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from scipy.special import stdtrit

from trials.physics.checks import finite, positive
from trials.physics.errors import BadSettings, OutOfRange


class Shape(StrEnum):
    """How an amount is given, and so what it is divided by."""

    STANDARD = "standard"
    EXPANDED = "expanded"
    RECTANGULAR = "rectangular"
    TRIANGULAR = "triangular"
    ARCSINE = "arcsine"


_DIVISORS = {
    Shape.STANDARD: 1.0,
    Shape.EXPANDED: 2.0,  # a certificate's U with coverage factor 2
    Shape.RECTANGULAR: math.sqrt(3.0),
    Shape.TRIANGULAR: math.sqrt(6.0),
    Shape.ARCSINE: math.sqrt(2.0),
}


@dataclass(frozen=True)
class Component:
    """One source of uncertainty.

    Attributes
    ----------
    name : str
    kind : {"A", "B"}
        A from repeated readings, B from anything else.
    amount : float
        Standard uncertainty, U with k = 2, or half width, as `shape` says; 0 or more, in the
        component's own unit.
    shape : Shape
    sensitivity : float
        Change of the reading for one unit of the component.
    degrees_of_freedom : float
        Above 0; infinite when the amount is taken as known.
    is_shared : bool
        Two arms measured with the same instrument share it, so it cancels in their ratio.
    """

    name: str
    kind: str
    amount: float
    shape: Shape = Shape.STANDARD
    sensitivity: float = 1.0
    degrees_of_freedom: float = math.inf
    is_shared: bool = False

    @property
    def standard_uncertainty(self) -> float:
        """In the component's own unit."""
        return self.amount / _DIVISORS[self.shape]

    @property
    def contribution(self) -> float:
        """Standard uncertainty that it gives to the reading, with the sign of the sensitivity."""
        return self.sensitivity * self.standard_uncertainty


@dataclass(frozen=True)
class Budget:
    """A worked budget.

    Attributes
    ----------
    combined : float
        Combined standard uncertainty of the reading, in its unit.
    effective_degrees : float
        Effective degrees of freedom, before they are truncated; may be infinite.
    coverage_factor : float
    expanded : float
        Expanded uncertainty at `level`, in the unit of the reading.
    relative : float
        Expanded uncertainty over the reading.
    ratio_relative : float
        Expanded relative uncertainty of the ratio of two such readings: shared components cancel,
        the others count twice.
    shares : tuple of float
        Share of each component in the sum of squared contributions; 0 for all when that is 0.
    level : float
    """

    combined: float
    effective_degrees: float
    coverage_factor: float
    expanded: float
    relative: float
    ratio_relative: float
    shares: tuple[float, ...]
    level: float


def check_component(component: Component) -> None:
    """Refuse a component that cannot be.

    Raises
    ------
    BadSettings
        With the component's name and what is wrong with it.
    """
    if not component.name.strip():
        raise BadSettings("Every component needs a name.")
    if component.kind not in {"A", "B"}:
        raise BadSettings(f"{component.name}: say A or B, not '{component.kind}'.")
    try:
        if finite(component.amount, "Amount", "") < 0:
            raise BadSettings(f"{component.name}: an amount cannot be below zero.")
        finite(component.sensitivity, "Sensitivity", "")
    except OutOfRange as error:
        raise BadSettings(f"{component.name}: {error}") from error
    if not component.degrees_of_freedom > 0:
        raise BadSettings(f"{component.name}: degrees of freedom are above zero.")


def combine(
    components: Sequence[Component],
    *,
    at_value: float,
    level: float = 0.95,
    correlations: Mapping[tuple[int, int], float] | None = None,
) -> Budget:
    """Work out a budget.

    Parameters
    ----------
    components : sequence of Component, length >= 1
    at_value : float
        The reading, above 0, in its unit.
    level : float
        Coverage probability of the expanded uncertainty, 0.5 to below 1.
    correlations : mapping of (int, int) to float, optional
        Correlation coefficients between components by position; 0 where not given.

    Raises
    ------
    BadSettings
        When there is no component, or one cannot be.
    OutOfRange
        When the reading or the level is out of its range.
    """
    if not components:
        raise BadSettings("A budget needs at least one component.")
    for component in components:
        check_component(component)
    at_value = positive(at_value, "Reading", "")
    if not 0.5 <= level < 1:
        raise OutOfRange("The level lies between 0.5 and 1.")
    squares = [component.contribution**2 for component in components]
    variance = math.fsum(squares)
    for (i, j), r in (correlations or {}).items():
        variance += 2 * r * components[i].contribution * components[j].contribution
    combined = math.sqrt(max(variance, 0.0))
    degrees = _effective_degrees(components, combined)
    factor = _coverage_factor(degrees, level)
    own = math.fsum(
        square for square, one in zip(squares, components, strict=True) if not one.is_shared
    )
    total = math.fsum(squares)
    return Budget(
        combined=combined,
        effective_degrees=degrees,
        coverage_factor=factor,
        expanded=factor * combined,
        relative=factor * combined / at_value,
        ratio_relative=factor * math.sqrt(2.0 * own) / at_value,
        shares=tuple(square / total if total > 0 else 0.0 for square in squares),
        level=level,
    )


def _effective_degrees(components: Sequence[Component], combined: float) -> float:
    below = math.fsum(
        one.contribution**4 / one.degrees_of_freedom
        for one in components
        if math.isfinite(one.degrees_of_freedom)
    )
    return combined**4 / below if below > 0 else math.inf


def _coverage_factor(degrees: float, level: float) -> float:
    whole = max(1, math.floor(degrees)) if math.isfinite(degrees) else math.inf
    # beyond this the t distribution is the normal one to more digits than anybody prints
    return float(stdtrit(min(whole, 1e9), 0.5 + level / 2))
