"""Product-limit steps: which share had not failed, when some runs were stopped early.

Kaplan and Meier, Nonparametric estimation from incomplete observations, J. Am. Stat. Assoc. 53 (1958), 457.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Step:
    """The share not failed just after a time, how many were left just before, how many stopped."""

    at: float
    share: float
    left: int
    failed: int
    stopped: int


def product_limit(runs: Iterable[tuple[float, bool]]) -> list[Step]:
    """Steps from (time, has failed); a run stopped at the time of a failure outlived it.

    A failure is placed at the end of its interval, when it was first known.
    """
    ordered = sorted(runs, key=lambda run: run[0])
    steps: list[Step] = []
    share, left = 1.0, len(ordered)
    for at in dict.fromkeys(time for time, _ in ordered):
        here = [failed for time, failed in ordered if time == at]
        failed = sum(here)
        share *= 1 - failed / left
        steps.append(Step(at, share, left, failed, len(here) - failed))
        left -= len(here)
    return steps


def at_risk(steps: Sequence[Step], at: float) -> int:
    """How many runs had neither failed nor been stopped just before a time."""
    later = [step.left for step in steps if step.at >= at]
    return later[0] if later else 0
