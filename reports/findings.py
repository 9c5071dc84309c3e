"""From a study's inputs to its findings. No Django here: the same for the worker and a test."""

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np

from reports.degradation import (
    CannotCompare,
    Comparison,
    Interval,
    Record,
    compare,
    specimen_interval,
)
from reports.degradation.compare import NOTE_STEPS_BOUND
from reports.degradation.grades import GradedArm, compare_grades
from reports.degradation.pairs import paired
from reports.degradation.record import MethodRecord, method_record
from reports.degradation.sensitivity import Arms, sensitivity_cautions

ITEMS_SCOPE = "these items"
NOTE_MOSTLY_LIMITS = (
    "Half or more of an arm's items gave only a limit, so a middle figure would rest on items that "
    "nobody could read: we give the range alone."
)


class Bounded(Protocol):
    """Anything with a low end and a high end as numbers."""

    @property
    def low(self) -> float:
        """Lower end."""

    @property
    def top(self) -> float:
        """Upper end; may be infinite."""


@dataclass(frozen=True)
class FindingResult:
    """One arm held against the baseline for one property; None ends are open."""

    kind: str
    n_baseline: int
    n_other: int
    level: float
    margin: float
    scope: str
    scale: str
    retention: float | None
    low: float | None
    high: float | None
    verdict: str
    smallest_visible_loss: float | None
    refusal: str
    cautions: tuple[str, ...]
    details: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Terms:
    """How a comparison is to be made."""

    level: float
    margin: float
    higher_is_better: bool
    scope: str
    record: MethodRecord | Record | None = None
    same_session: bool = True


def interval_of(bounded: Bounded) -> Interval:
    """A stored reading as an interval of the analysis."""
    return Interval(bounded.low, bounded.top)


def specimen_values(specimens: Sequence[Sequence[Bounded]]) -> list[Interval]:
    """One interval a specimen, whatever the number of its readings."""
    return [specimen_interval([interval_of(b) for b in readings]) for readings in specimens]


def record_of(controls: Sequence[tuple[str, Sequence[Bounded]]]) -> MethodRecord | None:
    """What a method's control runs say of its scatter; None when there are none."""
    if not controls:
        return None
    return method_record(
        {session: [interval_of(b) for b in bounds] for session, bounds in controls}
    )


def ratio_finding(
    baseline: Sequence[Sequence[Bounded]],
    other: Sequence[Sequence[Bounded]],
    terms: Terms,
    names: tuple[Sequence[str], Sequence[str]] = ((), ()),
) -> FindingResult:
    """Compare two arms of specimens with interval readings; `names` are theirs, for cautions.

    The record of the method speaks only where an arm has a single specimen, or where the study
    asked about these items alone: repeatability says how far one item scatters, not how far
    items of a model differ, and must not narrow a claim about the model.
    """
    if not baseline or not other:
        return _refused(baseline, other, terms, _missing(len(baseline), len(other)))
    single = min(len(baseline), len(other)) == 1 or terms.scope == ITEMS_SCOPE
    try:
        arms = specimen_values(baseline), specimen_values(other)
        found = compare(
            *arms,
            higher_is_better=terms.higher_is_better,
            margin=terms.margin,
            level=terms.level,
            record=_repeatability(baseline, other, terms) if single else None,
        )
        named = Arms(*arms, _named(names[0], arms[0]), _named(names[1], arms[1]))
        turns = sensitivity_cautions(named, found, higher_is_better=terms.higher_is_better)
    except CannotCompare as why:
        return _refused(baseline, other, terms, str(why))
    limits = (NOTE_MOSTLY_LIMITS,) if _is_mostly_limits(found, arms) else ()
    return _from_comparison(
        found, terms, (*limits, *turns), {"is_range_alone": _is_range_alone(found, arms)}
    )


def pairs_finding(
    pairs: Sequence[tuple[Sequence[Bounded], Sequence[Bounded]]], terms: Terms
) -> FindingResult:
    """Compare the two sides of matched pairs of specimens."""
    values = [
        (specimen_values([baseline])[0], specimen_values([other])[0]) for baseline, other in pairs
    ]
    try:
        found = paired(
            values,
            higher_is_better=terms.higher_is_better,
            margin=terms.margin,
            level=terms.level,
        )
    except CannotCompare as why:
        return _refused(pairs, pairs, terms, str(why))
    return _from_comparison(found, terms)


def _from_comparison(
    found: Comparison,
    terms: Terms,
    cautions: Sequence[str] = (),
    details: dict[str, Any] | None = None,
) -> FindingResult:
    return FindingResult(
        kind="ratio",
        n_baseline=found.n_baseline,
        n_other=found.n_other,
        level=terms.level,
        margin=terms.margin,
        scope=found.scope,
        scale=found.scale,
        retention=_finite(found.retention),
        low=_low_end(found),
        high=_high_end(found),
        verdict=found.verdict,
        smallest_visible_loss=_finite(found.smallest_visible_loss),
        refusal=found.refusal,
        cautions=(*found.notes, *cautions),
        details=details or {},
    )


def _named(names: Sequence[str], values: Sequence[Interval]) -> Sequence[str]:
    return names or [f"item {k + 1}" for k in range(len(values))]


def _is_mostly_limits(found: Comparison, arms: Sequence[Sequence[Interval]]) -> bool:
    if found.retention is None or found.refusal:
        return False
    return any(
        2 * sum(value.low == 0 or math.isinf(value.high) for value in values) >= len(values)
        for values in arms
    )


def _is_range_alone(found: Comparison, arms: Sequence[Sequence[Interval]]) -> bool:
    """Say whether readers get no middle figure.

    Where only the steps between readings bound the ratio, its middle is a matter of how the steps
    were chosen: 'about 100 %' would tell of a sameness that nobody saw.
    """
    return NOTE_STEPS_BOUND in found.notes or _is_mostly_limits(found, arms)


def _repeatability(
    baseline: Sequence[Sequence[Bounded]], other: Sequence[Sequence[Bounded]], terms: Terms
) -> Record | None:
    if terms.record is None or isinstance(terms.record, Record):
        return terms.record
    # the fewest readings of any item, so that no item is taken to be read more closely than it was
    fewest = min(len(readings) for readings in (*baseline, *other))
    return terms.record.for_these_items(
        readings_per_specimen=fewest, same_session=terms.same_session
    )


def grades_finding(
    baseline: Sequence[dict[str, int]], other: Sequence[dict[str, int]], terms: Terms
) -> FindingResult:
    """Compare two arms of graded specimens; each specimen maps rater to grade."""
    if not baseline or not other:
        return _refused(baseline, other, terms, _missing(len(baseline), len(other)))
    raters = sorted({rater for specimen in (*baseline, *other) for rater in specimen})
    found = compare_grades(
        [[specimen.get(rater) for rater in raters] for specimen in baseline],
        [[specimen.get(rater) for rater in raters] for specimen in other],
        rng=np.random.default_rng(_seed(raters, baseline, other)),
        level=terms.level,
        higher_is_better=terms.higher_is_better,
    )
    return FindingResult(
        kind="grades",
        n_baseline=len(baseline),
        n_other=len(other),
        level=terms.level,
        margin=terms.margin,
        scope="",
        scale="",
        retention=None,
        low=None,
        high=None,
        verdict=found.verdict,
        smallest_visible_loss=None,
        refusal=found.refusal,
        cautions=tuple(found.notes),
        details={
            "baseline": _graded(found.baseline),
            "other": _graded(found.other),
            "probability_worse": _finite(found.probability_worse),
            "low": _finite(found.low),
            "high": _finite(found.high),
            "p_value": _finite(found.p_value),
            "smallest_possible_p": _finite(found.smallest_possible_p),
            "test": found.test,
            "agreement": found.agreement.words,
            "raters": len(raters),
        },
    )


def _graded(arm: GradedArm) -> dict[str, Any]:
    return {
        "median": arm.median_words,
        "counts": [[grade, count] for grade, count in arm.rating_counts],
    }


def _seed(
    raters: Sequence[str], baseline: Sequence[dict[str, int]], other: Sequence[dict[str, int]]
) -> int:
    # from the data themselves: the same grades always give the same bootstrap interval
    text = repr((list(raters), [sorted(s.items()) for s in (*baseline, *other)]))
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:8], "big")


def _refused(
    baseline: Sequence[object], other: Sequence[object], terms: Terms, why: str
) -> FindingResult:
    return FindingResult(
        kind="refused",
        n_baseline=len(baseline),
        n_other=len(other),
        level=terms.level,
        margin=terms.margin,
        scope="",
        scale="",
        retention=None,
        low=None,
        high=None,
        verdict="not tested" if not (baseline and other) else "not resolved",
        smallest_visible_loss=None,
        refusal=why,
        cautions=(),
    )


def _missing(baseline_count: int, other_count: int) -> str:
    if not baseline_count and not other_count:
        return "Not tested: neither arm has a valid reading."
    which = "the baseline" if not baseline_count else "this arm"
    return f"Not tested: {which} has no valid reading."


def _finite(number: float | None) -> float | None:
    return number if number is not None and math.isfinite(number) else None


def _low_end(found: Comparison) -> float | None:
    return None if found.low <= 0 or found.refusal else found.low


def _high_end(found: Comparison) -> float | None:
    return None if math.isinf(found.high) or found.refusal else found.high
