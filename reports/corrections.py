"""Findings corrected by the control runs of their method. No Django here."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from reports.degradation import CannotCompare, Interval
from reports.degradation.compare import verdict_of
from reports.degradation.drift import (
    ControlPoint,
    ControlScatter,
    Factor,
    check_controls,
    control_scatter,
    factor_at,
    mean_weights,
    ratio_variance,
    reference_of,
    widened,
)
from reports.findings import FindingResult


@dataclass(frozen=True)
class ReadAt:
    """A reading with its time and the piece it used up."""

    arm: str
    specimen: str
    at_s: float
    group: str
    low: float
    high: float | None


@dataclass(frozen=True)
class Correction:
    """How a method's readings were corrected, as far as findings need it.

    `problem` says why they could not be; then nothing else counts.
    """

    problem: str
    variance: float = 0.0
    degrees_of_freedom: float = 1.0
    least_factor: float = 1.0
    most_factor: float = 1.0
    control_count: int = 0
    weights: tuple[tuple[str, tuple[float, ...]], ...] = ()

    @property
    def words(self) -> str:
        """For the finding's cautions."""
        return (
            f"Corrected for machine drift: readings were multiplied by {self.least_factor:.3g} to "
            f"{self.most_factor:.3g}, from {self.control_count} control runs around them."
        )


def correct(
    readings: Sequence[ReadAt],
    controls: Sequence[ControlPoint],
    *,
    reference: float | None,
    drift_limit: float | None,
) -> tuple[Correction, dict[int, tuple[float, float | None]]]:
    """Corrected ends of each reading by its position, or why there are none."""
    if not readings:
        return Correction("No reading to correct yet."), {}
    try:
        ordered = check_controls(controls)
        if not ordered:
            raise CannotCompare(
                "The method corrects its readings by control runs, and there is none."
            )
        level = reference or reference_of(ordered)
        factors = [
            factor_at(ordered, r.at_s, reference=level, group=r.group, drift_limit=drift_limit)
            for r in readings
        ]
        scatter = control_scatter(ordered)
    except CannotCompare as why:
        return Correction(str(why)), {}
    ends = {
        i: (r.low * f.value, None if r.high is None else r.high * f.value)
        for i, (r, f) in enumerate(zip(readings, factors, strict=True))
    }
    return _told(readings, factors, scatter, len(ordered)), ends


def _told(
    readings: Sequence[ReadAt],
    factors: Sequence[Factor],
    scatter: ControlScatter,
    control_count: int,
) -> Correction:
    by_arm: dict[str, dict[str, list[Factor]]] = {}
    for reading, factor in zip(readings, factors, strict=True):
        by_arm.setdefault(reading.arm, {}).setdefault(reading.specimen, []).append(factor)
    used = {i for factor in factors for i in (factor.before, factor.after)}
    return Correction(
        problem="",
        variance=scatter.variance,
        degrees_of_freedom=scatter.degrees_of_freedom,
        least_factor=min(factor.value for factor in factors),
        most_factor=max(factor.value for factor in factors),
        control_count=len(used),
        weights=tuple(
            (arm, tuple(mean_weights(list(specimens.values()), control_count).tolist()))
            for arm, specimens in sorted(by_arm.items())
        ),
    )


def with_correction(
    result: FindingResult, correction: Correction | None, *, baseline: str, arm: str
) -> FindingResult:
    """The finding with the control runs' own error in its interval, or refused."""
    if correction is None or result.kind != "ratio":
        return result
    if correction.problem:
        return replace(
            result,
            kind="refused",
            retention=None,
            low=None,
            high=None,
            verdict="not resolved",
            smallest_visible_loss=None,
            refusal=correction.problem,
        )
    weights: Mapping[str, tuple[float, ...]] = dict(correction.weights)
    variance = ratio_variance(
        np.array(weights[baseline]),
        np.array(weights[arm]),
        ControlScatter(correction.variance, correction.degrees_of_freedom),
    )
    details = result.details | {
        "correction": {
            "least_factor": correction.least_factor,
            "most_factor": correction.most_factor,
            "log_deviation": math.sqrt(variance),
            "degrees_of_freedom": correction.degrees_of_freedom,
        }
    }
    told = replace(result, cautions=(*result.cautions, correction.words), details=details)
    if result.retention is None or result.refusal:
        return told
    low, high = widened(
        result.low,
        result.retention,
        result.high,
        variance=variance,
        degrees_of_freedom=correction.degrees_of_freedom,
        level=result.level,
    )
    verdict = result.verdict
    if (low, high) != (result.low, result.high):
        top = math.inf if high is None else high
        verdict = verdict_of(low or 0.0, top, result.margin)
    return replace(told, low=low, high=high, verdict=verdict)


def interval_of_control(low: float, high: float | None) -> Interval:
    """A stored control run as an interval of the analysis."""
    return Interval(low, math.inf if high is None else high)
