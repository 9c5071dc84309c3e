"""Ordinal grades given by raters: two arms compared, and how far the raters agree.

A grade is a place on an ordered scale, not an amount. Nothing here adds grades up or averages
them: specimens are described by medians and counts, arms are compared by the chance that a
specimen of one is graded worse than a specimen of the other, and agreement is Krippendorff's
alpha with its ordinal difference.

References
----------
.. [1] E. Brunner and U. Munzel, "The nonparametric Behrens-Fisher problem: asymptotic theory and
       a small-sample approximation", Biometrical Journal 42 (2000) 17-25.
.. [2] K. Neubert and E. Brunner, "A studentized permutation test for the non-parametric
       Behrens-Fisher problem", Computational Statistics & Data Analysis 51 (2007) 5192-5204.
.. [3] E. L. Lehmann, Nonparametrics: Statistical Methods Based on Ranks (1975), sections 1.2
       and 1.4: exact rank-sum distribution, midranks for ties.
.. [4] K. Krippendorff, Content Analysis, 3rd edition (2013), section 11.3: coincidences, ordinal
       difference, missing values; sections 11.4.3 and 11.4.4 for the reading of alpha.
.. [5] M. G. Kendall and B. Babington Smith, "The problem of m rankings", Annals of Mathematical
       Statistics 10 (1939) 275-287: W, with the correction for ties.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy import special, stats

Metric = Literal["nominal", "ordinal", "interval"]
GradeVerdict = Literal["graded worse", "graded better", "not resolved"]

# Below this many specimens in either arm the p value is exact and no interval is given: the
# t approximation of [1] is stated by its authors for ten or more a side.
EXACT_BELOW = 10

# Krippendorff [4], section 11.4.4: data below 0.667 are not to be relied on, data from 0.800 up
# may be; between them only tentative conclusions.
ALPHA_TENTATIVE = 0.667
ALPHA_RELIABLE = 0.800

# An interval is withheld when more than this share of resamples had one grade only, because such
# resamples have no defined alpha and leaving them out would tilt the interval.
UNDEFINED_SHARE_ALLOWED = 0.05

# No scale of damage has more places; numbers far beyond would not fit in an array of whole numbers.
LARGEST_GRADE = 1000

# Two units resampled with replacement give three different data sets: no interval is honest there.
UNITS_FOR_INTERVAL = 3


@dataclass(frozen=True)
class Agreement:
    """How far raters agree about the same units.

    Attributes
    ----------
    alpha : float or None
        Krippendorff's alpha: 1 is perfect agreement, 0 is what chance gives, below 0 is worse than
        chance. None when it is not defined; `refusal` then says why.
    low, high : float or None
        Percentile bootstrap interval over units. None when withheld; `interval_refusal` says why.
    level : float
        Level of the interval.
    unit_count, rater_count, rating_count : int
        Units with two or more ratings, raters, and ratings in those units.
    metric : str
        Difference between grades: ordinal unless asked otherwise.
    refusal, interval_refusal : str
        A sentence, or "" when there is nothing to refuse.
    """

    alpha: float | None
    low: float | None
    high: float | None
    level: float
    unit_count: int
    rater_count: int
    rating_count: int
    metric: Metric
    refusal: str
    interval_refusal: str

    @property
    def words(self) -> str:
        """One sentence for a reader."""
        if self.alpha is None:
            return self.refusal
        if self.alpha >= ALPHA_RELIABLE:
            reading = "good enough to rely on"
        elif self.alpha >= ALPHA_TENTATIVE:
            reading = "good enough for tentative statements only"
        else:
            reading = "too low to rely on"
        between = (
            f" ({self.low:.2f} to {self.high:.2f})"
            if self.low is not None and self.high is not None
            else ""
        )
        return (
            f"Agreement among {self.rater_count} raters over {self.unit_count} items: "
            f"Krippendorff's alpha {self.alpha:.2f}{between}, {reading}."
        )


@dataclass(frozen=True)
class GradedArm:
    """What one arm was graded, without an average anywhere.

    Attributes
    ----------
    specimen_count : int
        Specimens with at least one grade.
    specimen_medians : tuple of (int, int)
        Lower and upper median of each graded specimen's ratings, in the order given; the two
        differ only where an even number of raters disagree about the middle.
    median : tuple of (int, int)
        Lower and upper median of the arm: of the lower and of the upper specimen medians.
    rating_counts : tuple of (int, int)
        Grade and how often it was given, all raters together, in the order of the scale.
    """

    specimen_count: int
    specimen_medians: tuple[tuple[int, int], ...]
    median: tuple[int, int] | None
    rating_counts: tuple[tuple[int, int], ...]

    @property
    def median_words(self) -> str:
        """The median grade, or both middle grades."""
        if self.median is None:
            return "not graded"
        low, high = self.median
        return str(low) if low == high else f"{low} to {high}"


@dataclass(frozen=True)
class GradeComparison:
    """Two arms of graded specimens.

    Attributes
    ----------
    baseline, other : GradedArm
    probability_worse : float or None
        P(other graded worse) + P(same grade) / 2 on specimen medians, 0 to 1. One half means no
        difference. None when an arm has no graded specimen.
    low, high : float or None
        Interval of that probability [1]_, from ten specimens a side up; None below, and None
        where the two arms do not overlap at all.
    p_value : float or None
        Two-sided: complete enumeration below ten specimens in either arm, [1]_ above.
    smallest_possible_p : float or None
        The smallest exact p that so many specimens can give, whatever their grades.
    test : str
        "exact permutation", "Brunner-Munzel" or "".
    verdict : str
        "graded worse", "graded better" or "not resolved".
    level : float
    agreement : Agreement
        Over all specimens of both arms.
    refusal : str
        Why nothing is claimed, or "".
    notes : tuple of str
        Sentences for the reader.
    """

    baseline: GradedArm
    other: GradedArm
    probability_worse: float | None
    low: float | None
    high: float | None
    p_value: float | None
    smallest_possible_p: float | None
    test: str
    verdict: GradeVerdict
    level: float
    agreement: Agreement
    refusal: str
    notes: tuple[str, ...]

    def worse_words(self, *, other_label: str = "worn", baseline_label: str = "new") -> str:
        """The comparison in one sentence."""
        if self.probability_worse is None:
            return self.refusal
        between = (
            f" ({self.low:.2f} to {self.high:.2f})"
            if self.low is not None and self.high is not None
            else ""
        )
        p_words = ""
        if self.p_value is not None:
            p_words = f", {self.test} p {_p_text(self.p_value)}"
            if (
                self.test == "exact permutation"
                and self.smallest_possible_p is not None
                and math.isclose(self.p_value, self.smallest_possible_p)
            ):
                p_words += (
                    f", the smallest possible for {self.other.specimen_count} "
                    f"against {self.baseline.specimen_count}"
                )
        return (
            f"Chance that a {other_label} item is graded worse than a {baseline_label} one: "
            f"{self.probability_worse:.2f}{between}{p_words}."
        )


def compare_grades(
    baseline: Sequence[Sequence[int | None]],
    other: Sequence[Sequence[int | None]],
    *,
    rng: np.random.Generator,
    level: float = 0.95,
    higher_is_better: bool = False,
    resamples: int = 2000,
) -> GradeComparison:
    """Compare two arms of specimens graded by the same raters.

    Parameters
    ----------
    baseline, other : sequence of sequence of int or None
        One inner sequence per specimen; position is the rater, the same in both arms. None where
        that rater gave no grade. Whole numbers in the order of the scale, of any sign.
    rng : numpy.random.Generator
        Source of the bootstrap of the agreement; the same state gives the same numbers.
    level : float
        Between 0 and 1, exclusive.
    higher_is_better : bool
        False when 1 is the best grade, as on most damage scales.
    resamples : int
        Bootstrap resamples for the agreement, 100 or more.

    Returns
    -------
    GradeComparison

    Raises
    ------
    ValueError
        A grade that is not a whole number, a specimen with more ratings than another has places,
        or a level or number of resamples out of range.

    Notes
    -----
    A specimen is one unit however many people looked at it. It is ranked by its median; where an
    even number of raters leave two middle grades it ranks between the specimens at either of
    them, which uses order only.

    The exact p value looks at all ways of dealing the specimens into two arms of these sizes: the
    share whose rank sum, with midranks for ties, is at least as high as the one seen and the
    share at least as low; twice the smaller of the two, at most 1 [3]_. All ways are counted, none
    sampled. With arms of equal size this is also the share at least as far from the middle.
    """
    _check_level(level)
    _check_resamples(resamples)
    baseline_rows = _checked(baseline)
    other_rows = _checked(other)
    rater_count = max((len(row) for row in (*baseline_rows, *other_rows)), default=0)
    every_row = [
        tuple(row) + (None,) * (rater_count - len(row)) for row in (*baseline_rows, *other_rows)
    ]
    agreement = krippendorff_alpha(every_row, rng=rng, level=level, resamples=resamples)
    baseline_arm, other_arm = _arm(baseline_rows), _arm(other_rows)
    notes = _left_out_notes(baseline_rows, "baseline") + _left_out_notes(other_rows, "other")

    n_baseline, n_other = baseline_arm.specimen_count, other_arm.specimen_count
    if min(n_baseline, n_other) == 0:
        return GradeComparison(
            baseline=baseline_arm,
            other=other_arm,
            probability_worse=None,
            low=None,
            high=None,
            p_value=None,
            smallest_possible_p=None,
            test="",
            verdict="not resolved",
            level=level,
            agreement=agreement,
            refusal="One of the arms has no graded item, so there is nothing to compare.",
            notes=notes,
        )

    sign = -1 if higher_is_better else 1
    # Twice the mid grade, so that it stays a whole number; only its order is used.
    x = np.array([sign * (low + high) for low, high in baseline_arm.specimen_medians])
    y = np.array([sign * (low + high) for low, high in other_arm.specimen_medians])
    exact = min(n_baseline, n_other) < EXACT_BELOW
    smallest = min(1.0, 2 / math.comb(n_baseline + n_other, n_other))
    munzel = _brunner_munzel(x, y, level)
    if exact:
        p_value, test, low, high = _exact_p(x, y), "exact permutation", None, None
    elif munzel is None:
        # The estimated variance is nothing only when all medians are equal or no two overlap.
        all_equal = bool(x[0] == y[0])
        p_value, test, low, high = 1.0 if all_equal else smallest, "exact permutation", None, None
        reason = "All items have the same grade" if all_equal else "The two arms share no grade"
        notes += (
            f"{reason}, so no interval can be worked out for the chance of being graded worse.",
        )
    else:
        p_value, low, high = munzel
        test = "Brunner-Munzel"

    probability_worse = _probability_worse(x, y)
    refusal = ""
    if exact and smallest > 1 - level:
        refusal = (
            f"{n_other} against {n_baseline} items are too few: whatever their grades, p could "
            f"not fall below {_p_text(smallest)}, so no difference is claimed."
        )
    verdict: GradeVerdict = "not resolved"
    if not refusal and p_value <= 1 - level:
        verdict = "graded worse" if probability_worse > 0.5 else "graded better"
    return GradeComparison(
        baseline=baseline_arm,
        other=other_arm,
        probability_worse=probability_worse,
        low=low,
        high=high,
        p_value=p_value,
        smallest_possible_p=smallest,
        test=test,
        verdict=verdict,
        level=level,
        agreement=agreement,
        refusal=refusal,
        notes=notes,
    )


def krippendorff_alpha(
    ratings: Sequence[Sequence[int | None]],
    *,
    rng: np.random.Generator,
    metric: Metric = "ordinal",
    level: float = 0.95,
    resamples: int = 2000,
) -> Agreement:
    """Krippendorff's alpha with missing ratings and a bootstrap interval over units.

    Parameters
    ----------
    ratings : sequence of sequence of int or None
        One inner sequence per unit (specimen), one place per rater, None where a rating is
        missing. Units with fewer than two ratings carry no information and are set aside.
    rng : numpy.random.Generator
        Source of the resampling.
    metric : {"ordinal", "nominal", "interval"}
        Squared difference between two grades: by ranks between them, equal or not, or by distance.
    level : float
        Level of the interval, between 0 and 1.
    resamples : int
        100 or more.

    Returns
    -------
    Agreement

    Raises
    ------
    ValueError
        A rating that is not a whole number, an unknown metric, or a level or number of resamples
        out of range.

    Notes
    -----
    With n_uc ratings of grade c in unit u, n_u in all, the coincidences are
    o_ck = sum_u n_uc (n_uk - [c = k]) / (n_u - 1), n_c = sum_k o_ck, n = sum_c n_c, and
    alpha = 1 - (n - 1) sum_ck o_ck d2_ck / sum_ck n_c n_k d2_ck, where for ordinal grades
    d_ck = sum of n_g for g from c to k, less (n_c + n_k) / 2 [4]_.

    The interval resamples whole units with replacement, so it speaks of other items graded by
    raters like these. Resamples with one grade only have no alpha; when more than 5 % are so the
    interval is withheld. With few units it is too narrow, as percentile intervals are.
    """
    _check_level(level)
    _check_resamples(resamples)
    if metric not in ("nominal", "ordinal", "interval"):
        raise ValueError(f"The metric must be nominal, ordinal or interval, not {metric!r}.")
    rows = _checked(ratings)
    units = [[g for g in row if g is not None] for row in rows]
    units = [unit for unit in units if len(unit) >= 2]
    rater_count = max((len(row) for row in rows), default=0)
    rating_count = sum(len(unit) for unit in units)
    grades = sorted({grade for unit in units for grade in unit})

    def answer(
        alpha: float | None = None,
        *,
        interval: tuple[float, float] | None = None,
        refusal: str = "",
        interval_refusal: str = "",
    ) -> Agreement:
        return Agreement(
            alpha=alpha,
            low=None if interval is None else interval[0],
            high=None if interval is None else interval[1],
            level=level,
            unit_count=len(units),
            rater_count=rater_count,
            rating_count=rating_count,
            metric=metric,
            refusal=refusal,
            interval_refusal=interval_refusal or refusal,
        )

    if not units:
        return answer(refusal="No item was graded by two raters, so agreement is not known.")
    if len(grades) == 1:
        return answer(
            refusal="Every rating is the same grade: the raters never had to tell two grades "
            "apart, so agreement cannot be judged."
        )

    per_unit = _coincidences_per_unit(units, grades)
    places = np.array(grades, dtype=float)
    alpha = float(_alphas(per_unit.sum(axis=0)[None], places, metric)[0])
    if len(units) < UNITS_FOR_INTERVAL:
        return answer(
            alpha,
            interval_refusal=f"{len(units)} items are too few for an interval of the agreement.",
        )
    weights = rng.multinomial(len(units), np.full(len(units), 1 / len(units)), size=resamples)
    summed = np.tensordot(weights.astype(float), per_unit, axes=(1, 0))
    resampled = _alphas(summed, places, metric)
    defined = resampled[~np.isnan(resampled)]
    if defined.size < (1 - UNDEFINED_SHARE_ALLOWED) * resamples:
        return answer(
            alpha,
            interval_refusal="Nearly all ratings are the same grade, so no interval of the "
            "agreement can be worked out.",
        )
    low, high = np.quantile(defined, [(1 - level) / 2, (1 + level) / 2])
    return answer(alpha, interval=(float(low), float(high)))


def kendall_concordance(ratings: Sequence[Sequence[int | None]]) -> float | None:
    """Kendall's W: do the raters put the specimens in one order?

    Parameters
    ----------
    ratings : sequence of sequence of int or None
        One inner sequence per specimen, one place per rater. Specimens that some rater did not
        grade are set aside.

    Returns
    -------
    float or None
        0 for no common order to 1 for one order; None with fewer than two raters or two completely
        graded specimens, or where every rater gave all specimens one grade.

    Raises
    ------
    ValueError
        A rating that is not a whole number.

    Notes
    -----
    With m raters, n specimens, rank sums R_i and T the sum of t^3 - t over all groups of t ties of
    all raters, W = 12 sum (R_i - mean)^2 / (m^2 (n^3 - n) - m T) [5]_. Unlike alpha it does not
    mind a rater who is stricter than the others throughout.
    """
    rows = _checked(ratings)
    rater_count = max((len(row) for row in rows), default=0)
    complete = [[g for g in row if g is not None] for row in rows]
    grades = np.array([row for row in complete if len(row) == rater_count], dtype=int)
    if rater_count < 2 or len(grades) < 2:
        return None
    count = len(grades)
    sums = stats.rankdata(grades, axis=0).sum(axis=1)
    ties = sum(t**3 - t for rater in grades.T for t in Counter(rater.tolist()).values())
    possible = rater_count**2 * (count**3 - count) - rater_count * ties
    if possible == 0:
        return None
    return float(12 * ((sums - sums.mean()) ** 2).sum() / possible)


def specimens_to_rerate(
    arms: Mapping[str, Sequence[Sequence[int | None]]], *, spread: int = 2
) -> dict[str, tuple[int, ...]]:
    """Positions of the specimens whose ratings are `spread` or more grades apart.

    The rule is applied to every arm alike, so an inconvenient specimen cannot be picked out.

    Parameters
    ----------
    arms : mapping of arm name to sequence of sequence of int or None
    spread : int
        Difference between the highest and lowest rating that asks for a second look, 1 or more.

    Returns
    -------
    dict of arm name to tuple of int
        Zero-based positions, every arm present.

    Raises
    ------
    ValueError
        A spread below 1 or a rating that is not a whole number.
    """
    if spread < 1:
        raise ValueError(f"The spread must be at least 1 grade, not {spread}.")
    found: dict[str, tuple[int, ...]] = {}
    for name, specimens in arms.items():
        rows = [[g for g in row if g is not None] for row in _checked(specimens)]
        found[name] = tuple(
            at for at, row in enumerate(rows) if row and max(row) - min(row) >= spread
        )
    return found


def _check_level(level: float) -> None:
    if not 0 < level < 1:
        raise ValueError(f"The level must lie between 0 and 1, not {level}.")


def _check_resamples(resamples: int) -> None:
    if resamples < 100:
        raise ValueError(f"The number of resamples must be at least 100, not {resamples}.")


def _checked(rows: Sequence[Sequence[int | None]]) -> list[tuple[int | None, ...]]:
    for row in rows:
        for grade in row:
            if grade is None:
                continue
            if isinstance(grade, bool) or not isinstance(grade, (int, np.integer)):
                raise ValueError(f"A grade must be a whole number, not {grade!r}.")
            if abs(int(grade)) > LARGEST_GRADE:
                raise ValueError(f"A grade is a place on a scale: at most {LARGEST_GRADE}.")
    return [tuple(None if g is None else int(g) for g in row) for row in rows]


def _middle(values: Sequence[int]) -> tuple[int, int]:
    """Lower and upper median."""
    ordered = sorted(values)
    return ordered[(len(ordered) - 1) // 2], ordered[len(ordered) // 2]


def _arm(rows: Sequence[tuple[int | None, ...]]) -> GradedArm:
    given = [[g for g in row if g is not None] for row in rows]
    medians = tuple(_middle(grades) for grades in given if grades)
    counts = Counter(g for grades in given for g in grades)
    median = None
    if medians:
        median = (
            _middle([low for low, _ in medians])[0],
            _middle([high for _, high in medians])[1],
        )
    return GradedArm(
        specimen_count=len(medians),
        specimen_medians=medians,
        median=median,
        rating_counts=tuple(sorted(counts.items())),
    )


def _left_out_notes(rows: Sequence[tuple[int | None, ...]], arm: str) -> tuple[str, ...]:
    left_out = sum(all(g is None for g in row) for row in rows)
    if not left_out:
        return ()
    items = "1 item" if left_out == 1 else f"{left_out} items"
    return (f"{items} of the {arm} arm had no grade and could not be used.",)


def _p_text(p_value: float) -> str:
    return "below 0.0001" if p_value < 0.0001 else f"{p_value:.2g}"


def _probability_worse(x: npt.NDArray[np.int_], y: npt.NDArray[np.int_]) -> float:
    ordered = np.sort(x)
    below = np.searchsorted(ordered, y, side="left")
    up_to = np.searchsorted(ordered, y, side="right")
    return float((below + up_to).sum() / (2 * x.size * y.size))


def _exact_p(x: npt.NDArray[np.int_], y: npt.NDArray[np.int_]) -> float:
    """Two-sided permutation p of the rank sum, every division counted [3]_.

    The divisions are counted class of ties by class of ties: dealing j of the c specimens that
    share a midrank into the smaller arm can be done in c-over-j ways. Whole-number arithmetic
    throughout, so the count is exact.
    """
    small = min(x, y, key=len)
    total = x.size + y.size
    doubled = np.rint(2 * stats.rankdata(np.concatenate([x, y]))).astype(int)
    at_small = doubled[: x.size] if small is x else doubled[x.size :]
    seen = int(at_small.sum())
    ways: dict[tuple[int, int], int] = {(0, 0): 1}
    for rank, size in sorted(Counter(doubled.tolist()).items()):
        grown: defaultdict[tuple[int, int], int] = defaultdict(int)
        for (taken, rank_sum), count in ways.items():
            for more in range(min(size, small.size - taken) + 1):
                key = (taken + more, rank_sum + more * rank)
                grown[key] += count * math.comb(size, more)
        ways = grown
    dealt = {rank_sum: count for (taken, rank_sum), count in ways.items() if taken == small.size}
    at_most = sum(count for rank_sum, count in dealt.items() if rank_sum <= seen)
    at_least = sum(count for rank_sum, count in dealt.items() if rank_sum >= seen)
    return min(1.0, 2 * min(at_most, at_least) / math.comb(total, small.size))


def _brunner_munzel(
    x: npt.NDArray[np.int_], y: npt.NDArray[np.int_], level: float
) -> tuple[float, float, float] | None:
    """Two-sided p and interval of P(x < y) + P(x = y) / 2, small-sample t [1]_.

    None when the estimated variance is nothing (no overlap at all) or an arm has one specimen.
    """
    if min(x.size, y.size) < 2:
        return None
    together = stats.rankdata(np.concatenate([x, y]))
    # Placement of each specimen among the other arm: overall rank less rank within its own arm.
    place_x = together[: x.size] - stats.rankdata(x)
    place_y = together[x.size :] - stats.rankdata(y)
    part_x = place_x.var(ddof=1) / (x.size * y.size**2)
    part_y = place_y.var(ddof=1) / (y.size * x.size**2)
    variance = part_x + part_y
    if variance == 0:
        return None
    error = math.sqrt(variance)
    freedom = variance**2 / (part_x**2 / (x.size - 1) + part_y**2 / (y.size - 1))
    estimate = _probability_worse(x, y)
    p_value = float(2 * special.stdtr(freedom, -abs(estimate - 0.5) / error))
    reach = float(special.stdtrit(freedom, (1 + level) / 2)) * error
    return p_value, max(0.0, estimate - reach), min(1.0, estimate + reach)


def _coincidences_per_unit(
    units: Sequence[Sequence[int]], grades: Sequence[int]
) -> npt.NDArray[np.float64]:
    """Coincidence matrix of every unit: shape (units, grades, grades)."""
    place = {grade: at for at, grade in enumerate(grades)}
    counts = np.zeros((len(units), len(grades)))
    for at, unit in enumerate(units):
        for grade in unit:
            counts[at, place[grade]] += 1
    pairs = counts[:, :, None] * counts[:, None, :]
    pairs -= counts[:, :, None] * np.eye(len(grades))
    per_unit: npt.NDArray[np.float64] = pairs / (counts.sum(axis=1) - 1)[:, None, None]
    return per_unit


def _alphas(
    coincidences: npt.NDArray[np.float64], places: npt.NDArray[np.float64], metric: Metric
) -> npt.NDArray[np.float64]:
    """Alpha of each coincidence matrix of a stack; nan where only one grade occurs."""
    totals = coincidences.sum(axis=2)
    count = totals.sum(axis=1)
    if metric == "ordinal":
        # Twice the rank distance: the totals strictly between c and k, twice, plus both ends.
        running = np.cumsum(totals, axis=1) - totals / 2
        difference = running[:, :, None] - running[:, None, :]
    elif metric == "interval":
        difference = (places[:, None] - places[None, :])[None]
    else:
        difference = 1 - np.eye(places.size)[None]
    squared = difference**2
    observed = (coincidences * squared).sum(axis=(1, 2))
    expected = (totals[:, :, None] * totals[:, None, :] * squared).sum(axis=(1, 2))
    alphas = np.full(count.shape, np.nan)
    varied = expected > 0
    alphas[varied] = 1 - (count[varied] - 1) * observed[varied] / expected[varied]
    return alphas
