"""From the tap on 'Keep' to 'kept' on the screen, with thousands of entries waiting.

``python -m benchmarks.bench_entry`` starts the real site on an empty database and a real
Chromium, fills the tablet's queue with 5,000 readings that cannot leave, and then keeps readings
by the page's own form. The peer in the same run is a plain form of the same page, posted to the
same server: from its tap to the next page. At the end the network comes back, and everything
that was entered is counted in the database: each once.

Needs Chromium (CHROMIUM=/path/to/it). ``--waiting`` and ``--taps`` change the sizes.
"""

from __future__ import annotations

import argparse
import os
import statistics
import tempfile
import time
from pathlib import Path
from typing import Any

from playwright.sync_api import Page, sync_playwright

from tests.browser.site import chromium_path
from tests.faults.bench_site import BenchSite, fill, open_run, poke, running_bench, waiting_ids

WATCH = """() => {
  const kept = document.querySelector('[data-kept]');
  window.tapped = null;
  window.took = null;
  document.querySelector('[data-keep]').addEventListener('click', (event) => {
    window.tapped = event.timeStamp;
  }, {capture: true});
  new MutationObserver(() => {
    if (!kept.hidden && window.took === null) {
      // the frame in which a person sees it
      requestAnimationFrame(() => { window.took = performance.now() - window.tapped; });
    }
  }).observe(kept, {attributes: true});
}"""
FILL = """async ({store, count, run, person, name, page}) => {
  const {openStore} = await import(store);
  const opened = await openStore(indexedDB);
  const now = Date.now();
  const entries = Array.from({length: count}, (_, number) => {
    const id = crypto.randomUUID();
    return {
      id, kind: 'reading', method: 'PUT', address: `/api/v1/readings/${id}/`,
      body: {run, raw: {grade: number % 3 + 1}, measured_at: new Date(now).toISOString(),
             rater: `rater ${number}`, note: '', supersedes: null, reason: ''},
      has_blob: false, label: `grade ${number % 3 + 1}`, about: `run:${run}`, page, by: person,
      by_name: name, made_at: now, next_at: now, is_clocked: true, clock_offset_s: 0,
      state: 'waiting', tries: 0, problems: null,
    };
  });
  for (let from = 0; from < count; from += 500) {
    await opened.addAll(entries.slice(from, from + 500));
  }
  opened.close();
  return entries.map((entry) => entry.id);
}"""
STORE = """() => performance.getEntriesByType('resource').map((entry) => entry.name)
  .find((name) => /queue\\/store\\.[0-9a-f]*\\.?js$/.test(name))"""


def fill_queue(page: Page, bench: BenchSite, count: int) -> list[str]:
    """Put entries on the tablet as the page's own store keeps them."""
    (run,) = bench.take_runs(1, "flame-grade")
    open_run(page, run)
    person = bench.seed["people"]["a-technician"]["id"]
    ids: list[str] = page.evaluate(
        FILL,
        {
            "store": page.evaluate(STORE),
            "count": count,
            "run": run["id"],
            "person": person,
            "name": "Technician",
            "page": run["page"],
        },
    )
    return [key.replace("-", "") for key in ids]


def tap_ms(page: Page, run: dict[str, Any], number: int) -> float:
    """Milliseconds from the tap to the frame that says 'kept'."""
    open_run(page, run)
    fill(page, run["method"], number)
    page.evaluate(WATCH)
    page.locator("[data-keep]").click()
    page.locator("[data-kept]").wait_for(state="visible")
    took = None
    while took is None:
        page.wait_for_timeout(10)
        took = page.evaluate("window.took")
    return float(took)


def post_ms(page: Page, bench: BenchSite) -> float:
    """Milliseconds from sending a plain form of the sheet to the next page being there."""
    page.goto(bench.seed["sheet"])
    page.evaluate(
        "document.querySelector('form[method=post] details, details')?.setAttribute('open', '')"
    )
    started = time.perf_counter()
    with page.expect_navigation(wait_until="load"):
        page.evaluate(
            "[...document.querySelectorAll('form[method=post]')]"
            ".find((form) => form.elements.specimen).submit()"
        )
    return 1000 * (time.perf_counter() - started)


def p95(values: list[float]) -> float:
    return statistics.quantiles(values, n=20)[-1]


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--waiting", type=int, default=5000)
    parser.add_argument("--taps", type=int, default=40)
    asked = parser.parse_args()
    with (
        tempfile.TemporaryDirectory() as folder,
        running_bench(Path(folder), runs_each=10) as bench,
        sync_playwright() as playwright,
    ):
        browser = playwright.chromium.launch(executable_path=chromium_path(), args=["--no-sandbox"])
        # its readings are asked about once more, which would measure a person
        bench.seed["runs"] = [r for r in bench.seed["runs"] if r["method"] != "strap-pull"]
        page = bench.tablet(browser)
        page.goto(bench.seed["sheet"])
        posts = [post_ms(page, bench) for _ in range(asked.taps)]
        empty = [
            tap_ms(page, run, number) for number, run in enumerate(bench.take_runs(asked.taps // 2))
        ]
        bench.proxy.faults = lambda line: "refuse" if line.startswith("PUT /api/") else "pass"
        queued = fill_queue(page, bench, asked.waiting)
        full = [tap_ms(page, run, number) for number, run in enumerate(bench.take_runs(asked.taps))]
        load = os.getloadavg()[0]
        print("| what | median ms | 95th percentile ms |")
        print("|---|---|---|")
        for words, values in (
            ("plain form, tap to the next page", posts),
            ("tap to kept, nothing waiting", empty),
            (f"tap to kept, {len(queued):,} waiting", full),
        ):
            print(f"| {words} | {statistics.median(values):.0f} | {p95(values):.0f} |")
        print(
            f"Ratio of the 95th percentiles, kept to plain form: {p95(full) / p95(posts):.2f}.",
            flush=True,
        )
        waiting = waiting_ids(page)
        bench.proxy.faults = lambda line: "pass"
        started = time.perf_counter()
        poke(page)
        bench.wait_for(lambda: not waiting_ids(page), page, within_s=1800)
        sending = time.perf_counter() - started
        stored = bench.readings()
        lost = [key for key in waiting if key not in stored]
        browser.close()
    print(f"{len(waiting):,} entries sent in {sending:.0f} s, {len(lost)} lost; load {load:.1f}.")


if __name__ == "__main__":
    main()
