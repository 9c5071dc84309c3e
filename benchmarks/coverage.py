"""How often the 95 % intervals hold the truth, beside ordinary maximum likelihood.

``python -m benchmarks.coverage --write`` simulates every condition and writes the table into
reports/degradation/METHOD.md between its markers. All data are invented by the simulation.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import log_ndtr, ndtr

from reports.degradation import Interval, Record, compare_many

Array = NDArray[np.float64]
METHOD = Path(__file__).resolve().parent.parent / "reports" / "degradation" / "METHOD.md"
BEGIN, END = "<!-- coverage table: begin -->", "<!-- coverage table: end -->"
Reading = Callable[[Array], list[Interval]]


@dataclass(frozen=True, slots=True)
class Condition:
    """A design to simulate: counts, scatters on the log scale, and how a value is read."""

    words: str
    sizes: tuple[int, int]
    scatters: tuple[float, float]
    read: str
    record_freedom: float | None = None


CONDITIONS = (
    Condition("1 against 1, record of 10 degrees", (1, 1), (0.1, 0.1), "fine", 10),
    Condition("2 against 2", (2, 2), (0.1, 0.1), "fine"),
    Condition("3 against 3", (3, 3), (0.1, 0.1), "fine"),
    Condition("5 against 5", (5, 5), (0.1, 0.1), "fine"),
    Condition("2 against 3", (2, 3), (0.1, 0.1), "fine"),
    Condition("3 against 3, scatter 0.1 and 0.3", (3, 3), (0.1, 0.3), "fine"),
    Condition("3 against 8, scatter 0.1 and 0.3", (3, 8), (0.1, 0.3), "fine"),
    Condition("3 against 8, scatter 0.3 and 0.1", (3, 8), (0.3, 0.1), "fine"),
    Condition("2 against 2, steps of 26 %", (2, 2), (0.1, 0.1), "steps 1.26"),
    Condition("3 against 3, steps of 26 %", (3, 3), (0.1, 0.1), "steps 1.26"),
    Condition("5 against 5, steps of 26 %", (5, 5), (0.1, 0.1), "steps 1.26"),
    Condition("3 against 3, steps of 2", (3, 3), (0.1, 0.1), "steps 2"),
    Condition("3 against 8, steps of 26 %, scatter 0.3 and 0.1", (3, 8), (0.3, 0.1), "steps 1.26"),
    Condition("3 against 3, a third stopped early", (3, 3), (0.1, 0.1), "stopped"),
    Condition("5 against 5, a third stopped early", (5, 5), (0.1, 0.1), "stopped"),
    Condition("5 against 5, a third below detection", (5, 5), (0.1, 0.1), "below"),
    Condition("3 against 8, a third stopped, 0.3 and 0.1", (3, 8), (0.3, 0.1), "stopped"),
)


def simulate(
    condition: Condition, count: int, rng: np.random.Generator
) -> tuple[list[tuple[list[Interval], list[Interval]]], list[Record | None], Array]:
    """Draw studies with a log ratio between half and nothing lost, and a level anywhere."""
    truths = rng.uniform(math.log(0.5), 0.0, count)
    pairs, records = [], []
    for truth in truths:
        level = rng.uniform(2.0, 2.0 + math.log(2.0))
        values = [
            level + shift + scatter * rng.standard_normal(size)
            for shift, scatter, size in zip(
                (0.0, truth), condition.scatters, condition.sizes, strict=True
            )
        ]
        pairs.append(_read(values, condition.read))
        freedom = condition.record_freedom
        records.append(
            None
            if freedom is None
            else Record(condition.scatters[0] ** 2 * rng.chisquare(freedom) / freedom, freedom)
        )
    return pairs, records, truths


def _read(values: list[Array], how: str) -> tuple[list[Interval], list[Interval]]:
    # A third of each arm is cut off at its own limit, as when a run is stopped by the clock.
    arms = []
    for logs in values:
        cut = len(logs) // 3 if len(logs) < 5 else max(1, round(len(logs) / 3))
        ordered = np.sort(logs)
        if how == "stopped":
            limit = 0.5 * (ordered[-cut - 1] + ordered[-cut])
            arm = [_fine(x) if x < limit else Interval(math.exp(limit), math.inf) for x in logs]
        elif how == "below":
            limit = 0.5 * (ordered[cut - 1] + ordered[cut])
            arm = [_fine(x) if x > limit else Interval(0.0, math.exp(limit)) for x in logs]
        elif how.startswith("steps"):
            step = math.log(float(how.split()[1]))
            arm = [_bracket(x, step) for x in logs]
        else:
            arm = [_fine(x) for x in logs]
        arms.append(arm)
    return arms[0], arms[1]


def _fine(log_value: float) -> Interval:
    return _bracket(log_value, 0.01)


def _bracket(log_value: float, step: float) -> Interval:
    below = math.floor(log_value / step)
    return Interval(math.exp(below * step), math.exp((below + 1) * step))


def maximum_likelihood(
    baseline: list[Interval], other: list[Interval], level_quantile: float = 1.959964
) -> tuple[float, float] | None:
    """Wald interval of the log ratio, one scatter for both arms: the usual fit and its interval.

    Returns
    -------
    (low, high) on the log scale, or None when the fit has no proper maximum.
    """
    low = np.array([r.log_low for r in baseline + other])
    high = np.array([r.log_high for r in baseline + other])
    arm = np.array([0.0] * len(baseline) + [1.0] * len(other))
    finite = np.where(np.isfinite(low) & np.isfinite(high), 0.5 * (low + high), low)
    middle = np.where(np.isfinite(finite), finite, high)
    first, second = np.mean(middle[arm == 0]), np.mean(middle[arm == 1])
    start = np.array(
        [first, second - first, math.log(np.std(middle - first * (1 - arm) - second * arm) + 0.01)]
    )

    def loss(theta: Array) -> float:
        sigma = math.exp(min(max(theta[2], -12.0), 6.0))
        mean = theta[0] + theta[1] * arm
        a, b = (low - mean) / sigma, (high - mean) / sigma
        flip = b > -a
        upper, under = np.where(flip, -a, b), np.where(flip, -b, a)
        inside = np.maximum(ndtr(upper) - ndtr(under), 1e-300)
        return -float(np.sum(np.where(inside > 1e-290, np.log(inside), log_ndtr(upper))))

    best = minimize(
        loss, start, method="Nelder-Mead", options={"xatol": 1e-5, "fatol": 1e-8, "maxiter": 800}
    )
    hessian = _hessian(loss, best.x, 1e-3 * math.exp(max(best.x[2], -7.0)))
    try:
        variance = float(np.linalg.inv(hessian)[1, 1])
    except np.linalg.LinAlgError:
        return None
    # A scatter that runs to nothing, or an interval wider than a factor of e^20, is no answer.
    if not 0 < variance < 25 or best.x[2] < -8:
        return None
    reach = level_quantile * math.sqrt(variance)
    return best.x[1] - reach, best.x[1] + reach


def _hessian(loss: Callable[[Array], float], at: Array, scale: float) -> Array:
    steps = np.array([scale, scale, 1e-3])
    size = len(at)
    result = np.empty((size, size))
    for i in range(size):
        for j in range(size):
            one, two = np.zeros(size), np.zeros(size)
            one[i], two[j] = steps[i], steps[j]
            result[i, j] = (
                loss(at + one + two)
                - loss(at + one - two)
                - loss(at - one + two)
                + loss(at - one - two)
            ) / (4 * steps[i] * steps[j])
    return result


@dataclass(frozen=True, slots=True)
class Outcome:
    """Coverage, median width of the log interval, and share of studies with an interval."""

    covered: float
    width: float
    answered: float


def outcome(ends: list[tuple[float, float] | None], truths: Array) -> Outcome:
    """Sum up intervals against the truth; a missing interval counts for nothing."""
    kept = [(e, t) for e, t in zip(ends, truths, strict=True) if e is not None]
    if not kept:
        return Outcome(math.nan, math.nan, 0.0)
    held = [low - 1e-9 <= truth <= high + 1e-9 for (low, high), truth in kept]
    widths = [high - low for (low, high), _ in kept]
    return Outcome(float(np.mean(held)), float(np.median(widths)), len(kept) / len(truths))


def engine_ends(
    condition: Condition,
    pairs: list[tuple[list[Interval], list[Interval]]],
    records: list[Record | None],
    scale: str,
) -> list[tuple[float, float] | None]:
    """Log ends by this engine; None where it refused."""
    chosen: list[Record | None] = records if condition.record_freedom else [None] * len(pairs)
    found = compare_many(pairs, record=chosen, scale=scale)
    return [
        None
        if f.refusal
        else (
            math.log(f.low) if f.low > 0 else -math.inf,
            math.log(f.high) if f.high < math.inf else math.inf,
        )
        for f in found
    ]


def run(simulations: int, fit_simulations: int, seed: int = 20240) -> str:
    """Simulate all conditions and lay the results out as a Markdown table."""
    lines = [
        (
            f"{simulations} simulated studies a row ({fit_simulations} for maximum likelihood); "
            "share of 95 % intervals that hold the truth, and median width of the log interval "
            "in brackets."
        ),
        "",
        "| condition | auto | linked | separate | pooled | maximum likelihood | its fits that failed |",
        "|---|---|---|---|---|---|---|",
    ]
    for number, condition in enumerate(CONDITIONS):
        rng = np.random.default_rng([seed, number])
        pairs, records, truths = simulate(condition, simulations, rng)
        cells = []
        for scale in ("auto", "linked", "separate", "pooled"):
            if condition.record_freedom and scale != "auto":
                cells.append("")
                continue
            found = outcome(engine_ends(condition, pairs, records, scale), truths)
            cells.append(f"{100 * found.covered:.1f} % ({found.width:.2f})")
        if min(condition.sizes) > 1 and fit_simulations:
            ends = [maximum_likelihood(*pair) for pair in pairs[:fit_simulations]]
            fit = outcome(ends, truths[:fit_simulations])
            cells += [
                f"{100 * fit.covered:.1f} % ({fit.width:.2f})",
                f"{100 * (1 - fit.answered):.0f} %",
            ]
        else:
            cells += ["none", ""]
        lines.append(f"| {condition.words} | " + " | ".join(cells) + " |")
        print(lines[-1], file=sys.stderr, flush=True)
    return "\n".join(lines)


def main() -> None:
    """Print the table, and put it into METHOD.md when asked."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--simulations", type=int, default=2000)
    parser.add_argument("--fits", type=int, default=2000)
    parser.add_argument("--write", action="store_true")
    asked = parser.parse_args()
    table = run(asked.simulations, asked.fits)
    print(table)
    if asked.write:
        text = METHOD.read_text(encoding="utf-8")
        head, rest = text.split(BEGIN)
        _, tail = rest.split(END)
        METHOD.write_text(f"{head}{BEGIN}\n{table}\n{END}{tail}", encoding="utf-8")


if __name__ == "__main__":
    main()
