"""What a calibration adds to a reading, and what the tolerance of an indicator leaves open.

A correction is a difference, so it converts without the offset of a temperature scale. Its
uncertainty is one error shared by every reading of the instrument under that calibration, which
is why it must be carried by its cause and not by the reading: between two arms read with the same
instrument most of it cancels.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from trials.physics.checks import finite, positive
from trials.physics.errors import OutOfRange, PhysicsError
from trials.physics.units import convert, is_convertible

# Peak acceleration of a linear spring grows with the speed of impact, a = v sqrt(k/m), and so with
# the square root of height and of energy. Level of the indicator -> power in the method's quantity.
_POWERS = {"g_n": 1.0, "m/s": 1.0, "m": 2.0, "J": 2.0}


@dataclass(frozen=True)
class Shift:
    """A correction in the unit of a reading.

    Attributes
    ----------
    amount : float
        To be added to what was read.
    standard_uncertainty : float
        Of the correction, 0 or more.
    """

    amount: float
    standard_uncertainty: float


def shift_in(
    unit: str,
    *,
    correction: float,
    expanded_uncertainty: float,
    coverage_factor: float,
    instrument_unit: str,
) -> Shift | None:
    """Return a calibration's correction in another unit; None where it measures something else.

    Parameters
    ----------
    unit : str
        Unit of the readings.
    correction, expanded_uncertainty : float
        In `instrument_unit`.
    coverage_factor : float
        Above 0; the standard uncertainty is the expanded one over it (JCGM 100:2008, 4.3.3).
    instrument_unit : str
        What the instrument reads in.

    Raises
    ------
    OutOfRange
        When a number is not finite or the coverage factor is not above 0.
    """
    correction = finite(correction, "Correction", instrument_unit)
    expanded = finite(expanded_uncertainty, "Expanded uncertainty", instrument_unit)
    factor = positive(coverage_factor, "Coverage factor", "1")
    if expanded < 0:
        raise OutOfRange("An expanded uncertainty cannot be below zero.")
    try:
        if not is_convertible(instrument_unit, unit):
            return None
        # the slope alone: a difference of 1 degC is one of 1.8 degF, without the offset
        slope = convert(1.0, instrument_unit, unit) - convert(0.0, instrument_unit, unit)
    except PhysicsError:
        return None
    return Shift(correction * slope, abs(expanded / factor * slope))


def derived_shift(shift: Shift, *, sensitivity: float, figure_unit: str, unit: str) -> Shift | None:
    """Return what a correction of a logged trace adds to the figure that was read from it.

    Parameters
    ----------
    shift : Shift
        The correction in the unit of the trace.
    sensitivity : float
        Change of the figure for one unit of the trace (JCGM 100:2008, 5.1.3), in `figure_unit`.
    figure_unit, unit : str
        Unit of the figure and of the method's readings; None comes back where one is not the
        other's.

    Raises
    ------
    OutOfRange
        When the sensitivity is not a finite number.
    """
    sensitivity = finite(sensitivity, "Sensitivity", figure_unit)
    try:
        if not is_convertible(figure_unit, unit):
            return None
        slope = sensitivity * (convert(1.0, figure_unit, unit) - convert(0.0, figure_unit, unit))
    except PhysicsError:
        return None
    return Shift(shift.amount * slope, abs(shift.standard_uncertainty * slope))


def shifted(low: float, high: float | None, amount: float) -> tuple[float, float | None]:
    """Return the ends of a reading with a correction added.

    An open upper end (None) stays open, and a low end of 0 (nothing was seen) stays 0. A quantity
    that cannot be below zero is not corrected below it.
    """
    moved_low = 0.0 if low == 0 else max(0.0, low + amount)
    moved_high = None if high is None else max(moved_low, high + amount)
    return moved_low, moved_high


def indicator_power(level_unit: str, reading_unit: str) -> float | None:
    """Return the power with which an indicator's level enters a reading; None when not known.

    Parameters
    ----------
    level_unit : str
        Unit of the level at which the indicator trips.
    reading_unit : str
        Unit of the method's readings.

    Notes
    -----
    Equal quantities: 1. An indicator of acceleration on a falling mass: 1 for a speed and 2 for a
    height or an energy, as a linear spring gives. Padding that stiffens has a smaller power, so 2
    is the wider and therefore the safer one.
    """
    try:
        if is_convertible(level_unit, reading_unit):
            return 1.0
        if is_convertible(level_unit, "g_n"):
            return next(
                (power for unit, power in _POWERS.items() if is_convertible(reading_unit, unit)),
                None,
            )
    except PhysicsError:
        return None
    return None


def widened_by_tolerance(
    low: float, high: float | None, *, tolerance: float, power: float
) -> tuple[float, float | None]:
    """Return the ends of a reading when the indicator may trip anywhere within its tolerance.

    Parameters
    ----------
    low, high : float
        Ends as if the indicator tripped at its marked level.
    tolerance : float
        Share of the marked level either way, between 0 and 1.
    power : float
        See `indicator_power`.
    """
    if not 0 < tolerance < 1 or not math.isfinite(power):
        raise OutOfRange("A tolerance is a share between 0 and 1.")
    least, most = (1 - tolerance) ** power, (1 + tolerance) ** power
    return low * least, None if high is None else high * most
