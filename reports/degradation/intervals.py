"""A reading as an interval, a method's record, and the one reduction from readings to a specimen.

Every bench reading of a positive quantity is an interval ``[low, high]``: a rounded value is as
wide as its resolution, a run stopped before anything failed has no upper end, and a value below
the detection limit has no lower end other than nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

# Beyond these a record is no scatter of a bench: a hundred-millionth of the reading, a factor of e^1000.
LEAST_VARIANCE, MOST_VARIANCE = 1e-16, 1e6
# Fewer degrees of freedom say nothing, more are certainty; either would only overflow.
LEAST_FREEDOM, MOST_FREEDOM = 0.1, 1e9
# Values that are squared and added as they are, not as logs, stay below this.
MOST_SIZE = 1e140


def from_log(log_value: float) -> float:
    """The number with this natural logarithm: 0 or infinity where it would not fit in a float."""
    try:
        return math.exp(log_value)
    except OverflowError:
        return math.inf


class CannotCompare(ValueError):
    """The readings cannot be analysed; the text says why in words a technician understands."""


@dataclass(frozen=True, slots=True)
class Interval:
    """What one reading says about a positive quantity.

    Parameters
    ----------
    low : float
        Lower end, in the unit of the method, 0 <= low < inf. 0 means "no lower end".
    high : float
        Upper end, low <= high <= inf, and high > 0. ``math.inf`` means "no upper end".
        ``high == low`` is an exact reading.

    Raises
    ------
    CannotCompare
        If an end is not a number, is negative, or if the ends are reversed; if both ends are 0
        (nothing seen is an interval from 0 to the detection limit) or both are infinite.
    """

    low: float
    high: float

    def __post_init__(self) -> None:
        low, high = float(self.low), float(self.high)
        if math.isnan(low) or math.isnan(high):
            raise CannotCompare("A reading must have numbers as its ends; one end is not a number.")
        if low < 0 or high < 0:
            raise CannotCompare(
                f"A reading cannot be below nothing, but its ends are {low:g} and {high:g}."
            )
        if low > high:
            raise CannotCompare(
                f"The lower end of a reading ({low:g}) must not be above its upper end ({high:g})."
            )
        if high == 0:
            raise CannotCompare(
                "A reading of exactly 0 needs the detection limit of its method as its upper end."
            )
        if math.isinf(low):
            raise CannotCompare("The lower end of a reading must be a finite number.")
        object.__setattr__(self, "low", low)
        object.__setattr__(self, "high", high)

    @property
    def log_low(self) -> float:
        """Natural logarithm of the lower end; minus infinity when there is none."""
        return math.log(self.low) if self.low > 0 else -math.inf

    @property
    def log_high(self) -> float:
        """Natural logarithm of the upper end; infinity when there is none."""
        return math.log(self.high) if math.isfinite(self.high) else math.inf

    @property
    def says_nothing(self) -> bool:
        """True for an interval from 0 to infinity."""
        return self.low == 0 and math.isinf(self.high)


@dataclass(frozen=True, slots=True)
class Record:
    """The scatter a method has shown before, as a variance with its degrees of freedom.

    Parameters
    ----------
    variance : float
        Variance of single specimen values on the natural-log scale (no unit), 1e-16 to 1e6.
    degrees_of_freedom : float
        Degrees of freedom behind it, 0.1 to 1e9; need not be whole.

    Raises
    ------
    CannotCompare
        If either is not a number in its range.
    """

    variance: float
    degrees_of_freedom: float

    def __post_init__(self) -> None:
        for name, value, least, most in (
            ("variance", self.variance, LEAST_VARIANCE, MOST_VARIANCE),
            (
                "number of degrees of freedom",
                self.degrees_of_freedom,
                LEAST_FREEDOM,
                MOST_FREEDOM,
            ),
        ):
            if not least <= value <= most:
                raise CannotCompare(
                    f"The {name} of a method's record must lie between {least:g} and {most:g}, "
                    f"not {value:g}."
                )


def specimen_interval(readings: Sequence[Interval]) -> Interval:
    """Bound a specimen's mean log value by its readings.

    The mean of the log lower ends and the mean of the log upper ends bound the mean log value
    of the specimen exactly, whatever the true values inside the readings are. One reading
    without a lower (upper) end leaves the specimen without one.

    Parameters
    ----------
    readings : sequence of Interval, length >= 1
        All readings of one specimen by one method, in one unit.

    Returns
    -------
    Interval
        Geometric means of the lower and of the upper ends, same unit.

    Raises
    ------
    CannotCompare
        If there is no reading.
    """
    if not readings:
        raise CannotCompare("A specimen needs at least one reading.")
    if len(readings) == 1:
        return readings[0]
    count = len(readings)
    if any(reading.low == 0 for reading in readings):
        low = 0.0
    else:
        low = math.exp(math.fsum(math.log(reading.low) for reading in readings) / count)
    if any(math.isinf(reading.high) for reading in readings):
        high = math.inf
    else:
        high = math.exp(math.fsum(math.log(reading.high) for reading in readings) / count)
    # Rounding in the two exponentials can cross the ends of an exact specimen by one last digit.
    return Interval(min(low, high), high)
