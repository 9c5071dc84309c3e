"""A logged trace: one quantity over time, as an accelerometer, load cell or thermocouple gives it.

A trace that holds numbers which cannot be right is refused when it is made. A trace whose numbers
are fine but which may not carry the figure asked of it (clipped, cut off) has flaws that are named
and shown, because the lab may have a reason to keep it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from trials.physics.checks import finite, positive
from trials.physics.errors import BadTrace, OutOfRange
from trials.physics.units import convert_array, unit_of

if TYPE_CHECKING:
    from numpy.typing import NDArray


# How far a sample may lie from an even grid, as a share of the sampling interval. Times printed
# with too few decimals jitter by a few per cent; one lost sample moves its neighbours by a half
# or more.
_GRID_TOLERANCE = 0.1

# A trace whose first or last sample stands above this share of the peak was cut off. Bench
# practice, no source.
_EDGE_SHARE = 0.05

# Fewer equal samples in a row at the top are what a smooth peak can show by chance.
_FLAT_RUN = 3

# However coarse the reading, a smooth peak does not lose this share of its height there.
_SMOOTH_DROP_SHARE = 0.5

# Nothing on a bench is this large in the units that loggers write, nor sampled this closely. The
# guards keep squares and quotients further on from overflowing.
_LARGEST = 1e12
_LEAST_GAP_S = 1e-12

# A mean of fewer samples than this is not a baseline. Bench practice, no source.
_LEAST_BASELINE_SAMPLES = 10


def _as_column(values: NDArray[np.float64], what: str) -> NDArray[np.float64]:
    try:
        array = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise BadTrace(f"The {what} of a trace must be numbers.") from error
    if array.ndim != 1:
        raise BadTrace(f"The {what} of a trace must be one column, but got {array.ndim}.")
    # A read-only view, not a copy: a trace may hold millions of samples.
    view = array.view()
    view.flags.writeable = False
    return view


def _refuse_not_finite(array: NDArray[np.float64], what: str) -> None:
    finite_mask = np.isfinite(array)
    if not finite_mask.all():
        first = int(np.argmin(finite_mask))
        count = int(array.size - np.count_nonzero(finite_mask))
        raise BadTrace(
            f"{count} of {array.size} {what} are missing or not numbers; "
            f"the first is sample {first + 1}."
        )
    if float(np.max(np.abs(array))) > _LARGEST:
        first = int(np.argmax(np.abs(array) > _LARGEST))
        raise BadTrace(
            f"Sample {first + 1} of the {what} is {array[first]:g}, too large to be real."
        )


def _refuse_disorder(time_s: NDArray[np.float64]) -> None:
    gaps_s = np.diff(time_s)
    if (gaps_s < 0.0).any():
        i = int(np.argmax(gaps_s < 0.0))
        raise BadTrace(
            f"Times run backwards at sample {i + 2}: {time_s[i + 1]:g} s comes after {time_s[i]:g} s."
        )
    if (gaps_s == 0.0).any():
        i = int(np.argmax(gaps_s == 0.0))
        raise BadTrace(
            f"{int(np.count_nonzero(gaps_s == 0.0))} time(s) occur twice; the first is "
            f"{time_s[i]:g} s at samples {i + 1} and {i + 2}."
        )
    if float(gaps_s.min()) < _LEAST_GAP_S:
        i = int(np.argmin(gaps_s))
        raise BadTrace(
            f"Samples {i + 1} and {i + 2} are only {gaps_s[i]:g} s apart. Check the unit of time."
        )


@dataclass(frozen=True, eq=False)
class Trace:
    """One quantity over time.

    Attributes
    ----------
    time_s : ndarray of float, shape (n,)
        Time of each sample, s, strictly rising; n at least 2. Any zero.
    value : ndarray of float, shape (n,)
        The quantity at each sample, in `unit`.
    unit : str
        A unit name of `trials.physics.units`.

    Raises
    ------
    BadTrace
        When the columns differ in length, hold fewer than two samples, hold missing, infinite
        or absurdly large numbers, or times repeat or run backwards.
    UnknownUnit
        When the unit is not known.

    Notes
    -----
    Both arrays are read-only. They share memory with the arrays given, which must not be changed
    afterwards.
    """

    time_s: NDArray[np.float64]
    value: NDArray[np.float64]
    unit: str

    def __post_init__(self) -> None:
        time_s = _as_column(self.time_s, "times")
        value = _as_column(self.value, "values")
        if time_s.size != value.size:
            raise BadTrace(f"The trace has {time_s.size} times but {value.size} values.")
        if time_s.size < 2:
            raise BadTrace(f"A trace needs at least two samples, but this one has {time_s.size}.")
        _refuse_not_finite(time_s, "times")
        _refuse_not_finite(value, "values")
        _refuse_disorder(time_s)
        object.__setattr__(self, "time_s", time_s)
        object.__setattr__(self, "value", value)
        object.__setattr__(self, "unit", unit_of(self.unit).name)

    @classmethod
    def evenly_sampled(
        cls, value: NDArray[np.float64], *, unit: str, sample_rate_hz: float, start_s: float = 0.0
    ) -> Trace:
        """Return a trace from values and a sampling rate in Hz, the first sample at `start_s`."""
        try:
            rate_hz = positive(sample_rate_hz, "Sampling rate", "Hz")
            start_s = finite(start_s, "Start", "s")
        except OutOfRange as error:
            raise BadTrace(str(error)) from error
        count = np.asarray(value).size
        return cls(start_s + np.arange(count, dtype=np.float64) / rate_hz, value, unit)

    @property
    def sample_count(self) -> int:
        """Number of samples."""
        return int(self.time_s.size)

    @property
    def duration_s(self) -> float:
        """Time from the first to the last sample, s."""
        return float(self.time_s[-1] - self.time_s[0])

    @property
    def is_evenly_sampled(self) -> bool:
        """Whether every sample lies within a tenth of an interval of an even grid."""
        interval_s = self.duration_s / (self.sample_count - 1)
        grid_s = np.linspace(self.time_s[0], self.time_s[-1], self.sample_count)
        return bool(np.max(np.abs(self.time_s - grid_s)) <= _GRID_TOLERANCE * interval_s)

    @property
    def sample_rate_hz(self) -> float:
        """Sampling rate, Hz.

        Raises
        ------
        BadTrace
            When the samples are not evenly spaced, so that there is no one rate.
        """
        if not self.is_evenly_sampled:
            raise BadTrace(
                "The samples are not evenly spaced in time, so the trace has no sampling rate and "
                "cannot be filtered. Samples may have been lost while logging."
            )
        return (self.sample_count - 1) / self.duration_s

    def in_unit(self, unit: str) -> Trace:
        """Return the same trace in another unit of the same quantity."""
        if unit_of(unit).name == self.unit:
            return self
        return Trace(self.time_s, convert_array(self.value, self.unit, unit), unit)

    def with_value(self, value: NDArray[np.float64]) -> Trace:
        """Return a trace with the same times and unit and other values."""
        return Trace(self.time_s, value, self.unit)

    def between(self, from_s: float, to_s: float) -> Trace:
        """Return the samples from `from_s` to `to_s`, both included, s."""
        first, past = np.searchsorted(self.time_s, [from_s, np.nextafter(to_s, np.inf)])
        if past - first < 2:
            raise BadTrace(f"Fewer than two samples lie between {from_s:g} and {to_s:g} s.")
        return Trace(self.time_s[first:past], self.value[first:past], self.unit)


def resultant(*axes: Trace) -> Trace:
    """Return the length of the vector whose axes were logged together.

    Parameters
    ----------
    *axes : Trace
        One to three traces with the same times and units that convert into the first one's.

    Returns
    -------
    Trace
        sqrt(x^2 + y^2 + z^2), never negative.

    Raises
    ------
    BadTrace
        When no axis is given or the times differ.
    UnitMismatch
        When the axes measure different quantities.
    """
    if not axes:
        raise BadTrace("A resultant needs at least one axis.")
    first = axes[0]
    total = np.zeros(first.sample_count)
    for axis in axes:
        if not np.array_equal(axis.time_s, first.time_s):
            raise BadTrace("The axes were not sampled at the same times.")
        total = np.hypot(total, axis.in_unit(first.unit).value)
    return first.with_value(total)


@dataclass(frozen=True)
class Event:
    """The stretch of a trace in which something happened.

    Attributes
    ----------
    from_s, to_s : float
        First and last sample of the event, s.
    peak_s : float
        Time of the sample farthest from the baseline, s.
    peak : float
        The value there, in the trace's unit.
    """

    from_s: float
    to_s: float
    peak_s: float
    peak: float


def _event_indices(trace: Trace, edge_share: float) -> tuple[int, int, int]:
    # The median stands for the baseline: an impact fills little of what a logger keeps.
    height = np.abs(trace.value - np.median(trace.value))
    peak = int(np.argmax(height))
    if height[peak] == 0.0:
        raise BadTrace("The trace is flat: every sample has the same value.")
    quiet = height <= edge_share * height[peak]
    before = np.flatnonzero(quiet[:peak])
    after = np.flatnonzero(quiet[peak:])
    first = int(before[-1]) + 1 if before.size else 0
    last = peak + int(after[0]) - 1 if after.size else trace.sample_count - 1
    return first, peak, last


def find_event(trace: Trace, *, edge_share: float = _EDGE_SHARE) -> Event:
    """Return the event around the highest peak.

    Parameters
    ----------
    trace : Trace
    edge_share : float
        The event ends where the trace has come back to within this share of the peak from the
        median of all samples, 0 to 1.

    Returns
    -------
    Event

    Raises
    ------
    BadTrace
        When the trace is flat.
    """
    first, peak, last = _event_indices(trace, edge_share)
    return Event(
        from_s=float(trace.time_s[first]),
        to_s=float(trace.time_s[last]),
        peak_s=float(trace.time_s[peak]),
        peak=float(trace.value[peak]),
    )


@dataclass(frozen=True, eq=False)
class Baselined:
    """A trace from which the baseline was taken.

    Attributes
    ----------
    trace : Trace
        The trace with the baseline at zero.
    offset : float
        What was subtracted, in the trace's unit.
    noise_sd : float
        Standard deviation of the samples that made the baseline, in the trace's unit.
    sample_count : int
        How many samples made it.
    """

    trace: Trace
    offset: float
    noise_sd: float
    sample_count: int


def remove_baseline(
    trace: Trace, *, from_s: float | None = None, to_s: float | None = None
) -> Baselined:
    """Subtract the mean of a quiet stretch from a trace.

    Parameters
    ----------
    trace : Trace
    from_s, to_s : float, optional
        The quiet stretch, s, ends included. By default from the first sample to one event length
        before the event (at least, the first half of what lies before it).

    Returns
    -------
    Baselined

    Raises
    ------
    BadTrace
        When fewer than ten samples lie in the stretch.
    """
    if from_s is None:
        from_s = float(trace.time_s[0])
    if to_s is None:
        event = find_event(trace)
        lead_s = event.from_s - from_s
        to_s = from_s + max(lead_s - (event.to_s - event.from_s), 0.5 * lead_s)
        # The sample that opens the event is never part of its baseline.
        to_s = min(to_s, np.nextafter(event.from_s, -np.inf))
    first, past = np.searchsorted(trace.time_s, [from_s, np.nextafter(to_s, np.inf)])
    count = int(past - first)
    if count < _LEAST_BASELINE_SAMPLES:
        raise BadTrace(
            f"Only {max(count, 0)} samples lie in the quiet stretch before the event; a baseline "
            f"needs {_LEAST_BASELINE_SAMPLES}. Start logging earlier, or choose the stretch."
        )
    quiet = trace.value[first:past]
    offset = float(np.mean(quiet))
    return Baselined(
        trace=trace.with_value(trace.value - offset),
        offset=offset,
        noise_sd=float(np.std(quiet, ddof=1)),
        sample_count=count,
    )


class FlawKind(StrEnum):
    """What can be wrong with a trace whose numbers are all there."""

    CLIPPED = "clipped"
    STARTS_LATE = "starts late"
    ENDS_EARLY = "ends early"
    UNEVEN = "unevenly sampled"


@dataclass(frozen=True)
class Flaw:
    """One thing that is wrong with a trace, in words for the person who logged it."""

    kind: FlawKind
    words: str


def _flat_top(values: NDArray[np.float64]) -> tuple[int, int] | None:
    """Return first and last index of a flat top that no smooth peak would show, or None."""
    top = float(values.max())
    spread = top - float(values.min())
    # A flat run at the trace's own resting level is rest, not clipping.
    if spread == 0.0 or top - float(np.median(values)) < 0.25 * spread:
        return None
    at_top = np.concatenate(([0], (values == top).astype(np.int8), [0]))
    edges = np.diff(at_top)
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1
    longest = int(np.argmax(ends - starts))
    first, last = int(starts[longest]), int(ends[longest])
    run = last - first + 1
    if run < _FLAT_RUN:
        return None
    levels = np.unique(values)
    step = float(np.min(np.diff(levels)))
    # On a smooth peak read in steps of q, samples within half the flat top of its middle are at
    # most about q below it, so a parabola is at most q (distance / half)^2 below; one step more
    # for rounding. A clipped peak falls away much faster.
    half, reach = (run - 1) / 2, math.ceil(run / 2)
    smooth_drop = step * (((half + reach) / half) ** 2 + 1.0)
    beyond = [top - float(values[i]) for i in (first - reach, last + reach) if 0 <= i < values.size]
    # A flat run that fills the trace to both ends has no shoulders to judge: it counts as clipped.
    most = min(smooth_drop, _SMOOTH_DROP_SHARE * spread)
    is_smooth = bool(beyond) and max(beyond) <= most
    return None if is_smooth else (first, last)


def _clipping(trace: Trace, full_scale: float | None) -> Flaw | None:
    if full_scale is not None:
        full_scale = positive(full_scale, "Full scale", trace.unit)
        count = int(np.count_nonzero(np.abs(trace.value) >= full_scale))
        if count:
            return Flaw(
                FlawKind.CLIPPED,
                f"{count} samples are at or beyond the sensor's full scale of {full_scale:g} "
                f"{trace.unit}, so the true peak is not known.",
            )
    for sign, side in ((1.0, "top"), (-1.0, "bottom")):
        found = _flat_top(sign * trace.value)
        if found is not None:
            first, last = found
            return Flaw(
                FlawKind.CLIPPED,
                f"The {side} of the trace is flat for {last - first + 1} samples at "
                f"{trace.value[first]:g} {trace.unit}, from {trace.time_s[first]:g} to "
                f"{trace.time_s[last]:g} s. It looks clipped, so the true peak is not known.",
            )
    return None


def find_flaws(trace: Trace, *, full_scale: float | None = None) -> tuple[Flaw, ...]:
    """Return what may keep a trace of an event from carrying its peak.

    Parameters
    ----------
    trace : Trace
        A trace with its baseline at zero (see `remove_baseline`), as logged on one axis: clipping
        no longer shows once axes are combined or filtered.
    full_scale : float, optional
        Largest magnitude that the sensor and logger can give, in the trace's unit, more than zero.

    Returns
    -------
    tuple of Flaw
        Empty when nothing was found. Clipping is found from the full scale, or from a flat top
        too wide for a smooth peak read at the trace's own resolution; clipping by less than a few
        reading steps cannot be seen.

    Raises
    ------
    OutOfRange
        When the full scale is not a number above zero.
    """
    flaws: list[Flaw] = []
    clipping = _clipping(trace, full_scale)
    if clipping is not None:
        flaws.append(clipping)
    peak = float(np.max(np.abs(trace.value)))
    if abs(float(trace.value[0])) > _EDGE_SHARE * peak:
        flaws.append(
            Flaw(
                FlawKind.STARTS_LATE,
                f"The first sample already reads {trace.value[0]:.3g} {trace.unit}: the event "
                "began before the log did, or the baseline was not removed.",
            )
        )
    if abs(float(trace.value[-1])) > _EDGE_SHARE * peak:
        flaws.append(
            Flaw(
                FlawKind.ENDS_EARLY,
                f"The last sample still reads {trace.value[-1]:.3g} {trace.unit}: the log stopped "
                "before the event was over.",
            )
        )
    if not trace.is_evenly_sampled:
        flaws.append(
            Flaw(
                FlawKind.UNEVEN,
                "The samples are not evenly spaced in time. Samples may have been lost.",
            )
        )
    return tuple(flaws)
