"""Rounds of random faults behind the bench with a fixed seed, counted against a clean run.

``python -m tests.faults.job_rounds --rounds 500`` prints what happened; the test suite plays a few
rounds of the same game. Each round a tablet enters a reading, which asks for findings, while one
thing goes wrong with the processes behind it. Every few rounds all is mended and everything is
counted: each reading once, every finding there and equal to one computed undisturbed, the chain
of the audit trail whole. The clock that jumps is the one the site's own code reads; the machine's
is shared with others.

Three quarters of the rounds are played by a site on PostgreSQL and Redis with workers on two
hosts, the rest by one on SQLite and the file-system broker. Needs root: see tests/faults/hosts.py.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import sys
import tempfile
import threading
import time
import uuid
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from random import Random
from typing import Any

from tests.browser.site import free_port
from tests.faults import jumping_clock
from tests.faults.cable import Cable
from tests.faults.hosts import (
    CAN_MAKE_HOSTS,
    CAN_MOUNT,
    OtherHost,
    SmallDisk,
    addresses,
    own_services,
)
from tests.faults.running import Site, new_key
from tests.faults.tablet import ENTERED, Tablet, raw_of

SEED = 20261130
COUNT_EVERY = 10
PATIENCE_S = 240  # a busy machine may take long to start a worker
Fault = Callable[[Random], None]
JUMPS_S = (3600, -3600, 90, -90, 86400)


@dataclass
class Lab:
    """One running site, what can go wrong with it, and what was entered."""

    site: Site
    port: int
    seed: dict[str, Any]
    faults: dict[str, Fault]
    mend: Callable[[], None]
    entered: dict[str, int] = field(default_factory=dict)
    happened: Counter[str] = field(default_factory=Counter)

    def tablet(self) -> Tablet:
        """A tablet with the technician signed in."""
        return Tablet(self.port, self.seed["people"]["a-technician"]["session"])


def play(lab: Lab, rounds: int, chance: Random) -> Counter[int | str]:
    """Play the rounds; returns the answers that the tablet got."""
    tablet = lab.tablet()
    runs = [run for run in lab.seed["runs"] if run["method"] in ENTERED]
    chance.shuffle(runs)
    assert len(runs) >= rounds, f"{len(runs)} runs are too few for {rounds} rounds"
    for number, run in enumerate(runs[:rounds]):
        name = chance.choice(sorted(lab.faults))
        lab.happened[name] += 1
        play_round(lab, tablet, run, number, lab.faults[name], chance)
        if (number + 1) % COUNT_EVERY == 0 or number + 1 == rounds:
            lab.mend()
            wait_until_current(lab)
            counted = count(lab)
            assert_whole(counted)
            print(f"{number + 1} rounds: {counted}", flush=True)
    return tablet.answers


def play_round(
    lab: Lab,
    tablet: Tablet,
    run: dict[str, Any],
    number: int,
    happen: Fault,
    chance: Random,
) -> None:
    """Enter one reading while something happens."""
    measured_at = datetime.now(UTC) - timedelta(hours=2)
    problems: list[BaseException] = []

    def enter() -> None:
        try:
            key = tablet.enter(
                run["id"],
                raw_of(run["method"], number),
                measured_at=measured_at,
                within_s=PATIENCE_S,
                specimen_check={
                    "id": str(uuid.uuid4()),
                    "code": run["code"],
                    "zone": run["zone"],
                    "how": "typed",
                    "checked_at": (measured_at - timedelta(minutes=1)).isoformat(),
                },
            )
            lab.entered[key.hex] = run["id"]
        except BaseException as problem:
            problems.append(problem)
            raise

    entering = threading.Thread(target=enter)
    pause = chance.random() * 0.6
    if chance.random() < 0.5:
        entering.start()
        time.sleep(pause)
        happen(chance)
    else:
        happen(chance)
        entering.start()
    entering.join()
    if problems:
        raise problems[0]
    time.sleep(chance.random() * 0.5)


def wait_until_current(lab: Lab) -> None:
    """Wait until no work waits or runs."""
    give_up_at = time.monotonic() + PATIENCE_S
    while rows := lab.site.rows(
        "SELECT id, kind, state, attempts, error FROM labsite_job WHERE state IN ('waiting', 'running')"
    ):
        logs = {path.name: path.read_text()[-1500:] for path in lab.site.folder.glob("*.log")}
        assert time.monotonic() < give_up_at, (rows, logs)
        time.sleep(0.2)


def count(lab: Lab) -> dict[str, Any]:
    """What is in the database, asked past the code under test, against what was entered."""
    found = [
        (str(key).replace("-", ""), run)
        for key, run in lab.site.rows("SELECT uuid, run_id FROM trials_reading")
    ]
    per_run = Counter(run for _, run in found)
    told = json.loads(
        lab.site.manage(
            "shell", "--verbosity=0", "-c", "from tests.faults import clean_run; clean_run.main()"
        )
        .strip()
        .splitlines()[-1]
    )
    lab.site.manage("audit_verify")
    return {
        "entered": len(lab.entered),
        "lost": len(set(lab.entered.items()) - set(found)),
        "doubled": len(found) - len(per_run),
        **told,
    }


def assert_whole(counted: dict[str, Any]) -> None:
    """Nothing lost, nothing doubled, everything as a clean run has it."""
    assert counted["lost"] == 0, counted
    assert counted["doubled"] == counted["findings doubled"] == 0, counted
    assert counted["differences"] == [], counted
    assert counted["findings"] > 0, counted


# --- the sites -----------------------------------------------------------------------------------


@contextmanager
def many_hosts(runs_each: int) -> Iterator[Lab]:
    """PostgreSQL and Redis, a web process, beat, and a worker on each of two hosts."""
    with tempfile.TemporaryDirectory() as name, ExitStack() as stack:
        folder = Path(name)
        database, broker = stack.enter_context(own_services(folder))
        host = stack.enter_context(closing(OtherHost())) if CAN_MAKE_HOSTS else None
        here = host.here if host else "127.0.0.1"
        cables = [
            stack.enter_context(closing(Cable(port, host=here)))
            for port in (database.port, broker.port)
        ]
        clock = Clock(folder / "clock")
        near = {"SECRET_KEY": new_key(), **addresses(database, broker), **clock.variables}
        site = Site(folder=folder, variables=near)
        stack.callback(site.stop_all)
        far = addresses(database, broker, host=here, ports=[cable.port for cable in cables])
        worker = ("worker", "--concurrency=1")
        inside = host.inside if host else ()
        starts: dict[str, Callable[[], None]] = {
            "beat": partial(site.start, "beat", "beat"),
            "worker": partial(site.start, "worker", *worker),
            "far worker": partial(site.start, "far worker", *worker, inside=inside, variables=far),
        }

        def crash_database(chance: Random) -> None:
            database.crash()
            time.sleep(chance.random())
            database.start()

        def lose_broker(chance: Random) -> None:
            broker.crash()
            time.sleep(chance.random() * 2)
            broker.start()

        def fill_disk(chance: Random) -> None:
            fill(database.disk, chance)
            if not database.is_up:  # it ends itself when its log cannot grow
                database.start()

        def cut_off(host: OtherHost, chance: Random) -> None:
            host.cut_off()
            time.sleep(chance.random() * 5)
            host.connect()

        def pull(chance: Random) -> None:
            for cable in cables:
                cable.pull()
            time.sleep(chance.random() * 2)
            for cable in cables:
                cable.put_back()

        faults: dict[str, Fault] = {
            "a worker's child killed": lambda chance: kill_child(site, "worker", chance),
            "database restarted": crash_database,
            "database sessions broken": lambda chance: database.break_sessions(),
            "broker killed and emptied": lose_broker,
            "broker emptied": lambda chance: broker.empty(),
            "far host's cable pulled": pull,
        }
        if CAN_MOUNT:
            faults["disk full"] = fill_disk
        if host:
            faults["far host cut off"] = partial(cut_off, host)
        yield _run(site, clock, starts, faults, runs_each)


@contextmanager
def one_machine(runs_each: int) -> Iterator[Lab]:
    """SQLite and the file-system broker on a small disk, a web process and two workers."""
    with tempfile.TemporaryDirectory() as name, ExitStack() as stack:
        folder = Path(name)
        disk = stack.enter_context(closing(SmallDisk(folder, megabytes=150)))
        clock = Clock(folder / "clock")
        site = Site(folder=folder, variables=clock.variables)
        stack.callback(site.stop_all)
        starts: dict[str, Callable[[], None]] = {
            name: partial(site.start, name, "worker") for name in ("worker", "other worker")
        }

        def lose_messages(chance: Random) -> None:
            for path in folder.glob("**/*.msg"):
                path.unlink(missing_ok=True)

        faults: dict[str, Fault] = {"messages lost": lose_messages}
        if CAN_MOUNT:
            faults["disk full"] = partial(fill, disk)
        yield _run(site, clock, starts, faults, runs_each)


def fill(disk: SmallDisk, chance: Random) -> None:
    """Leave no room for a moment."""
    disk.fill()
    time.sleep(0.5 + chance.random())
    disk.free()


def _run(
    site: Site,
    clock: Clock,
    starts: dict[str, Callable[[], None]],
    faults: dict[str, Fault],
    runs_each: int,
) -> Lab:
    """Start everything, and add the faults that any site may have."""
    port = free_port()
    starts = starts | {
        "web": partial(site.start, "web", "serve", f"--port={port}", "--processes=1")
    }

    def kill(names: Sequence[str], chance: Random) -> None:
        for name in names:
            site.kill(name)
            starts[name]()

    workers = [name for name in starts if name.endswith("worker")]
    faults = faults | {
        "nothing": lambda chance: None,
        **{f"{name} killed": partial(kill, [name]) for name in starts},
        "both workers killed": partial(kill, workers),
        "clock jumps": lambda chance: clock.jump(chance.choice(JUMPS_S)),
    }
    code = f"from tests.faults import bench_seed; bench_seed.main({runs_each})"
    told = site.manage("shell", "--verbosity=0", "-c", code, within_s=900)
    for start in starts.values():
        start()
    site.wait_until_answering(f"http://127.0.0.1:{port}/healthz", within_s=PATIENCE_S)
    seed = json.loads(told.strip().splitlines()[-1])
    return Lab(site, port, seed, faults, lambda: clock.jump(0))


class Clock:
    """The clock of all processes of a site, which can be put forward and back."""

    def __init__(self, file: Path) -> None:
        self._file = file
        self.variables = {jumping_clock.VARIABLE: str(file)}
        self.jump(0)

    def jump(self, seconds: int) -> None:
        """Show this many seconds more than the true time from now on."""
        part = self._file.with_suffix(".part")
        part.write_text(str(seconds))
        part.rename(self._file)


def kill_child(site: Site, name: str, chance: Random) -> None:
    """Kill one of the processes that a process has started."""
    pid = site.processes[name].pid
    children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    if children:
        os.kill(int(chance.choice(children)), signal.SIGKILL)


def main() -> None:
    """Play, and print what happened and the counts."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=500)
    parser.add_argument("--seed", type=int, default=SEED)
    asked = parser.parse_args()
    # stopped from outside, it takes its disks, hosts and processes away as well
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))
    few = asked.rounds // 4
    started = time.monotonic()
    for name, make, rounds in (
        ("PostgreSQL, Redis, two hosts", many_hosts, asked.rounds - few),
        ("SQLite, one machine", one_machine, few),
    ):
        print(f"== {name}", flush=True)
        with make(rounds // len(ENTERED) + 2) as lab:
            answers = play(lab, rounds, Random(asked.seed))
            for happening, times in sorted(lab.happened.items()):
                print(f"{happening:<28} {times}")
            print(f"The tablet's answers: {dict(answers)}", flush=True)
    print(f"{asked.rounds} rounds in {time.monotonic() - started:.0f} s.")


if __name__ == "__main__":
    main()
