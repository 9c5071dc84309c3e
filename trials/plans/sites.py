"""Which zone of which specimen meets which method: an integer program.

For specimen i, method m and zone z, ``x[i, m, z]`` counts the runs. Runs that find no site are
counted in ``short[i, m]``, at a price above everything else, so that the program always has an
answer and the answer says what is missing. Balance is asked for with slack at a lower price:

* within one over the arms, for each method and zone (or side, where the arms are different
  products), scaled to the number of specimens;
* within one between left and right, for each method: in all, by arm and by specimen.

A run takes ``1/n`` of a zone that carries ``n`` of its runs, and spoils that share, the zone or the
specimen for the methods it says (`Spoils`), as far as they come after it: the shares spoiled for a
method and its own never pass one, and nothing is put where a whole zone or specimen is spoiled for
it. Among equally good answers small prices drawn from the seed decide. Solved by HiGHS through
`scipy.optimize.milp`.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

from trials.plans.design import LEFT, RIGHT, Ask, Item, MethodNeed, Missing, ZoneSpace

SHORT_PRICE = 1000.0
PIN_PRICE = 200.0
ARM_PRICE = 30.0
SIDE_PRICE = 10.0
DRAW_PRICE = 0.01
LONGEST_SECONDS = 30.0
GAP = 1e-4

Place = tuple[str, str, str]  # specimen, method, zone


@dataclass(frozen=True, kw_only=True)
class Sited:
    """How many new runs each place takes, and what found no place."""

    new: dict[Place, int]
    missing: tuple[Missing, ...]


class _Program:
    """Rows and columns as they are gathered."""

    def __init__(self) -> None:
        self.price: list[float] = []
        self.most: list[float] = []
        self.whole: list[int] = []
        self.entries: list[tuple[int, int, float]] = []
        self.low: list[float] = []
        self.high: list[float] = []

    def column(self, price: float, most: float, *, whole: bool) -> int:
        self.price.append(price)
        self.most.append(most)
        self.whole.append(int(whole))
        return len(self.price) - 1

    def row(self, terms: Iterable[tuple[int, float]], low: float, high: float) -> None:
        number = len(self.low)
        self.entries += [(number, column, factor) for column, factor in terms]
        self.low.append(low)
        self.high.append(high)

    def within(
        self, terms: list[tuple[int, float]], constant: float, most: float, price: float
    ) -> None:
        """Keep |terms + constant| <= most, or pay for what is above it."""
        if not terms:
            return
        slack = self.column(price, np.inf, whole=False)
        self.row([*terms, (slack, -1.0)], -np.inf, most - constant)
        self.row([*terms, (slack, 1.0)], -most - constant, np.inf)

    def solve(self) -> np.ndarray:
        rows, columns, factors = zip(*self.entries, strict=True)
        matrix = csr_array((factors, (rows, columns)), shape=(len(self.low), len(self.price)))
        found = milp(
            np.array(self.price),
            integrality=np.array(self.whole),
            bounds=Bounds(0, np.array(self.most)),
            constraints=LinearConstraint(matrix, np.array(self.low), np.array(self.high)),
            options={"time_limit": LONGEST_SECONDS, "mip_rel_gap": GAP},
        )
        if found.x is None:
            # every run may be left out at a price, so that no answer means no time
            raise TimeoutError(found.message)
        return np.asarray(found.x)


def site_runs(ask: Ask) -> Sited:
    """Give every run still wanted a zone, or say on which specimens there is none.

    Raises
    ------
    TimeoutError
        When the solver finds no answer within `LONGEST_SECONDS`.
    """
    wanted = {
        (item.code, method.key): count
        for item in ask.items
        for method in ask.methods
        if (count := still_wanted(ask, item, method)) > 0
    }
    if not wanted:
        return Sited(new={}, missing=())
    program = _Program()
    x = _columns(program, ask, wanted)
    short = {pair: program.column(SHORT_PRICE, count, whole=True) for pair, count in wanted.items()}
    for (specimen, method), count in wanted.items():
        zones = [(column, 1.0) for place, column in x.items() if place[:2] == (specimen, method)]
        program.row([*zones, (short[specimen, method], 1.0)], count, count)
    _unspoiled(program, ask, x)
    _arms_alike(program, ask, x)
    _sides_alike(program, ask, x)
    _pinned(program, ask, x)
    answer = np.rint(program.solve()).astype(int)
    arms = {item.code: item.arm for item in ask.items}
    return Sited(
        new={place: int(answer[column]) for place, column in x.items() if answer[column]},
        missing=tuple(
            Missing(specimen=s, arm=arms[s], method=m, count=int(answer[column]))
            for (s, m), column in short.items()
            if answer[column]
        ),
    )


def still_wanted(ask: Ask, item: Item, method: MethodNeed) -> int:
    """How many runs of the method the specimen lacks."""
    held = sum(run.specimen == item.code and run.method == method.key for run in ask.held)
    return max(0, method.runs_each - held)


def _columns(program: _Program, ask: Ask, wanted: dict[tuple[str, str], int]) -> dict[Place, int]:
    draw = np.random.default_rng(ask.seed)
    x: dict[Place, int] = {}
    for item in ask.items:
        for method in ask.methods:
            count = wanted.get((item.code, method.key), 0)
            for zone in item.zones:
                # one draw for every place whether it is wanted or not: pins move nothing else
                price = float(draw.uniform(0, DRAW_PRICE))
                free = min(count, len(zone.free.get(method.key, ())))
                if free and zone.gone(method.key) + zone.share(method.key) <= 1 + 1e-9:
                    place = (item.code, method.key, zone.code)
                    x[place] = program.column(price, free, whole=True)
    return x


class _Here:
    """What may stand in one zone of one specimen: new runs as columns, runs on the sheet as counts."""

    def __init__(self, ask: Ask, x: dict[Place, int], item: Item, zone: ZoneSpace) -> None:
        self.zone = zone
        self.columns = {
            method.key: x[item.code, method.key, zone.code]
            for method in ask.methods
            if (item.code, method.key, zone.code) in x
        }
        self.waiting: dict[str, int] = defaultdict(int)
        for run in ask.held:
            if run.specimen == item.code and run.zone == zone.code and not run.is_read:
                self.waiting[run.method] += 1

    def holds(self, method: str) -> bool:
        return method in self.columns or self.waiting[method] > 0


def _unspoiled(program: _Program, ask: Ask, x: dict[Place, int]) -> None:
    """Nothing stands where something that comes before it, or did, has spoiled the place."""
    for item in ask.items:
        here = [_Here(ask, x, item, zone) for zone in item.zones]
        for one in here:
            for method in ask.methods:
                if one.holds(method.key):
                    _share_left(program, ask, one, method)
        for first, later in spoiling_pairs(ask.methods, "zone"):
            for one in here:
                _one_of(program, [one], first, later)
        for first, later in spoiling_pairs(ask.methods, "specimen"):
            _one_of(program, here, first, later)


def spoiling_pairs(
    methods: Sequence[MethodNeed], reach: str
) -> Iterator[tuple[MethodNeed, MethodNeed]]:
    """Methods with those they spoil at this reach, by the order of their stages."""
    for first in methods:
        for later in methods:
            is_spoiled = later.stage in getattr(first.spoils, reach)
            if first.key != later.key and first.stage <= later.stage and is_spoiled:
                yield first, later


def _share_left(program: _Program, ask: Ask, here: _Here, method: MethodNeed) -> None:
    """Shares spoiled for the method by what comes before it, and its own, are one at most."""
    zone = here.zone
    before = [
        other
        for other in ask.methods
        if other.stage <= method.stage
        and method.stage in other.spoils.site
        and here.holds(other.key)
    ]
    left = 1 - zone.gone(method.key) + 1e-9
    used = sum(zone.share(m.key) * here.waiting[m.key] for m in before)
    terms = [(here.columns[m.key], zone.share(m.key)) for m in before if m.key in here.columns]
    own = here.columns.get(method.key)
    if method in before:
        own_share = 0.0
    else:
        # it spoils nothing for itself: one run needs as much room as ten
        own_share = zone.share(method.key)
        used += own_share if here.waiting[method.key] else 0.0
    if here.waiting[method.key] or (_all_alike(ask, before, zone) and method in before):
        program.row(terms, -np.inf, max(0.0, left - used))
        return
    if own is None or (not terms and used + own_share <= left):
        return
    # only where the method comes at all: is_there is one, and what is over has no limit otherwise
    is_there = _presence(program, [own])
    over = sum(factor * program.most[column] for column, factor in terms) + used
    program.row([*terms, (is_there, own_share + over)], -np.inf, left - used + over)


def _all_alike(ask: Ask, methods: Sequence[MethodNeed], zone: ZoneSpace) -> bool:
    """True when each spoils its share for each that comes after it, and none is worse off before."""
    return len({zone.gone(one.key) for one in methods}) <= 1 and all(
        later.stage in first.spoils.site
        for first in methods
        for later in methods
        if first.stage <= later.stage
    )


def _presence(program: _Program, columns: Sequence[int]) -> int:
    """A column that is one as soon as any of these is above zero."""
    is_there = program.column(0.0, 1, whole=True)
    for column in columns:
        program.row([(column, 1.0), (is_there, -program.most[column])], -np.inf, 0.0)
    return is_there


def _one_of(program: _Program, here: Sequence[_Here], first: MethodNeed, later: MethodNeed) -> None:
    """Runs of one of the two only."""
    columns = [[one.columns[m.key] for one in here if m.key in one.columns] for m in (first, later)]
    stands = [any(one.waiting[m.key] for one in here) for m in (first, later)]
    if all(stands) or not any(columns):
        return
    for k in (0, 1):
        if stands[k]:
            for column in columns[1 - k]:
                program.row([(column, 1.0)], 0.0, 0.0)
            return
    if all(columns):
        both = [(_presence(program, own), 1.0) for own in columns]
        program.row(both, -np.inf, 1.0)


def _arms_alike(program: _Program, ask: Ask, x: dict[Place, int]) -> None:
    size = {arm: sum(item.arm == arm for item in ask.items) for arm in ask.arms}
    present = [arm for arm in ask.arms if size[arm]]
    one_product = len({item.product for item in ask.items}) == 1
    for method in ask.methods:
        terms: dict[tuple[str, str], list[int]] = defaultdict(list)
        fixed: dict[tuple[str, str], int] = defaultdict(int)
        for item, zone, held in _where(ask, method.key):
            group = zone.code if one_product else zone.side
            fixed[group, item.arm] += held
            column = x.get((item.code, method.key, zone.code))
            if column is not None:
                terms[group, item.arm].append(column)
        for group in sorted({group for group, _ in terms}):
            for one, other in combinations(present, 2):
                least = min(size[one], size[other])
                first, second = least / size[one], least / size[other]
                program.within(
                    [(c, first) for c in terms[group, one]]
                    + [(c, -second) for c in terms[group, other]],
                    first * fixed[group, one] - second * fixed[group, other],
                    1.0,
                    ARM_PRICE,
                )


def _sides_alike(program: _Program, ask: Ask, x: dict[Place, int]) -> None:
    sign = {LEFT: 1.0, RIGHT: -1.0}
    for method in ask.methods:
        by_arm: dict[str, list[tuple[int, float]]] = defaultdict(list)
        by_item: dict[str, list[tuple[int, float]]] = defaultdict(list)
        fixed: dict[str, float] = defaultdict(float)
        for item, zone, held in _where(ask, method.key):
            if zone.side not in sign:
                continue
            for name in (item.arm, item.code, ""):
                fixed[name] += sign[zone.side] * held
            column = x.get((item.code, method.key, zone.code))
            if column is not None:
                by_arm[item.arm].append((column, sign[zone.side]))
                by_item[item.code].append((column, sign[zone.side]))
        whole = [term for terms in by_arm.values() for term in terms]
        for name, terms in (*by_arm.items(), *by_item.items(), ("", whole)):
            program.within(terms, fixed[name], 1.0, SIDE_PRICE)


def _where(ask: Ask, method: str) -> Iterable[tuple[Item, ZoneSpace, int]]:
    """Every zone that carries the method, with the runs it holds already."""
    held: dict[tuple[str, str], int] = defaultdict(int)
    for run in ask.held:
        if run.method == method:
            held[run.specimen, run.zone] += 1
    for item in ask.items:
        for zone in item.zones:
            if method in zone.sites:
                yield item, zone, held[item.code, zone.code]


def _pinned(program: _Program, ask: Ask, x: dict[Place, int]) -> None:
    wanted: dict[Place, int] = defaultdict(int)
    for pin in ask.pins:
        if pin.zone is not None:
            specimen, method, _ = pin.slot.split(":")
            wanted[specimen, method, pin.zone] += 1
    for place, count in wanted.items():
        if place in x:
            lacking = program.column(PIN_PRICE, np.inf, whole=False)
            program.row([(x[place], 1.0), (lacking, 1.0)], count, np.inf)
