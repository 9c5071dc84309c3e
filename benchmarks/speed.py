"""Milliseconds for one comparison of two arms, beside two reference programs in the same run.

All times are processor time of one core, the quickest of three runs where there are many studies.

``python -m benchmarks.speed`` draws invented studies of 3 to 5 specimens a side, read in steps,
and times this estimator in one batch, the lognormal fit of lifelines, and, where Rscript with the
package survival is installed, ``survreg`` of R. Then it shows how the time grows with the readings
of an arm, with the arms of a study and with the number of studies. ``--write`` puts the figures
into reports/degradation/METHOD.md.
"""

from __future__ import annotations

import os

# One core: set before numpy starts its threads.
os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import csv
import shutil
import subprocess
import tempfile
import warnings
from pathlib import Path
from time import process_time

import numpy as np

from reports.degradation import Interval, compare, compare_many

METHOD = Path(__file__).resolve().parent.parent / "reports" / "degradation" / "METHOD.md"
BEGIN, END = "<!-- speed table: begin -->", "<!-- speed table: end -->"
Arms = tuple[list[Interval], list[Interval]]

R_SCRIPT = """
suppressMessages(library(survival))
rows <- read.csv(commandArgs(TRUE)[1])
studies <- split(rows, rows$study)
taken <- replicate(3, {
  started <- sum(proc.time()[1:2])
  for (study in studies) {
    fit <- suppressWarnings(
      survreg(Surv(low, high, type = "interval2") ~ arm, data = study, dist = "lognormal"))
  }
  sum(proc.time()[1:2]) - started
})
cat(min(taken) / length(studies) * 1000)
"""


def draw_study(
    rng: np.random.Generator, sizes: tuple[int, int], step: float, scatter: float = 0.1
) -> Arms:
    """Draw two arms with a loss of one tenth, read in steps of the given size near 7.4."""
    arms = []
    for size, mean in zip(sizes, (2.0, 1.9), strict=True):
        floors = np.floor(rng.lognormal(mean, scatter, size) / step)
        arms.append([Interval(step * k, step * (k + 1)) for k in floors.tolist()])
    return arms[0], arms[1]


def draw_studies(count: int, step: float) -> list[Arms]:
    """Draw studies of 3 to 5 specimens a side."""
    rng = np.random.default_rng(count)
    return [
        draw_study(rng, (int(rng.integers(3, 6)), int(rng.integers(3, 6))), step)
        for _ in range(count)
    ]


def ours_ms(studies: list[Arms]) -> float:
    """Milliseconds each in one batch, the quickest of three runs."""
    taken = []
    for _ in range(3):
        started = process_time()
        compare_many(studies)
        taken.append(process_time() - started)
    return 1000 * min(taken) / len(studies)


def lifelines_ms(studies: list[Arms]) -> float:
    """Milliseconds each for the interval-censored lognormal fit of lifelines."""
    # Neither library carries types, and only this function needs them.
    import pandas as pd  # type: ignore[import-untyped]
    from lifelines import LogNormalAFTFitter  # type: ignore[import-untyped]

    started = process_time()
    for baseline, other in studies:
        readings = baseline + other
        frame = pd.DataFrame(
            {
                "low": [r.low for r in readings],
                "high": [r.high for r in readings],
                "arm": [0.0] * len(baseline) + [1.0] * len(other),
            }
        )
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            LogNormalAFTFitter().fit_interval_censoring(frame, "low", "high")
    return 1000 * (process_time() - started) / len(studies)


def survreg_ms(studies: list[Arms]) -> float | None:
    """Milliseconds each for survreg, or None where it is not installed."""
    rscript = shutil.which("Rscript")
    if rscript is None:
        return None
    with tempfile.TemporaryDirectory() as folder:
        table = Path(folder) / "studies.csv"
        with table.open("w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file)
            writer.writerow(["study", "arm", "low", "high"])
            for number, arms in enumerate(studies):
                for arm, readings in enumerate(arms):
                    writer.writerows([number, arm, r.low, r.high] for r in readings)
        script = Path(folder) / "fit.R"
        script.write_text(R_SCRIPT, encoding="utf-8")
        done = subprocess.run(
            [rscript, str(script), str(table)], capture_output=True, text=True, check=False
        )
    return float(done.stdout) if done.returncode == 0 else None


def beside_others() -> list[str]:
    """Time all three on the same kind of studies."""
    lines = [
        "| readings | this estimator, ms each in a batch of 1,000 | R survreg | lifelines |",
        "|---|---|---|---|",
    ]
    for words, step in (("rounded to 0.01", 0.01), ("rounded to 0.1", 0.1), ("steps of 0.5", 0.5)):
        studies = draw_studies(1000, step)
        compare_many(studies[:10])
        mine = ours_ms(studies)
        in_r = survreg_ms(studies[:300])
        in_lifelines = lifelines_ms(studies[:5])
        shown = "not installed" if in_r is None else f"{in_r:.1f} ({in_r / mine:.1f} times ours)"
        lines.append(
            f"| {words} | {mine:.2f} | {shown} | {in_lifelines:.0f} "
            f"({in_lifelines / mine:.0f} times ours) |"
        )
    return lines


def growth() -> list[str]:
    """Time one call with more readings, more arms and more studies."""
    rng = np.random.default_rng(1)
    lines = ["| what grows | size | ms for the call |", "|---|---|---|"]
    for count in (10, 100, 1000, 10_000):
        arms = draw_study(rng, (count, count), 0.1)
        lines.append(f"| readings in an arm, rounded to 0.1 | {count:,} | {_once_ms(arms):.0f} |")
    for count in (10, 100, 1000, 10_000):
        arms = draw_study(rng, (count, count), 1e-4)
        lines.append(f"| readings in an arm, all different | {count:,} | {_once_ms(arms):.0f} |")
    for count in (2, 10, 50):
        baseline = draw_study(rng, (4, 4), 0.1)[0]
        studies = [(baseline, draw_study(rng, (4, 4), 0.1)[1]) for _ in range(count - 1)]
        total = ours_ms(studies) * len(studies)
        lines.append(f"| arms against one baseline | {count} | {total:.0f} |")
    for count in (1, 10, 100, 1000):
        studies = draw_studies(count, 0.1)
        lines.append(f"| studies in a batch | {count:,} | {ours_ms(studies) * count:.0f} |")
    return lines


def _once_ms(arms: Arms) -> float:
    compare(*arms)
    started = process_time()
    compare(*arms)
    return 1000 * (process_time() - started)


def main() -> None:
    """Print the tables, and put them into METHOD.md when asked."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--write", action="store_true")
    asked = parser.parse_args()
    text = "\n".join([*beside_others(), "", *growth()])
    print(text)
    if asked.write:
        page = METHOD.read_text(encoding="utf-8")
        head, rest = page.split(BEGIN)
        _, tail = rest.split(END)
        METHOD.write_text(f"{head}{BEGIN}\n{text}\n{END}{tail}", encoding="utf-8")


if __name__ == "__main__":
    main()
