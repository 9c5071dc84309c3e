"""Checks on single numbers, shared by every family of derivations."""

from __future__ import annotations

import math

from trials.physics.errors import OutOfRange


def _named(name: str, unit: str) -> str:
    return f"{name} ({unit})" if unit else name


def finite(value: float, name: str, unit: str) -> float:
    """Return `value` as a float, or refuse what is not a finite number.

    Parameters
    ----------
    value : float
        The number as typed or computed.
    name : str
        What it is, as words that can start a sentence, for example "Drop height".
    unit : str
        Its unit, for the message; empty for a bare number.

    Raises
    ------
    OutOfRange
        When the value is missing, not a number, or infinite.
    """
    # True and False are ints in Python; a ticked box must not become one kilogram.
    if isinstance(value, bool):
        raise OutOfRange(f"{_named(name, unit)} must be a number, but got a yes/no value.")
    try:
        number = float(value)
    except (TypeError, ValueError, OverflowError) as error:
        raise OutOfRange(f"{_named(name, unit)} must be a number, but got {value!r}.") from error
    if not math.isfinite(number):
        raise OutOfRange(f"{_named(name, unit)} must be a finite number, but got {number}.")
    return number


def not_negative(value: float, name: str, unit: str) -> float:
    """Return `value` as a float, or refuse what is below zero or not finite."""
    number = finite(value, name, unit)
    if number < 0.0:
        raise OutOfRange(f"{_named(name, unit)} must be zero or more, but got {number:g}.")
    return number


def positive(value: float, name: str, unit: str) -> float:
    """Return `value` as a float, or refuse what is zero, below zero or not finite."""
    number = finite(value, name, unit)
    if number <= 0.0:
        raise OutOfRange(f"{_named(name, unit)} must be more than zero, but got {number:g}.")
    return number


def whole(value: int, name: str, *, at_least: int) -> int:
    """Return `value` as a whole number, or refuse a fraction or one below `at_least`."""
    number = finite(value, name, "")
    if not number.is_integer() or number < at_least:
        raise OutOfRange(
            f"{name} must be a whole number of {at_least} or more, but got {number:g}."
        )
    return int(number)


def computed(value: float, name: str, unit: str) -> float:
    """Return a computed value, or refuse one too large to hold.

    Inputs that are each allowed can still overflow together (1e200 m squared); such a result is
    refused here, so that infinity never reaches a page.
    """
    if not math.isfinite(value):
        raise OutOfRange(
            f"{_named(name, unit)} comes out too large to be real. Check the numbers it is made of."
        )
    return value
