"""How often the 95 % intervals hold the truth, beside ordinary maximum likelihood.

``python -m benchmarks.coverage --write`` simulates every condition, fits the same studies with R's
``survreg``, and writes the table into reports/degradation/METHOD.md between its markers. Needs
Rscript with the package survival. All data are invented by the simulation.
"""

from __future__ import annotations

import os

# One core: set before numpy starts its threads.
os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import csv
import math
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from time import process_time

import numpy as np
from numpy.typing import NDArray

from reports.degradation import Interval, Record, compare_many

Array = NDArray[np.float64]
METHOD = Path(__file__).resolve().parent.parent / "reports" / "degradation" / "METHOD.md"
BEGIN, END = "<!-- coverage table: begin -->", "<!-- coverage table: end -->"
Pair = tuple[list[Interval], list[Interval]]


@dataclass(frozen=True, slots=True)
class Condition:
    """A design to simulate: counts, scatters on the log scale, and how a value is read."""

    words: str
    sizes: tuple[int, int]
    scatters: tuple[float, float]
    read: str
    record_freedom: float | None = None
    law: str = "lognormal"


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
    Condition("3 against 3, Weibull", (3, 3), (0.1, 0.1), "fine", law="weibull"),
    Condition("5 against 5, Weibull", (5, 5), (0.1, 0.1), "fine", law="weibull"),
    Condition(
        "3 against 3, Weibull, steps of 26 %", (3, 3), (0.1, 0.1), "steps 1.26", law="weibull"
    ),
    Condition(
        "5 against 5, Weibull, a third stopped early", (5, 5), (0.1, 0.1), "stopped", law="weibull"
    ),
)


def simulate(
    condition: Condition, count: int, rng: np.random.Generator
) -> tuple[list[Pair], list[Record | None], Array]:
    """Draw studies with a log ratio between half and nothing lost, and a level anywhere."""
    truths = rng.uniform(math.log(0.5), 0.0, count)
    pairs, records = [], []
    for truth in truths:
        level = rng.uniform(2.0, 2.0 + math.log(2.0))
        values = [
            level + shift + scatter * _draw(condition.law, size, rng)
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


def _draw(law: str, size: int, rng: np.random.Generator) -> Array:
    """Standardised log values: normal, or the smallest-extreme-value law shifted to mean 0."""
    if law == "weibull":
        return np.log(rng.exponential(size=size)) + np.euler_gamma
    return rng.standard_normal(size)


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


# One process for all fits. A fit counts as failed with an error, a warning of non-convergence, or
# without a standard error; the Wald interval with the normal quantile is what the summary prints.
R_SCRIPT = """
suppressMessages(library(survival))
asked <- commandArgs(TRUE)
rows <- read.csv(asked[1])
studies <- split(rows[c("arm", "low", "high")], rows$study)
laws <- tapply(rows$law, rows$study, function(law) law[1])
fits <- matrix(NA_real_, length(studies), 3)
started <- sum(proc.time()[1:2])
for (k in seq_along(studies)) {
  bad <- FALSE
  fit <- withCallingHandlers(
    tryCatch(
      survreg(Surv(low, high, type = "interval2") ~ arm, data = studies[[k]], dist = laws[k]),
      error = function(e) NULL),
    warning = function(w) { bad <<- TRUE; invokeRestart("muffleWarning") })
  if (!is.null(fit) && !bad)
    fits[k, ] <- c(coef(fit)["arm"], sqrt(vcov(fit)["arm", "arm"]), log(fit$scale))
}
cat(sum(proc.time()[1:2]) - started, "\n")
write.table(cbind(as.integer(names(studies)), fits), asked[2],
            sep = ",", row.names = FALSE, col.names = FALSE)
"""


def maximum_likelihood(
    studies: list[Pair], law: str
) -> tuple[list[tuple[float, float] | None], float]:
    """Wald intervals of the log ratio by R's survreg, one scatter for both arms: the usual fit.

    Returns
    -------
    ends : list of (low, high) on the log scale, or None where the fit has no proper maximum
    milliseconds : float
        Processor time of one fit.
    """
    rscript = shutil.which("Rscript")
    if rscript is None:
        raise SystemExit("This benchmark needs Rscript with the package survival.")
    with tempfile.TemporaryDirectory() as folder:
        table, answers = Path(folder) / "studies.csv", Path(folder) / "fits.csv"
        with table.open("w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file)
            writer.writerow(["study", "law", "arm", "low", "high"])
            for number, arms in enumerate(studies):
                for arm, readings in enumerate(arms):
                    writer.writerows(
                        [number, law, arm, r.low or "NA", "NA" if math.isinf(r.high) else r.high]
                        for r in readings
                    )
        script = Path(folder) / "fit.R"
        script.write_text(R_SCRIPT, encoding="utf-8")
        done = subprocess.run(
            [rscript, str(script), str(table), str(answers)],
            capture_output=True,
            text=True,
            check=True,
        )
        ends: list[tuple[float, float] | None] = [None] * len(studies)
        with answers.open(encoding="utf-8") as file:
            for number, *cells in csv.reader(file):
                if "NA" not in cells and "NaN" not in cells:
                    ends[int(number)] = _wald(*map(float, cells))
    return ends, 1000 * float(done.stdout) / len(studies)


def _wald(estimate: float, error: float, log_scale: float) -> tuple[float, float] | None:
    # A scatter that runs to nothing, or an interval wider than a factor of e^20, is no answer.
    if not 0 < error < 5 or log_scale < -8:
        return None
    return estimate - 1.959964 * error, estimate + 1.959964 * error


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
    pairs: list[Pair],
    records: list[Record | None],
    scale: str,
) -> tuple[list[tuple[float, float] | None], float]:
    """Log ends by this engine, None where it refused; and milliseconds for one comparison."""
    chosen: list[Record | None] = records if condition.record_freedom else [None] * len(pairs)
    started = process_time()
    found = compare_many(pairs, record=chosen, scale=scale, distribution=condition.law)
    each_ms = 1000 * (process_time() - started) / len(pairs)
    ends = [
        None
        if f.refusal
        else (
            math.log(f.low) if f.low > 0 else -math.inf,
            math.log(f.high) if f.high < math.inf else math.inf,
        )
        for f in found
    ]
    return ends, each_ms


def run(simulations: int, seed: int = 20240) -> str:
    """Simulate all conditions and lay the results out as a Markdown table."""
    lines = [
        (
            f"{simulations:,} simulated studies a row, the same ones for every column; share of "
            "95 % intervals that hold the truth, and median width of the log interval in brackets."
        ),
        "",
        (
            "| condition | auto | ms | linked | separate | pooled | maximum likelihood | ms "
            "| fits that failed |"
        ),
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for number, condition in enumerate(CONDITIONS):
        rng = np.random.default_rng([seed, number])
        pairs, records, truths = simulate(condition, simulations, rng)
        cells = []
        for scale in ("auto", "linked", "separate", "pooled"):
            if condition.record_freedom and scale != "auto":
                cells.append("")
                continue
            ends, each_ms = engine_ends(condition, pairs, records, scale)
            cells.append(_cell(outcome(ends, truths)))
            if scale == "auto":
                cells.append(f"{each_ms:.1f}")
        if min(condition.sizes) > 1:
            ends, each_ms = maximum_likelihood(pairs, condition.law)
            fit = outcome(ends, truths)
            cells += [_cell(fit), f"{each_ms:.1f}", f"{100 * (1 - fit.answered):.0f} %"]
        else:
            cells += ["none", "", ""]
        lines.append(f"| {condition.words} | " + " | ".join(cells) + " |")
        print(lines[-1], file=sys.stderr, flush=True)
    return "\n".join(lines)


def _cell(found: Outcome) -> str:
    return f"{100 * found.covered:.1f} % ({found.width:.2f})"


def main() -> None:
    """Print the table, and put it into METHOD.md when asked."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--simulations", type=int, default=2000)
    parser.add_argument("--write", action="store_true")
    asked = parser.parse_args()
    table = run(asked.simulations)
    print(table)
    if asked.write:
        text = METHOD.read_text(encoding="utf-8")
        head, rest = text.split(BEGIN)
        _, tail = rest.split(END)
        METHOD.write_text(f"{head}{BEGIN}\n{table}\n{END}{tail}", encoding="utf-8")


if __name__ == "__main__":
    main()
