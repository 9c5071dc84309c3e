"""From a study's inputs to its findings. No Django here: the same for the worker and a test."""

import hashlib
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
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
from reports.degradation.compare import NOTE_LEFT_OUT, NOTE_STEPS_BOUND
from reports.degradation.grades import GradedArm, compare_grades
from reports.degradation.pairs import paired
from reports.degradation.record import MethodRecord, method_record
from reports.degradation.sensitivity import (
    LEAST_TO_LEAVE_ONE_OUT,
    MOST_TO_LEAVE_ONE_OUT,
    Arms,
    any_of,
    sensitivity_cautions,
)

ITEMS_SCOPE = "these items"
NOTE_MOSTLY_LIMITS = (
    "Half or more of an arm's items gave only a limit, so a middle figure would rest on items that "
    "nobody could read: we give the range alone."
)
NOTE_ITEMS_WITHOUT_RECORD = (
    "The method has no record of its scatter, so the scatter between the items stands in for it: "
    "the range is wider than these items alone would need."
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
    asked about these items alone, and there it speaks alone: repeatability says how far one item scatters, not how far
    items of a model differ, and must not narrow a claim about the model.
    """
    if not baseline or not other:
        return _refused(baseline, other, terms, _missing(len(baseline), len(other)))
    items_only = terms.scope == ITEMS_SCOPE
    single = min(len(baseline), len(other)) == 1 or items_only
    record = _repeatability(baseline, other, terms) if single else None
    open_words: tuple[str, ...] = ()
    try:
        arms = specimen_values(baseline), specimen_values(other)
        both = [*_named(names[0], arms[0]), *_named(names[1], arms[1])]
        open_words = open_both_ways([*baseline, *other], both)
        if items_only and record is not None:
            found = _items_alone(arms, record, terms)
        else:
            found = compare(
                *arms,
                higher_is_better=terms.higher_is_better,
                margin=terms.margin,
                level=terms.level,
                record=record,
            )
        if items_only and found.scope != ITEMS_SCOPE:
            found = replace(
                found, scope=ITEMS_SCOPE, notes=(*found.notes, NOTE_ITEMS_WITHOUT_RECORD)
            )
        named = Arms(*arms, _named(names[0], arms[0]), _named(names[1], arms[1]))
        turns = sensitivity_cautions(named, found, higher_is_better=terms.higher_is_better)
    except CannotCompare as why:
        return _refused(baseline, other, terms, " ".join((str(why), *open_words)))
    limits = (NOTE_MOSTLY_LIMITS,) if _is_mostly_limits(found, arms) else ()
    return _from_comparison(
        found,
        terms,
        (*open_words, *limits, *turns),
        {"is_range_alone": _is_range_alone(found, arms)},
    )


def _items_alone(
    arms: tuple[Sequence[Interval], Sequence[Interval]], record: Record, terms: Terms
) -> Comparison:
    """The items themselves are the question: only the readings' own scatter makes it unsure.

    The mean log value of an arm's items is bounded by the means of their log ends, and carries the
    repeatability divided by their number. So each arm is one specimen, and the record is scaled so
    that the two together have the variance s^2 (1/n1 + 1/n2).
    """
    counts = [sum(not value.says_nothing for value in arm) for arm in arms]
    telling = [[value for value in arm if not value.says_nothing] for arm in arms]
    if not all(counts):
        return compare(*arms, record=record)  # names the arm that says nothing
    scaled = Record(
        record.variance * (1 / counts[0] + 1 / counts[1]) / 2, record.degrees_of_freedom
    )
    found = compare(
        [specimen_interval(telling[0])],
        [specimen_interval(telling[1])],
        higher_is_better=terms.higher_is_better,
        margin=terms.margin,
        level=terms.level,
        record=scaled,
    )
    left_out = sum(map(len, arms)) - sum(counts)
    notes = (NOTE_LEFT_OUT.format(count=left_out),) if left_out else ()
    return replace(found, n_baseline=counts[0], n_other=counts[1], notes=(*found.notes, *notes))


def open_both_ways(specimens: Sequence[Sequence[Bounded]], names: Sequence[str]) -> tuple[str, ...]:
    """A sentence on specimens of which some sites held and others failed, so that no end is left.

    The mean of a specimen over its sites has an upper end only when every reading has one, and a
    lower end likewise. One site that held and one that failed leave it neither; without the scatter
    from site to site, which such readings cannot show, nothing better is sound.
    """
    mixed = [
        name
        for name, value, readings in zip(names, specimen_values(specimens), specimens, strict=True)
        if value.says_nothing and not all(interval_of(b).says_nothing for b in readings)
    ]
    if not mixed:
        return ()
    sites = "its sites" if len(mixed) == 1 else "their sites"
    said = "says" if len(mixed) == 1 else "say"
    who = " and ".join(filter(None, (", ".join(mixed[:-1]), mixed[-1])))
    sentence = (
        f"{who} {said} nothing here: some of {sites} held and others failed, so the mean over {sites} "
        "has no end on either side. More shots of that kind on the same item cannot change that. "
        "One shot on each of more items, at several levels, would; so would rising steps on every "
        "site."
    )
    return (sentence,)


def pairs_finding(
    pairs: Sequence[tuple[Sequence[Bounded], Sequence[Bounded]]],
    terms: Terms,
    names: Sequence[str] = (),
    incomplete: Sequence[str] = (),
) -> FindingResult:
    """Compare the two sides of matched pairs of specimens; `names` are the pairs', for cautions.

    One pair speaks for these items, with the method's repeatability; two and more show their own
    scatter. `incomplete` are specimens read without the other side of their pair.
    """
    values = [
        (specimen_values([baseline])[0], specimen_values([other])[0]) for baseline, other in pairs
    ]
    sides = [side for pair in pairs for side in pair]
    labels = [f"pair {name}" for name in _named(names, [first for first, _ in values])]
    cautions = list(open_both_ways(sides, [label for label in labels for _ in range(2)]))
    if incomplete:
        cautions.append(
            f"Left out, because the other side of the pair was not read: {', '.join(incomplete)}."
        )
    ask = partial(
        paired,
        higher_is_better=terms.higher_is_better,
        margin=terms.margin,
        level=terms.level,
    )
    try:
        single = len(pairs) == 1 or terms.scope == ITEMS_SCOPE
        firsts, seconds = [first for first, _ in pairs], [second for _, second in pairs]
        record = _repeatability(firsts, seconds, terms) if single else None
        if record is not None:
            arms = [first for first, _ in values], [second for _, second in values]
            found = _items_alone(arms, record, terms)
        else:
            found = ask(values)
            if terms.scope == ITEMS_SCOPE and not found.refusal:
                found = replace(
                    found, scope=ITEMS_SCOPE, notes=(*found.notes, NOTE_ITEMS_WITHOUT_RECORD)
                )
            cautions += _pairs_that_turn(ask, values, labels, found)
    except CannotCompare as why:
        return _refused(pairs, pairs, terms, " ".join((str(why), *cautions)))
    arms = [first for first, _ in values], [second for _, second in values]
    return _from_comparison(
        found, terms, cautions, {"is_range_alone": _is_range_alone(found, arms)}
    )


def _pairs_that_turn(
    ask: Callable[[Sequence[tuple[Interval, Interval]]], Comparison],
    values: Sequence[tuple[Interval, Interval]],
    labels: Sequence[str],
    found: Comparison,
) -> list[str]:
    """Cautions for pairs without any one of which the verdict would be another."""
    if found.refusal or not LEAST_TO_LEAVE_ONE_OUT <= len(values) <= MOST_TO_LEAVE_ONE_OUT:
        return []
    turned: dict[str, list[str]] = {}
    for k, label in enumerate(labels):
        answer = ask([pair for place, pair in enumerate(values) if place != k])
        if not answer.refusal and answer.verdict != found.verdict:
            turned.setdefault(answer.verdict, []).append(label)
    return [
        f"The verdict turns on one pair: without {any_of(which)} it would be '{verdict}'."
        for verdict, which in turned.items()
    ]


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
