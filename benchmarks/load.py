"""A busy lab on one machine: tablets enter, readers browse, and every finding is computed anew.

``python -m benchmarks.load`` starts a whole site on PostgreSQL and Redis of its own (root; see
tests/faults/hosts.py), lets 50 tablets enter a reading a second each while 200 readers open a page
every four seconds each and 1,000 studies are asked to be analysed again, and prints how long
requests took, what failed, and what of the readings is not in the database. ``--sqlite`` does the
same at a tenth on SQLite and the file-system broker; ``--units`` prints what one reading, one page
and one analysis cost instead. The tablets and readers run on the same
processors as the site.
"""

from __future__ import annotations

import argparse
import asyncio
import gzip
import json
import os
import re
import signal
import statistics
import tempfile
import time
import uuid
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any

from benchmarks.programme import cpu_seconds
from tests.browser.site import free_port
from tests.faults.hosts import OwnPostgreSQL, addresses, own_services
from tests.faults.running import Site, new_key
from tests.faults.tablet import raw_of

SECONDS = 60
STUDIES_ENTERED_INTO = 10
READER_PAUSE_S = 4.0
UNITS = 300
GIVE_UP_S = 30.0


@dataclass
class Times:
    """How long the requests of one kind took, in milliseconds, and what they were answered."""

    ms: list[float] = field(default_factory=list)
    answers: Counter[str] = field(default_factory=Counter)

    def row(self, words: str, seconds: float) -> str:
        """A row of the table."""
        ordered = statistics.quantiles(self.ms, n=100)
        bad = sum(n for answer, n in self.answers.items() if answer not in ("200", "201", "304"))
        return (
            f"| {words} | {len(self.ms):,} | {len(self.ms) / seconds:.0f} | {ordered[49]:.0f} | "
            f"{ordered[94]:.0f} | {ordered[98]:.0f} | {bad} |"
        )


class Client:
    """One connection that stays open, as a browser's does."""

    def __init__(self, port: int, session: str = "") -> None:
        self._port, self._session, self._token = port, session, ""
        self._streams: tuple[asyncio.StreamReader, asyncio.StreamWriter] | None = None

    async def timed(
        self, times: Times, method: str, address: str, body: Any = None
    ) -> tuple[int, bytes]:
        """Ask, and note how long it took."""
        begun = time.perf_counter()
        try:
            async with asyncio.timeout(GIVE_UP_S):
                status, content = await self.ask(method, address, body)
        except (OSError, asyncio.IncompleteReadError, TimeoutError) as error:
            self._streams = None
            status, content = 0, type(error).__name__.encode()
        times.ms.append(1000 * (time.perf_counter() - begun))
        times.answers[str(status) if status else content.decode()] += 1
        return status, content

    async def ask(self, method: str, address: str, body: Any = None) -> tuple[int, bytes]:
        """Send one request and read its answer.

        A server may close a connection that stood idle; everything asked here may be asked twice,
        so it is then asked once more on a new one, as browsers do (RFC 9110, 9.2.2).
        """
        if body is not None and not self._token:
            _, told = await self.ask("GET", "/api/v1/session/")
            self._token = json.loads(told)["csrf_token"]
        stood_idle = self._streams is not None
        try:
            return await self._ask_once(method, address, body)
        except (ConnectionError, asyncio.IncompleteReadError):
            self._streams = None
            if not stood_idle:
                raise
        return await self._ask_once(method, address, body)

    async def _ask_once(self, method: str, address: str, body: Any) -> tuple[int, bytes]:
        if self._streams is None:
            self._streams = await asyncio.open_connection("127.0.0.1", self._port)
        reader, writer = self._streams
        content = b"" if body is None else json.dumps(body).encode()
        cookies = f"sessionid={self._session}; csrftoken={self._token}" if self._session else ""
        writer.write(
            f"{method} {address} HTTP/1.1\r\nHost: 127.0.0.1:{self._port}\r\n"
            f"Accept-Encoding: gzip\r\nContent-Type: application/json\r\nCookie: {cookies}\r\n"
            f"X-CSRFToken: {self._token}\r\nContent-Length: {len(content)}\r\n\r\n".encode()
            + content
        )
        await writer.drain()
        head = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1").lower()
        if "transfer-encoding: chunked" in head:
            answer = b""
            while size := int(await reader.readline(), 16):
                answer += await reader.readexactly(size)
                await reader.readline()
            await reader.readline()
        else:
            length = re.search(r"content-length: (\d+)", head)
            answer = await reader.readexactly(int(length[1])) if length else b""
        if "connection: close" in head:
            writer.close()
            self._streams = None
        if "content-encoding: gzip" in head:
            answer = gzip.decompress(answer)
        return int(head.split(" ", 2)[1]), answer


@dataclass
class Load:
    """Who does what, and what came of it."""

    port: int
    sessions: list[str]
    runs: list[int]
    pages: list[str]
    entering: Times = field(default_factory=Times)
    browsing: Times = field(default_factory=Times)
    entered: set[str] = field(default_factory=set)

    async def go(self, tablets: int, readers: int) -> None:
        """Everybody at once, for the time."""
        until = time.monotonic() + SECONDS
        each = len(self.runs) // tablets
        await asyncio.gather(
            *(self._tablet(n, self.runs[n * each : (n + 1) * each], until) for n in range(tablets)),
            *(self._reader(n, until) for n in range(readers)),
        )

    def tell(self) -> None:
        """Print the table."""
        print("| what | requests | a second | median ms | 95th percentile ms | 99th ms | failed |")
        print("|---|---|---|---|---|---|---|")
        print(self.entering.row("a reading entered", SECONDS))
        print(self.browsing.row("a page read", SECONDS))
        print(f"Answers: {dict(self.entering.answers)} and {dict(self.browsing.answers)}.")

    async def _tablet(self, number: int, runs: list[int], until: float) -> None:
        client = Client(self.port, self.sessions[number])
        due = time.monotonic() + Random(number).random()
        for k, run in enumerate(runs):
            await asyncio.sleep(max(0.0, due - time.monotonic()))
            if time.monotonic() > until:
                return
            due += 1.0
            key = uuid.uuid4()
            body = reading(run, number * 7 + k)
            status, _ = await client.timed(self.entering, "PUT", f"/api/v1/readings/{key}/", body)
            if status in (200, 201):
                self.entered.add(key.hex)

    async def _reader(self, number: int, until: float) -> None:
        client, chance = Client(self.port), Random(1000 + number)
        await asyncio.sleep(chance.random() * READER_PAUSE_S)
        while time.monotonic() < until:
            await client.timed(self.browsing, "GET", chance.choice(self.pages))
            pause = chance.expovariate(1 / READER_PAUSE_S)
            await asyncio.sleep(min(pause, max(0.0, until - time.monotonic())))


@dataclass
class Running:
    """A whole site, and whose processor time is whose."""

    site: Site
    port: int
    database: OwnPostgreSQL | None

    def start_worker(self) -> None:
        """Two processes of it where the broker allows more than one."""
        several = ["--concurrency=2"] if self.database else []
        self.site.start("worker", "worker", *several)

    def spent(self) -> dict[str, float]:
        """Processor seconds so far."""
        pids = {name: self.site.processes[name].pid for name in ("web", "worker")}
        if self.database:
            pids["database"] = self.database.pid
        return {name: cpu_seconds(pid) for name, pid in pids.items()}

    def megabytes(self) -> float:
        """What the database takes on disk."""
        if self.database:
            return float(self.site.rows("SELECT pg_database_size('lab')")[0][0]) / 1e6
        return sum(path.stat().st_size for path in self.site.folder.glob("db.sqlite3*")) / 1e6

    def waiting(self) -> int:
        """Analyses asked for and not done."""
        asked = "SELECT count(*) FROM labsite_job WHERE state IN ('waiting', 'running')"
        return int(self.site.rows(asked)[0][0])

    def warm_up(self, pages: list[str], asked_for: int) -> None:
        """A day begins with a site that runs: workers at work, each page read by somebody before."""
        for page in pages:
            self.site.get(f"http://127.0.0.1:{self.port}{page}")
        while self.waiting() == asked_for:
            time.sleep(0.2)

    def wait_for_analyses(self) -> None:
        """Wait until none waits."""
        while self.waiting():
            time.sleep(0.2)


@contextmanager
def whole_site(*, on_sqlite: bool) -> Iterator[Running]:
    """Web, beat and two workers."""
    with tempfile.TemporaryDirectory() as name, ExitStack() as stack:
        folder = Path(name)
        variables = {"DJANGO_SETTINGS_MODULE": "labsite.settings", "LOG_LEVEL": "WARNING"}
        database = None
        if not on_sqlite:
            database, broker = stack.enter_context(own_services(folder, megabytes=2000))
            variables |= addresses(database, broker) | {"SECRET_KEY": new_key()}
        site = Site(folder=folder, variables=variables)
        stack.callback(site.stop_all)
        site.manage("migrate", "--verbosity=0", within_s=600)
        site.manage("collectstatic", "--noinput", "--verbosity=0")
        port = free_port()
        site.start("web", "serve", f"--port={port}")
        running = Running(site, port, database)
        running.start_worker()
        if not on_sqlite:
            site.start("beat", "beat")
        site.wait_until_answering(f"http://127.0.0.1:{port}/healthz", within_s=120)
        yield running


def own_seconds() -> dict[str, float]:
    """Processor seconds of the tablets and readers themselves."""
    return {"tablets and readers": time.process_time()}


def prepare(studies: int, runs: int, tablets: int) -> None:
    """In a process of the site: studies with readings, and runs that wait for a tablet."""
    from django.db import transaction
    from django.test import Client as DjangoClient
    from django.utils import timezone

    from benchmarks.programme import fill
    from labsite.models import User
    from labsite.roles import Role, give_role
    from trials.models import Run, SpecimenCheck, Study

    fill(studies, 6, 10)
    sessions = []
    for number in range(tablets):
        # a person each: one person's requests are limited to what a person can do
        technician = User.objects.create_user(f"tablet-{number}")
        give_role(user=technician, role=Role.TECHNICIAN, by=None)
        client = DjangoClient()
        client.force_login(technician)
        sessions.append(client.cookies["sessionid"].value)
    chosen = Study.objects.filter(slug__startswith="programme-").order_by("pk")
    made: list[Run] = []
    per_study = runs // STUDIES_ENTERED_INTO
    for study in chosen[:STUDIES_ENTERED_INTO]:
        known = list(
            study.runs.values_list("revision", "specimen", "zone", "planned_by").distinct()
        )
        made += [
            Run(
                study=study,
                revision_id=revision,
                specimen_id=specimen,
                zone_id=zone,
                planned_by_id=person,
                site=100 + k // len(known),
            )
            for k in range(per_study)
            for revision, specimen, zone, person in [known[k % len(known)]]
        ]
    with transaction.atomic():
        Run.objects.bulk_create(made, batch_size=500)
        # their specimens were looked at in the morning
        looked = Run.objects.filter(site__gte=100).select_related("specimen", "zone")
        at = timezone.now() - timedelta(hours=1)
        SpecimenCheck.objects.bulk_create(
            [
                SpecimenCheck(
                    uuid=uuid.uuid4(),
                    run=run,
                    code=run.specimen.code,
                    zone=run.zone.code,
                    how="typed",
                    is_right=True,
                    checked_at=at,
                    received_at=at,
                    by=technician,
                )
                for run in looked
            ],
            batch_size=500,
        )
    # a tablet works through one study
    print(
        json.dumps(
            {
                "sessions": sessions,
                "runs": list(
                    Run.objects.filter(site__gte=100)
                    .order_by("study", "pk")
                    .values_list("pk", flat=True)
                ),
            }
        )
    )


def units(running: Running, session: str, runs: list[int], pages: list[str]) -> None:
    """Print what one of each thing costs, one kind after the other, by one client."""

    async def enter() -> None:
        client = Client(running.port, session)
        for k, run in enumerate(runs):
            await client.timed(Times(), "PUT", f"/api/v1/readings/{uuid.uuid4()}/", reading(run, k))

    async def read() -> None:
        client = Client(running.port)
        for k in range(UNITS):
            await client.timed(Times(), "GET", pages[k % len(pages)])

    def analyse() -> None:
        running.site.manage("reanalyse", within_s=600)
        running.wait_for_analyses()

    print("| one | ms | processor ms: web, worker, database | kB on disk |")
    print("|---|---|---|---|")
    studies = running.site.rows(
        "SELECT count(*) FROM trials_study WHERE registered_at IS NOT NULL"
    )[0][0]
    for words, count, do in (
        (
            "reading entered, with the analysis that it asks for",
            len(runs),
            lambda: asyncio.run(enter()),
        ),
        ("page read", UNITS, lambda: asyncio.run(read())),
        ("study of 60 readings analysed", studies, analyse),
    ):
        running.wait_for_analyses()
        spent, size, begun = running.spent(), running.megabytes(), time.perf_counter()
        do()
        ms = 1000 * (time.perf_counter() - begun) / count
        running.wait_for_analyses()
        used = {name: 1000 * (now - spent[name]) / count for name, now in running.spent().items()}
        grown = 1000 * (running.megabytes() - size) / count
        print(
            f"| {words} | {ms:.1f} | {', '.join(f'{ms:.1f}' for ms in used.values())} | {grown:.1f} |"
        )


def reading(run: int, number: int) -> dict[str, Any]:
    """What a tablet sends."""
    return {
        "run": run,
        "raw": raw_of("belt-abrasion", number),
        "measured_at": datetime.now(UTC).isoformat(),
    }


def main() -> None:
    """Start, load, count and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sqlite", action="store_true")
    parser.add_argument("--units", action="store_true", help="only what one of each thing costs")
    asked = parser.parse_args()
    # cut short, it still takes its site down with it
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    share = 10 if asked.sqlite else 1
    tablets, readers, studies = 50 // share, 200 // share, 1000 // share
    with whole_site(on_sqlite=asked.sqlite) as running:
        site = running.site
        site.manage("load_demo", within_s=600)
        site.manage("publish_demo", "--wait", within_s=600)
        waits = tablets * (SECONDS + 5) + UNITS
        code = f"from benchmarks import load; load.prepare({studies}, {waits}, {tablets})"
        # what the new studies ask for waits until everybody comes
        site.kill("worker")
        told = site.manage("shell", "--verbosity=0", "-c", code, within_s=1200)
        seed = json.loads(told.strip().splitlines()[-1])
        _, text, _ = site.get(f"http://127.0.0.1:{running.port}/sitemap.xml")
        pages = [re.sub(r"https?://[^/]+", "", page) for page in re.findall("<loc>(.*?)<", text)]
        if len(pages) < 5:
            raise RuntimeError(f"There is too little to read: {text}")
        load = Load(running.port, seed["sessions"], seed["runs"][UNITS:], pages)
        before = os.getloadavg()[0]
        asked_for = running.waiting()
        running.start_worker()
        if asked.units:
            units(running, seed["sessions"][0], seed["runs"][:UNITS], pages)
            return
        running.warm_up(pages, asked_for)
        spent, begun = running.spent() | own_seconds(), time.monotonic()
        asyncio.run(load.go(tablets, readers))
        seconds = time.monotonic() - begun
        used = {name: now - spent[name] for name, now in (running.spent() | own_seconds()).items()}
        left = running.waiting()
        print(
            f"{tablets} tablets, {readers} readers, {asked_for} analyses waiting at the start; "
            f"{'SQLite' if asked.sqlite else 'PostgreSQL and Redis'}; {os.cpu_count()} cores, "
            f"load of the machine before {before:.1f}."
        )
        load.tell()
        shares = ", ".join(f"{name} {seconds_of:.0f} s" for name, seconds_of in used.items())
        print(f"Processor time in {seconds:.0f} s: {shares}.", flush=True)
        stored = {
            str(key).replace("-", "") for (key,) in site.rows("SELECT uuid FROM trials_reading")
        }
        lost = len(load.entered - stored)
        print(f"Readings: {len(load.entered):,} acknowledged, {lost} lost.", flush=True)
        running.wait_for_analyses()
        all_done = time.monotonic() - begun
        failed = site.rows("SELECT count(*) FROM labsite_job WHERE state = 'failed'")[0][0]
    print(
        f"Analyses: {left} left after {seconds:.0f} s, all done after {all_done:.0f} s, {failed} failed."
    )


if __name__ == "__main__":
    main()
