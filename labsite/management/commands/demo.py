"""Start everything for somebody who only wants to look."""

import fcntl
import http.client
import os
import signal
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import Any

from django.conf import settings
from django.core.management import call_command, get_commands
from django.core.management.base import BaseCommand, CommandError, CommandParser

from labsite import processes, static_files

START_WITHIN_SECONDS = 60
STOP_WITHIN_SECONDS = 15


class ProcessEnded(BaseException):
    """One of the two processes ended by itself; the other must not go on alone.

    Raised from a signal handler at any moment, so it must not look like an error of whatever
    happens to run, which might catch `Exception`.
    """


class Command(BaseCommand):
    """`manage.py demo`: web and worker as children that live and die together."""

    help = "Set up the invented demo lab and run web and worker until Ctrl-C."
    requires_system_checks = ()

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--port", type=int, default=8000)
        parser.add_argument(
            "--no-seed", action="store_true", help="Start without loading the demo lab."
        )

    def handle(self, *, port: int, no_seed: bool, **_: Any) -> None:
        if os.environ.get("DATABASE_URL") and not no_seed:
            raise CommandError(
                "DATABASE_URL is set, and the demo would fill that database with an invented "
                "lab. Unset it, or add --no-seed."
            )
        _check_port(port)
        try:
            with _only_demo_here():
                self._prepare()
                self._run(port=port, with_seed=not no_seed)
        except KeyboardInterrupt:
            self._say("Stopped. Everything is kept; the same command goes on from here.")

    def _prepare(self) -> None:
        self._say("Preparing the database and the static files ...")
        call_command("migrate", interactive=False, verbosity=0)
        static_files.collect_if_changed()

    def _run(self, *, port: int, with_seed: bool) -> None:
        # The children keep to warnings; whoever wants more sets LOG_LEVEL.
        log_level = os.environ.get("LOG_LEVEL", "WARNING")
        commands = {
            "web": processes.web_command(
                host="127.0.0.1", port=port, processes=1, log_level=log_level
            ),
            "worker": processes.worker_command(concurrency=1, log_level=log_level),
        }
        with _supervised(commands, {**os.environ, "LOG_LEVEL": log_level}):
            self._work(port=port, with_seed=with_seed)

    def _work(self, *, port: int, with_seed: bool) -> None:
        if with_seed:
            self._call_if_there("load_demo")
            self._call_if_there("load_demo_bench")
        _wait_until_answering(port)
        if with_seed:
            self._call_if_there("publish_demo", wait=True)
        self._print_addresses(port)
        while True:
            signal.pause()

    def _call_if_there(self, name: str, **options: Any) -> None:
        """Call a command that an app above this one brings; this app knows only its name."""
        if name in get_commands():
            call_command(name, stdout=self.stdout, stderr=self.stderr, **options)

    def _print_addresses(self, port: int) -> None:
        site = f"http://127.0.0.1:{port}"
        self._say("")
        self._say("Wornproof is running.")
        for label, path in (
            ("Scorecards (public)", "/"),
            ("Bench", "/bench/"),
            ("Lab", "/lab/"),
            ("Desk", "/desk/"),
            ("Administration", "/admin/"),
            ("Sign in", "/sign-in/"),
        ):
            self._say(f"  {label:<20} {site}{path}")
        logins: Path = settings.VAR_DIR / "demo-logins.txt"
        if logins.exists():
            self._say("")
            self._say(logins.read_text().rstrip())
        self._say("")
        self._say("Ctrl-C stops it.")

    def _say(self, words: str) -> None:
        self.stdout.write(words)
        self.stdout.flush()


def _check_port(port: int) -> None:
    if not 1 <= port <= 65535:
        raise CommandError(f"A port is a number from 1 to 65535, not {port}.")
    with socket.socket() as probe:
        # As the web process itself does, so that connections just closed do not look busy.
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", port))
        except PermissionError as error:
            raise CommandError(
                f"Port {port} needs more rights than you have. Choose one from 1024 up: "
                "make demo PORT=8100"
            ) from error
        except OSError as error:
            raise CommandError(
                f"Port {port} is in use by another program. Choose another one: "
                f"make demo PORT={port + 100 if port < 65000 else 8100}"
            ) from error


@contextmanager
def _only_demo_here() -> Iterator[None]:
    """Hold a lock on the var folder: two embedded workers on it would both sweep."""
    settings.VAR_DIR.mkdir(parents=True, exist_ok=True)
    with (settings.VAR_DIR / "demo.lock").open("w") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise CommandError(
                "The demo is already running from this folder, on another port."
            ) from error
        yield


@contextmanager
def _supervised(commands: dict[str, list[str]], environment: dict[str, str]) -> Iterator[None]:
    """Run the commands as children; when the block or one child ends, all end."""
    children: dict[str, subprocess.Popen[bytes]] = {}

    def child_ended(number: int, frame: FrameType | None) -> None:
        for name, child in children.items():
            if child.poll() is not None:
                raise ProcessEnded(
                    f"The {name} process ended (exit code {child.returncode}), "
                    "so the other one is stopped too. Its last words are above."
                )

    def asked_to_stop(number: int, frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    before = {
        number: signal.signal(number, handler)
        for number, handler in (
            (signal.SIGINT, asked_to_stop),
            (signal.SIGTERM, asked_to_stop),
            (signal.SIGCHLD, child_ended),
        )
    }
    try:
        for name, command in commands.items():
            children[name] = _start(command, environment)
        yield
    except ProcessEnded as ended:
        raise CommandError(str(ended)) from ended
    finally:
        # From here on a second Ctrl-C must not cut the stopping short.
        for number in before:
            signal.signal(number, signal.SIG_IGN if number != signal.SIGCHLD else signal.SIG_DFL)
        _stop(list(children.values()))
        for number, handler in before.items():
            signal.signal(number, handler)


def _start(command: list[str], environment: dict[str, str]) -> "subprocess.Popen[bytes]":
    return subprocess.Popen(  # nosec B603  # a list of our own making; no shell reads it
        command,
        env=environment,
        cwd=settings.BASE_DIR,
        stdin=subprocess.DEVNULL,
        # A group of its own: Ctrl-C reaches only the demo, which then stops both in order.
        start_new_session=True,
        preexec_fn=processes.end_with_parent,
    )


def _stop(children: list["subprocess.Popen[bytes]"]) -> None:
    for child in children:
        if child.poll() is None:
            child.terminate()
    give_up_at = time.monotonic() + STOP_WITHIN_SECONDS
    for child in children:
        try:
            child.wait(timeout=max(0.1, give_up_at - time.monotonic()))
        except subprocess.TimeoutExpired:
            child.kill()
        _kill_group(child.pid)


def _kill_group(leader: int) -> None:
    """End what a killed child left behind, such as the sweep's own process."""
    try:
        os.killpg(leader, signal.SIGKILL)
    except ProcessLookupError:
        return  # the usual case: the whole group is gone


def _wait_until_answering(port: int) -> None:
    give_up_at = time.monotonic() + START_WITHIN_SECONDS
    while not _answers(port):
        if time.monotonic() > give_up_at:
            raise CommandError(f"The site did not answer within {START_WITHIN_SECONDS} s.")
        time.sleep(0.1)


def _answers(port: int) -> bool:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=5)
    try:
        connection.request("GET", "/readyz")
        return connection.getresponse().status == 200
    except OSError:
        return False
    finally:
        connection.close()
