"""Time the head injury criterion against a plain double loop over every window.

Run from the top folder:  python -m benchmarks.hic

The double loop in plain Python is timed on a shorter trace, because a second at 20 kHz takes it
minutes; the same loop with its inner half in numpy is timed on the whole second. All three must
agree, or the run ends with an error.
"""

from __future__ import annotations

import math
import sys
from functools import partial
from time import perf_counter
from typing import TYPE_CHECKING

import numpy as np

from trials.physics.hic import HIC15_S, HIC36_S, head_injury_criterion
from trials.physics.trace import Trace

if TYPE_CHECKING:
    from collections.abc import Callable


RATE_HZ = 20_000
WINDOWS = {"15 ms": HIC15_S, "36 ms": HIC36_S, "unlimited": None}


def _area(trace: Trace) -> np.ndarray:
    steps = (trace.value[1:] + trace.value[:-1]) / 2 * np.diff(trace.time_s)
    return np.concatenate(([0.0], np.cumsum(steps)))


def double_loop(trace: Trace, longest_window_s: float | None) -> float:
    """Return the criterion by looking at every window, one after the other."""
    time_s, area = trace.time_s.tolist(), _area(trace).tolist()
    cap_s = math.inf if longest_window_s is None else longest_window_s * (1 + 1e-6)
    worst = 0.0
    for i in range(len(time_s)):
        for j in range(i + 1, len(time_s)):
            length_s = time_s[j] - time_s[i]
            if length_s > cap_s:
                break
            gain = area[j] - area[i]
            if gain > 0.0:
                worst = max(worst, gain**2.5 / length_s**1.5)
    return worst


def loop_over_starts(trace: Trace, longest_window_s: float | None) -> float:
    """Return the criterion by a loop over starts, with all ends of one start in numpy."""
    time_s, area = trace.time_s, _area(trace)
    cap_s = math.inf if longest_window_s is None else longest_window_s * (1 + 1e-6)
    worst = 0.0
    for i in range(time_s.size - 1):
        past = np.searchsorted(time_s, time_s[i] + cap_s, side="right")
        gain = np.maximum(area[i + 1 : past] - area[i], 0.0)
        worst = max(worst, float((gain**2.5 / (time_s[i + 1 : past] - time_s[i]) ** 1.5).max()))
    return worst


def search(trace: Trace, longest_window_s: float | None) -> float:
    """Return the criterion as the program finds it."""
    return head_injury_criterion(trace, longest_window_s=longest_window_s).value


def traces(sample_count: int) -> dict[str, Trace]:
    """Return invented traces: a clean drop, a noisy drop, noise alone and a plateau."""
    rng = np.random.default_rng(20)
    time_s = np.arange(sample_count) / RATE_HZ
    into_s = time_s - 0.3 * time_s[-1]
    drop = np.where((into_s > 0) & (into_s < 0.01), 180 * np.sin(np.pi * into_s / 0.01), 0.0)
    values = {
        "clean drop": drop,
        "noisy drop": np.abs(drop + rng.normal(0, 2, sample_count)),
        "noise alone": rng.normal(0, 2, sample_count),
        "plateau": np.full(sample_count, 50.0),
    }
    return {name: Trace(time_s, value, "g_n") for name, value in values.items()}


def _best_of(run: Callable[[], float], times: int) -> tuple[float, float]:
    seconds = []
    for _ in range(times):
        start = perf_counter()
        figure = run()
        seconds.append(perf_counter() - start)
    return figure, min(seconds)


def _compare(
    title: str, sample_count: int, plain: Callable[[Trace, float | None], float], plain_name: str
) -> None:
    out = sys.stdout
    out.write(f"{title}: {sample_count} samples at {RATE_HZ / 1000:g} kHz\n")
    out.write(f"{'trace':14}{'window':12}{'HIC':>12}{'search':>12}{plain_name:>20}{'ratio':>9}\n")
    for name, trace in traces(sample_count).items():
        for words, cap_s in WINDOWS.items():
            figure, fast_s = _best_of(partial(search, trace, cap_s), 5)
            expected, slow_s = _best_of(partial(plain, trace, cap_s), 1)
            if not math.isclose(figure, expected, rel_tol=1e-8):
                raise SystemExit(f"{name}, {words}: {figure!r} is not {expected!r}")
            out.write(
                f"{name:14}{words:12}{figure:12.4f}{fast_s * 1e3:9.2f} ms"
                f"{slow_s * 1e3:17.0f} ms{slow_s / fast_s:9.0f}\n"
            )
    out.write("\n")


def main() -> None:
    """Print two tables: a short trace by the plain loop, a whole second by the quicker one."""
    _compare("Short trace", 2_000, double_loop, "double loop")
    _compare("One second", 20_000, loop_over_starts, "loop over starts")


if __name__ == "__main__":
    main()
