"""The bench on a real server that can be killed, behind a network of our own that can be cut."""

import json
import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import psycopg
from playwright.sync_api import Browser, BrowserContext, Page
from psycopg import sql

from tests.browser.bench_steps import looked_at_before, put_on_rig
from tests.browser.site import _own_database, free_port
from tests.faults.proxy import Proxy
from tests.faults.running import Site

VIEWPORT = {"width": 820, "height": 1180}


@dataclass
class BenchSite:
    """One server, one database and the way to them. The browser only knows the proxy."""

    site: Site
    port: int
    proxy: Proxy
    seed: dict[str, Any]
    cookies: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.all_runs = list(self.seed["runs"])

    @property
    def url(self) -> str:
        return f"http://localhost:{self.proxy.port}"

    def kill(self) -> None:
        self.site.kill("web")

    def start(self) -> None:
        self.site.start("web", "serve", f"--port={self.port}", "--processes=1")
        self.site.wait_until_answering(f"http://127.0.0.1:{self.port}/healthz")

    def sign_in(self, context: BrowserContext, name: str = "a-technician") -> None:
        session = self.seed["people"][name]["session"]
        context.add_cookies([{"name": "sessionid", "value": session, "url": self.url}])

    def tablet(
        self,
        browser: Browser,
        name: str = "a-technician",
        *,
        has_looked: bool = True,
        **options: Any,
    ) -> Page:
        """A page of a fresh tablet with somebody signed in, who has looked at every specimen."""
        context = browser.new_context(
            viewport=VIEWPORT, has_touch=True, base_url=self.url, **options
        )
        if name:
            self.sign_in(context, name)
        if name and has_looked:
            by = self.seed["people"][name]["id"]
            context.add_init_script(looked_at_before(by, self.all_runs))
        page = context.new_page()
        page.set_default_timeout(20_000)
        return page

    def readings(self) -> dict[str, tuple[int, Any]]:
        """Every reading of the database by its id: its run and what was typed."""
        rows = self.site.rows("SELECT uuid, run_id, raw FROM trials_reading")
        return {
            str(key).replace("-", ""): (run, json.loads(raw) if isinstance(raw, str) else raw)
            for key, run, raw in rows
        }

    def take_runs(self, count: int, method: str = "") -> list[dict[str, Any]]:
        """Runs that no other test has used."""
        chosen = [run for run in self.seed["runs"] if method in ("", run["method"])][:count]
        assert len(chosen) == count, f"{len(chosen)} runs of {method or 'any method'} are left"
        self.seed["runs"] = [run for run in self.seed["runs"] if run not in chosen]
        return chosen

    def wait_for(self, is_so: Callable[[], bool], page: Page, *, within_s: float = 30) -> None:
        give_up_at = time.monotonic() + within_s
        while not is_so():
            words = page.locator("[data-queue-words]").all_inner_texts()
            assert time.monotonic() < give_up_at, (words, self.log())
            page.wait_for_timeout(50)

    def log(self) -> str:
        return (self.site.folder / "web.log").read_text()[-3000:]


@contextmanager
def running_bench(folder: Path, *, runs_each: int) -> Iterator[BenchSite]:
    """A fresh bench lab behind `manage.py serve`; on PostgreSQL where DATABASE_URL names it."""
    url = os.environ.get("DATABASE_URL", "")
    if url:
        with _own_database(url) as own:
            key = os.environ["SECRET_KEY"]
            yield from _run(folder, {"DATABASE_URL": own, "SECRET_KEY": key}, runs_each)
    else:
        yield from _run(folder, {}, runs_each)


def _run(folder: Path, variables: dict[str, str], runs_each: int) -> Iterator[BenchSite]:
    site = Site(
        folder=folder, variables={"DJANGO_SETTINGS_MODULE": "labsite.settings", **variables}
    )
    code = f"from tests.faults import bench_seed; bench_seed.main({runs_each})"
    seed = json.loads(
        site.manage("shell", "--verbosity=0", "-c", code, within_s=500).strip().splitlines()[-1]
    )
    port = free_port()
    bench = BenchSite(site, port, Proxy(port), seed)
    try:
        bench.start()
        yield bench
    finally:
        bench.proxy.close()
        site.stop_all()


# --- what a technician does ----------------------------------------------------------------------


def open_run(page: Page, run: dict[str, Any]) -> None:
    page.goto(run["page"])
    get_ready(page)


def get_ready(page: Page) -> None:
    """Take the steps before the reading: the specimen on the rig, no instrument named."""
    put_on_rig(page)
    without = page.locator("summary", has_text="Enter it without naming the instrument")
    if without.count() and not page.locator("[data-entry]").is_visible():
        without.click()
    page.locator("[data-entry]").wait_for(state="visible")


def fill(page: Page, method: str, number: int) -> dict[str, Any]:
    """Type a reading that is good for this method; returns the raw entry it must become."""
    root = page.locator("[data-instrument]")
    if method in ("belt-abrasion", "contact-heat"):
        seconds = f"{2 + number * 0.1:.1f}"
        root.locator("[name=seconds]").fill(seconds)
        root.locator("[name=ended][value=failed]").check(force=True)
        return {"seconds": seconds, "ended": "failed"}
    if method == "seam-opening":
        turns = number % 9 + 1
        for _ in range(turns):
            root.locator("[data-tally-up]").click()
        root.locator("[name=ended][value=failed]").check(force=True)
        return {"turns": str(turns), "ended": "failed"}
    if method == "padding-drop":
        root.locator('[data-level="1.0"], [data-level="1"]').first.click()
        root.locator("[data-step=held]").click()
        root.locator("[data-step=failed]").click()
        return {"held_at": 1, "failed_at": 1.25}
    if method == "point-challenge":
        root.locator("[name=level]").nth(number % 5).check(force=True)
        level = root.locator("[name=level]").nth(number % 5).get_attribute("value")
        root.locator("[name=outcome][value=held]").check(force=True)
        return {"level": level, "outcome": "held"}
    if method == "water-uptake":
        before, after = f"{800 + number}.5", f"{820 + number}.5"
        root.locator("[name=before_g]").fill(before)
        root.locator("[name=after_g]").fill(after)
        return {"before_g": before, "after_g": after}
    if method == "flame-grade":
        root.locator("[name=rater]").fill("A")
        root.locator(f'[name=grade][value="{number % 3 + 1}"]').check(force=True)
        return {"grade": number % 3 + 1}
    value = f"{10 + number % 40}.5"
    root.locator("[name=value]").fill(value)
    return {"value": value}


def keep(page: Page) -> None:
    page.locator("[data-keep]").click()
    answer_doubt(page)
    page.locator("[data-kept]").wait_for(state="visible")


def answer_doubt(page: Page) -> None:
    """Where the page asks about an unusual reading, look again and say that it is right."""
    sure = page.locator("[data-doubt-sure]")
    if sure.count() and sure.is_visible():
        sure.click()


def poke(page: Page) -> None:
    """Do not wait for the next try: the network is told to be back."""
    page.evaluate("window.dispatchEvent(new Event('online'))")


def waiting_ids(page: Page) -> list[str]:
    """The ids of readings in the tablet's own database, asked past the code under test."""
    found = page.evaluate(
        """() => new Promise((done) => {
          const asked = indexedDB.open('wornproof-bench');
          asked.onsuccess = () => {
            const all = asked.result.transaction('entries').objectStore('entries').getAll();
            all.onsuccess = () => {
              asked.result.close();
              done(all.result.filter(({kind}) => kind === 'reading').map(({id}) => id));
            };
          };
        })"""
    )
    return [key.replace("-", "") for key in found]


@contextmanager
def database_down(bench: BenchSite) -> Iterator[None]:
    """Nobody reaches the database: PostgreSQL lets nobody in, the SQLite file is not there."""
    url = bench.site.variables.get("DATABASE_URL")
    if url:
        name = url.rpartition("/")[2]
        maintenance = f"{url.rpartition('/')[0]}/postgres"
        with psycopg.connect(maintenance, autocommit=True) as server:
            lets_in = sql.SQL("ALTER DATABASE {} ALLOW_CONNECTIONS {}")
            server.execute(lets_in.format(sql.Identifier(name), sql.SQL("false")))
            server.execute(
                "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = %s", [name]
            )
            yield
            server.execute(lets_in.format(sql.Identifier(name), sql.SQL("true")))
        return
    file = bench.site.folder / "db.sqlite3"
    aside = bench.site.folder / "db.aside"
    # a server that has the file open would go on with it: it is stopped for the two moments
    bench.kill()
    file.rename(aside)
    file.mkdir()
    bench.start()
    yield
    bench.kill()
    file.rmdir()
    aside.rename(file)
    bench.start()
