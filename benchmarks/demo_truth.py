"""How often the demo lab's true values lie inside its 95 % intervals, over many seeds.

``python -m benchmarks.demo_truth --write`` makes the invented lab anew for every seed, reads its
files with the lab's own reader, takes the method's record from its control runs, and compares. What
the benches read and each item's luck are drawn anew; people, gear and plans stay the same. The table
goes into reports/degradation/METHOD.md between its markers.
"""

from __future__ import annotations

import os

# One core: set before numpy starts its threads.
os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import csv
import json
import math
import sys
import tempfile
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

from fixtures.demo_lab import SPECIMENS
from fixtures.make_demo import generate, specimen_codes
from reports.degradation import Interval, Record, compare_many, specimen_interval
from reports.degradation.record import method_record
from reports.degradation.trend import trend
from trials.intervals import ReadingKind, Scale
from trials.readings_csv import rows_of

ROOT = Path(__file__).resolve().parent.parent
METHOD = ROOT / "reports" / "degradation" / "METHOD.md"
BEGIN, END = "<!-- demo truth table: begin -->", "<!-- demo truth table: end -->"
KINDS = ("one item a side, by the record", "several items a side", "slope over service")


@dataclass(frozen=True, slots=True)
class Held:
    """One interval: of which kind, of what, and whether it held the truth."""

    kind: str
    what: tuple[str, str]  # study and method; arms of both share their baseline
    is_held: bool
    seed: int = 0


def scale_of(key: str) -> tuple[Scale, bool]:
    """How a shipped method reads, and whether more is better."""
    text = (ROOT / "trials" / "methods" / f"{key}.json").read_text(encoding="utf-8")
    method: dict[str, Any] = json.loads(text)
    scale = Scale(
        kind=ReadingKind(method["outcome_kind"]),
        unit=method["unit"],
        resolution=method["resolution"],
        detection_limit=method["detection_limit"],
        range_low=method["range_low"],
        range_high=method["range_high"],
        levels=tuple(method["levels"]),
        grades=tuple(step["grade"] for step in method["grade_scale"]),
    )
    return scale, method["direction"] == "higher"


def held_of(seed: int, folder: Path) -> Iterator[Held]:
    """Every interval of one copy of the lab against its truth."""
    generate(seed, folder)
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))["studies"]
    controls = _controls(folder / "controls.csv")
    for study in json.loads((folder / "studies.json").read_text(encoding="utf-8")):
        scales = {m["key"]: scale_of(m["key"]) for m in study["methods"]}
        content = (folder / f"readings-{study['slug']}.csv").read_bytes()
        rows, problems = rows_of(content, {key: scale for key, (scale, _) in scales.items()})
        if problems:
            raise RuntimeError(f"seed {seed}: the lab's own file is refused: {problems[0]}")
        readings: dict[tuple[str, str], list[Interval]] = defaultdict(list)
        days: dict[tuple[str, str], set[date]] = defaultdict(set)
        for row in rows:
            bounds = row.entry.bounds if row.entry else None
            if bounds is not None and not row.void_reason:
                place = (row.claim.method, row.claim.specimen)
                readings[place].append(Interval(bounds.low, bounds.high))
                days[place].add(row.measured_at.date())
        for key, (_, higher) in scales.items():
            known = truth[study["slug"]]["methods"][key]
            if "retention" in known:
                yield from _of_method(study, key, known, (readings, days, controls, higher))


Given = tuple[
    dict[tuple[str, str], list[Interval]],
    dict[tuple[str, str], set[date]],
    dict[str, dict[str, list[Interval]]],
    bool,
]


def _of_method(
    study: dict[str, Any], key: str, known: dict[str, Any], given: Given
) -> Iterator[Held]:
    readings, days, controls, higher = given
    what = (study["slug"], key)
    arms = {
        arm["key"]: [code for code in arm["specimens"] if readings[key, code]]
        for arm in study["arms"]
    }
    values = {
        arm: [specimen_interval(readings[key, code]) for code in codes]
        for arm, codes in arms.items()
    }
    baseline = next(arm["key"] for arm in study["arms"] if arm["is_baseline"])
    record = method_record(controls[key]) if controls.get(key) else None
    for arm in arms:
        if arm == baseline or not values[arm] or not values[baseline]:
            continue
        single = min(len(values[arm]), len(values[baseline])) == 1
        prior: Record | None = None
        if single and record is not None:
            codes = arms[arm] + arms[baseline]
            prior = record.for_these_items(
                readings_per_specimen=min(len(readings[key, code]) for code in codes),
                same_session=len({frozenset(days[key, code]) for code in codes}) == 1,
            )
        (found,) = compare_many(
            [(values[baseline], values[arm])], higher_is_better=higher, record=prior
        )
        if found.refusal:
            continue
        true = known["retention_of_these_items" if single else "retention"][arm]
        kind = KINDS[0] if single else KINDS[1]
        yield Held(kind, what, found.low <= true * (1 + 1e-6) and true <= found.high * (1 + 1e-6))
    if "driver" in known:
        yield from _of_trend(known, arms, values, what, higher=higher)


def _of_trend(
    known: dict[str, Any],
    arms: dict[str, list[str]],
    values: dict[str, list[Interval]],
    what: tuple[str, str],
    *,
    higher: bool,
) -> Iterator[Held]:
    served = dict(zip(specimen_codes(len(SPECIMENS)), SPECIMENS, strict=True))
    specimens = [
        (float(getattr(served[code], known["driver"])), value)
        for arm, codes in arms.items()
        for code, value in zip(codes, values[arm], strict=True)
    ]
    found = trend(specimens, higher_is_better=higher)
    if found.slope_low is not None and found.slope_high is not None:
        per = 10_000 if known["driver"] == "distance_km" else 12
        yield Held(KINDS[2], what, found.slope_low <= -known["log_loss"] / per <= found.slope_high)


def _controls(path: Path) -> dict[str, dict[str, list[Interval]]]:
    found: dict[str, dict[str, list[Interval]]] = defaultdict(lambda: defaultdict(list))
    with path.open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            high = float(row["high"]) if row["high"] else math.inf
            found[row["method"]][row["session"]].append(Interval(float(row["low"]), high))
    return found


def count(seeds: range) -> list[Held]:
    """All intervals of all these seeds."""
    held: list[Held] = []
    for seed in seeds:
        with tempfile.TemporaryDirectory() as folder:
            held += [replace(one, seed=seed) for one in held_of(seed, Path(folder))]
        if sys.stderr.isatty():
            print(f"seed {seed}: {len(held)} intervals", file=sys.stderr, flush=True)
    return held


def table(held: list[Held], seeds: int) -> str:
    """The counts as Markdown."""
    lines = [
        f"{seeds} copies of the invented lab.",
        "",
        "| intervals | how many | hold the truth |",
        "|---|---|---|",
    ]
    for kind in KINDS:
        mine = [one.is_held for one in held if one.kind == kind]
        lines.append(f"| {kind} | {len(mine):,} | {100 * sum(mine) / len(mine):.1f} % |")
    return "\n".join(lines)


def main() -> None:
    """Print the table, and put it into METHOD.md when asked."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=200)
    parser.add_argument("--write", action="store_true")
    asked = parser.parse_args()
    text = table(count(range(1000, 1000 + asked.seeds)), asked.seeds)
    print(text)
    if asked.write:
        page = METHOD.read_text(encoding="utf-8")
        head, rest = page.split(BEGIN)
        _, tail = rest.split(END)
        METHOD.write_text(f"{head}{BEGIN}\n{text}\n{END}{tail}", encoding="utf-8")


if __name__ == "__main__":
    main()
