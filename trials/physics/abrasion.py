"""Belts and rotating platforms: speed, sliding distance, reference fabric, wear index."""

from __future__ import annotations

import math

from trials.physics.checks import computed, finite, not_negative, positive
from trials.physics.errors import OutOfRange


def speed_from_rpm(spin_rpm: float, *, radius_m: float) -> float:
    """Return the speed of a circle's edge, v = 2 pi r n.

    Parameters
    ----------
    spin_rpm : float
        Rotational speed, revolutions per minute, zero or more.
    radius_m : float
        Distance of the contact from the axis (or radius of the belt's drive roller), m, more than
        zero.

    Returns
    -------
    float
        Speed, m/s.

    Raises
    ------
    OutOfRange
        When a number is out of its range or not finite.
    """
    spin_rpm = not_negative(spin_rpm, "Rotational speed", "rpm")
    radius_m = positive(radius_m, "Radius", "m")
    return computed(2.0 * math.pi * radius_m * spin_rpm / 60.0, "Speed", "m/s")


def rpm_from_speed(speed_m_s: float, *, radius_m: float) -> float:
    """Return the rotational speed in rpm of a circle of a radius in m whose edge moves at m/s.

    Raises
    ------
    OutOfRange
        When a number is out of its range or not finite.
    """
    speed_m_s = not_negative(speed_m_s, "Speed", "m/s")
    radius_m = positive(radius_m, "Radius", "m")
    return computed(speed_m_s / (2.0 * math.pi * radius_m) * 60.0, "Rotational speed", "rpm")


def distance_from_time(time_s: float, *, belt_speed_m_s: float) -> float:
    """Return the length of belt that passed, s = v t.

    Parameters
    ----------
    time_s : float
        Time on the belt, s, zero or more.
    belt_speed_m_s : float
        Belt speed under load, m/s, more than zero.

    Returns
    -------
    float
        Sliding distance, m.

    Raises
    ------
    OutOfRange
        When a number is out of its range or not finite.
    """
    time_s = not_negative(time_s, "Time on the belt", "s")
    belt_speed_m_s = positive(belt_speed_m_s, "Belt speed", "m/s")
    return computed(time_s * belt_speed_m_s, "Sliding distance", "m")


def time_from_distance(distance_m: float, *, belt_speed_m_s: float) -> float:
    """Return the time in s for a sliding distance in m at a belt speed in m/s.

    Raises
    ------
    OutOfRange
        When a number is out of its range or not finite.
    """
    distance_m = not_negative(distance_m, "Sliding distance", "m")
    belt_speed_m_s = positive(belt_speed_m_s, "Belt speed", "m/s")
    return computed(distance_m / belt_speed_m_s, "Time on the belt", "s")


def reference_factor(*, nominal_s: float, measured_s: float) -> float:
    """Return the factor that takes a belt's sharpness out of a time.

    Parameters
    ----------
    nominal_s : float
        Time that the reference fabric lasts on a belt of nominal sharpness, s, more than zero.
    measured_s : float
        Time that it lasted on this belt, s, more than zero.

    Returns
    -------
    float
        nominal / measured: above 1 on a belt sharper than nominal, which wore everything faster.

    Raises
    ------
    OutOfRange
        When a number is out of its range or not finite.

    Notes
    -----
    The principle (a reference fabric before each set of runs) is that of EN 13595-2; this formula
    is the lab's own.
    """
    nominal_s = positive(nominal_s, "Nominal time of the reference fabric", "s")
    measured_s = positive(measured_s, "Measured time of the reference fabric", "s")
    return computed(nominal_s / measured_s, "Reference factor", "")


def reference_factor_at(
    at_s: float, *, before: tuple[float, float], after: tuple[float, float]
) -> float:
    """Return the reference factor at a moment between two reference runs.

    Parameters
    ----------
    at_s : float
        Moment of the run, s on any clock.
    before, after : tuple of float
        Moment (s, same clock) and factor of the reference run before and after it.

    Returns
    -------
    float
        The factor, interpolated in time in a straight line.

    Raises
    ------
    OutOfRange
        When the moment does not lie between the two runs: nothing is extrapolated.
    """
    at_s = finite(at_s, "Moment of the run", "s")
    before_s, before_factor = finite(before[0], "Moment of the first reference run", "s"), before[1]
    after_s, after_factor = finite(after[0], "Moment of the second reference run", "s"), after[1]
    before_factor = positive(before_factor, "First reference factor", "")
    after_factor = positive(after_factor, "Second reference factor", "")
    if not before_s <= at_s <= after_s:
        raise OutOfRange(
            "The run must lie between the two reference runs, "
            f"but {at_s:g} s is outside {before_s:g} to {after_s:g} s."
        )
    if before_s == after_s:
        raise OutOfRange("The two reference runs have the same time, so nothing lies between them.")
    share = (at_s - before_s) / (after_s - before_s)
    return before_factor * (1.0 - share) + after_factor * share


def normalised_time(
    time_s: float, *, reference_nominal_s: float, reference_measured_s: float
) -> float:
    """Return the time in s that a run would have taken on a belt of nominal sharpness.

    See `reference_factor` for the two reference times, both in s and more than zero.

    Raises
    ------
    OutOfRange
        When a number is out of its range or not finite.
    """
    time_s = not_negative(time_s, "Time on the belt", "s")
    factor = reference_factor(nominal_s=reference_nominal_s, measured_s=reference_measured_s)
    return computed(time_s * factor, "Normalised time", "s")


def wear_index(*, mass_before_mg: float, mass_after_mg: float, cycle_count: float) -> float:
    """Return the mass lost per thousand cycles, I = 1000 (A - B)/C.

    Parameters
    ----------
    mass_before_mg, mass_after_mg : float
        Masses before and after, mg, zero or more.
    cycle_count : float
        Cycles run, more than zero.

    Returns
    -------
    float
        mg per 1000 cycles. Below zero when the piece gained mass, which means that it picked up
        dust or moisture.

    Raises
    ------
    OutOfRange
        When a number is out of its range or not finite.

    References
    ----------
    .. [1] Rotary-platform wear index as in ASTM D3884 (from memory; the arithmetic is exact).
    """
    before_mg = not_negative(mass_before_mg, "Mass before", "mg")
    after_mg = not_negative(mass_after_mg, "Mass after", "mg")
    cycle_count = positive(cycle_count, "Number of cycles", "")
    return computed(1000.0 * (before_mg - after_mg) / cycle_count, "Wear index", "mg/1000 cycles")


def wear_index_from_loss(mass_lost_mg: float, *, cycle_count: float) -> float:
    """Return the wear index in mg per thousand cycles from a mass loss in mg; see `wear_index`.

    Raises
    ------
    OutOfRange
        When a number is out of its range or not finite.
    """
    mass_lost_mg = not_negative(mass_lost_mg, "Mass lost", "mg")
    return wear_index(mass_before_mg=mass_lost_mg, mass_after_mg=0.0, cycle_count=cycle_count)
