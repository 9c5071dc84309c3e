"""Does a verdict turn on one specimen, on the law of the scatter, or on how scatters are tied?

Each question is the same comparison made once more with one thing changed. Where the verdict
changes, a caution says so; the verdict itself stays what the registered analysis gives.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

from reports.degradation.compare import Comparison, compare_many
from reports.degradation.intervals import Interval

# Leaving one out of two would leave one, which is another kind of comparison.
LEAST_TO_LEAVE_ONE_OUT = 3
# One of more than this moves a mean by less than a quarter of its own error, and asking costs time.
MOST_TO_LEAVE_ONE_OUT = 16


@dataclass(frozen=True, slots=True)
class Arms:
    """Two arms with a name for each specimen, in the order of the intervals."""

    baseline: Sequence[Interval]
    other: Sequence[Interval]
    baseline_names: Sequence[str]
    other_names: Sequence[str]


def sensitivity_cautions(
    arms: Arms, found: Comparison, *, higher_is_better: bool = True
) -> tuple[str, ...]:
    """Sentences for each way in which the verdict of `found` turns on a single choice.

    Parameters
    ----------
    arms : Arms
        What `found` was made from.
    found : Comparison
        The comparison as registered.
    higher_is_better : bool

    Returns
    -------
    tuple of str
        Empty when the verdict stands in every variant, or when nothing was claimed.
    """
    if found.refusal or found.scope == "these items":
        return ()
    cautions = list(_leave_one_out(arms, found, higher_is_better=higher_is_better))
    pair = [(arms.baseline, arms.other)]
    again = partial(
        compare_many,
        pair,
        higher_is_better=higher_is_better,
        margin=found.margin,
        level=found.level,
    )
    (weibull,) = again(distribution="weibull")
    if _turns(weibull, found):
        cautions.append(
            f"With a Weibull law for the scatter the verdict would be '{weibull.verdict}'."
        )
    for scale in ("separate", "pooled"):
        if scale == found.scale:
            continue
        (tied,) = again(scale=scale)
        if _turns(tied, found):
            how = (
                "a scatter of its own for each side"
                if scale == "separate"
                else "one common scatter"
            )
            cautions.append(f"With {how} the verdict would be '{tied.verdict}'.")
    return tuple(cautions)


def _leave_one_out(arms: Arms, found: Comparison, *, higher_is_better: bool) -> list[str]:
    variants: list[tuple[str, tuple[Sequence[Interval], Sequence[Interval]]]] = []
    if LEAST_TO_LEAVE_ONE_OUT <= len(arms.baseline) <= MOST_TO_LEAVE_ONE_OUT:
        variants += [
            (name, (_without(arms.baseline, k), arms.other))
            for k, name in enumerate(arms.baseline_names)
        ]
    if LEAST_TO_LEAVE_ONE_OUT <= len(arms.other) <= MOST_TO_LEAVE_ONE_OUT:
        variants += [
            (name, (arms.baseline, _without(arms.other, k)))
            for k, name in enumerate(arms.other_names)
        ]
    if not variants:
        return []
    answers = compare_many(
        [pair for _, pair in variants],
        higher_is_better=higher_is_better,
        margin=found.margin,
        level=found.level,
    )
    turned: dict[str, list[str]] = {}
    for (name, _), answer in zip(variants, answers, strict=True):
        if _turns(answer, found):
            turned.setdefault(answer.verdict, []).append(name)
    return [
        f"The verdict turns on one item: without {any_of(names)} it would be '{verdict}'."
        for verdict, names in turned.items()
    ]


def any_of(names: Sequence[str]) -> str:
    """Names for a sentence on any one of them."""
    if len(names) == 1:
        return names[0]
    return f"any one of {', '.join(names[:-1])} and {names[-1]}"


def _without(intervals: Sequence[Interval], place: int) -> list[Interval]:
    return [interval for k, interval in enumerate(intervals) if k != place]


def _turns(variant: Comparison, found: Comparison) -> bool:
    return not variant.refusal and variant.verdict != found.verdict
