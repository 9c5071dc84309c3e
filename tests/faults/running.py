"""A site of real processes, started, killed and looked at from outside."""

import json
import os
import secrets
import signal
import sqlite3
import subprocess
import sys
import time
import urllib.request
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any

import psycopg

from tests.faults.slow_work.apps import EFFECT

ROOT = Path(__file__).resolve().parent.parent.parent


@dataclass
class Site:
    """One var folder, one database, one broker, and the processes started on them."""

    folder: Path
    variables: dict[str, str]
    processes: dict[str, subprocess.Popen] = field(default_factory=dict)

    @property
    def environment(self) -> dict[str, str]:
        # Nothing of this test run's own settings may leak in.
        own = ("DATABASE_URL", "BROKER_URL", "ALLOWED_HOSTS", "HTTPS", "DEBUG", "SECRET_KEY")
        kept = {name: value for name, value in os.environ.items() if name not in own}
        return {
            **kept,
            "DJANGO_SETTINGS_MODULE": "tests.faults.site_settings",
            "VAR_DIR": str(self.folder),
            "PYTHONPATH": str(ROOT),
            **self.variables,
        }

    def manage(self, *arguments: str, within_s: float = 120) -> str:
        done = subprocess.run(
            [sys.executable, "manage.py", *arguments],
            cwd=ROOT,
            env=self.environment,
            capture_output=True,
            text=True,
            timeout=within_s,
        )
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    def start(
        self,
        name: str,
        *arguments: str,
        inside: Sequence[str] = (),
        variables: Mapping[str, str] = MappingProxyType({}),
    ) -> None:
        """Start a command of manage.py; `inside` is put before it, as to enter another host."""
        with (self.folder / f"{name}.log").open("ab") as log:
            self.processes[name] = subprocess.Popen(
                [*inside, sys.executable, "manage.py", *arguments],
                cwd=ROOT,
                env=self.environment | variables,
                stdout=log,
                stderr=subprocess.STDOUT,
                start_new_session=True,
            )

    def kill(self, name: str) -> None:
        """Kill -9 the process and all its children at once, as a power cut would."""
        process = self.processes.pop(name)
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()

    def stop_all(self) -> None:
        for name in list(self.processes):
            self.kill(name)

    def rows(self, query: str) -> list[tuple]:
        """Ask the database directly, past the code under test."""
        url = self.variables.get("DATABASE_URL")
        if url:
            with psycopg.connect(url) as connection:
                return connection.execute(query).fetchall()
        with closing(sqlite3.connect(self.folder / "db.sqlite3", timeout=20)) as connection:
            return connection.execute(query).fetchall()

    def look(self) -> dict[str, Any]:
        jobs = self.rows("SELECT key, state, attempts FROM labsite_job")
        effects = self.rows(f"SELECT detail FROM labsite_auditentry WHERE verb = '{EFFECT}'")
        details = [json.loads(d) if isinstance(d, str) else d for (d,) in effects]
        return {
            "states": {key: state for key, state, _ in jobs},
            "attempts": {key: attempts for key, _, attempts in jobs},
            "effects": dict(Counter(detail["name"] for detail in details)),
        }

    def wait_for(self, wanted: Callable[[dict[str, Any]], bool], *, within_s: float) -> dict:
        give_up_at = time.monotonic() + within_s
        while not wanted(seen := self.look()):
            logs = {path.name: path.read_text()[-2000:] for path in self.folder.glob("*.log")}
            assert time.monotonic() < give_up_at, (seen, logs)
            time.sleep(0.1)
        return seen

    def get(self, address: str, *, host: str = "") -> tuple[int, str, dict[str, str]]:
        request = urllib.request.Request(address, headers={"Host": host} if host else {})
        opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
        with opener.open(request, timeout=10) as answer:
            return answer.status, answer.read().decode(), dict(answer.headers)

    def wait_until_answering(self, address: str, *, within_s: float = 40) -> None:
        give_up_at = time.monotonic() + within_s
        while True:
            try:
                self.get(address)
            except OSError:
                log = (self.folder / "web.log").read_text()[-2000:]
                assert time.monotonic() < give_up_at, log
                time.sleep(0.2)
            else:
                return


def new_key() -> str:
    return secrets.token_urlsafe(50)


def all_done(seen: dict[str, Any]) -> bool:
    return bool(seen["states"]) and set(seen["states"].values()) == {"done"}


def some_running(seen: dict[str, Any]) -> bool:
    return "running" in seen["states"].values()
