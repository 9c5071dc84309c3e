"""Falling masses: height, velocity and energy, and the levels of a rising-step test.

Heights and velocities are those of free fall in standard gravity. A guided drop loses a little to
friction; where the impact velocity is measured, use the measured one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from trials.physics.checks import computed, finite, not_negative, positive, whole
from trials.physics.constants import STANDARD_GRAVITY_M_S2, USUAL_STEP_RATIO
from trials.physics.errors import OutOfRange

if TYPE_CHECKING:
    from collections.abc import Sequence


def velocity_from_height(drop_height_m: float) -> float:
    """Return the velocity at the end of a free fall, v = sqrt(2 g h).

    Parameters
    ----------
    drop_height_m : float
        Height of free fall, m, zero or more.

    Returns
    -------
    float
        Impact velocity, m/s.

    Raises
    ------
    OutOfRange
        When the height is negative or not a finite number.

    References
    ----------
    .. [1] Conservation of energy; g = 9.80665 m/s^2 exactly (ISO 80000-3).

    Examples
    --------
    >>> round(velocity_from_height(1.0), 6)
    4.428691
    """
    height_m = not_negative(drop_height_m, "Drop height", "m")
    return computed(math.sqrt(2.0 * STANDARD_GRAVITY_M_S2 * height_m), "Impact velocity", "m/s")


def height_from_velocity(velocity_m_s: float) -> float:
    """Return the free-fall height in m that gives an impact velocity in m/s, h = v^2/(2 g).

    Raises
    ------
    OutOfRange
        When the velocity is negative or not a finite number.
    """
    velocity_m_s = not_negative(velocity_m_s, "Impact velocity", "m/s")
    return computed(velocity_m_s * velocity_m_s / (2.0 * STANDARD_GRAVITY_M_S2), "Drop height", "m")


def energy_from_height(drop_height_m: float, *, mass_kg: float) -> float:
    """Return the energy of a mass after a free fall, E = m g h.

    The result is not rounded to a nominal figure: 5 kg from 1.000 m is 49.03325 J, not 50 J.

    Parameters
    ----------
    drop_height_m : float
        Height of free fall, m, zero or more.
    mass_kg : float
        Falling mass, kg, more than zero.

    Returns
    -------
    float
        Impact energy, J.

    Raises
    ------
    OutOfRange
        When a number is out of its range or not finite.
    """
    height_m = not_negative(drop_height_m, "Drop height", "m")
    mass_kg = positive(mass_kg, "Falling mass", "kg")
    return computed(mass_kg * STANDARD_GRAVITY_M_S2 * height_m, "Impact energy", "J")


def height_from_energy(energy_j: float, *, mass_kg: float) -> float:
    """Return the free-fall height in m that gives a mass in kg an energy in J, h = E/(m g).

    Raises
    ------
    OutOfRange
        When a number is out of its range or not finite.
    """
    energy_j = not_negative(energy_j, "Impact energy", "J")
    mass_kg = positive(mass_kg, "Falling mass", "kg")
    return computed(energy_j / (mass_kg * STANDARD_GRAVITY_M_S2), "Drop height", "m")


def energy_from_velocity(velocity_m_s: float, *, mass_kg: float) -> float:
    """Return the energy in J of a mass in kg at a measured velocity in m/s, E = m v^2/2.

    Raises
    ------
    OutOfRange
        When a number is out of its range or not finite.
    """
    velocity_m_s = not_negative(velocity_m_s, "Impact velocity", "m/s")
    mass_kg = positive(mass_kg, "Moving mass", "kg")
    return computed(0.5 * mass_kg * velocity_m_s * velocity_m_s, "Impact energy", "J")


def velocity_from_energy(energy_j: float, *, mass_kg: float) -> float:
    """Return the velocity in m/s at which a mass in kg carries an energy in J, v = sqrt(2 E/m).

    Raises
    ------
    OutOfRange
        When a number is out of its range or not finite.
    """
    energy_j = not_negative(energy_j, "Impact energy", "J")
    mass_kg = positive(mass_kg, "Moving mass", "kg")
    return computed(math.sqrt(2.0 * energy_j / mass_kg), "Impact velocity", "m/s")


def friction_loss_share(drop_height_m: float, *, measured_velocity_m_s: float) -> float:
    """Return the share of the drop's energy that was lost on the way down.

    Parameters
    ----------
    drop_height_m : float
        Height of the drop, m, more than zero.
    measured_velocity_m_s : float
        Velocity measured just before impact, m/s, zero or more.

    Returns
    -------
    float
        1 - v^2/(2 g h). Zero for a free fall; below zero when the measured velocity is higher
        than a free fall allows, which means that the height or the velocity is wrong.

    Raises
    ------
    OutOfRange
        When a number is out of its range or not finite.
    """
    height_m = positive(drop_height_m, "Drop height", "m")
    return 1.0 - height_from_velocity(measured_velocity_m_s) / height_m


@dataclass(frozen=True)
class Window:
    """A range of values that a run is allowed to have, both ends included.

    Attributes
    ----------
    low, high : float
        The ends, in the unit of the value that is checked.
    """

    low: float
    high: float

    def __post_init__(self) -> None:
        finite(self.low, "Lower end", "")
        finite(self.high, "Upper end", "")
        if not self.low <= self.high:
            raise OutOfRange(
                f"The lower end ({self.low:g}) must not be above the upper end ({self.high:g})."
            )

    @classmethod
    def around(cls, nominal: float, *, tolerance_share: float) -> Window:
        """Return the window of a nominal value and a tolerance as a share (0.03 for 3 %)."""
        nominal = positive(nominal, "Nominal value", "")
        tolerance_share = not_negative(tolerance_share, "Tolerance", "as a share")
        return cls(nominal * (1.0 - tolerance_share), nominal * (1.0 + tolerance_share))

    def accepts(self, value: float) -> bool:
        """Say whether a value lies in the window, ends included.

        A value typed as the end of the window must be accepted, so a difference in the last
        binary digits (0.1 + 0.2 against 0.3) counts as equal.
        """
        if math.isnan(value):
            raise OutOfRange("A value that is not a number cannot be checked against a window.")
        inside = self.low <= value <= self.high
        return inside or any(
            math.isclose(value, end, rel_tol=1e-12, abs_tol=0.0) for end in (self.low, self.high)
        )


def _rounded_to(level: float, resolution: float | None) -> float:
    if resolution is None:
        return level
    # Rounding the quotient once more drops the binary tail: 3 x 0.1 is to read 0.3.
    return round(round(level / resolution) * resolution, 12)


def _rising(levels: tuple[float, ...], unit_words: str) -> tuple[float, ...]:
    if levels[0] <= 0.0:
        raise OutOfRange(f"Rounded to {unit_words}, the first level falls to zero.")
    if any(b <= a for a, b in pairwise(levels)):
        raise OutOfRange(
            f"Rounded to {unit_words}, two steps fall on the same level. "
            "Use larger steps or finer rounding."
        )
    return levels


def arithmetic_levels(
    first: float, *, step: float, count: int, resolution: float | None = None
) -> tuple[float, ...]:
    """Return rising levels with equal differences: first, first + step, and so on.

    Parameters
    ----------
    first : float
        Lowest level, in the method's unit, more than zero.
    step : float
        Difference between neighbours, same unit, more than zero.
    count : int
        How many levels, 1 or more.
    resolution : float, optional
        Round each level to a multiple of this, for heights that can be set on a scale.

    Returns
    -------
    tuple of float
        `count` rising levels.

    Raises
    ------
    OutOfRange
        When a number is out of its range, or rounding makes two levels equal.
    """
    first = positive(first, "First level", "")
    step = positive(step, "Step", "")
    count = whole(count, "Number of levels", at_least=1)
    if resolution is not None:
        resolution = positive(resolution, "Resolution", "")
    raw = (computed(first + step * i, "Level", "") for i in range(count))
    return _rising(tuple(_rounded_to(x, resolution) for x in raw), f"{resolution or 0:g}")


def geometric_levels(
    first: float,
    *,
    count: int,
    ratio: float = USUAL_STEP_RATIO,
    resolution: float | None = None,
) -> tuple[float, ...]:
    """Return rising levels with equal ratios: first, first x ratio, and so on.

    Equal ratios make the smallest loss that can be seen the same share at every level:
    1 - 1/ratio, about 21 % at 1.26.

    Parameters
    ----------
    first : float
        Lowest level, in the method's unit, more than zero.
    count : int
        How many levels, 1 or more.
    ratio : float
        Each level over the one before, more than 1. The default follows the R10 series of
        preferred numbers (ISO 3), where ten steps multiply by ten.
    resolution : float, optional
        Round each level to a multiple of this.

    Returns
    -------
    tuple of float
        `count` rising levels.

    Raises
    ------
    OutOfRange
        When a number is out of its range, or rounding makes two levels equal.
    """
    first = positive(first, "First level", "")
    count = whole(count, "Number of levels", at_least=1)
    ratio = positive(ratio, "Ratio of steps", "")
    if ratio <= 1.0:
        raise OutOfRange(f"Ratio of steps must be more than 1, but got {ratio:g}.")
    if resolution is not None:
        resolution = positive(resolution, "Resolution", "")
    if math.log(first) + (count - 1) * math.log(ratio) > 700.0:
        raise OutOfRange("The highest level comes out too large to be real. Use fewer steps.")
    raw = (first * ratio**i for i in range(count))
    return _rising(tuple(_rounded_to(x, resolution) for x in raw), f"{resolution or 0:g}")


def drop_heights_for_energies(energies_j: Sequence[float], *, mass_kg: float) -> tuple[float, ...]:
    """Return the drop height in m for each energy level in J of one falling mass in kg.

    Raises
    ------
    OutOfRange
        When a number is out of its range or not finite.
    """
    return tuple(height_from_energy(energy_j, mass_kg=mass_kg) for energy_j in energies_j)
