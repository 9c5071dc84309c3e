"""Projectiles and points: energy, and energy over the area that meets the specimen."""

from __future__ import annotations

import math

from trials.physics.checks import computed, not_negative, positive
from trials.physics.impact import energy_from_velocity, velocity_from_energy

_GRAMS_PER_KG = 1000.0
_MM_PER_CM = 10.0


def projectile_energy(velocity_m_s: float, *, mass_g: float) -> float:
    """Return the energy of a projectile, E = m v^2/2.

    Parameters
    ----------
    velocity_m_s : float
        Velocity just before the specimen, m/s, zero or more.
    mass_g : float
        Mass of the projectile, g, more than zero.

    Returns
    -------
    float
        Energy, J.

    Raises
    ------
    OutOfRange
        When a number is out of its range or not finite.

    Examples
    --------
    >>> round(projectile_energy(100.0, mass_g=0.20), 9)
    1.0
    """
    mass_g = positive(mass_g, "Mass of the projectile", "g")
    return energy_from_velocity(velocity_m_s, mass_kg=mass_g / _GRAMS_PER_KG)


def projectile_velocity(energy_j: float, *, mass_g: float) -> float:
    """Return the velocity in m/s at which a projectile in g carries an energy in J.

    Raises
    ------
    OutOfRange
        When a number is out of its range or not finite.
    """
    mass_g = positive(mass_g, "Mass of the projectile", "g")
    return velocity_from_energy(energy_j, mass_kg=mass_g / _GRAMS_PER_KG)


def disc_area_cm2(diameter_mm: float) -> float:
    """Return the area in cm^2 of a disc of a diameter in mm.

    Raises
    ------
    OutOfRange
        When the diameter is zero, negative or not finite.
    """
    diameter_mm = positive(diameter_mm, "Diameter", "mm")
    diameter_cm = diameter_mm / _MM_PER_CM
    # A product, because a power of a vast float raises instead of giving infinity.
    return computed(math.pi / 4.0 * diameter_cm * diameter_cm, "Area", "cm2")


def energy_per_area(energy_j: float, *, diameter_mm: float) -> float:
    """Return the energy over the frontal area of a round projectile or punch.

    Parameters
    ----------
    energy_j : float
        Energy, J, zero or more.
    diameter_mm : float
        Diameter of the part that meets the specimen, mm, more than zero.

    Returns
    -------
    float
        Energy per area, J/cm^2.

    Raises
    ------
    OutOfRange
        When a number is out of its range or not finite.
    """
    energy_j = not_negative(energy_j, "Energy", "J")
    area_cm2 = positive(disc_area_cm2(diameter_mm), "Area", "cm2")
    return computed(energy_j / area_cm2, "Energy per area", "J/cm2")


def energy_per_area_from_velocity(
    velocity_m_s: float, *, mass_g: float, diameter_mm: float
) -> float:
    """Return the energy per frontal area in J/cm^2 of a projectile (m/s, g, mm).

    Raises
    ------
    OutOfRange
        When a number is out of its range or not finite.
    """
    return energy_per_area(projectile_energy(velocity_m_s, mass_g=mass_g), diameter_mm=diameter_mm)
