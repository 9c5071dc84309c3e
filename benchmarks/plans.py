"""Time the planner from 3 to 400 runs, and beside it a search without a solver.

Run from the top folder:  python -m benchmarks.plans [--write]

With --write the table goes into docs/plans.md as well. "Mixed" is the same ask where methods spoil
different families at different reaches, which takes more columns than when all spoil all.

The peer gives every run the first free site in a random order, again and again for as long as the
integer program took, and keeps the most even answer. Unevenness is the sum, over methods, zones
and sides, of what goes beyond one run of difference between arms, and between left and right.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from time import perf_counter

import numpy as np

from trials.plans.check import sessions_uneven
from trials.plans.design import ITS_SITE, NOTHING, Ask, Item, MethodNeed, Spoils, ZoneSpace
from trials.plans.sites import Place, site_runs
from trials.plans.solve import solve

DOCUMENT = Path(__file__).resolve().parents[1] / "docs" / "plans.md"
BEGIN, END = "<!-- measured -->", "<!-- end -->"
NAMES = ("water", "seam", "drop", "point", "belt", "heat", "flame")
STAGES = (1, 3, 4, 5, 6, 7, 8)
CARRIES = {
    "back": ("none", {"water": 2, "flame": 2}),
    "left-palm": ("left", {"drop": 2, "belt": 4, "heat": 4}),
    "right-palm": ("right", {"drop": 2, "belt": 4, "heat": 4}),
    "left-sleeve": ("left", {"belt": 4, "seam": 3, "point": 4}),
    "right-sleeve": ("right", {"belt": 4, "seam": 3, "point": 4}),
}
SIZES = ((3, 1, 1), (2, 2, 3), (2, 4, 5), (3, 4, 7), (2, 10, 7), (3, 10, 7), (4, 14, 7))


MIXED = (
    NOTHING,
    Spoils(site=frozenset({3, 6})),
    Spoils(zone=frozenset({6, 7})),
    Spoils(site=frozenset({5, 8})),
    ITS_SITE,
    Spoils(site=frozenset({7}), specimen=frozenset({0, 1})),
    Spoils(zone=frozenset(range(9))),
)


def made_ask(arm_count: int, items_each: int, method_count: int, *, is_mixed: bool = False) -> Ask:
    """An ask of so many arms, items an arm and methods."""
    arms = tuple(f"Arm {k}" for k in range(arm_count))
    zones = tuple(
        ZoneSpace(
            code=code,
            name=code,
            side=side,
            sites=sites,
            free={key: tuple(range(1, n + 1)) for key, n in sites.items()},
        )
        for code, (side, sites) in CARRIES.items()
    )
    items = tuple(
        Item(code=f"{a}-{k}", arm=arm, product="one", zones=zones)
        for a, arm in enumerate(arms)
        for k in range(items_each)
    )
    methods = tuple(
        MethodNeed(
            key=key,
            name=key,
            stage=stage,
            spoils=MIXED[k] if is_mixed else NOTHING if key == "water" else ITS_SITE,
            wets=key == "water",
            runs_each=1,
            minutes=15,
        )
        for k, (key, stage) in enumerate(list(zip(NAMES, STAGES, strict=True))[:method_count])
    )
    return Ask(arms=arms, items=items, methods=methods, session_minutes=420, seed=1)


def unevenness(ask: Ask, counts: dict[Place, int]) -> int:
    """What goes beyond one run of difference, summed."""
    arm = {item.code: item.arm for item in ask.items}
    side = {zone.code: zone.side for zone in ask.items[0].zones}
    zones: Counter[tuple[str, str, str]] = Counter()
    sides: Counter[tuple[str, str, str]] = Counter()
    for (specimen, method, zone), count in counts.items():
        zones[method, zone, arm[specimen]] += count
        sides[method, arm[specimen], side[zone]] += count
    total = 0
    for method, zone in {key[:2] for key in zones}:
        own = [zones[method, zone, name] for name in ask.arms]
        total += max(0, max(own) - min(own) - 1)
    for method, name in {key[:2] for key in sides}:
        total += max(0, abs(sides[method, name, "left"] - sides[method, name, "right"]) - 1)
    return total


def by_chance(ask: Ask, draw: np.random.Generator) -> tuple[int, dict[Place, int]]:
    """Every run on the first place with room in a random order; how many found none."""
    counts: dict[Place, int] = {}
    left = {(item.code, zone.code): 1.0 for item in ask.items for zone in item.zones}
    lost = 0
    runs = [(i, m) for i in ask.items for m in ask.methods for _ in range(m.runs_each)]
    for k in draw.permutation(len(runs)):
        item, method = runs[k]
        for z in draw.permutation(len(item.zones)):
            zone = item.zones[z]
            share = 1 / zone.sites[method.key] if method.key in zone.sites else 2
            taken = counts.get((item.code, method.key, zone.code), 0)
            room = left[item.code, zone.code] >= share - 1e-9 if method.spoils.site else True
            if share <= 1 and room and taken < zone.sites[method.key]:
                counts[item.code, method.key, zone.code] = taken + 1
                left[item.code, zone.code] -= share if method.spoils.site else 0
                break
        else:
            lost += 1
    return lost, counts


@dataclass(frozen=True)
class Line:
    """What one size took and gave."""

    runs: int
    sites_s: float
    plan_s: float
    mixed_s: float
    own: tuple[int, int, int]  # without a site, uneven over zones and sides, uneven over sessions
    peer: tuple[int, int]


def measured(arm_count: int, items_each: int, method_count: int) -> Line:
    """One size, planned three times and searched by chance for as long as the program took."""
    ask = made_ask(arm_count, items_each, method_count)
    started = perf_counter()
    sited = site_runs(ask)
    took = perf_counter() - started
    started = perf_counter()
    plan = solve(ask)
    whole = perf_counter() - started
    started = perf_counter()
    solve(made_ask(arm_count, items_each, method_count, is_mixed=True))
    mixed = perf_counter() - started
    draw = np.random.default_rng(1)
    until = perf_counter() + took
    best = (10**9, 10**9)
    while perf_counter() < until:
        lost, counts = by_chance(ask, draw)
        best = min(best, (lost, unevenness(ask, counts)))
    missing = sum(one.count for one in sited.missing)
    sessions = len(list(sessions_uneven(ask, plan.slots)))
    own = missing, unevenness(ask, sited.new), sessions
    return Line(len(plan.slots), took, whole, mixed, own, best)


def table(lines: list[Line]) -> str:
    """The lines as a table in Markdown."""
    rows = [
        (
            "| runs | sites | whole plan | mixed spoils | without a site, uneven by zone, by session "
            "| by chance in the same time: without a site, uneven |"
        ),
        "|---:|---:|---:|---:|---:|---:|",
    ]
    rows += [
        f"| {one.runs} | {one.sites_s:.3f} s | {one.plan_s:.3f} s | {one.mixed_s:.3f} s | "
        f"{one.own[0]}, {one.own[1]}, {one.own[2]} | {one.peer[0]}, {one.peer[1]} |"
        for one in lines
    ]
    return "\n".join(rows)


def growth(lines: list[Line]) -> float:
    """The power of the number of runs that the time of a whole plan grows with, from 40 runs on."""
    large = [one for one in lines if one.runs >= 40]
    x = np.log([one.runs for one in large])
    y = np.log([one.plan_s for one in large])
    return float(np.polyfit(x, y, 1)[0])


def main() -> None:
    """Print the table; with --write put it into the document too."""
    lines = [measured(*size) for size in SIZES]
    text = (
        f"{table(lines)}\n\nFrom 40 runs on the time grows with the {growth(lines):.1f}th power of "
        "the number of runs."
    )
    sys.stdout.write(f"{text}\n")
    if "--write" in sys.argv[1:]:
        before, _, rest = DOCUMENT.read_text(encoding="utf-8").partition(BEGIN)
        after = rest.partition(END)[2]
        DOCUMENT.write_text(f"{before}{BEGIN}\n{text}\n{END}{after}", encoding="utf-8")


if __name__ == "__main__":
    main()
