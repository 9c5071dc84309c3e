"""Read a logger's file of five million samples: time and memory beside numpy's own reader.

Run from the top folder:  python -m benchmarks.traces [SAMPLES]

Each reader runs in a process of its own, so that the peak of one is not that of the other. Both
must find the same numbers, or the run ends with an error.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
from pathlib import Path
from time import perf_counter

import numpy as np

SAMPLES = 5_000_000
RATE_HZ = 20_000


def write_file(path: Path, samples: int) -> None:
    """An invented drop: two columns, 20 kHz."""
    rng = np.random.default_rng(11)
    with path.open("w", encoding="utf-8") as file:
        file.write("time (s),head (g)\n")
        for first in range(0, samples, 250_000):
            time_s = np.arange(first, min(first + 250_000, samples)) / RATE_HZ
            value = rng.normal(0, 0.4, time_s.size)
            value += 180 * np.exp(-(((time_s - 0.5 * samples / RATE_HZ) / 0.003) ** 2))
            rows = zip(time_s.tolist(), value.tolist(), strict=True)
            file.writelines(f"{t:.5f},{v:.4f}\n" for t, v in rows)


def read_here(path: Path) -> np.ndarray:
    """The program's reader."""
    from trials.physics.trace_file import read_table

    with path.open("rb") as file:
        return read_table(file).values[1]


def read_numpy(path: Path) -> np.ndarray:
    """Numpy's reader for text."""
    return np.loadtxt(path, delimiter=",", skiprows=1)[:, 1]


def read_and_figure(path: Path) -> np.ndarray:
    """The program's reader, and the figure with its drawings from what it read."""
    from trials.physics.trace_figures import TraceSettings, read_figure
    from trials.physics.trace_file import read_table

    with path.open("rb") as file:
        table = read_table(file)
    settings = TraceSettings("hic_36", (1,), "g_n", time_column=0, cfc=1000)
    read_figure(table.values, settings)
    return table.values[1]


READERS = {"here": read_here, "numpy": read_numpy, "here, with the criterion": read_and_figure}


def _measure(name: str, path: Path) -> tuple[float, float, float]:
    command = [sys.executable, "-m", "benchmarks.traces", "--read", name, str(path)]
    out = subprocess.run(command, check=True, capture_output=True, text=True).stdout.split()
    return float(out[0]), float(out[1]), float(out[2])


def _read(name: str, path: Path) -> None:
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    start = perf_counter()
    values = READERS[name](path)
    seconds = perf_counter() - start
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    sys.stdout.write(f"{seconds} {(peak - before) / 1024} {float(values.sum())}\n")


def main() -> None:
    """Print seconds and megabytes of each reader."""
    if sys.argv[1:2] == ["--read"]:
        _read(sys.argv[2], Path(sys.argv[3]))
        return
    samples = int(sys.argv[1]) if len(sys.argv) > 1 else SAMPLES
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "drop.csv"
        write_file(path, samples)
        size_mb = path.stat().st_size / 2**20
        numbers_mb = samples * 2 * 8 / 2**20
        out = sys.stdout
        out.write(f"{samples:,} samples, file {size_mb:.0f} MB, its numbers {numbers_mb:.0f} MB\n")
        found = {name: _measure(name, path) for name in READERS}
        sums = {round(total, 3) for _, _, total in found.values()}
        if len(sums) != 1:
            raise SystemExit(f"The readers do not agree: {found}")
        slow_s, slow_mb, _ = found["numpy"]
        for name, (seconds, megabytes, _) in found.items():
            out.write(
                f"{name:26}{seconds:8.1f} s{megabytes:9.0f} MB"
                f"   {seconds / slow_s:5.2f} of the time and {megabytes / slow_mb:5.2f} of the "
                "memory of numpy\n"
            )


if __name__ == "__main__":
    main()
