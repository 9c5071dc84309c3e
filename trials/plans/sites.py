"""Which zone of which specimen meets which method: an integer program.

For specimen i, method m and zone z, ``x[i, m, z]`` counts the runs. Runs that find no site are
counted in ``short[i, m]``, at a price above everything else, so that the program always has an
answer and the answer says what is missing. Balance is asked for with slack at a lower price:

* within one over the arms, for each method and zone (or side, where the arms are different
  products), scaled to the number of specimens;
* within one between left and right, for each method and arm, and for each specimen.

Methods that spoil a zone share it: a run takes ``1/n`` of a zone that carries ``n`` of its runs,
and the shares of all spoiling runs of a zone never pass one. Among equally good answers small
prices drawn from the seed decide. Solved by HiGHS through `scipy.optimize.milp`.
"""

from collections import defaultdict
from collections.abc import Iterable
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
    _shares(program, ask, x)
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
                if free:
                    place = (item.code, method.key, zone.code)
                    x[place] = program.column(price, free, whole=True)
    return x


def zone_share(zone: ZoneSpace, method: str) -> float:
    """The part of the zone that one run of the method takes."""
    return 1 / zone.sites[method]


def _shares(program: _Program, ask: Ask, x: dict[Place, int]) -> None:
    spoiling = [method.key for method in ask.methods if method.spoils]
    for item in ask.items:
        for zone in item.zones:
            terms = [
                (x[item.code, key, zone.code], zone_share(zone, key))
                for key in spoiling
                if (item.code, key, zone.code) in x
            ]
            if terms:
                program.row(terms, -np.inf, max(0.0, 1 - zone.spoiled) + 1e-9)


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
            fixed[item.arm] += sign[zone.side] * held
            fixed[item.code] += sign[zone.side] * held
            column = x.get((item.code, method.key, zone.code))
            if column is not None:
                by_arm[item.arm].append((column, sign[zone.side]))
                by_item[item.code].append((column, sign[zone.side]))
        for name, terms in (*by_arm.items(), *by_item.items()):
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
