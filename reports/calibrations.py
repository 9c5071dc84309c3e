"""Findings that carry the uncertainty of the instruments' calibrations. No Django here.

The correction of a calibration moves every reading of the instrument by the same unknown error.
On the log scale that error enters a reading y as error / y, so the ratio of two arms feels only the
difference of the mean of 1 / y between them: arms read alike with one instrument feel almost
nothing, arms read with two instruments feel both.

References
----------
.. [1] JCGM 100:2008, 5.1.2 and 5.2.2: sensitivity coefficients and fully correlated inputs.
"""

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from reports.degradation.compare import verdict_of
from reports.degradation.drift import widened
from reports.findings import FindingResult


@dataclass(frozen=True)
class ReadWith:
    """A reading with the calibrations behind it."""

    arm: str
    specimen: str
    low: float
    high: float | None
    behind: tuple[tuple[str, float], ...]  # calibration and standard uncertainty, in its unit

    @property
    def middle(self) -> float:
        """One value to take the sensitivity at; the known end where the other is open or nothing."""
        if self.high is None:
            return self.low
        return math.sqrt(self.low * self.high) if self.low > 0 else self.high


@dataclass(frozen=True)
class Calibrated:
    """How the calibrations of a method's instruments enter each arm.

    `weights` holds for each arm the error of its mean log value for one standard uncertainty of
    each calibration. `moved_count` readings were moved by a correction.
    """

    weights: tuple[tuple[str, tuple[tuple[str, float], ...]], ...]
    moved_count: int
    widened_count: int
    # the same for each specimen, only where a trend is asked for
    by_specimen: tuple[tuple[str, tuple[tuple[str, float], ...]], ...] = ()

    def log_variance(self, baseline: str, arm: str) -> float:
        """Variance that the calibrations add to the log ratio of two arms."""
        known = {key: dict(weights) for key, weights in self.weights}
        one, other = known.get(baseline, {}), known.get(arm, {})
        return math.fsum((one.get(c, 0.0) - other.get(c, 0.0)) ** 2 for c in one.keys() | other)


def calibrated(
    readings: Sequence[ReadWith],
    *,
    moved_count: int,
    widened_count: int,
    is_over_service: bool = False,
) -> Calibrated | None:
    """Weigh the calibrations in each arm; None where nothing is behind any reading."""
    if not (moved_count or widened_count or any(reading.behind for reading in readings)):
        return None
    by_arm: dict[str, dict[str, list[ReadWith]]] = defaultdict(lambda: defaultdict(list))
    for reading in readings:
        by_arm[reading.arm][reading.specimen].append(reading)
    return Calibrated(
        weights=tuple((arm, _weights(mine)) for arm, mine in sorted(by_arm.items())),
        moved_count=moved_count,
        widened_count=widened_count,
        by_specimen=tuple(
            (specimen, _weights({specimen: mine}))
            for specimens in by_arm.values()
            for specimen, mine in sorted(specimens.items())
        )
        if is_over_service
        else (),
    )


def slope_variance(
    served: Sequence[tuple[float, Mapping[str, float]]],
) -> float:
    """Variance that calibrations add to the slope of log value over service.

    Each calibration is one error, so it tilts the line by the least-squares slope of what it adds
    to the specimens: nothing where it adds alike to all (JCGM 100:2008, 5.2.2).

    Parameters
    ----------
    served : sequence of (exposure, mapping)
        For each specimen its exposure, and the error of its log value for one standard uncertainty
        of each calibration.
    """
    middle = math.fsum(x for x, _ in served) / len(served)
    spread = math.fsum((x - middle) ** 2 for x, _ in served)
    if spread == 0.0:
        return 0.0
    keys = {key for _, errors in served for key in errors}
    tilts = (
        math.fsum((x - middle) * errors.get(key, 0.0) for x, errors in served) / spread
        for key in sorted(keys)
    )
    return math.fsum(tilt**2 for tilt in tilts)


def _weights(specimens: Mapping[str, Sequence[ReadWith]]) -> tuple[tuple[str, float], ...]:
    total: dict[str, float] = defaultdict(float)
    for readings in specimens.values():
        for reading in readings:
            if reading.middle <= 0:
                continue
            for calibration, uncertainty in reading.behind:
                share = 1 / (len(specimens) * len(readings))
                total[calibration] += share * uncertainty / reading.middle
    return tuple(sorted(total.items()))


def with_calibrations(
    result: FindingResult, known: Calibrated | None, *, baseline: str, arm: str
) -> FindingResult:
    """The finding with the calibrations' own error in its interval."""
    if known is None or result.kind != "ratio":
        return result
    variance = known.log_variance(baseline, arm)
    details = result.details | {
        "calibration": {
            "moved_count": known.moved_count,
            "widened_count": known.widened_count,
            "log_deviation": math.sqrt(variance),
        }
    }
    told = replace(result, cautions=(*result.cautions, *_words(known, variance)), details=details)
    if result.retention is None or result.refusal or variance == 0.0:
        return told
    low, high = widened(
        result.low,
        result.retention,
        result.high,
        variance=variance,
        degrees_of_freedom=math.inf,
        level=result.level,
    )
    if (low, high) == (result.low, result.high):
        return told
    top = math.inf if high is None else high
    return replace(told, low=low, high=high, verdict=verdict_of(low or 0.0, top, result.margin))


def _words(known: Calibrated, variance: float) -> Iterable[str]:
    if known.moved_count:
        readings = "reading was" if known.moved_count == 1 else "readings were"
        yield (
            f"{known.moved_count} {readings} corrected by the calibration of the instrument. What "
            f"the calibration leaves open adds {100 * math.sqrt(variance):.2g} % (standard "
            "uncertainty) to the comparison."
        )
    if known.widened_count:
        readings = "reading is" if known.widened_count == 1 else "readings are"
        yield (
            f"{known.widened_count} {readings} as wide as the tolerance of its indicator makes it."
        )
