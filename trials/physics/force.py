"""Figures from a load cell: force let through by a protector, and a seam pulled to breaking."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from trials.physics.checks import computed, not_negative, positive
from trials.physics.constants import STANDARD_GRAVITY_M_S2
from trials.physics.errors import BadTrace
from trials.physics.peaks import peak
from trials.physics.seam import force_per_width

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from trials.physics.trace import Trace


_N_PER_KN = 1000.0
_MM_PER_M = 1000.0
_SECONDS_PER_MINUTE = 60.0


def peak_transmitted_force_kn(trace: Trace) -> float:
    """Return the highest force under a protector in kN, pressing counted as positive.

    Parameters
    ----------
    trace : Trace
        Force over time from the load cell under the protector, baseline at zero.

    Returns
    -------
    float
        kN.

    Raises
    ------
    UnitMismatch
        When the trace is not a force.
    BadTrace
        When the trace never rises above zero.
    """
    highest_kn = peak(trace.in_unit("kN")).value
    if highest_kn <= 0.0:
        raise BadTrace("The force never rises above zero. Check the sign and the baseline.")
    return highest_kn


def force_from_acceleration_kn(acceleration_g: float, *, mass_kg: float) -> float:
    """Return the force in kN on a mass in kg at an acceleration in multiples of gravity, F = m a.

    Raises
    ------
    OutOfRange
        When a number is out of its range or not finite.
    """
    acceleration_g = not_negative(acceleration_g, "Acceleration", "g_n")
    mass_kg = positive(mass_kg, "Mass", "kg")
    return computed(mass_kg * acceleration_g * STANDARD_GRAVITY_M_S2 / _N_PER_KN, "Force", "kN")


def impulse_n_s(trace: Trace) -> float:
    """Return the area under a force trace in N s, by the trapezoidal rule.

    Raises
    ------
    UnitMismatch
        When the trace is not a force.
    """
    force = trace.in_unit("N")
    return float(np.trapezoid(force.value, force.time_s))


@dataclass(frozen=True)
class SeamPull:
    """A seam pulled until it gave way.

    Attributes
    ----------
    max_force_n : float
        Highest force, N.
    max_force_per_width_n_mm : float
        Highest force over the length of seam, N/mm.
    extension_at_max_mm : float
        Travel of the jaw at the highest force, mm.
    work_to_max_j : float
        Work from the start to the highest force, J.
    work_j : float
        Work over the whole log, J.
    """

    max_force_n: float
    max_force_per_width_n_mm: float
    extension_at_max_mm: float
    work_to_max_j: float
    work_j: float


def _work_j(force_n: NDArray[np.float64], extension_mm: NDArray[np.float64]) -> float:
    return float(np.trapezoid(force_n, extension_mm)) / _MM_PER_M


def seam_pull(trace: Trace, *, jaw_speed_mm_min: float, seam_width_mm: float) -> SeamPull:
    """Return the highest force and the work of a seam pull at a constant jaw speed.

    Parameters
    ----------
    trace : Trace
        Force over time, from the moment the jaw starts, baseline at zero.
    jaw_speed_mm_min : float
        Speed of the jaw, mm/min, more than zero.
    seam_width_mm : float
        Length of seam under load, mm, more than zero.

    Returns
    -------
    SeamPull
        Work is the area under force over travel, by the trapezoidal rule.

    Raises
    ------
    UnitMismatch
        When the trace is not a force.
    OutOfRange
        When the speed or the width is not above zero.
    BadTrace
        When the force never rises above zero.
    """
    force = trace.in_unit("N")
    speed_mm_s = positive(jaw_speed_mm_min, "Speed of the jaw", "mm/min") / _SECONDS_PER_MINUTE
    i = int(np.argmax(force.value))
    max_force_n = float(force.value[i])
    if max_force_n <= 0.0:
        raise BadTrace("The force never rises above zero. Check the sign and the baseline.")
    extension_mm = (force.time_s - force.time_s[0]) * speed_mm_s
    return SeamPull(
        max_force_n=max_force_n,
        max_force_per_width_n_mm=force_per_width(max_force_n, seam_width_mm=seam_width_mm),
        extension_at_max_mm=float(extension_mm[i]),
        work_to_max_j=_work_j(force.value[: i + 1], extension_mm[: i + 1]),
        work_j=_work_j(force.value, extension_mm),
    )
