"""Posterior of the log ratio of two arms, by deterministic quadrature, many comparisons at once.

Given the scatter, the mean of an arm has a log-concave posterior on one dimension. It is laid
out on a grid that is fine in the middle and coarse far out (``mean = centre + scale * sinh t``
with equal steps in t), once for every scatter node; the two scatters are nodes equally spaced in
their logarithm. Summing over the scatters is then one matrix product, and the distribution of the
difference of the two means is read off by interpolation. Equal steps on a smooth function that
falls off at both ends converge faster than any power of the step (Trefethen and Weideman, SIAM
Review 56, 2014, 385-458), which is why so few nodes are enough.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from reports.degradation.arms import Arm, PackedArms
from reports.degradation.intervals import Record
from reports.degradation.laws import Array, Law
from reports.degradation.likelihood import conditional_modes, log_likelihood, slopes

# Spread of ln(sigma_other / sigma_baseline) under linked scatter: 1.2 lets one arm scatter up to
# about ten times as much as the other (two spreads). Chosen by the coverage table of METHOD.md.
LINK_SPREAD = 1.2
# Least scatter, as a share of the width the readings of an arm have in common, when no reading
# contradicts the absence of scatter: without it the posterior would pile up at no scatter at all.
# Chosen by the coverage table of METHOD.md.
FLOOR_SHARE = 0.1
# Greatest scatter on the log scale when the readings set no upper limit to it: a factor of e, or
# the whole stretch between the outermost ends when that is more.
CEILING = 1.0

_COARSE_NODES = 40
_ZOOM_NODES = 26
_ZOOMS = 7
_ENOUGH_NODES = 9
# Scatters whose weight is below exp(-17) = 4e-8 of the greatest are left out.
_LOG_CUT = 17.0
_SCATTER_STEP = 0.36
_NODE_COUNTS = (24, 28, 32, 40, 48, 60)
_GRID_STEP = 0.36
_POINT_COUNTS = (72, 96, 120, 144, 176, 216, 264, 320)
_CHUNK = 32
# Problems with more distinct readings than this are solved one at a time.
_BULKY = 60
# Quantiles are solved until the log odds are met to this; far below the error of the quadrature.
_ODDS_PRECISION = 1e-6


@dataclass(frozen=True, slots=True)
class Problem:
    """One comparison of two arms, ready for integration.

    Attributes
    ----------
    baseline, other : Arm
    tie : str
        "pooled" (one scatter), "linked", "separate", or "record" (the scatter comes from the
        record alone).
    record : Record or None
    """

    baseline: Arm
    other: Arm
    tie: str
    record: Record | None

    @property
    def arms(self) -> tuple[Arm, Arm]:
        return self.baseline, self.other


def difference_quantiles(
    problems: Sequence[Problem], law: Law, probabilities: Sequence[float]
) -> Array:
    """Quantiles of ``mu_other - mu_baseline`` on the natural-log scale.

    Parameters
    ----------
    problems : sequence of Problem, length P, all with the same tie
    law : Law
    probabilities : sequence of float, length Q, each inside (0, 1)

    Returns
    -------
    Array, shape (P, Q)
    """
    wanted = np.asarray(probabilities, dtype=np.float64)
    result = np.empty((len(problems), len(wanted)))
    # Problems that sums can stand for go another way, alone or in company.
    fine = np.array(
        [law.has_sufficient_moments and all(a.is_fine for a in p.arms) for p in problems]
    )
    bulk = np.array([_bulk(problem) for problem in problems])
    ranges = np.empty((2, len(problems), 2))
    for rows in _chunks(np.arange(len(problems)), bulk, fine):
        chosen = [problems[row] for row in rows]
        ranges[0, rows], ranges[1, rows] = _scatter_ranges(chosen, _packs(chosen, law), law)
    # Every problem gets its own number of nodes, whoever shares its chunk.
    longest = np.max(ranges[:, :, 1] - ranges[:, :, 0], axis=0)
    counts = _bucket(longest / _SCATTER_STEP + 1, _NODE_COUNTS)
    for count in np.unique(counts):
        for rows in _chunks(np.flatnonzero(counts == count), bulk, fine):
            chosen = [problems[row] for row in rows]
            nodes = (_spaced(ranges[0, rows], int(count)), _spaced(ranges[1, rows], int(count)))
            result[rows] = _quantiles_on_nodes(chosen, nodes, law, wanted)
    return result


def _chunks(
    places: NDArray[np.intp], bulk: NDArray[np.int64], fine: NDArray[np.bool_]
) -> Iterator[NDArray[np.intp]]:
    """Share out problems so that those of like kind and size share arrays without much padding."""
    order = places[np.lexsort((bulk[places], fine[places]))]
    start = 0
    while start < len(order):
        stop = start + (_CHUNK if bulk[order[start]] <= _BULKY else 1)
        same = order[start:stop]
        same = same[(fine[same] == fine[same[0]]) & ((bulk[same] <= _BULKY) | (same == same[0]))]
        yield same
        start += len(same)


def _bulk(problem: Problem) -> int:
    return sum(len(arm.groups) + len(arm.exact) for arm in problem.arms)


def _packs(problems: Sequence[Problem], law: Law) -> tuple[PackedArms, PackedArms]:
    return (
        PackedArms.pack([problem.baseline for problem in problems], law),
        PackedArms.pack([problem.other for problem in problems], law),
    )


def _bucket(needed: Array, sizes: Sequence[int]) -> NDArray[np.int64]:
    """Smallest listed size that is enough; the largest when none is."""
    place = np.minimum(np.searchsorted(sizes, needed), len(sizes) - 1)
    return np.asarray(sizes, dtype=np.int64)[place]


def _quantiles_on_nodes(
    problems: list[Problem], nodes: tuple[Array, Array], law: Law, wanted: Array
) -> Array:
    tie = problems[0].tie
    packs = _packs(problems, law)
    modes = [conditional_modes(p, np.exp(n), law) for p, n in zip(packs, nodes, strict=True)]
    weights = _weights(problems, tie, nodes, (modes[0][2], modes[1][2]))
    centre = _centre(modes, weights, tie)
    if packs[0].is_normal and packs[1].is_normal:
        return _invert(_normal_chance(modes, weights, tie), centre[0], centre[1], wanted)
    grids = [
        _grid(pack, np.exp(node), mode, marginal)
        for pack, node, mode, marginal in zip(
            packs, nodes, modes, _marginals(weights, tie), strict=True
        )
    ]
    result = np.empty((len(problems), len(wanted)))
    sizes = np.maximum(grids[0].points, grids[1].points)
    for size in np.unique(sizes):
        rows = np.flatnonzero(sizes == size)
        chosen = [problems[row] for row in rows]
        kept = (nodes[0][rows], nodes[1][rows])
        tables = [
            _table(pack, node, grid.take(rows), int(size), law)
            for pack, node, grid in zip(_packs(chosen, law), kept, grids, strict=True)
        ]
        weights = _weights(chosen, tie, kept, (tables[0].log_integral, tables[1].log_integral))
        chance = _tabled_chance(tables[0], tables[1], weights, tie)
        result[rows] = _invert(chance, centre[0][rows], centre[1][rows], wanted)
    return result


# --- scatter nodes -----------------------------------------------------------------------------


def _scatter_ranges(
    problems: list[Problem], packs: tuple[PackedArms, PackedArms], law: Law
) -> tuple[Array, Array]:
    """Stretch of ln sigma that carries the posterior's weight, for either arm of every problem.

    Starts wide and narrows until enough nodes fall where the weight is; a problem that is done
    is not touched again, so that its numbers do not depend on its neighbours.
    """
    tie = problems[0].tie
    limits = np.array([_limits(problem) for problem in problems])  # (P, arm, low and high)
    both = (limits[:, 0], limits[:, 1])
    ranges = [both[0].copy(), both[1].copy()]
    open_rows = np.arange(len(problems))
    count = _COARSE_NODES
    for _ in range(_ZOOMS):
        chosen = [problems[row] for row in open_rows]
        if len(open_rows) < len(problems):
            packs = _packs(chosen, law)
        nodes = (_spaced(ranges[0][open_rows], count), _spaced(ranges[1][open_rows], count))
        integrals = [
            conditional_modes(p, np.exp(n), law)[2] for p, n in zip(packs, nodes, strict=True)
        ]
        weights = _weights(chosen, tie, nodes, (integrals[0], integrals[1]))
        enough = np.full(len(open_rows), True)
        for arm, marginal in enumerate(_marginals(weights, tie)):
            ranges[arm][open_rows], carrying = _carrying(nodes[arm], marginal, both[arm][open_rows])
            enough &= carrying >= _ENOUGH_NODES
        open_rows = open_rows[~enough]
        count = _ZOOM_NODES
        if not open_rows.size:
            break
    return ranges[0], ranges[1]


def _spaced(limits: Array, count: int) -> Array:
    share = np.linspace(0.0, 1.0, count)
    return np.asarray(limits[:, :1] + (limits[:, 1:] - limits[:, :1]) * share, dtype=np.float64)


def _carrying(nodes: Array, marginal: Array, limits: Array) -> tuple[Array, Array]:
    """Shortest stretch around all nodes that carry weight, one node wider on either side."""
    carries = marginal > np.max(marginal, axis=1, keepdims=True) * math.exp(-_LOG_CUT)
    step = nodes[:, 1] - nodes[:, 0]
    first = np.take_along_axis(nodes, np.argmax(carries, axis=1)[:, None], 1)[:, 0]
    final = nodes.shape[1] - 1 - np.argmax(carries[:, ::-1], axis=1)
    last = np.take_along_axis(nodes, final[:, None], 1)[:, 0]
    low = np.maximum(first - step, limits[:, 0])
    high = np.minimum(last + step, limits[:, 1])
    return np.stack([low, high], axis=1), np.sum(carries, axis=1)


def _limits(problem: Problem) -> tuple[tuple[float, float], tuple[float, float]]:
    """Widest stretch of ln sigma worth looking at, for either arm."""
    lows, highs = _floors(problem), _ceilings(problem)
    if problem.tie in ("pooled", "record"):
        low, high = min(lows), max(highs)
        return (low, high), (low, high)
    return (lows[0], highs[0]), (lows[1], highs[1])


def _floors(problem: Problem) -> tuple[float, float]:
    record = problem.record
    if record is not None:
        nu = record.degrees_of_freedom
        low = 0.5 * math.log(record.variance) - 0.5 * math.log1p(80.0 / nu) - 0.5
        if problem.tie == "record":
            return low, low
        least = min([low, *[_smallest_scatter(a) for a in problem.arms]])
        return least, least
    own = [_smallest_scatter(arm) for arm in problem.arms]
    widths = [arm.common_width for arm in problem.arms]
    known = [w for w in widths if w is not None and 0 < w < math.inf]
    if problem.tie == "pooled":
        proven = [o for o, w in zip(own, widths, strict=True) if w is None]
        low = min(proven) if proven else math.log(FLOOR_SHARE * min(known))
        return low, low
    if all(w is not None for w in widths):
        return _tied_floor(widths[0], known), _tied_floor(widths[1], known)
    if problem.tie == "linked":
        # One arm proves scatter and the link carries it over: ten spreads are more than enough.
        proven_low = min(o for o, w in zip(own, widths, strict=True) if w is None)
        other = proven_low - 10 * LINK_SPREAD
        return (
            own[0] if widths[0] is None else other,
            own[1] if widths[1] is None else other,
        )
    return (
        own[0] if widths[0] is None else math.log(FLOOR_SHARE * widths[0]),
        own[1] if widths[1] is None else math.log(FLOOR_SHARE * widths[1]),
    )


def _tied_floor(width: float | None, known: list[float]) -> float:
    own = width if width is not None and 0 < width < math.inf else min(known)
    return math.log(FLOOR_SHARE * own)


def _smallest_scatter(arm: Arm) -> float:
    """ln of a scatter so small that the readings rule it out, or that nothing changes below it."""
    if arm.common_width is not None:
        finite = [w for w in (arm.common_width, arm.last_end - arm.first_end) if 0 < w < math.inf]
        return math.log(1e-3 * min(finite)) if finite else math.inf
    gap = arm.log_low - arm.log_high
    # The likelihood at sigma is at most exp(-gap^2 / (4 sigma^2)); brackets that only touch leave
    # a power of sigma instead, which is gone seven powers of ten below their width.
    # Readings that meet in their only end have no width of their own; the ceiling stands in for it.
    return math.log(max(gap / 16.0, 1e-7 * (arm.narrowest or CEILING), 1e-290))


def _ceilings(problem: Problem) -> tuple[float, float]:
    spans = [arm.last_end - arm.first_end for arm in problem.arms]
    span = max([*spans, 1e-290])
    record = problem.record
    if record is not None:
        nu = record.degrees_of_freedom
        # Below its ceiling the record falls like sigma^-nu, and faster still with readings.
        top = 0.5 * math.log(record.variance) + 0.5 + 3.0 / math.sqrt(nu) + 22.0 / nu
        if problem.tie == "record":
            return top, top
        top = max(top, math.log(span) + 3.0 + 3.0 / math.sqrt(nu))
        return top, top
    ceiling = math.log(max(CEILING, span))
    powers = [arm.scatter_power for arm in problem.arms]
    if problem.tie == "separate":
        return (
            _ceiling_of(powers[0], spans[0], ceiling),
            _ceiling_of(powers[1], spans[1], ceiling),
        )
    together = _ceiling_of(sum(powers), span, ceiling)
    return together, together


def _ceiling_of(power: int, span: float, ceiling: float) -> float:
    if power < 1:
        return ceiling
    return math.log(max(span, 1e-290)) + 3.0 + (_LOG_CUT + 1.0) / power


def is_scatter_unlimited(problem: Problem) -> bool:
    """True when the readings set no upper limit to the scatter and the ceiling had to."""
    if problem.record is not None:
        return False
    powers = [arm.scatter_power for arm in problem.arms]
    return min(powers) < 1 if problem.tie == "separate" else sum(powers) < 1


def _weights(
    problems: list[Problem],
    tie: str,
    nodes: tuple[Array, Array],
    integrals: tuple[Array, Array],
) -> Array:
    """Posterior weight of the scatter nodes, adding up to 1.

    Returns
    -------
    Array, shape (P, K) when both arms share the scatter, else (P, K, K) baseline by other
    """
    if tie in ("pooled", "record"):
        # With the record alone the readings do not speak on the scatter.
        log = np.zeros_like(nodes[0]) if tie == "record" else integrals[0] + integrals[1]
        log = log + _record_terms(problems, nodes[0])
    else:
        log = integrals[0][:, :, None] + integrals[1][:, None, :]
        one, two = nodes[0][:, :, None], nodes[1][:, None, :]
        if tie == "linked":
            log = log - 0.5 * ((one - two) / LINK_SPREAD) ** 2
            log = log + _record_terms(problems, 0.5 * (one + two))
        else:
            log = log + _record_terms(problems, one) + _record_terms(problems, two)
    axes = tuple(range(1, log.ndim))
    log = log - np.max(log, axis=axes, keepdims=True)
    weight = np.exp(np.maximum(log, -700.0))
    return np.asarray(weight / np.sum(weight, axis=axes, keepdims=True), dtype=np.float64)


def _record_terms(problems: list[Problem], log_scatter: Array) -> Array:
    """Log density in ln sigma of a scaled inverse chi-square on sigma^2, up to a constant."""
    records = [problem.record for problem in problems]
    if not any(records):
        return np.zeros(())
    shape = (-1,) + (1,) * (log_scatter.ndim - 1)
    nu = np.array([r.degrees_of_freedom if r else 0.0 for r in records]).reshape(shape)
    root = np.array([0.5 * math.log(r.variance) if r else 0.0 for r in records]).reshape(shape)
    away = np.clip(log_scatter - root, -300.0, 300.0)
    return np.asarray(-nu * away - 0.5 * nu * np.exp(-2 * away), dtype=np.float64)


def _marginals(weights: Array, tie: str) -> tuple[Array, Array]:
    if tie in ("pooled", "record"):
        return weights, weights
    return np.sum(weights, axis=2), np.sum(weights, axis=1)


# --- distribution of the difference --------------------------------------------------------------


def _centre(
    modes: Sequence[tuple[Array, Array, Array]], weights: Array, tie: str
) -> tuple[Array, Array]:
    """A first guess of the difference and of its scale, from the likeliest scatters."""
    rows = np.arange(weights.shape[0])
    marginals = _marginals(weights, tie)
    best = [np.argmax(m, axis=1) for m in marginals]
    middle = modes[1][0][rows, best[1]] - modes[0][0][rows, best[0]]
    scale = np.hypot(modes[1][1][rows, best[1]], modes[0][1][rows, best[0]])
    return middle, scale


def _normal_chance(
    modes: Sequence[tuple[Array, Array, Array]], weights: Array, tie: str
) -> Callable[[Array], Array]:
    """Distribution function of the difference when every mean is normal given its scatter."""
    (mean_b, width_b, _), (mean_o, width_o, _) = modes
    if tie in ("pooled", "record"):
        middle, spread = mean_o - mean_b, np.hypot(width_b, width_o)
    else:
        middle = mean_o[:, None, :] - mean_b[:, :, None]
        spread = np.hypot(width_b[:, :, None], width_o[:, None, :])
    count = len(mean_b)
    middle, inverse = middle.reshape(count, 1, -1), 1 / spread.reshape(count, 1, -1)
    flat = weights.reshape(count, -1)

    def chance(at: Array) -> Array:
        z = (at[:, :, None] - middle) * inverse
        return np.asarray(np.einsum("pqk,pk->pq", ndtr(z), flat), dtype=np.float64)

    return chance


@dataclass(frozen=True, slots=True)
class _Table:
    """Posterior of one arm's mean, given every scatter node, on one grid.

    ``share[p, k, x]`` adds up to 1 over x; ``chance[p, k, x]`` is the distribution function.
    Grid: ``mean = centre + scale * sinh(t)``, t from -reach to reach in equal steps.
    """

    mean: Array
    centre: Array
    scale: Array
    reach: Array
    share: Array
    chance: Array
    log_integral: Array


@dataclass(frozen=True, slots=True)
class _Grid:
    """Centre, scale and reach of a sinh grid for every arm, and the points it needs.

    ``mode`` and ``tail`` tell, for every scatter, where on it the posterior is and how far it goes.
    """

    centre: Array
    scale: Array
    reach: Array
    points: NDArray[np.int64]
    mode: Array
    tail: Array

    def take(self, rows: NDArray[np.intp]) -> _Grid:
        return _Grid(*(getattr(self, part)[rows] for part in self.__slots__))


def _table(pack: PackedArms, nodes: Array, grid: _Grid, points: int, law: Law) -> _Table:
    scatter = np.exp(nodes)
    centre, scale, reach = grid.centre, grid.scale, grid.reach
    t = np.linspace(-1.0, 1.0, points) * reach[:, None]
    mean = centre[:, None] + scale[:, None] * np.sinh(t)
    jacobian = (scale[:, None] * np.cosh(t) * (2 * reach / (points - 1))[:, None])[:, None, :]
    is_open = np.array([arm.is_open for arm in pack.arms])
    within = np.abs(mean[:, None, :] - grid.mode[:, :, None]) <= 1.25 * grid.tail[:, :, None]
    # The chance that all readings of an open arm hold does not fall off on their side.
    within |= is_open[:, None, None]
    log = log_likelihood(pack, mean[:, None, :], scatter, law, within)
    top = np.max(log, axis=2, keepdims=True)
    density = np.exp(np.maximum(log - top, -700.0))
    if np.any(is_open):
        density[is_open] = _open_density(pack, mean, scatter, law, log)[is_open]
        top[is_open] = 0.0
    mass = density * jacobian
    # A scatter that carries no weight may be too narrow for the grid to meet; it then has no mass
    # at all, and none is made up for it.
    total = np.maximum(np.sum(mass, axis=2, keepdims=True), 1e-300)
    log_integral = (top + np.log(total))[:, :, 0]
    log_integral[is_open] = 0.0
    share = mass / total
    return _Table(mean, centre, scale, reach, share, _running_total(share), log_integral)


def _grid(
    pack: PackedArms, scatter: Array, modes: tuple[Array, Array, Array], marginal: Array
) -> _Grid:
    """Lay out the sinh grid of every arm.

    The centre and scale come from the smallest scatter that matters, where the posterior is
    narrowest; the reach from the widest.
    """
    mode, width, _ = modes
    rows = np.arange(mode.shape[0])
    running = np.cumsum(marginal, axis=1)
    narrow = np.argmax(running > 1e-4, axis=1)
    centre = mode[rows, narrow]
    scale = 1.5 * width[rows, narrow]
    censored = np.array([arm.bounded_count < arm.count for arm in pack.arms])[:, None]
    tail = np.maximum(8.0 * width, np.where(censored, 8.0, 0.0) * scatter)
    matters = marginal > 1e-10
    far = np.max(np.where(matters, np.abs(mode - centre[:, None]) + tail, 0.0), axis=1)
    reach = np.arcsinh(far / scale)
    # A step of the grid at distance x is step * hypot(scale, x); it must stay below the width of
    # whatever posterior sits there, and below the soft edges of a bracket.
    weighty = marginal > 1e-4
    away = np.hypot(scale[:, None], mode - centre[:, None]) / width
    common = np.array([arm.log_high - arm.log_low for arm in pack.arms])
    half = np.where(np.isfinite(common) & (common > 0), 0.5 * common, 0.0)
    edge = np.hypot(scale, half)[:, None] / scatter
    edge = np.where(half[:, None] > 0, edge, 0.0)
    coarse = np.max(np.where(weighty, np.maximum(away, edge), 0.0), axis=1)
    step = np.minimum(_GRID_STEP, 0.9 / np.maximum(coarse, 1e-9))
    points = _bucket(2 * reach / step + 1, _POINT_COUNTS)
    return _Grid(centre, scale, reach, points, mode, tail)


def _open_density(pack: PackedArms, mean: Array, scatter: Array, law: Law, log: Array) -> Array:
    """Slope of the chance that all readings of an open arm stay on their side, per mean.

    An arm that never failed says "if the mean were this low, all of them holding would have had
    chance p"; read as a distribution function of the mean, p gives a bound that is wrong with at
    most its stated chance, whatever the true mean.
    """
    count, nodes, points = log.shape
    flat_mean = np.broadcast_to(mean[:, None, :], log.shape).reshape(count, -1)
    flat_scatter = np.broadcast_to(scatter[:, :, None], log.shape).reshape(count, -1)
    first, _ = slopes(pack, flat_mean, flat_scatter, law)
    return np.asarray(
        np.abs(first.reshape(count, nodes, points)) * np.exp(np.maximum(log, -700.0)),
        dtype=np.float64,
    )


# Integral over one step from six neighbours at equal distance: error of order step^7.
_STEP_RULE = np.array([11.0, -93.0, 802.0, 802.0, -93.0, 11.0]) / 1440.0


def _running_total(share: Array) -> Array:
    """Distribution function at the grid points, from the shares of the grid points."""
    padded = np.pad(share, ((0, 0), (0, 0), (3, 2)))
    size = share.shape[2]
    steps = sum(_STEP_RULE[i] * padded[:, :, i : i + size] for i in range(6))
    return np.asarray(np.clip(np.cumsum(steps, axis=2), 0.0, 1.0), dtype=np.float64)


def _tabled_chance(
    baseline: _Table, other: _Table, weights: Array, tie: str
) -> Callable[[Array], Array]:
    """Distribution function of the difference of the two means.

    With u and v the two means counted from the centres of their grids and d the difference
    asked for, counted likewise, the half plane v - u <= d is cut at u = -d/2, v = d/2 into

        u < -d/2 and v <= u + d,   u > -d/2 and v <= d/2,   v > d/2 and u >= v - d.

    For d < 0 each piece then runs over the grid that is fine where the integrand is sharp, and
    meets the other mean only far from its own centre, where it is smooth on that grid. For d > 0
    the same is done to the opposite half plane, mirrored.
    """
    if tie in ("pooled", "record"):
        weighted = weights[:, :, None]
        forth = np.matmul(np.swapaxes(baseline.share * weighted, 1, 2), other.chance)
        back = np.matmul(np.swapaxes(other.share * weighted, 1, 2), baseline.chance)
    else:
        forth = np.matmul(np.swapaxes(baseline.share, 1, 2), np.matmul(weights, other.chance))
        turned = np.swapaxes(weights, 1, 2)
        back = np.matmul(np.swapaxes(other.share, 1, 2), np.matmul(turned, baseline.chance))
    whole = np.sum(forth, axis=1, keepdims=True)
    back_total = back[:, :, -1][:, None, :]
    u, v = (table.mean - table.centre[:, None] for table in (baseline, other))
    shift = (other.centre - baseline.centre)[:, None]

    def chance(at: Array) -> Array:
        d = at - shift
        mirrored = d > 0
        sign = np.where(mirrored, -1.0, 1.0)
        half = np.abs(d) / 2
        rows = _cut_weights(baseline, sign, half)
        first = _read(forth, other, u[:, None, :] + d[:, :, None])
        first = first - _read(forth, other, d[:, :, None] / 2)
        near = sign * np.sum(rows * first, axis=2)
        corner = _read(whole, other, d[:, :, None] / 2)[:, :, 0]
        corner = np.where(mirrored, 1.0 - corner, corner)
        rows = _cut_weights(other, -sign, half)
        last = _read(back, baseline, v[:, None, :] - d[:, :, None])
        last = np.where(mirrored[:, :, None], last, back_total - last)
        total = near + corner + np.sum(rows * last, axis=2)
        return np.asarray(np.where(mirrored, 1.0 - total, total), dtype=np.float64)

    return chance


def _read(joint: Array, table: _Table, at: Array) -> Array:
    """Read rows of a distribution function at any place, by a cubic in t.

    Parameters
    ----------
    joint : Array, shape (P, rows, X), or (P, 1, X)
    table : _Table whose grid the last axis follows
    at : Array, shape (P, Q, rows) or (P, Q, 1), counted from the centre of that grid
    """
    points = joint.shape[2]
    step = (2 * table.reach / (points - 1))[:, None, None]
    place = (np.arcsinh(at / table.scale[:, None, None]) + table.reach[:, None, None]) / step
    place = np.clip(place, 0.0, points - 1.0)
    left = np.clip(place.astype(np.intp), 1, points - 3)
    u = place - left
    flat = joint.reshape(-1)
    row = np.arange(joint.shape[0])[:, None, None] * joint.shape[1]
    start = (row + np.arange(joint.shape[1])[None, None, :]) * points + left
    before, at_left, at_right, beyond = _cubic(u)
    return np.asarray(
        before * flat[start - 1]
        + at_left * flat[start]
        + at_right * flat[start + 1]
        + beyond * flat[start + 2],
        dtype=np.float64,
    )


def _cut_weights(table: _Table, sign: Array, half: Array) -> Array:
    """Weights of grid points for an integral up to a cut that falls between two of them.

    The integral runs over ``sign * x < half``; whole steps by the trapezoid with its first end
    correction, the broken step by the cubic through its four neighbours.

    Returns
    -------
    Array, shape (P, Q, X)
    """
    points = table.mean.shape[1]
    step = (2 * table.reach / (points - 1))[:, None]
    # The grid is symmetric: weights are made for the upper cut and turned round for the lower.
    cut = (np.arcsinh(half / table.scale[:, None]) + table.reach[:, None]) / step
    cut = np.minimum(cut, points + 2.0)
    last = np.floor(cut).astype(np.intp)
    x = cut - last
    square, cube, fourth = x**2, x**3, x**4 / 4
    broken = np.stack(
        [
            25 / 24 - (fourth - cube + square) / 6,
            0.5 + (fourth - 2 * cube / 3 - square / 2 + 2 * x) / 2,
            -1 / 24 - (fourth - cube / 3 - square) / 2,
            (fourth - square / 2) / 6,
        ],
        axis=-1,
    )
    weights = (np.arange(points + 5) < last[:, :, None]).astype(np.float64)
    np.put_along_axis(weights, last[:, :, None] + np.arange(-1, 3), broken, axis=2)
    weights = weights[:, :, :points]
    turned = np.where(sign[:, :, None] > 0, weights, weights[:, :, ::-1])
    return np.asarray(turned, dtype=np.float64)


def _cubic(u: Array) -> tuple[Array, Array, Array, Array]:
    """Weights of the cubic through four points at -1, 0, 1, 2, read at u."""
    before, after, beyond = u + 1.0, u - 1.0, u - 2.0
    return (
        -u * after * beyond / 6.0,
        before * after * beyond / 2.0,
        -before * u * beyond / 2.0,
        before * u * after / 6.0,
    )


_INVERT_STEPS = 60
_BRACKET_STEPS = 60


def _invert(chance: Callable[[Array], Array], middle: Array, scale: Array, wanted: Array) -> Array:
    """Solve ``chance(d) = wanted`` for every problem and every wanted probability.

    With ``d = middle + scale * sinh(s)`` the log odds of the chance are nearly straight in s,
    whether the tails are normal or heavy, so that a few secant steps with the Illinois rule are
    enough; a step that leaves the bracket is replaced by halving it.
    """
    shape = (len(middle), len(wanted))
    target = np.broadcast_to(np.log(wanted / (1 - wanted)), shape)

    def missed(s: Array) -> Array:
        reached = chance(middle[:, None] + scale[:, None] * np.sinh(s))
        reached = np.clip(reached, 1e-15, 1 - 1e-15)
        return np.asarray(np.log(reached / (1 - reached)) - target, dtype=np.float64)

    near = np.zeros(shape)
    near_value = missed(near)
    side = np.where(near_value < 0, 1.0, -1.0)
    far = side * np.minimum(0.4 * np.abs(near_value) + 0.05, 2.0)
    far_value = missed(far)
    for _ in range(_BRACKET_STEPS):
        short = far_value * side < 0
        if not np.any(short):
            break
        near, near_value = np.where(short, far, near), np.where(short, far_value, near_value)
        # Beyond 300 the hyperbolic sine leaves the range of floating point for a wide scale.
        far = np.where(short, np.clip(far + side * 0.5 * np.abs(far), -300.0, 300.0), far)
        far_value = missed(far)
    s = _illinois(missed, (near, near_value), (far, far_value))
    return np.asarray(middle[:, None] + scale[:, None] * np.sinh(s), dtype=np.float64)


def _illinois(
    missed: Callable[[Array], Array], near: tuple[Array, Array], far: tuple[Array, Array]
) -> Array:
    (a, fa), (b, fb) = near, far
    best = np.where(np.abs(fa) < np.abs(fb), a, b)
    done = np.minimum(np.abs(fa), np.abs(fb)) <= _ODDS_PRECISION
    for _ in range(_INVERT_STEPS):
        slope = fb - fa
        safe = np.where(slope == 0, 1.0, slope)
        guess = np.where(slope == 0, 0.5 * (a + b), b - fb * (b - a) / safe)
        low, high = np.minimum(a, b), np.maximum(a, b)
        guess = np.where((guess > low) & (guess < high), guess, 0.5 * (low + high))
        value = missed(guess)
        best = np.where(done, best, guess)
        crossed = value * fb <= 0
        a, fa = np.where(crossed, b, a), np.where(crossed, fb, 0.5 * fa)
        b, fb = guess, value
        done |= (np.abs(value) <= _ODDS_PRECISION) | (np.abs(b - a) <= 1e-9)
        if np.all(done):
            break
    return np.asarray(best, dtype=np.float64)
