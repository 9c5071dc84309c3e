"""Channel-frequency-class filter of crash testing (SAE J211-1, ISO 6487).

A second-order Butterworth low pass run forwards and then backwards, so that nothing is shifted in
time. The class is not the cut-off: two passes of CFC 60 are 3 dB down at 100 Hz.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from scipy.signal import butter, filtfilt

from trials.physics.checks import positive
from trials.physics.errors import BadTrace, OutOfRange

if TYPE_CHECKING:
    from trials.physics.trace import Trace


CLASSES = (60, 180, 600, 1000)

# Design frequency over class, Hz, as J211-1 prints it. Exactly: 1/0.6/(sqrt(2) - 1)^(1/4).
_DESIGN_RATIO = 2.0775

# The two passes together are 3 dB down at class / 0.6.
_CLASS_TO_CUTOFF = 0.6

# Lowest sampling rate over class.
_LEAST_RATE_RATIO = 10.0

# Each end is mirrored through its last sample for this many reciprocals of the class. The filter
# forgets by a factor e in 0.11 of one, so the mirrored stretch covers about ten such times.
_PADDING_RATIO = 1.1


@dataclass(frozen=True)
class CfcCoefficients:
    """Coefficients of one pass: y[n] = a0 x[n] + a1 x[n-1] + a2 x[n-2] + b1 y[n-1] + b2 y[n-2]."""

    a0: float
    a1: float
    a2: float
    b1: float
    b2: float


def _check_class(cfc: int) -> None:
    if cfc not in CLASSES:
        raise OutOfRange(
            f"The channel frequency class must be one of {', '.join(map(str, CLASSES))}, "
            f"but got {cfc!r}."
        )


def _check_rate(cfc: int, sample_rate_hz: float) -> None:
    least_hz = _LEAST_RATE_RATIO * cfc
    # A rate worked out from time stamps may fall short of a round figure in its last digits.
    if sample_rate_hz < least_hz * (1.0 - 1e-6):
        raise BadTrace(
            f"Class {cfc} needs at least {least_hz:,.0f} samples per second, "
            f"but the trace has {sample_rate_hz:,.0f}. Log faster or choose a lower class."
        )


def cutoff_hz(cfc: int) -> float:
    """Return the frequency in Hz at which two passes of a class are 3 dB down, class / 0.6.

    Raises
    ------
    OutOfRange
        When the class is not one of the four.
    """
    _check_class(cfc)
    return cfc / _CLASS_TO_CUTOFF


def coefficients(cfc: int, *, sample_rate_hz: float) -> CfcCoefficients:
    """Return the coefficients of one pass.

    Parameters
    ----------
    cfc : {60, 180, 600, 1000}
        Channel frequency class.
    sample_rate_hz : float
        Sampling rate, Hz, at least ten times the class.

    Returns
    -------
    CfcCoefficients

    Raises
    ------
    OutOfRange
        When the class is not one of the four.
    BadTrace
        When the sampling rate is too low.

    References
    ----------
    .. [1] SAE J211-1, appendix C: wd = 2 pi 2.0775 CFC, wa = tan(wd T/2). The bilinear transform
       of a second-order Butterworth low pass with that corner is the same filter.
    """
    rate_hz = positive(sample_rate_hz, "Sampling rate", "Hz")
    _check_class(cfc)
    _check_rate(cfc, rate_hz)
    numerator, denominator = butter(2, _DESIGN_RATIO * cfc, fs=rate_hz)
    return CfcCoefficients(
        a0=float(numerator[0]),
        a1=float(numerator[1]),
        a2=float(numerator[2]),
        # scipy writes the feedback on the other side of the equation.
        b1=-float(denominator[1]),
        b2=-float(denominator[2]),
    )


def filtered(trace: Trace, *, cfc: int) -> Trace:
    """Return the trace after the two passes of a channel frequency class.

    Parameters
    ----------
    trace : Trace
        Evenly sampled, at least ten times the class, and long enough to be filtered.
    cfc : {60, 180, 600, 1000}
        Channel frequency class.

    Returns
    -------
    Trace
        Same times and unit. A constant passes unchanged; peaks are not shifted.

    Raises
    ------
    OutOfRange
        When the class is not one of the four.
    BadTrace
        When the samples are not evenly spaced, too slow for the class or too few.

    Notes
    -----
    Beyond each end the trace is continued by its mirror image through the last sample, so a trace
    that does not rest at zero is not dragged towards it. Samples within about 1/CFC s of an end
    depend on that continuation: let the log run on.
    """
    _check_class(cfc)
    rate_hz = trace.sample_rate_hz
    c = coefficients(cfc, sample_rate_hz=rate_hz)
    padding = math.ceil(_PADDING_RATIO * rate_hz / cfc)
    if trace.sample_count <= padding:
        raise BadTrace(
            f"Class {cfc} needs more than {padding} samples at this rate, "
            f"but the trace has {trace.sample_count}."
        )
    value = filtfilt(
        (c.a0, c.a1, c.a2), (1.0, -c.b1, -c.b2), trace.value, padtype="odd", padlen=padding
    )
    return trace.with_value(value)
