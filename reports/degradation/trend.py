"""Retention over service: a straight line on the log scale, through readings that are intervals.

The model is ``ln y = a + b x + sigma e`` with e standard normal, x one measure of service
(distance, months or washes), flat prior on a, b and ln sigma: the prior of `compare`, with one
more location. Retention at x against x = 0 is ``exp(b x)``, so the posterior of the slope alone
carries the band and the service at which a limit is reached.

References
----------
.. [1] A. Gelman et al., Bayesian Data Analysis, 3rd edition (2013), section 14.2: with exact
       readings the flat prior gives the slope a t distribution with n - 2 degrees of freedom.
.. [2] N. Draper and H. Smith, Applied Regression Analysis, 3rd edition (1998), section 2.1: lack
       of fit against pure error.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.optimize import linprog
from scipy.special import fdtrc, ndtri, stdtrit

from reports.degradation.intervals import CannotCompare, Interval, Record, from_log
from reports.degradation.laws import Array, NormalLaw
from reports.degradation.likelihood import record_ceiling, record_term

LEAST_AGES = 3
LEAST_SPECIMENS = 4
LEAST_BOUNDED = 3
# A micrometre of distance in km, a million million of anything: what no service record goes beyond.
LEAST_EXPOSURE, MOST_EXPOSURE = 1e-9, 1e12
# As in compare: below this share of what the readings leave open, scatter makes no difference that
# readings could show, and a flat prior would run to nothing.
FLOOR_SHARE = 0.1
NOTE_LINES_FIT = (
    "The readings are too coarse to show scatter about the line; the band spans every line that fits "
    "inside all of them."
)
# Two measures of service that move together this closely cannot be told apart as causes.
TOGETHER = 0.8

_LAW = NormalLaw()
_NODES = 30
_COARSE_NODES = 24
_SIDE = 45
_SIDE_COARSE = 21
_LOG_CUT = 17.0
_EDGE_CUT = 26.0
_NEWTON_STEPS = 60
_WIDENINGS = 8


@dataclass(frozen=True, slots=True)
class TrendPoint:
    """Retention at one service age.

    Attributes
    ----------
    exposure : float
        In the unit given.
    retention, low, high : float
        Shares of what holds at no service; below 1 is worse.
    """

    exposure: float
    retention: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class LimitCrossing:
    """The service at which retention falls to a limit, as far as it was tested.

    Attributes
    ----------
    share : float
        The limit, between 0 and 1.
    exposure, low, high : float or None
        Best figure and ends; None where it lies beyond the longest service tested or nowhere.
    """

    share: float
    exposure: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Trend:
    """A straight line on the log scale through specimens of several service ages.

    Attributes
    ----------
    slope, slope_low, slope_high : float or None
        Change of the log value for one unit of exposure, turned so that negative is worse.
    points : tuple of TrendPoint
        From no service to the longest tested.
    crossing : LimitCrossing or None
    lack_of_fit_p : float or None
        Chance of ages this far off the line if the line were right; None without replicates or
        with readings that lack an end.
    longest : float
        Longest exposure tested; nothing is said beyond it.
    specimen_count, age_count : int
    level : float
    refusal : str
        Why there is no trend, or "".
    notes : tuple of str
    """

    slope: float | None
    slope_low: float | None
    slope_high: float | None
    points: tuple[TrendPoint, ...]
    crossing: LimitCrossing | None
    lack_of_fit_p: float | None
    longest: float
    specimen_count: int
    age_count: int
    level: float
    refusal: str
    notes: tuple[str, ...]

    def retention_at(self, exposure: float) -> TrendPoint:
        """Retention at an exposure inside what was tested.

        Raises
        ------
        CannotCompare
            Beyond the longest service tested, below none, or where the trend was refused.
        """
        if self.slope is None or self.slope_low is None or self.slope_high is None:
            raise CannotCompare(self.refusal)
        if not 0 <= exposure <= self.longest:
            raise CannotCompare(
                f"The longest service tested is {self.longest:g}; nothing is said about "
                f"{exposure:g}."
            )
        return _point(exposure, (self.slope_low, self.slope, self.slope_high))


def trend(
    specimens: Sequence[tuple[float, Interval]],
    *,
    higher_is_better: bool = True,
    level: float = 0.95,
    limit: float = 0.9,
    points: int = 9,
    record: Record | None = None,
) -> Trend:
    """Fit retention over service.

    Parameters
    ----------
    specimens : sequence of (exposure, Interval)
        One per specimen: its exposure (0, or 1e-9 to 1e12, one unit for all) and its value.
    higher_is_better : bool
    level : float
        Of the band and of the interval of the crossing, between 0 and 1.
    limit : float
        Retention whose crossing is wanted, between 0 and 1.
    points : int
        Points of the band, 2 or more, evenly spaced from 0 to the longest exposure.
    record : Record or None
        Scatter about the line that the method has shown before, in the same sense as that of the
        specimens: their own differences are in it. It multiplies the prior.

    Returns
    -------
    Trend
        With `refusal` set, and no figures, when ages or readings are too few.

    Raises
    ------
    CannotCompare
        An exposure, a level or a limit out of range.
    """
    _check(specimens, level, limit, points)
    telling = [(x, i) for x, i in specimens if not i.says_nothing]
    ages = sorted({x for x, _ in telling})
    longest = ages[-1] if ages else 0.0

    def answer(
        quantiles: tuple[float, float, float] | None = None,
        *,
        refusal: str = "",
        notes: tuple[str, ...] = (),
    ) -> Trend:
        low, middle, high = quantiles if quantiles else (None, None, None)
        return Trend(
            slope=middle,
            slope_low=low,
            slope_high=high,
            points=_band(quantiles, longest, points),
            crossing=_crossing(quantiles, longest, limit) if quantiles else None,
            lack_of_fit_p=_lack_of_fit(telling) if quantiles else None,
            longest=longest,
            specimen_count=len(telling),
            age_count=len(ages),
            level=level,
            refusal=refusal,
            notes=notes,
        )

    refusal = _refusal(telling, ages, record)
    if refusal:
        return answer(refusal=refusal)
    tail = (1 - level) / 2
    found, notes = _slope_quantiles(telling, (tail, 0.5, 1 - tail), record)
    if found is None:
        return answer(
            refusal="All readings lie exactly on a line and carry no resolution, so their scatter "
            "cannot be known. Enter the resolution of the readings."
        )
    if not higher_is_better:
        found = (-found[2], -found[1], -found[0])
    if ages[0] > 0:
        notes.append(
            "No specimen without service was tested, so retention is counted from a line drawn "
            "back to no service."
        )
    if len(telling) < len(specimens):
        notes.append(f"Left out because they say nothing: {len(specimens) - len(telling)}.")
    return answer(found, notes=tuple(notes))


def with_slope_error(found: Trend, *, variance: float) -> Trend:
    """Take an error of the slope that readings share into a trend.

    Parameters
    ----------
    found : Trend
    variance : float
        Of that error, independent of the scatter, 0 or more; such as what a calibration leaves
        open. Half widths are added in squares, each side by itself.
    """
    if found.slope is None or found.slope_low is None or found.slope_high is None or not variance:
        return found
    reach = float(ndtri(0.5 + found.level / 2)) * math.sqrt(variance)
    quantiles = (
        found.slope - math.hypot(found.slope - found.slope_low, reach),
        found.slope,
        found.slope + math.hypot(found.slope_high - found.slope, reach),
    )
    crossing = found.crossing
    return replace(
        found,
        slope_low=quantiles[0],
        slope_high=quantiles[2],
        points=_band(quantiles, found.longest, len(found.points)),
        crossing=crossing and _crossing(quantiles, found.longest, crossing.share),
    )


def service_correlation(first: Sequence[float], second: Sequence[float]) -> float | None:
    """Correlation of two measures of service over the same specimens, or None when one is constant.

    Beyond `TOGETHER` the two are alternatives: the readings cannot tell which of them did it.
    """
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    if a.size < 2 or a.size != b.size or np.ptp(a) == 0 or np.ptp(b) == 0:
        return None
    # as shares of the greatest, so that no square leaves the range of a float
    a, b = a / np.max(np.abs(a)), b / np.max(np.abs(b))
    a, b = a - a.mean(), b - b.mean()
    return float(np.clip(a @ b / math.sqrt(float(a @ a) * float(b @ b)), -1.0, 1.0))


# --- what is refused -----------------------------------------------------------------------------


def _check(
    specimens: Sequence[tuple[float, Interval]], level: float, limit: float, points: int
) -> None:
    if not 0 < level < 1 or not 0 < limit < 1:
        raise CannotCompare("Level and limit must lie between 0 and 1.")
    if points < 2:
        raise CannotCompare("A band needs at least 2 points.")
    for exposure, _ in specimens:
        if exposure != 0 and not LEAST_EXPOSURE <= exposure <= MOST_EXPOSURE:
            raise CannotCompare(
                f"An exposure must be a number from 0 up, not {exposure:g} (0 itself, or "
                f"{LEAST_EXPOSURE:g} to {MOST_EXPOSURE:g})."
            )


def _refusal(
    telling: Sequence[tuple[float, Interval]], ages: Sequence[float], record: Record | None
) -> str:
    if len(ages) < LEAST_AGES:
        return (
            f"A trend needs at least {LEAST_AGES} service ages; readings of {len(ages)} are there."
        )
    if record is None and len(telling) < LEAST_SPECIMENS:
        return (
            f"A trend needs at least {LEAST_SPECIMENS} specimens to show their scatter about it; "
            f"{len(telling)} are there."
        )
    bounded = [x for x, i in telling if i.low > 0 and math.isfinite(i.high)]
    if len(bounded) < LEAST_BOUNDED or len(set(bounded)) < 2:
        return "Too few readings have both ends to place a line."
    return ""


# --- the slope -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Lines:
    """Grouped readings with exposure scaled to have mean 0 and span 1."""

    x: Array
    low: Array
    high: Array
    weight: Array
    unit: float
    bounded: int

    @property
    def is_exact(self) -> bool:
        return bool(np.all(self.high - self.low <= 1e-9 * max(1e-290, self.span)))

    @property
    def span(self) -> float:
        ends = np.concatenate([self.low, self.high])
        return float(np.ptp(ends[np.isfinite(ends)]))


Quantiles = tuple[float, float, float]


def _slope_quantiles(
    telling: Sequence[tuple[float, Interval]], wanted: Quantiles, record: Record | None
) -> tuple[Quantiles | None, list[str]]:
    """Quantiles of the slope, and what there is to say about them."""
    lines = _grouped(telling)
    if lines.is_exact:
        return _exact_quantiles(lines, wanted, record), []
    start, gap = _least_violation(lines)
    low, middle, high = _quadrature(lines, wanted, (start, gap), record)
    # coarse readings never narrow a result below that of the same readings taken at their middles
    if np.all(np.isfinite(lines.low) & np.isfinite(lines.high)):
        sharp = _exact_quantiles(lines, wanted, record)
        if sharp is not None:
            low, high = min(low, sharp[0] * lines.unit), max(high, sharp[2] * lines.unit)
    notes = []
    if gap < -1e-9 * lines.span:
        # whole lines fit inside all readings: no slope among them is less likely than another
        least, most = _fitting_slopes(lines)
        if least <= low and most >= high:
            notes.append(NOTE_LINES_FIT)
        low, high = min(low, least), max(high, most)
    return (low / lines.unit, middle / lines.unit, high / lines.unit), notes


def _fitting_slopes(lines: _Lines) -> tuple[float, float]:
    """Least and greatest slope of a line that lies inside all readings."""
    ends = [
        linprog(c=[sign, 0.0], **_inside(lines, 2), bounds=[(None, None)] * 2, method="highs").x
        for sign in (1.0, -1.0)
    ]
    if ends[0] is None or ends[1] is None:  # open at one side: the posterior's own end stands
        return math.inf, -math.inf
    return float(ends[0][0]), float(ends[1][0])


def _inside(lines: _Lines, columns: int) -> dict[str, Array]:
    """Constraints that a line lies inside all readings; a third column lets all miss by as much."""
    has_low, has_high = np.isfinite(lines.low), np.isfinite(lines.high)
    one = np.ones_like(lines.x)
    above = np.stack([-lines.x, -one, -one], axis=1)[has_low, :columns]
    below = np.stack([lines.x, one, -one], axis=1)[has_high, :columns]
    return {
        "A_ub": np.concatenate([above, below]),
        "b_ub": np.concatenate([-lines.low[has_low], lines.high[has_high]]),
    }


def _grouped(telling: Sequence[tuple[float, Interval]]) -> _Lines:
    counts = Counter((x, i.log_low, i.log_high) for x, i in telling)
    rows = np.array([(*key, n) for key, n in sorted(counts.items())], dtype=np.float64)
    x, low, high, weight = rows.T
    unit = float(np.ptp(x))
    scaled = x / unit
    scaled = scaled - np.average(scaled, weights=weight)
    bounded = int(np.sum(weight[np.isfinite(low) & np.isfinite(high)]))
    return _Lines(scaled, low, high, weight, unit, bounded)


def _exact_quantiles(lines: _Lines, wanted: Quantiles, record: Record | None) -> Quantiles | None:
    """Readings at their middles: degrees of freedom and sums of squares of the record add up."""
    y = 0.5 * (lines.low + lines.high)
    w = lines.weight
    middle = np.average(y, weights=w)
    sxx = float(np.sum(w * lines.x**2))
    slope = float(np.sum(w * lines.x * (y - middle))) / sxx
    rest = float(np.sum(w * (y - middle - slope * lines.x) ** 2))
    freedom = float(np.sum(w)) - 2
    if record is not None:
        freedom += record.degrees_of_freedom
        rest += record.degrees_of_freedom * record.variance
    elif freedom < 1 or rest <= 1e-24 * max(float(np.sum(w * (y - middle) ** 2)), 1e-290):
        return None
    error = math.sqrt(rest / freedom / sxx)
    low, mid, high = (float((slope + error * stdtrit(freedom, p)) / lines.unit) for p in wanted)
    return low, mid, high


def _quadrature(
    lines: _Lines, wanted: Quantiles, fit: tuple[Array, float], record: Record | None
) -> Quantiles:
    start, gap = fit
    low, high = _scatter_limits(lines, gap, record)
    for _ in range(8):
        nodes = np.linspace(low, high, _COARSE_NODES)
        weight = _Plane.lay(lines, np.exp(nodes), start, _SIDE_COARSE).log_mass
        weight = weight + record_term(record, nodes)
        carries = np.flatnonzero(weight > np.max(weight) - _LOG_CUT)
        step = nodes[1] - nodes[0]
        if carries.size >= _COARSE_NODES // 2:
            break
        low = max(low, nodes[carries[0]] - step)
        high = min(high, nodes[carries[-1]] + step)
    nodes = np.linspace(
        max(low, nodes[carries[0]] - step), min(high, nodes[carries[-1]] + step), _NODES
    )
    plane = _Plane.lay(lines, np.exp(nodes), start, _SIDE)
    weight = plane.log_mass + record_term(record, nodes)
    share = np.exp(weight - np.max(weight))
    share[[0, -1]] *= 0.5
    share /= np.sum(share)
    a, b, c = (_invert(plane, share, p) for p in wanted)
    return a, b, c


def _least_violation(lines: _Lines) -> tuple[Array, float]:
    """The line that misses the readings least, as (slope, level), and by how much.

    A negative miss means that whole lines fit inside all readings, with that much to spare.
    """
    found = linprog(
        c=[0.0, 0.0, 1.0], **_inside(lines, 3), bounds=[(None, None)] * 3, method="highs"
    )
    if found.x is None:
        raise CannotCompare("The readings are too far apart in size to place a line through them.")
    return np.asarray(found.x[:2], dtype=np.float64), float(found.x[2])


def _scatter_limits(lines: _Lines, gap: float, record: Record | None) -> tuple[float, float]:
    # with k readings that have both ends the likelihood falls like sigma^(2 - k)
    high = math.log(max(lines.span, 1e-6)) + 2.0 + (_LOG_CUT + 1.0) / max(1, lines.bounded - 2)
    if record is not None:
        high = max(high, record_ceiling(record))
    widths = (lines.high - lines.low)[np.isfinite(lines.high - lines.low)]
    low = math.log(gap / 16) if gap > 1e-9 * lines.span else math.nan
    if math.isnan(low):
        room = -2 * gap if gap < -1e-9 * lines.span else float(np.min(widths))
        low = math.log(FLOOR_SHARE * max(room, 1e-9 * lines.span))
    return low, max(high, low + 1.0)


@dataclass(frozen=True, slots=True)
class _Plane:
    """Posterior of slope and level on a grid, given every scatter node.

    Attributes
    ----------
    first, step : Array, shape (K,)
        Slope at the first grid line, and from one line to the next.
    chance : CubicSpline
        Unnormalised distribution function of the slope over grid lines, one column a node.
    total : Array, shape (K,)
        Its value at the last line.
    log_mass : Array, shape (K,)
        Log of the integral over slope and level.
    """

    first: Array
    step: Array
    chance: CubicSpline
    total: Array
    log_mass: Array
    side: int

    @classmethod
    def lay(cls, lines: _Lines, scatter: Array, start: Array, side: int) -> _Plane:
        """Lay a grid that holds the posterior down to exp(-26) of its peak on every side."""
        mode, root = _modes(lines, scatter, start)
        reach = np.full((scatter.size, 2, 2), 5.0)  # node, axis, side
        for _ in range(_WIDENINGS):
            coarse = _heights(lines, scatter, mode, root, reach, _SIDE_COARSE)
            top = np.max(coarse, axis=(1, 2))[:, None]
            wider = False
            for axis, profile in enumerate((np.max(coarse, axis=2), np.max(coarse, axis=1))):
                for end, place in enumerate((0, -1)):
                    short = profile[:, place] > top[:, 0] - _EDGE_CUT
                    reach[short, axis, end] *= 1.6
                    wider = wider or bool(np.any(short))
                    # draw in by at most half, to where the first carrying line is
                    carries = profile > top - _EDGE_CUT
                    lead = np.argmax(carries if end == 0 else carries[:, ::-1], axis=1)
                    drawn = np.maximum(0.5, 1 - np.maximum(lead - 1, 0) * 2 / _SIDE_COARSE)
                    reach[:, axis, end] *= np.where(short, 1.0, drawn)
            if not wider:
                break
        heights = _heights(lines, scatter, mode, root, reach, side)
        top = np.max(heights, axis=(1, 2))
        density = np.sum(np.exp(heights - top[:, None, None]), axis=2)
        chance = CubicSpline(np.arange(side), density, axis=1).antiderivative()
        total = np.asarray(chance(side - 1), dtype=np.float64)
        steps = (reach[:, :, 0] + reach[:, :, 1]) / (side - 1)
        area = steps[:, 0] * steps[:, 1] * root[:, 0, 0] * root[:, 1, 1]
        return cls(
            first=mode[:, 0] - reach[:, 0, 0] * root[:, 0, 0],
            step=steps[:, 0] * root[:, 0, 0],
            chance=chance,
            total=total,
            log_mass=top + np.log(total) + np.log(area),
            side=side,
        )

    def below(self, slope: float) -> Array:
        """Chance that the slope is below `slope`, given every scatter node."""
        place = np.clip((slope - self.first) / self.step, 0.0, self.side - 1.0)
        each = np.diagonal(np.asarray(self.chance(place)))
        return np.asarray(np.clip(each / self.total, 0.0, 1.0), dtype=np.float64)


def _modes(lines: _Lines, scatter: Array, start: Array) -> tuple[Array, Array]:
    """Mode of (slope, level) given each scatter, and a lower-triangular root of its spread."""
    place = np.tile(start, (scatter.size, 1))
    height = _log_likelihood(lines, place[:, 0], place[:, 1], scatter)
    for _ in range(_NEWTON_STEPS):
        gradient, curvature = _slopes(lines, place, scatter)
        stride = np.linalg.solve(curvature, gradient[:, :, None])[:, :, 0]
        share = np.ones(scatter.size)
        moved, reached = place, height
        for _ in range(30):
            trial = place + share[:, None] * stride
            reached = _log_likelihood(lines, trial[:, 0], trial[:, 1], scatter)
            worse = reached < height - 1e-12
            if not np.any(worse):
                moved = trial
                break
            share = np.where(worse, share * 0.5, share)
            moved = np.where(worse[:, None], place, trial)
        reached = np.where(worse, height, reached)
        gain = reached - height
        place, height = moved, reached
        if np.all(gain < 1e-6):
            break
    _, curvature = _slopes(lines, place, scatter)
    return place, np.linalg.cholesky(np.linalg.inv(curvature))


def _slopes(lines: _Lines, place: Array, scatter: Array) -> tuple[Array, Array]:
    """Gradient, shape (K, 2), and minus the Hessian, shape (K, 2, 2), kept positive definite."""
    middle = place[:, :1] * lines.x + place[:, 1:]
    sigma = scatter[:, None]
    low, high = (lines.low - middle) / sigma, (lines.high - middle) / sigma
    narrow = high - low < 1e-3
    # the mass of a very narrow reading may round to nothing; its terms are set below
    mass = np.where(narrow, 1.0, np.maximum(_LAW.mass(low, high), 1e-300))
    one = (_LAW.density(low) - _LAW.density(high)) / mass
    two = np.maximum(one**2 - (_LAW.slope(high) - _LAW.slope(low)) / mass, 0.0)
    one = np.where(narrow, 0.5 * (low + high), one)
    two = np.where(narrow, 1.0, two)
    # a reading that does not bend the likelihood here still keeps the mean within its width
    width = np.where(np.isfinite(high - low), high - low, 1e3)
    two = np.maximum(two, 1e-2 / (1 + width) ** 2)
    design = np.stack([lines.x, np.ones_like(lines.x)], axis=1)
    gradient = (lines.weight * one / sigma) @ design
    bend = lines.weight * two / sigma**2
    curvature = np.einsum("kn,ni,nj->kij", bend, design, design)
    return gradient, curvature


def _heights(
    lines: _Lines, scatter: Array, mode: Array, root: Array, reach: Array, side: int
) -> Array:
    """Log likelihood on each node's grid, shape (K, side, side): slope by level."""
    share = np.linspace(0.0, 1.0, side)
    u = -reach[:, 0, :1] + share * (reach[:, 0, :1] + reach[:, 0, 1:])
    v = -reach[:, 1, :1] + share * (reach[:, 1, :1] + reach[:, 1, 1:])
    slope = mode[:, :1] + root[:, :1, 0] * u
    level = (
        mode[:, 1, None, None]
        + root[:, 1, 0, None, None] * u[:, :, None]
        + root[:, 1, 1, None, None] * v[:, None, :]
    )
    slope = np.broadcast_to(slope[:, :, None], level.shape)
    flat = _log_likelihood(
        lines, slope.reshape(-1), level.reshape(-1), np.repeat(scatter, side * side)
    )
    return flat.reshape(level.shape)


def _log_likelihood(lines: _Lines, slope: Array, level: Array, scatter: Array) -> Array:
    total = np.zeros(slope.size)
    for x, low, high, weight in zip(lines.x, lines.low, lines.high, lines.weight, strict=True):
        middle = level + slope * x
        z_low, z_high = (low - middle) / scatter, (high - middle) / scatter
        mass = _LAW.mass(z_low, z_high)
        # a narrow interval is its density times its width, also where the mass is all rounding
        centre = 0.5 * (z_low + z_high)
        with np.errstate(divide="ignore", invalid="ignore"):
            coarse = np.log(mass)
            fine = _LAW.log_density(centre) + np.log(z_high - z_low)
        use_fine = (z_high - z_low < 1e-3) | (mass < 1e-280)
        far = np.where(np.isfinite(centre), fine, -1e6)
        total += weight * np.where(use_fine, np.maximum(far, -1e6), np.maximum(coarse, -1e6))
    return total


def _invert(plane: _Plane, share: Array, probability: float) -> float:
    low = float(np.min(plane.first))
    high = float(np.max(plane.first + plane.step * (plane.side - 1)))
    for _ in range(80):
        middle = 0.5 * (low + high)
        if float(share @ plane.below(middle)) < probability:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


# --- what follows from the slope -----------------------------------------------------------------


def _point(exposure: float, quantiles: tuple[float, float, float]) -> TrendPoint:
    low, middle, high = (from_log(q * exposure) for q in quantiles)
    return TrendPoint(exposure, middle, low, high)


def _band(
    quantiles: tuple[float, float, float] | None, longest: float, count: int
) -> tuple[TrendPoint, ...]:
    if quantiles is None:
        return ()
    return tuple(_point(longest * k / (count - 1), quantiles) for k in range(count))


def _crossing(quantiles: tuple[float, float, float], longest: float, share: float) -> LimitCrossing:
    # the steepest slope reaches the limit first
    first, middle, last = (
        math.log(share) / q if q < 0 and math.log(share) / q <= longest else None for q in quantiles
    )
    return LimitCrossing(share, middle, first, last)


def _lack_of_fit(telling: Sequence[tuple[float, Interval]]) -> float | None:
    if any(i.low == 0 or math.isinf(i.high) for _, i in telling):
        return None
    x = np.array([x for x, _ in telling])
    y = np.array([0.5 * (i.log_low + i.log_high) for _, i in telling])
    ages, place = np.unique(x, return_inverse=True)
    counts = np.bincount(place)
    pure_freedom, fit_freedom = x.size - ages.size, ages.size - 2
    if pure_freedom < 1 or fit_freedom < 1:
        return None
    means = np.bincount(place, weights=y) / counts
    pure = float(np.sum((y - means[place]) ** 2))
    if pure <= 1e-20 * max(float(np.sum((y - y.mean()) ** 2)), 1e-290):
        return None
    slope, level = np.polyfit(x - x.mean(), y, 1)
    fit = float(np.sum(counts * (means - level - slope * (ages - x.mean())) ** 2))
    return float(fdtrc(fit_freedom, pure_freedom, fit / fit_freedom / (pure / pure_freedom)))
