"""The record of a method: how much its readings scatter, learnt from earlier work.

Three scatters, as variances on the natural-log scale with their degrees of freedom: between
readings of one session (repeatability), between sessions, and between specimens of one kind. They
come from control runs (the same material read again and again) and from the arms of earlier
studies. A single worn specimen against a single new one can be judged by such a record only.

References
----------
.. [1] ISO 5725-2:2019, Accuracy of measurement methods and results, part 2: basic method for the
       determination of repeatability and reproducibility (one-way analysis, unbalanced cells).
.. [2] ASTM E691, Standard practice for conducting an interlaboratory study to determine the
       precision of a test method: h and k statistics, negative component put to 0.
.. [3] F. E. Satterthwaite, "An approximate distribution of estimates of variance components",
       Biometrics Bulletin 2 (1946) 110-114.
.. [4] S. R. Searle, G. Casella and C. E. McCulloch, Variance Components (1992), chapter 3:
       the n0 of unbalanced one-way data.
.. [5] A. P. Dempster, N. M. Laird and D. B. Rubin, "Maximum likelihood from incomplete data via
       the EM algorithm", Journal of the Royal Statistical Society B 39 (1977) 1-38.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from reports.degradation.intervals import (
    LEAST_VARIANCE,
    MOST_SIZE,
    MOST_VARIANCE,
    CannotCompare,
    Interval,
    Record,
    from_log,
)

Floats = npt.NDArray[np.float64]

# E691 [2] prints its h and k limits at 0.5 %; ISO 5725-2 [1] calls Cochran's test at 1 % an outlier.
E691_SIGNIFICANCE = 0.005
OUTLIER_SIGNIFICANCE = 0.01

# Control runs and replicates are pooled unless their variances differ at this level, two-sided.
POOLING_SIGNIFICANCE = 0.05

# With more than half of the readings open at one end the completed values would be mostly model.
OPEN_SHARE_ALLOWED = 0.5

COMPLETION_ROUNDS = 2000
COMPLETION_TOLERANCE = 1e-10


@dataclass(frozen=True)
class ControlReading:
    """One reading of a control material.

    Attributes
    ----------
    session : str
        The session it was read in.
    reading : Interval
    material : str
        The control material or lot; sessions of different materials are never compared.
    """

    session: str
    reading: Interval
    material: str = ""


@dataclass(frozen=True)
class VarianceComponent:
    """One scatter on the natural-log scale.

    Attributes
    ----------
    variance : float
        0 or more.
    degrees_of_freedom : float
        Above 0; need not be whole.
    """

    variance: float
    degrees_of_freedom: float

    @property
    def standard_deviation(self) -> float:
        """Square root of the variance; about a relative scatter while it is small."""
        return math.sqrt(self.variance)

    @property
    def relative_scatter_share(self) -> float:
        """Scatter as a fraction of the reading, exp(s) - 1."""
        deviation = self.standard_deviation
        return math.expm1(deviation) if deviation < 1 else from_log(deviation) - 1

    @property
    def record(self) -> Record | None:
        """As a prior for a comparison; None when the variance is nothing, or nothing but rounding."""
        if self.variance < LEAST_VARIANCE:
            return None
        # Past that limit either prior leaves everything open.
        return Record(min(self.variance, MOST_VARIANCE), self.degrees_of_freedom)


@dataclass(frozen=True)
class MethodRecord:
    """What is known of a method's scatter.

    Attributes
    ----------
    repeatability : VarianceComponent or None
        Within a session, from control runs.
    between_sessions : VarianceComponent or None
        Of the sessions' levels.
    intermediate : VarianceComponent or None
        Of a single reading in a session of its own: both of the above together.
    within_specimen : VarianceComponent or None
        Between readings of one specimen, from earlier arms.
    specimen_to_specimen : VarianceComponent or None
        Of the specimens' true values within an arm.
    reading_count, session_count, specimen_count : int
        Control readings used, their sessions, and specimens of earlier arms.
    notes : tuple of str
        Sentences: what was left out, put to 0, or could not be known.
    """

    repeatability: VarianceComponent | None
    between_sessions: VarianceComponent | None
    intermediate: VarianceComponent | None
    within_specimen: VarianceComponent | None
    specimen_to_specimen: VarianceComponent | None
    reading_count: int
    session_count: int
    specimen_count: int
    notes: tuple[str, ...]

    def for_these_items(
        self, *, readings_per_specimen: int = 1, same_session: bool = True
    ) -> Record | None:
        """Record for comparing single items: no scatter between specimens in it.

        Parameters
        ----------
        readings_per_specimen : int
            Readings averaged into each specimen's value, 1 or more.
        same_session : bool
            False when the two arms were read in different sessions; then the scatter between
            sessions is added, undivided.

        Returns
        -------
        Record or None
            None when the record does not hold what is needed.
        """
        single = _pooled(self.repeatability, self.within_specimen)
        if single is None:
            return None
        _check_readings_per_specimen(readings_per_specimen)
        averaged = _scaled(single, 1 / readings_per_specimen)
        if same_session:
            return averaged.record
        if self.between_sessions is None:
            return None
        return _sum(averaged, self.between_sessions).record

    def for_this_model(self, *, readings_per_specimen: int = 1) -> Record | None:
        """Record for specimens of one kind: their own scatter and the readings'.

        Parameters
        ----------
        readings_per_specimen : int
            Readings averaged into each specimen's value, 1 or more.

        Returns
        -------
        Record or None
            None when earlier arms do not tell specimens from readings.
        """
        _check_readings_per_specimen(readings_per_specimen)
        if self.specimen_to_specimen is None or self.within_specimen is None:
            return None
        averaged = _scaled(self.within_specimen, 1 / readings_per_specimen)
        return _sum(averaged, self.specimen_to_specimen).record


@dataclass(frozen=True)
class InterlaboratoryPrecision:
    """Classical precision of one material, in the unit of the readings [1]_, [2]_.

    Attributes
    ----------
    mean : float
        Of all readings.
    standard_deviation_of_means : float
        Of the laboratories' (or sessions') means, s_x.
    repeatability_standard_deviation : float
        s_r.
    between_standard_deviation : float
        s_L, 0 when its variance comes out negative.
    reproducibility_standard_deviation : float
        s_R.
    h, k : dict of str to float
        Consistency of each laboratory's mean and scatter. k is missing for single readings.
    h_limit, k_limit : float or None
        Limits at 0.5 %; None with fewer than three laboratories, or for k with unequal cells.
    """

    mean: float
    standard_deviation_of_means: float
    repeatability_standard_deviation: float
    between_standard_deviation: float
    reproducibility_standard_deviation: float
    h: dict[str, float]
    k: dict[str, float]
    h_limit: float | None
    k_limit: float | None

    @property
    def repeatability_limit(self) -> float:
        """Two readings of one session differ by no more than this 95 times in 100: 2.8 s_r."""
        return 2.8 * self.repeatability_standard_deviation

    @property
    def reproducibility_limit(self) -> float:
        """The same for two laboratories or sessions: 2.8 s_R."""
        return 2.8 * self.reproducibility_standard_deviation


def method_record(
    sessions: Mapping[str, Sequence[Interval]] | Sequence[ControlReading],
    *,
    arms: Mapping[str, Mapping[str, Sequence[Interval]]] | None = None,
) -> MethodRecord:
    """Repeatability, between-session and specimen-to-specimen variance on the log scale.

    Parameters
    ----------
    sessions : mapping of str to sequence of Interval, or sequence of ControlReading
        Control readings of one method revision, by session; as ControlReading when there was more
        than one control material. May be empty when `arms` is given.
    arms : mapping of arm to mapping of specimen to sequence of Interval, optional
        Readings of earlier studies by the same method revision. Arms (new, worn) are never
        compared here; only specimens within an arm are.

    Returns
    -------
    MethodRecord
        Components that the readings cannot give are None, each with a sentence in `notes`.

    Notes
    -----
    *Exact readings.* The one-way analysis of variance of [1]_ on natural logs, unbalanced sessions
    with n0 = (N - sum n_j^2 / N) / (J - 1) [4]_, several materials pooled over their within and
    between sums of squares. A negative between component is put to 0 [2]_. Sums of mean squares
    get degrees of freedom by [3]_.

    *Intervals with both ends.* A reading somewhere in [a, b] enters by the middle of its log ends,
    and its sum of squares by the mean over that box: (ln b - ln a)^2 / 12 is added per reading,
    less what the session's mean takes up. If S(x) is the within sum of squares at x, the likelihood
    of the box is the mean over it of s^-nu exp(-S(x) / 2 s^2), and by Jensen's inequality it is at
    least s^-nu exp(-mean S / 2 s^2); the ratio of the two falls as s grows, since the derivative of
    its log is a difference between a tilted mean of S and the plain one. So the record is larger, in
    likelihood-ratio order, than the readings alone would say: never too small, and exact as the
    boxes shrink. The scatter between sessions is not let below the mean of that same term, the
    scatter that reading steps can hide.

    *Intervals with one end.* Such a reading is completed by the mean and the variance of a normal
    distribution beyond its end, at its session's mean and the present variance, until these no
    longer change [5]_. It adds no degree of freedom. A session with nothing but open readings is
    left out. The scatter between sessions (specimens) is learnt only from control materials (arms)
    without any open reading, as open ends hide how far the highest ones stand out.
    """
    notes: list[str] = []
    control = _analysis(_control_cells(sessions), _Words("control reading", "session"), notes)
    earlier = _analysis(_arm_cells(arms or {}), _Words("reading", "specimen"), notes)
    if control.cell_count == 0 and earlier.cell_count == 0:
        notes.append("There is no control reading and no earlier arm, so nothing is known yet.")
    if (
        control.within is not None
        and earlier.within is not None
        and _differ(control.within, earlier.within)
    ):
        notes.append(
            "Readings within a specimen scatter differently from control readings within a "
            "session; the larger scatter is used for single items."
        )
    return MethodRecord(
        repeatability=control.within,
        between_sessions=control.between,
        intermediate=control.single,
        within_specimen=earlier.within,
        specimen_to_specimen=earlier.between,
        reading_count=control.reading_count,
        session_count=control.cell_count,
        specimen_count=earlier.cell_count,
        notes=tuple(notes),
    )


def interlaboratory_precision(
    laboratories: Mapping[str, Sequence[float]],
) -> InterlaboratoryPrecision:
    """Classical s_r, s_L, s_R, h and k of one material, on the scale of the readings.

    Parameters
    ----------
    laboratories : mapping of str to sequence of float
        Finite readings by laboratory (or session): two or more laboratories, one of them with two
        or more readings.

    Returns
    -------
    InterlaboratoryPrecision

    Raises
    ------
    CannotCompare
        Fewer laboratories or readings than that, or a reading that is not a finite number.

    Notes
    -----
    h = (mean of the laboratory - mean of the means) / s_x and k = standard deviation of the
    laboratory / s_r [2]_. Limits of h and k are meant for equal cells.
    """
    cells = {name: np.array(values, dtype=float) for name, values in laboratories.items()}
    if any(cell.size == 0 or not (np.abs(cell) <= MOST_SIZE).all() for cell in cells.values()):
        raise CannotCompare(
            "Every laboratory needs readings, and each must be a finite number that can be squared."
        )
    if len(cells) < 2 or max(cell.size for cell in cells.values()) < 2:
        raise CannotCompare(
            "Precision needs two laboratories or more, and two readings or more in one of them."
        )
    sizes = [cell.size for cell in cells.values()]
    everything = np.concatenate(list(cells.values()))
    squares = _sums_of_squares(
        _Layout(
            middle=everything,
            spread=np.zeros(everything.size),
            cell=np.repeat(np.arange(len(cells)), sizes),
            completed=np.zeros(everything.size, dtype=bool),
            group=np.zeros(len(cells), dtype=np.intp),
            names=tuple(cells),
        )
    )
    within, between = squares.mean_square_within, squares.mean_square_between
    between_variance = max(0.0, (between - within) / squares.typical_size)
    means = np.array([cell.mean() for cell in cells.values()])
    spread = float(means.std(ddof=1))
    repeatability = math.sqrt(within)
    return InterlaboratoryPrecision(
        mean=float(everything.mean()),
        standard_deviation_of_means=spread,
        repeatability_standard_deviation=repeatability,
        between_standard_deviation=math.sqrt(between_variance),
        reproducibility_standard_deviation=math.sqrt(within + between_variance),
        h={
            name: float((cell.mean() - means.mean()) / spread) if spread > 0 else 0.0
            for name, cell in cells.items()
        },
        k={
            name: float(cell.std(ddof=1) / repeatability) if repeatability > 0 else 0.0
            for name, cell in cells.items()
            if cell.size > 1
        },
        h_limit=h_limit(len(cells)) if len(cells) > 2 else None,
        k_limit=k_limit(len(cells), sizes[0]) if len(set(sizes)) == 1 else None,
    )


def h_limit(laboratories: int, *, significance: float = E691_SIGNIFICANCE) -> float:
    """Limit of h for `laboratories` >= 3, two-sided [2]_: (p - 1) t / sqrt(p (t^2 + p - 2))."""
    t = float(special.stdtrit(laboratories - 2, 1 - significance / 2))
    return (laboratories - 1) * t / math.sqrt(laboratories * (t**2 + laboratories - 2))


def k_limit(laboratories: int, readings: int, *, significance: float = E691_SIGNIFICANCE) -> float:
    """Limit of k for p >= 2 laboratories of n >= 2 readings [2]_: sqrt(p F / (F + p - 1))."""
    freedom = readings - 1
    f = float(special.fdtri(freedom, (laboratories - 1) * freedom, 1 - significance))
    return math.sqrt(laboratories * f / (f + laboratories - 1))


def cochran_limit(laboratories: int, readings: int, *, significance: float) -> float:
    """Limit of Cochran's C for p >= 2 cells of n >= 2 readings [1]_: 1 / (1 + (p - 1) / F)."""
    freedom = readings - 1
    f = float(special.fdtri(freedom, (laboratories - 1) * freedom, 1 - significance / laboratories))
    return 1 / (1 + (laboratories - 1) / f)


def grubbs_limit(laboratories: int, *, significance: float) -> float:
    """Two-sided limit of Grubbs' statistic for one outlier among p >= 3 means [1]_."""
    p = laboratories
    t = float(special.stdtrit(p - 2, 1 - significance / (2 * p)))
    return (p - 1) / math.sqrt(p) * math.sqrt(t**2 / (p - 2 + t**2))


@dataclass(frozen=True)
class _Words:
    """What a reading and a cell are called in notes."""

    reading: str
    cell: str


@dataclass(frozen=True)
class _Layout:
    """Readings in cells (sessions, or specimens) in groups (materials, or arms), flat.

    Attributes
    ----------
    middle, spread : array, shape (readings,)
        Where each reading is thought to be, and the variance about that.
    cell : int array, shape (readings,)
        Its cell.
    completed : bool array, shape (readings,)
        True where an open reading was completed.
    group : int array, shape (cells,)
        The group of each cell.
    names : tuple of str, one per cell
    """

    middle: Floats
    spread: Floats
    cell: npt.NDArray[np.intp]
    completed: npt.NDArray[np.bool_]
    group: npt.NDArray[np.intp]
    names: tuple[str, ...]

    @property
    def sizes(self) -> Floats:
        return np.bincount(self.cell, minlength=len(self.names)).astype(float)

    @property
    def means(self) -> Floats:
        return self.per_cell(self.middle) / self.sizes

    def per_cell(self, values: Floats) -> Floats:
        """Sum over the readings of each cell."""
        summed = np.bincount(self.cell, weights=values, minlength=len(self.names))
        return summed.astype(float)

    def of_cells(self, keep: npt.NDArray[np.bool_]) -> _Layout:
        """The cells marked in `keep`, and their readings."""
        chosen = keep[self.cell]
        place = np.cumsum(keep) - 1
        return _Layout(
            self.middle[chosen],
            self.spread[chosen],
            place[self.cell[chosen]],
            self.completed[chosen],
            # Numbered afresh, so that no group is left without a cell.
            np.unique(self.group[keep], return_inverse=True)[1],
            tuple(name for name, kept in zip(self.names, keep, strict=True) if kept),
        )


@dataclass(frozen=True)
class _OpenReadings:
    """Readings without one end: their cell, the end they have, and the side they are open to.

    The side is +1 without an upper end and -1 without a lower one.
    """

    cell: npt.NDArray[np.intp]
    end: Floats
    side: Floats


@dataclass(frozen=True)
class _Squares:
    within: float
    within_freedom: int
    between: float
    between_freedom: int
    typical_size: float

    @property
    def mean_square_within(self) -> float:
        return self.within / self.within_freedom if self.within_freedom else 0.0

    @property
    def mean_square_between(self) -> float:
        return self.between / self.between_freedom if self.between_freedom else 0.0


@dataclass(frozen=True)
class _Analysis:
    within: VarianceComponent | None
    between: VarianceComponent | None
    single: VarianceComponent | None
    reading_count: int
    cell_count: int


def _control_cells(
    sessions: Mapping[str, Sequence[Interval]] | Sequence[ControlReading],
) -> dict[tuple[str, str], list[Interval]]:
    if isinstance(sessions, Mapping):
        return {("", name): list(readings) for name, readings in sessions.items()}
    cells: dict[tuple[str, str], list[Interval]] = {}
    for one in sessions:
        cells.setdefault((one.material, one.session), []).append(one.reading)
    return cells


def _arm_cells(
    arms: Mapping[str, Mapping[str, Sequence[Interval]]],
) -> dict[tuple[str, str], list[Interval]]:
    return {
        (arm, specimen): list(readings)
        for arm, specimens in arms.items()
        for specimen, readings in specimens.items()
    }


def _analysis(
    readings_of: Mapping[tuple[str, str], Sequence[Interval]], words: _Words, notes: list[str]
) -> _Analysis:
    """Components of one nested layout; adds sentences to `notes`."""
    closed, opened, is_open_cell = _read(readings_of, words, notes)
    unopened = closed.of_cells(~is_open_cell)
    used, layout = closed, closed
    if opened.end.size:
        completed = _completed(closed, opened)
        if completed is None:
            notes.append(
                f"Too many {words.reading}s have one end only to tell their scatter: "
                f"{opened.end.size} of {opened.end.size + closed.middle.size}."
            )
            used, layout = unopened, unopened
        else:
            layout = completed
    reading_count, cell_count = layout.middle.size, len(used.names)
    if cell_count == 0:
        return _Analysis(None, None, None, 0, 0)
    within = _within(used, layout)
    _add_within_note(within, words, notes)
    if is_open_cell.any():
        notes.append(
            f"The scatter from {words.cell} to {words.cell} is taken only from materials or arms "
            "without open readings: what an open end hides would make it too small."
        )
    squares = _sums_of_squares(unopened)
    if not squares.between_freedom:
        notes.append(
            f"There are too few {words.cell}s to tell the scatter from {words.cell} to "
            f"{words.cell}."
        )
        return _Analysis(within, None, None, reading_count, cell_count)
    hidden = float(unopened.spread.mean())
    between, single = _between(squares, within, hidden)
    if between is not None and between.variance == hidden:
        notes.append(
            f"The scatter from {words.cell} to {words.cell} cannot be told from the scatter within "
            f"one; it is put to {'0' if hidden == 0 else 'what the reading steps can hide'}."
        )
    _add_outlier_note(used, words, notes)
    return _Analysis(within, between, single, reading_count, cell_count)


def _within(closed: _Layout, layout: _Layout) -> VarianceComponent | None:
    """Component within cells; only readings with both ends add degrees of freedom."""
    freedom = closed.middle.size - len(closed.names)
    if freedom == 0:
        return None
    return VarianceComponent(_sums_of_squares(layout).mean_square_within, float(freedom))


def _add_within_note(within: VarianceComponent | None, words: _Words, notes: list[str]) -> None:
    if within is None:
        notes.append(
            f"No {words.cell} has two {words.reading}s with both ends, so the scatter within a "
            f"{words.cell} is not known."
        )
    elif within.variance == 0:
        notes.append(
            f"All {words.reading}s of each {words.cell} are identical and without a "
            "resolution, so their scatter is not known."
        )


def _read(
    readings_of: Mapping[tuple[str, str], Sequence[Interval]], words: _Words, notes: list[str]
) -> tuple[_Layout, _OpenReadings, npt.NDArray[np.bool_]]:
    """Readings with both ends, the open ones beside them, and cells whose group has open ones."""
    ends: list[tuple[float, float, int]] = []
    opened: list[tuple[int, float, int]] = []
    groups: list[str] = []
    names: list[str] = []
    open_groups: set[str] = set()
    empty, lost = 0, 0
    for (group, name), readings in sorted(readings_of.items()):
        telling = [one for one in readings if not one.says_nothing]
        empty += len(readings) - len(telling)
        closed = [one for one in telling if one.low > 0 and math.isfinite(one.high)]
        if len(closed) < len(telling):
            open_groups.add(group)
        if not closed:
            lost += bool(telling)
            continue
        place = len(names)
        ends.extend((one.log_low, one.log_high, place) for one in closed)
        opened.extend((place, one.log_low, 1) for one in telling if math.isinf(one.high))
        opened.extend((place, one.log_high, -1) for one in telling if one.low == 0)
        groups.append(group)
        names.append(name)
    if empty:
        notes.append(f"Left out, as they say nothing: {_counted(empty, words.reading)}.")
    if lost:
        notes.append(f"Left out, as all readings have one end only: {_counted(lost, words.cell)}.")
    low, high, cell = np.array(ends, dtype=float).reshape(-1, 3).T
    beside, end, side = np.array(opened, dtype=float).reshape(-1, 3).T
    number = {group: at for at, group in enumerate(dict.fromkeys(groups))}
    layout = _Layout(
        middle=(low + high) / 2,
        spread=(high - low) ** 2 / 12,
        cell=cell.astype(np.intp),
        completed=np.zeros(low.size, dtype=bool),
        group=np.array([number[group] for group in groups], dtype=np.intp),
        names=tuple(names),
    )
    is_open_cell = np.array([group in open_groups for group in groups], dtype=bool)
    return layout, _OpenReadings(beside.astype(np.intp), end, side), is_open_cell


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def _sums_of_squares(layout: _Layout) -> _Squares:
    """Within and between sums of squares, averaged over where the readings may be.

    The variance of completed readings is counted whole: the mean of the cell they were completed
    with is itself uncertain, and taking its share away, as for boxes, would make the scatter too
    small.
    """
    if not layout.names:
        return _Squares(0.0, 0, 0.0, 0, 1.0)
    sizes, means, group = layout.sizes, layout.means, layout.group
    totals = np.bincount(group, weights=sizes)
    grand = np.bincount(group, weights=sizes * means) / totals
    spread = layout.per_cell(layout.spread)
    whole = layout.per_cell(layout.spread * layout.completed)
    within = float(((layout.middle - means[layout.cell]) ** 2).sum())
    within += float(((spread - whole) * (1 - 1 / sizes) + whole).sum())
    between = float((sizes * (means - grand[group]) ** 2).sum())
    between += float((spread * (1 / sizes - 1 / totals[group])).sum())
    between_freedom = len(layout.names) - totals.size
    size = float((totals - np.bincount(group, weights=sizes**2) / totals).sum())
    return _Squares(
        within=within,
        within_freedom=layout.middle.size - len(layout.names),
        between=max(0.0, between),
        between_freedom=between_freedom,
        typical_size=size / between_freedom if between_freedom else 1.0,
    )


def _completed(closed: _Layout, opened: _OpenReadings) -> _Layout | None:
    """Open readings completed beside the others, or None when they outweigh them."""
    seen = _sums_of_squares(closed)
    open_count = opened.end.size
    if not seen.within_freedom or open_count > OPEN_SHARE_ALLOWED * (
        open_count + closed.middle.size
    ):
        return None
    at, side = opened.cell, opened.side
    means = closed.means
    beyond = np.maximum(0.0, side * (opened.end - means[at]))
    # Start wide enough that every open end is within reach; the rounds shrink it again.
    variance = seen.mean_square_within + float((beyond**2).sum()) / seen.within_freedom
    smallest = float(np.finfo(float).tiny)
    variance = max(variance, smallest)
    cell = np.concatenate([closed.cell, at])
    completed = np.concatenate([closed.completed, np.ones(open_count, dtype=bool)])
    for _ in range(COMPLETION_ROUNDS):
        deviation = math.sqrt(variance)
        # Mirrored where the lower end is missing, so that the open side is always above.
        ends = side * (opened.end - means[at]) / deviation
        hazard = np.exp(-(ends**2) / 2 - special.log_ndtr(-ends)) / math.sqrt(2 * math.pi)
        middle = means[at] + side * deviation * hazard
        spread = variance * np.clip(1 + ends * hazard - hazard**2, 0.0, 1.0)
        layout = _Layout(
            np.concatenate([closed.middle, middle]),
            np.concatenate([closed.spread, spread]),
            cell,
            completed,
            closed.group,
            closed.names,
        )
        means = layout.means
        fresh = _sums_of_squares(layout).mean_square_within
        settled = abs(fresh - variance) <= COMPLETION_TOLERANCE * variance
        variance = max(fresh, smallest)
        if settled:
            return layout
    return None


def _between(
    squares: _Squares, within: VarianceComponent | None, hidden: float
) -> tuple[VarianceComponent | None, VarianceComponent]:
    """Component between cells, and variance of a single reading in a cell of its own."""
    size, mean_square = squares.typical_size, squares.mean_square_between
    freedom = float(squares.between_freedom)
    if within is None:
        return None, VarianceComponent(mean_square / size, freedom)
    difference = (mean_square - within.variance) / size
    if difference <= hidden:
        between = VarianceComponent(hidden, freedom)
        variance = within.variance + hidden
        return between, VarianceComponent(variance, within.degrees_of_freedom)
    parts = (mean_square / size) ** 2 / freedom
    rest = (within.variance / size) ** 2 / within.degrees_of_freedom
    between = VarianceComponent(difference, difference**2 / (parts + rest))
    variance = within.variance + difference
    rest = ((1 - 1 / size) * within.variance) ** 2 / within.degrees_of_freedom
    return between, VarianceComponent(variance, variance**2 / (parts + rest))


def _add_outlier_note(layout: _Layout, words: _Words, notes: list[str]) -> None:
    """Cochran's test [1] for one cell that scatters more than the others, equal cells only."""
    sizes = set(layout.sizes.tolist())
    if len(layout.names) < 3 or len(sizes) != 1 or sizes == {1.0}:
        return
    squares = layout.per_cell((layout.middle - layout.means[layout.cell]) ** 2)
    if squares.sum() == 0:
        return
    share = float(squares.max() / squares.sum())
    limit = cochran_limit(len(layout.names), int(sizes.pop()), significance=OUTLIER_SIGNIFICANCE)
    if share > limit:
        name = layout.names[int(squares.argmax())]
        notes.append(
            f"The {words.reading}s of {words.cell} {name} scatter more than those of the others "
            f"(Cochran's C {share:.2f}, limit {limit:.2f} at 1 %)."
        )


def _check_readings_per_specimen(count: int) -> None:
    if count < 1:
        raise CannotCompare(f"A specimen needs at least one reading, not {count}.")


def _differ(one: VarianceComponent, other: VarianceComponent) -> bool:
    larger, smaller = sorted((one, other), key=lambda part: part.variance, reverse=True)
    if smaller.variance == 0:
        return larger.variance > 0
    tail = float(
        special.fdtrc(
            larger.degrees_of_freedom,
            smaller.degrees_of_freedom,
            larger.variance / smaller.variance,
        )
    )
    return tail < POOLING_SIGNIFICANCE / 2


def _pooled(
    one: VarianceComponent | None, other: VarianceComponent | None
) -> VarianceComponent | None:
    """Weighted by degrees of freedom where they agree, the larger where they do not."""
    if one is None or other is None:
        return one or other
    if _differ(one, other):
        return max(one, other, key=lambda part: part.variance)
    freedom = one.degrees_of_freedom + other.degrees_of_freedom
    total = one.variance * one.degrees_of_freedom + other.variance * other.degrees_of_freedom
    return VarianceComponent(total / freedom, freedom)


def _scaled(part: VarianceComponent, factor: float) -> VarianceComponent:
    return VarianceComponent(part.variance * factor, part.degrees_of_freedom)


def _sum(one: VarianceComponent, other: VarianceComponent) -> VarianceComponent:
    """Sum of two components with Satterthwaite's degrees of freedom [3]_."""
    variance = one.variance + other.variance
    if variance == 0:
        return VarianceComponent(0.0, min(one.degrees_of_freedom, other.degrees_of_freedom))
    weights = one.variance / variance, other.variance / variance
    freedom = 1 / (
        weights[0] ** 2 / one.degrees_of_freedom + weights[1] ** 2 / other.degrees_of_freedom
    )
    return VarianceComponent(variance, freedom)
