"""Starts the whole site as a person would, for the browser tests and the README's pictures."""

import os
import shutil
import socket
import subprocess
import sys
import time
import uuid
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit, urlunsplit

from playwright.sync_api import Browser, BrowserContext, Page

ROOT = Path(__file__).resolve().parents[2]
START_WITHIN_SECONDS = 180
STOP_WITHIN_SECONDS = 30


def chromium_path() -> str | None:
    """Where Chromium is, by the CHROMIUM variable or the usual names; None without one."""
    named = os.environ.get("CHROMIUM")
    names = (named,) if named else ("chromium", "chromium-browser", "google-chrome")
    return next((found for name in names if (found := shutil.which(name))), None)


@dataclass(frozen=True)
class Site:
    """A running demo with its people's logins."""

    url: str
    logins: dict[str, tuple[str, str]]

    def open(self, browser: Browser, role: str = "", **options: object) -> Page:
        """A page of a fresh browser, signed in by the form when a role is named."""
        context: BrowserContext = browser.new_context(base_url=self.url, **options)
        page = context.new_page()
        page.set_default_timeout(15_000)
        if role:
            self.sign_in(page, role)
        return page

    def sign_in(self, page: Page, role: str) -> None:
        name, password = self.logins[role]
        page.goto("/sign-in/")
        page.get_by_label("Username").fill(name)
        page.get_by_label("Password").fill(password)
        page.get_by_role("button", name="Sign in").click()
        page.wait_for_url(lambda url: "/sign-in/" not in url)


@contextmanager
def running_demo(folder: Path) -> Iterator[Site]:
    """`manage.py demo` on a free port with a var folder of its own.

    Where DATABASE_URL names a PostgreSQL server, the demo gets a database of its own there.
    """
    with ExitStack() as stack:
        environment = {**os.environ, "VAR_DIR": str(folder), "PYTHONWARNINGS": "ignore"}
        # the settings of a test run must not reach the site
        environment.pop("DJANGO_ALLOW_ASYNC_UNSAFE", None)
        has_server = bool(environment.get("DATABASE_URL"))
        if has_server:
            environment["DATABASE_URL"] = stack.enter_context(
                _own_database(environment["DATABASE_URL"])
            )
            _manage(["migrate", "--verbosity", "0"], environment)
            _manage(["load_demo"], environment)
            _manage(["load_demo_bench"], environment)
        port = free_port()
        command = [sys.executable, "manage.py", "demo", "--port", str(port)]
        command += ["--no-seed"] if has_server else []
        log = folder / "site.log"
        with log.open("wb") as out:
            site = subprocess.Popen(  # a list of our own making
                command, cwd=ROOT, env=environment, stdout=out, stderr=subprocess.STDOUT
            )
            stack.callback(_stop, site)
            _wait_until_running(site, log)
            if has_server:
                _manage(["publish_demo", "--wait"], environment)
            yield Site(f"http://127.0.0.1:{port}", _logins(folder / "demo-logins.txt"))


def _manage(arguments: list[str], environment: dict[str, str]) -> None:
    subprocess.run(
        [sys.executable, "manage.py", *arguments],
        cwd=ROOT,
        env=environment,
        check=True,
        stdout=subprocess.DEVNULL,
        timeout=START_WITHIN_SECONDS,
    )


def _wait_until_running(site: "subprocess.Popen[bytes]", log: Path) -> None:
    give_up_at = time.monotonic() + START_WITHIN_SECONDS
    while "Wornproof is running." not in log.read_text():
        if site.poll() is not None or time.monotonic() > give_up_at:
            raise RuntimeError(f"The demo did not start. It said:\n{log.read_text()}")
        time.sleep(0.1)


def _stop(site: "subprocess.Popen[bytes]") -> None:
    site.terminate()
    try:
        site.wait(STOP_WITHIN_SECONDS)
    except subprocess.TimeoutExpired:
        site.kill()
        site.wait()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _logins(path: Path) -> dict[str, tuple[str, str]]:
    lines = [line.split() for line in path.read_text().splitlines()[1:]]
    return {role: (name, password) for role, name, password in lines}


@contextmanager
def _own_database(url: str) -> Iterator[str]:
    import psycopg
    from psycopg import sql

    name = f"wornproof_browser_{uuid.uuid4().hex[:12]}"
    identifier = sql.Identifier(name)
    # the database that DATABASE_URL names need not exist: tests make their own beside it
    maintenance = urlunsplit(urlsplit(url)._replace(path="/postgres"))
    with psycopg.connect(maintenance, autocommit=True) as server:
        server.execute(sql.SQL("CREATE DATABASE {}").format(identifier))
        yield urlunsplit(urlsplit(url)._replace(path=f"/{name}"))
        server.execute(sql.SQL("DROP DATABASE {} WITH (FORCE)").format(identifier))
