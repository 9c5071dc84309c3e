"""What the physics refuses, in sentences a technician can act on."""

from __future__ import annotations


class PhysicsError(ValueError):
    """A quantity could not be derived. The message is written for the person at the bench."""


class UnknownUnit(PhysicsError):
    """The unit is not one this lab uses."""


class UnitMismatch(PhysicsError):
    """The two units measure different things."""


class OutOfRange(PhysicsError):
    """A number is missing, not a number, or outside what can physically be."""


class UnknownDerivation(PhysicsError):
    """No derivation has this name."""


class UnknownTable(PhysicsError):
    """No published table has this name."""


class BadSettings(PhysicsError):
    """The settings of a derivation are missing, unknown or not numbers."""


class BadTrace(PhysicsError):
    """A logged trace cannot carry the figure that was asked of it."""
