"""Rounds of random faults at the bench with a fixed seed, counted against what was typed.

``python -m tests.faults.bench_rounds --rounds 200`` prints what happened; the test suite plays a
few rounds of the same game. Each round enters one reading by the page's own form while the
network cuts requests at random moments, the page is reloaded or closed, the sign-in ends, the
network goes away, or the server is killed with -9.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

from playwright.sync_api import Error, Page, sync_playwright

from tests.browser.site import chromium_path
from tests.faults.bench_site import (
    BenchSite,
    answer_doubt,
    fill,
    get_ready,
    poke,
    running_bench,
    waiting_ids,
)

SEED = 20261125
PATIENCE_MS = 90_000  # a busy machine may let a page wait for its frames
CUTS = ("lose answer", "half answer", "half request", "refuse", "twice", "captive", "slow")
HAPPENINGS = (
    ("nothing", 5),
    ("reload", 3),
    ("close", 2),
    ("offline", 3),
    ("sign-in ends", 2),
    ("two taps", 2),
    ("second tab", 2),
    ("kill", 1),
)


@dataclass
class Game:
    """What was typed, and what happened on the way."""

    typed: dict[int, Any] = field(default_factory=dict)
    happened: Counter[str] = field(default_factory=Counter)


def play(bench: BenchSite, page: Page, *, rounds: int, seed: int = SEED) -> Game:
    """Play the rounds, then let everything be whole again and wait until nothing waits."""
    chance = Random(seed)
    game = Game()
    page.set_default_timeout(PATIENCE_MS)
    ready(page, bench)

    def cut(line: str) -> str:
        if "/api/" in line and chance.random() < 0.35:
            fault = chance.choice(CUTS)
            game.happened[f"network: {fault}"] += 1
            return fault
        return "pass"

    bench.proxy.faults = cut
    for number, run in enumerate(bench.take_runs(rounds)):
        happening = chance.choices(
            [name for name, _ in HAPPENINGS], [weight for _, weight in HAPPENINGS]
        )[0]
        game.happened[happening] += 1
        page = play_round(bench, page, run, number, happening, game)
    bench.proxy.faults = lambda line: "pass"
    if "web" not in bench.site.processes:
        bench.start()
    page.context.set_offline(False)
    bench.sign_in(page.context)
    visit(page, bench.seed["sheet"])
    give_up_at = time.monotonic() + 300
    while waiting_ids(page):
        poke(page)
        page.wait_for_timeout(300)
        assert time.monotonic() < give_up_at, page.locator("[data-queue-words]").inner_text()
    return game


def play_round(
    bench: BenchSite, page: Page, run: dict[str, Any], number: int, happening: str, game: Game
) -> Page:
    if happening == "offline":
        page.context.set_offline(True)
    visit(page, run["page"])
    get_ready(page)
    raw = fill(page, run["method"], number)
    if happening == "kill":
        bench.kill()
    if happening == "sign-in ends":
        page.context.clear_cookies(name="sessionid")
    keep = page.locator("[data-keep]")
    if happening == "two taps":
        keep.evaluate("(button) => { button.click(); button.click(); }")
    else:
        keep.click()
    answer_doubt(page)
    page.locator("[data-kept]").wait_for(state="visible")
    # from here on the page has promised to keep it
    game.typed[run["id"]] = raw
    if happening == "reload":
        visit(page, run["page"])
    elif happening in ("close", "second tab"):
        other = page.context.new_page()
        other.set_default_timeout(PATIENCE_MS)
        if happening == "second tab":
            visit(other, bench.seed["sheet"])
        page.close()
        page = other
    elif happening == "kill":
        bench.start()
    elif happening == "sign-in ends":
        bench.sign_in(page.context)
    page.context.set_offline(False)
    return page


def ready(page: Page, bench: BenchSite) -> None:
    """The tablet has opened the sheet once and may go without network."""
    page.goto(bench.seed["sheet"])
    page.locator("[data-queue-ready]", has_text="open without network").wait_for(timeout=240_000)


def visit(page: Page, address: str) -> None:
    """Open a page, once more where the network swallowed it."""
    for _ in range(5):
        try:
            page.goto(address)
        except Error:
            page.wait_for_timeout(200)
        else:
            return
    page.goto(address)


def count(bench: BenchSite, game: Game) -> dict[str, int]:
    """What is in the database, asked past the code under test, against what was typed."""
    found = [(run, raw) for run, raw in bench.readings().values() if run in game.typed]
    stored = dict(found)
    beside = [run for (run,) in bench.site.rows("SELECT run_id FROM trials_readingconflict")]
    conflicts = sum(run in game.typed for run in beside)
    return {
        "typed": len(game.typed),
        "stored": len(stored),
        "lost": len(set(game.typed) - set(stored)),
        "doubled": len(found) - len(stored) + conflicts,
        "changed": sum(stored[run] != raw for run, raw in game.typed.items() if run in stored),
    }


def main() -> None:
    """Print what happened and the count."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=200)
    parser.add_argument("--seed", type=int, default=SEED)
    asked = parser.parse_args()
    with (
        tempfile.TemporaryDirectory() as folder,
        running_bench(Path(folder), runs_each=24) as bench,
        sync_playwright() as playwright,
    ):
        browser = playwright.chromium.launch(executable_path=chromium_path(), args=["--no-sandbox"])
        page = bench.tablet(browser)
        game = play(bench, page, rounds=asked.rounds, seed=asked.seed)
        counted = count(bench, game)
        browser.close()
    for name, times in sorted(game.happened.items()):
        print(f"{name:<24} {times}")
    print(", ".join(f"{number} {name}" for name, number in counted.items()))
    assert counted["lost"] == counted["doubled"] == counted["changed"] == 0


if __name__ == "__main__":
    main()
