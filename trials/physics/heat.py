"""Time to a stated temperature rise behind a hot contact, from a thermocouple trace."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from trials.physics.checks import computed, finite, positive
from trials.physics.errors import BadTrace

if TYPE_CHECKING:
    from trials.physics.trace import Trace


@dataclass(frozen=True)
class RiseTime:
    """When a trace had risen by a stated amount.

    Attributes
    ----------
    is_reached : bool
        False when the log ended first; then the time is only known to be longer than `time_s`.
    time_s : float
        Time from contact to the rise, by a straight line between the two samples around it, s.
        When the rise was not reached, time from contact to the end of the log.
    start_degc : float
        Temperature that the rise is counted from, degC.
    highest_rise_k : float
        Highest rise in the log, K.
    """

    is_reached: bool
    time_s: float
    start_degc: float
    highest_rise_k: float


def time_to_rise(trace: Trace, *, rise_k: float, contact_s: float | None = None) -> RiseTime:
    """Return the time from contact until the temperature has risen by a stated amount.

    Parameters
    ----------
    trace : Trace
        Temperature (degC, degF or K) over time.
    rise_k : float
        The stated rise, K, more than zero.
    contact_s : float, optional
        Moment of contact on the trace's clock, s. By default the first sample. The start
        temperature is read from the trace there, by a straight line between samples.

    Returns
    -------
    RiseTime

    Raises
    ------
    OutOfRange
        When the rise is not a number above zero.
    BadTrace
        When the moment of contact is not within the trace.
    UnitMismatch
        When the trace is not a temperature.

    References
    ----------
    .. [1] Threshold time of ISO 12127-1: from contact until the calorimeter has risen by 10 degC
       (as described by test laboratories; the standard itself was not read).
    """
    rise_k = positive(rise_k, "Stated temperature rise", "K")
    celsius = trace.in_unit("degC")
    time_s, value = celsius.time_s, celsius.value
    contact_s = finite(time_s[0] if contact_s is None else contact_s, "Moment of contact", "s")
    if not time_s[0] <= contact_s < time_s[-1]:
        raise BadTrace(
            f"The moment of contact ({contact_s:g} s) is not within the trace "
            f"({time_s[0]:g} to {time_s[-1]:g} s)."
        )
    start_degc = float(np.interp(contact_s, time_s, value))
    first = int(np.searchsorted(time_s, contact_s, side="right"))
    after_s = np.concatenate(([contact_s], time_s[first:]))
    rise = np.concatenate(([0.0], value[first:] - start_degc))
    highest = float(rise.max())
    reached = np.flatnonzero(rise >= rise_k)
    if reached.size == 0:
        return RiseTime(False, float(after_s[-1] - contact_s), start_degc, highest)
    j = int(reached[0])
    share = (rise_k - rise[j - 1]) / (rise[j] - rise[j - 1])
    crossing_s = after_s[j - 1] + share * (after_s[j] - after_s[j - 1])
    return RiseTime(True, float(crossing_s - contact_s), start_degc, highest)


def mean_rise_rate(time_s: float, *, rise_k: float) -> float:
    """Return the mean rate in K/s at which a stated rise in K was reached after a time in s.

    Raises
    ------
    OutOfRange
        When a number is not above zero or not finite.
    """
    time_s = positive(time_s, "Time to the stated rise", "s")
    rise_k = positive(rise_k, "Stated temperature rise", "K")
    return computed(rise_k / time_s, "Mean rate of rise", "K/s")
