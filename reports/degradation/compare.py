"""Two arms of specimens compared: what is left, how sure that is, and what could not be seen.

The model is ``ln y = mu_arm + sigma_arm * e``; METHOD.md beside this file states it in full,
with its priors, its limits and the tables of coverage and speed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from reports.degradation.arms import Arm, at_middles, read_arm
from reports.degradation.intervals import CannotCompare, Interval, Record, from_log
from reports.degradation.laws import LAWS, Law
from reports.degradation.posterior import Problem, difference_quantiles, is_scatter_unlimited

ENGINE_VERSION = "1.1"

# Linked scatter keeps its coverage while the arms are of like size; beyond this ratio of their
# counts the scatters are kept apart. Chosen by the coverage table of METHOD.md.
LIKE_SIZE_RATIO = 1.5

SCALES = ("auto", "linked", "separate", "pooled")
VERDICTS = ("clear loss", "some loss", "held", "some gain", "clear gain", "not resolved")

THESE_ITEMS = "these items"
THIS_MODEL = "this model"

NOTE_NO_UPPER_END = (
    "The interval has no upper end: an arm lacks the readings that would give it one."
)
NOTE_NO_LOWER_END = (
    "The interval has no lower end: an arm lacks the readings that would give it one."
)
NOTE_STEPS_BOUND = (
    "The steps between readings are too coarse to show scatter; the interval spans all that "
    "they leave open."
)
NOTE_SCATTER_CEILING = (
    "Too few readings have both ends to limit the scatter; it was taken to be below a factor of "
    "2.7 or the span of the readings, whichever is more."
)
NOTE_LEFT_OUT = "Specimens whose readings say nothing were left out: {count}."
NOTE_BOTH_OPEN = "No reading in either arm has both ends, so nothing bounds the ratio."

REFUSE_ONE_SPECIMEN = (
    "One specimen in an arm and no record of the method's scatter: the ratio is shown without an "
    "interval and nothing is claimed."
)
REFUSE_EQUAL = (
    "All readings of an arm are exactly equal and carry no resolution, so their scatter cannot be "
    "known. Enter the resolution of the readings or give the method's record."
)
REFUSE_OPEN_ARM = (
    "An arm without upper ends, or without lower ends, tells nothing of its own scatter: link the "
    "scatters of the arms or give the method's record."
)


@dataclass(frozen=True, slots=True)
class Comparison:
    """What two arms say about one property.

    Attributes
    ----------
    retention : float or None
        Median of the ratio of geometric means, turned so that below 1 is worse; a share, no
        unit. None when an end of the ratio is open or the ratio cannot be formed.
    low, high : float
        Ends of the interval of retention; 0.0 and ``math.inf`` mean "no such end". Each end by
        itself is wrong with a chance of at most (1 - level) / 2.
    verdict : str
        One of ``VERDICTS``.
    smallest_visible_loss : float or None
        Smallest true loss that a finished test like this could have told from none: the loss at
        which an interval reaching as far above its retention as this one does would end at 1,
        ``1 - retention / high``. None when there is no upper end, or no interval.
    refusal : str
        Empty, or why no interval is given; then nothing is claimed and the ends are open.
    scope : str
        "these items" (one specimen in an arm) or "this model".
    scale : str
        How the scatters were tied: "linked", "separate", "pooled", "record" or "none".
    level, margin : float
        As asked for.
    n_baseline, n_other : int
        Specimens that say anything.
    distribution : str
        "lognormal" or "weibull".
    notes : tuple of str
        Sentences for the reader of the figures.
    engine : str
        Version of the method.
    """

    retention: float | None
    low: float
    high: float
    verdict: str
    smallest_visible_loss: float | None
    refusal: str
    scope: str
    scale: str
    level: float
    margin: float
    n_baseline: int
    n_other: int
    distribution: str
    notes: tuple[str, ...]
    engine: str = ENGINE_VERSION

    @property
    def claims_something(self) -> bool:
        """True when there is an interval, however wide."""
        return not self.refusal


def verdict_of(low: float, high: float, margin: float) -> str:
    """Judge an interval of retention against the margin that matters.

    Parameters
    ----------
    low, high : float
        Ends of the interval, 0 <= low <= high <= inf.
    margin : float
        Loss that matters as a share, 0 < margin < 1.

    Returns
    -------
    str
        "clear loss" when the interval lies wholly below ``1 - margin``, "some loss" when it lies
        wholly below 1, the gains mirrored, "held" when it lies within
        ``[1 - margin, 1 / (1 - margin)]`` and holds 1, else "not resolved".
    """
    least = 1 - margin
    if high < 1:
        return "clear loss" if high < least else "some loss"
    if low > 1:
        return "clear gain" if low > 1 / least else "some gain"
    if low >= least and high <= 1 / least:
        return "held"
    return "not resolved"


def sidak_level(level: float, count: int) -> float:
    """Level of each of several intervals so that all hold together with the wanted level.

    Parameters
    ----------
    level : float
        Level for the whole family, 0 < level < 1.
    count : int
        Number of intervals, >= 1.

    Returns
    -------
    float
        ``level ** (1 / count)``.

    References
    ----------
    Z. Sidak, Journal of the American Statistical Association 62 (1967) 626-633.
    """
    _check_share("level", level)
    if count < 1:
        raise CannotCompare(f"A family needs at least one interval, but got {count}.")
    return float(level ** (1.0 / count))


def compare(  # noqa: PLR0913  the options are the declared choices of a study
    baseline: Sequence[Interval],
    other: Sequence[Interval],
    *,
    higher_is_better: bool = True,
    margin: float = 0.1,
    level: float = 0.95,
    record: Record | None = None,
    scale: str = "auto",
    distribution: str = "lognormal",
) -> Comparison:
    """Compare an arm of specimens with its baseline.

    Parameters
    ----------
    baseline, other : sequence of Interval, length >= 1
        One interval per specimen, all in one unit.
    higher_is_better : bool
        False for quantities such as water uptake or transmitted force.
    margin : float
        Loss that matters, as a share, 0 < margin < 1.
    level : float
        Level of the interval, 0.5 <= level <= 0.9999.
    record : Record or None
        Scatter the method has shown before, in the same sense as the scatter in the arms.
    scale : str
        How the scatters of the arms are tied: "linked", "separate", "pooled", or "auto": linked
        when neither arm has more than 1.5 times the other's specimens, or when an arm has fewer
        than two readings with both ends and there is no record; separate otherwise.
    distribution : str
        "lognormal" or "weibull".

    Returns
    -------
    Comparison

    Raises
    ------
    CannotCompare
        If an arm is empty or says nothing, or an option is out of its range.

    Examples
    --------
    Both arms held at 2.5 J and failed at 5 J, three specimens each:

    >>> from reports.degradation import Interval, compare
    >>> found = compare([Interval(2.5, 5)] * 3, [Interval(2.5, 5)] * 3)
    >>> round(found.low, 2), round(found.high, 2), found.verdict
    (0.5, 2.0, 'not resolved')
    >>> round(found.smallest_visible_loss, 2)
    0.5
    """
    return compare_many(
        [(baseline, other)],
        higher_is_better=higher_is_better,
        margin=margin,
        level=level,
        record=record,
        scale=scale,
        distribution=distribution,
    )[0]


def compare_many(  # noqa: PLR0913  as in compare
    pairs: Sequence[tuple[Sequence[Interval], Sequence[Interval]]],
    *,
    higher_is_better: bool = True,
    margin: float = 0.1,
    level: float = 0.95,
    record: Record | Sequence[Record | None] | None = None,
    scale: str = "auto",
    distribution: str = "lognormal",
) -> list[Comparison]:
    """Compare many pairs of arms at once; the numbers are those of ``compare`` one by one.

    Parameters
    ----------
    pairs : sequence of (baseline, other), length P
    record : Record, None, or a sequence of them of length P
    higher_is_better, margin, level, scale, distribution
        As in ``compare``, for all pairs.

    Returns
    -------
    list of Comparison, length P
    """
    _check_share("margin", margin)
    if not 0.5 <= level <= 0.9999:
        raise CannotCompare(f"The level must be between 0.5 and 0.9999, but is {level}.")
    if scale not in SCALES:
        raise CannotCompare(f"The scale must be one of {', '.join(SCALES)}, but is {scale!r}.")
    if distribution not in LAWS:
        raise CannotCompare(
            f"The distribution must be one of {', '.join(LAWS)}, but is {distribution!r}."
        )
    records = _one_each(record, len(pairs))
    cases = [
        _prepare(baseline, other, its_record, scale)
        for (baseline, other), its_record in zip(pairs, records, strict=True)
    ]
    law = LAWS[distribution]
    quantiles = _solve_all(cases, law, level)
    settings = _Settings(higher_is_better, margin, level, distribution)
    return [_finish(case, q, settings) for case, q in zip(cases, quantiles, strict=True)]


@dataclass(frozen=True, slots=True)
class _Settings:
    higher_is_better: bool
    margin: float
    level: float
    distribution: str


@dataclass(frozen=True, slots=True)
class _Case:
    """A pair of arms with the way its scatter is tied, or the reason for giving no interval."""

    problem: Problem
    refusal: str
    left_out: int

    @property
    def is_bounded(self) -> bool:
        """False when there is nothing to integrate: refused, or open at both ends."""
        return not self.refusal and not self.is_open_throughout

    @property
    def is_open_throughout(self) -> bool:
        return (
            self.problem.baseline.is_open
            and self.problem.other.is_open
            and (self.problem.record is None or (self.lower_is_open and self.upper_is_open))
        )

    @property
    def upper_is_open(self) -> bool:
        """No upper end of ``mu_other - mu_baseline``."""
        return self.problem.other.is_open_above or self.problem.baseline.is_open_below

    @property
    def lower_is_open(self) -> bool:
        return self.problem.other.is_open_below or self.problem.baseline.is_open_above


def _check_share(name: str, value: float) -> None:
    if not 0 < value < 1:
        raise CannotCompare(f"The {name} must lie between 0 and 1, but is {value}.")


def _one_each(
    record: Record | Sequence[Record | None] | None, count: int
) -> Sequence[Record | None]:
    if record is None or isinstance(record, Record):
        return [record] * count
    if len(record) != count:
        raise CannotCompare(f"There must be one record for each of {count} pairs.")
    return record


def _prepare(
    baseline: Sequence[Interval], other: Sequence[Interval], record: Record | None, scale: str
) -> _Case:
    arms = read_arm(baseline), read_arm(other)
    if arms[0] is None or arms[1] is None:
        name = "baseline" if arms[0] is None else "other"
        raise CannotCompare(f"No specimen of the {name} arm has a reading that says anything.")
    left_out = len(baseline) + len(other) - arms[0].count - arms[1].count
    tie, refusal = _choose_tie(arms[0], arms[1], record, scale)
    return _Case(Problem(arms[0], arms[1], tie, record), refusal, left_out)


def _choose_tie(baseline: Arm, other: Arm, record: Record | None, scale: str) -> tuple[str, str]:
    """How the scatters are tied, and why no interval can be given, if so."""
    arms = baseline, other
    if min(arm.count for arm in arms) == 1:
        return ("record", "") if record else ("none", REFUSE_ONE_SPECIMEN)
    equal = [arm.has_equal_exact for arm in arms]
    if scale == "auto":
        scale = "separate" if any(equal) else _auto_scale(baseline, other, record)
    if any(equal):
        known = record is not None and scale != "linked"
        shown = scale == "pooled" and any(
            arm.common_width is None or 0 < arm.common_width < math.inf
            for arm, e in zip(arms, equal, strict=True)
            if not e
        )
        if not known and not shown:
            return "none", REFUSE_EQUAL
    if scale == "separate" and record is None and any(arm.is_open for arm in arms):
        return "none", REFUSE_OPEN_ARM
    return scale, ""


def _auto_scale(baseline: Arm, other: Arm, record: Record | None) -> str:
    counts = sorted((baseline.count, other.count))
    if counts[1] <= LIKE_SIZE_RATIO * counts[0]:
        return "linked"
    if record is None and min(baseline.bounded_count, other.bounded_count) < 2:
        return "linked"
    return "separate"


def _solve_all(cases: list[_Case], law: Law, level: float) -> list[tuple[float, float, float]]:
    """Low end, median and high end of ``mu_other - mu_baseline`` for every case."""
    tail = (1 - level) / 2
    found: list[tuple[float, float, float]] = [(-math.inf, math.nan, math.inf)] * len(cases)
    ties: dict[str, list[int]] = {}
    for row, case in enumerate(cases):
        if not case.is_bounded:
            continue
        closed = _closed_form(case.problem, law, tail)
        if closed is None:
            ties.setdefault(case.problem.tie, []).append(row)
        else:
            found[row] = closed
    for rows in ties.values():
        solved = difference_quantiles(
            [cases[row].problem for row in rows], law, (tail, 0.5, 1 - tail)
        )
        for row, (low, middle, high) in zip(rows, solved.tolist(), strict=True):
            found[row] = (low, middle, high)
    _span_midpoints(cases, found, law, tail)
    return found


def _span_midpoints(
    cases: list[_Case], found: list[tuple[float, float, float]], law: Law, tail: float
) -> None:
    """Widen intervals from coarse readings to those of the same readings taken at their middles.

    Coarse brackets let the likelihood explain scatter as rounding, and with a few specimens it
    does so too readily: a blunter instrument would then give a narrower interval.
    """
    sharp: dict[str, list[tuple[int, Problem]]] = {}
    for row, case in enumerate(cases):
        if not case.is_bounded or case.problem.tie == "record":
            continue
        if all(arm.is_fine for arm in case.problem.arms):
            continue
        baseline, other = (at_middles(arm) for arm in case.problem.arms)
        if baseline is None or other is None:
            continue
        problem = Problem(baseline, other, case.problem.tie, case.problem.record)
        closed = _closed_form(problem, law, tail)
        if closed is None:
            sharp.setdefault(problem.tie, []).append((row, problem))
        else:
            found[row] = _hull(found[row], closed[0], closed[2])
    for rows in sharp.values():
        solved = difference_quantiles([problem for _, problem in rows], law, (tail, 1 - tail))
        for (row, _), (low, high) in zip(rows, solved.tolist(), strict=True):
            found[row] = _hull(found[row], low, high)


def _hull(found: tuple[float, float, float], low: float, high: float) -> tuple[float, float, float]:
    return min(found[0], low), found[1], max(found[2], high)


def _closed_form(problem: Problem, law: Law, tail: float) -> tuple[float, float, float] | None:
    """Student's t: exact readings whose two arms share one scatter.

    The same integral as the quadrature, done by hand; degrees of freedom and sums of squares of
    the arms and of the record add up.
    """
    shares_scatter = problem.tie in ("pooled", "record")
    has_width = any(arm.groups for arm in problem.arms)
    if not shares_scatter or has_width or not law.has_sufficient_moments:
        return None
    counts, means, squares = [], [], []
    for arm in problem.arms:
        values, weights = np.array(arm.exact, dtype=np.float64).T
        count = float(np.sum(weights))
        mean = float(np.sum(weights * values)) / count
        counts.append(count)
        means.append(mean)
        squares.append(float(np.sum(weights * (values - mean) ** 2)))
    freedom, total = 0.0, 0.0
    if problem.tie == "pooled":
        freedom, total = sum(counts) - 2, sum(squares)
    if problem.record is not None:
        freedom += problem.record.degrees_of_freedom
        total += problem.record.degrees_of_freedom * problem.record.variance
    error = math.sqrt(total / freedom * (1 / counts[0] + 1 / counts[1]))
    reach = -float(stdtrit(freedom, tail)) * error
    middle = means[1] - means[0]
    return middle - reach, middle, middle + reach


def _finish(case: _Case, found: tuple[float, float, float], settings: _Settings) -> Comparison:
    problem = case.problem
    baseline, other = problem.arms
    low, middle, high = found
    notes = [NOTE_LEFT_OUT.format(count=case.left_out)] if case.left_out else []
    estimate: float | None = middle
    if case.refusal:
        estimate = _plain_ratio(baseline, other)
    elif case.is_open_throughout:
        estimate = None
        notes.append(NOTE_BOTH_OPEN)
    else:
        if case.lower_is_open or case.upper_is_open:
            estimate = None
        if is_scatter_unlimited(problem):
            notes.append(NOTE_SCATTER_CEILING)
        low, high, note = _widen(case, low, high)
        notes.extend(note)
    return _turn(case, (low, estimate, high), settings, notes)


def _plain_ratio(baseline: Arm, other: Arm) -> float | None:
    if baseline.middle is None or other.middle is None:
        return None
    return other.middle - baseline.middle


def _widen(case: _Case, low: float, high: float) -> tuple[float, float, list[str]]:
    """Open the ends the readings do not give, and span what the steps leave undecided.

    When every reading of both arms can be true without any scatter, the data cannot tell one
    ratio from another inside the bounds of the brackets, and no share of that stretch may be
    called unlikely: the interval spans it whole.
    """
    baseline, other = case.problem.arms
    notes: list[str] = []
    if baseline.common_width is not None and other.common_width is not None:
        least = other.log_low - baseline.log_high
        most = other.log_high - baseline.log_low
        if least <= low and most >= high:
            notes.append(NOTE_STEPS_BOUND)
        low, high = min(low, least), max(high, most)
    return (
        -math.inf if case.lower_is_open else low,
        math.inf if case.upper_is_open else high,
        notes,
    )


def _turn(
    case: _Case,
    found: tuple[float, float | None, float],
    settings: _Settings,
    notes: list[str],
) -> Comparison:
    """From the log difference to retention, turned so that below 1 is worse."""
    low, middle, high = found
    if not settings.higher_is_better:
        low, high = -high, -low
        middle = None if middle is None else -middle
    if not case.refusal:
        if math.isinf(high):
            notes.append(NOTE_NO_UPPER_END)
        if math.isinf(low):
            notes.append(NOTE_NO_LOWER_END)
    retention = None if middle is None else from_log(middle)
    ends = from_log(low), from_log(high)
    visible = None
    if middle is not None and math.isfinite(ends[1]) and not case.refusal:
        visible = -math.expm1(min(0.0, middle - high))
    baseline, other = case.problem.arms
    return Comparison(
        retention=retention,
        low=ends[0],
        high=ends[1],
        verdict="not resolved" if case.refusal else verdict_of(*ends, settings.margin),
        smallest_visible_loss=visible,
        refusal=case.refusal,
        scope=THESE_ITEMS if min(baseline.count, other.count) == 1 else THIS_MODEL,
        scale=case.problem.tie,
        level=settings.level,
        margin=settings.margin,
        n_baseline=baseline.count,
        n_other=other.count,
        distribution=settings.distribution,
        notes=tuple(notes),
    )
