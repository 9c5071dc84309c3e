"""How the site's processes are started, in one place for commands, demo and containers."""

import ctypes
import os
import signal
import sys
from pathlib import Path

from django.conf import settings

LOOPBACK_HOSTS = ("127.0.0.1", "::1", "localhost")
THREADS_PER_WEB_PROCESS = 4


def web_command(*, host: str, port: int, processes: int, log_level: str = "") -> list[str]:
    """Build the command of the web process."""
    bind_host = f"[{host}]" if ":" in host else host
    return [
        sys.executable,
        "-m",
        "gunicorn",
        "labsite.wsgi:application",
        f"--bind={bind_host}:{port}",
        # Threads, so that one slow tablet does not hold a whole process.
        "--worker-class=gthread",
        f"--workers={processes}",
        f"--threads={THREADS_PER_WEB_PROCESS}",
        "--timeout=60",
        "--graceful-timeout=10",
        # Its default place is shared by every gunicorn of the same person.
        "--no-control-socket",
        f"--log-level={(log_level or settings.LOG_LEVEL).lower()}",
    ]


def is_embedded() -> bool:
    """Tell whether messages are files, so that there is no broker server."""
    return settings.CELERY_BROKER_URL.startswith("filesystem:")


def worker_command(*, concurrency: int, log_level: str = "") -> list[str]:
    """Build the command of a worker; the embedded one sweeps by itself.

    On the file-system broker the worker runs without child processes: a pool there can hang for
    good when an idle child is killed while it holds the queue's lock. With a broker server there
    may be many workers, so the sweep has its own process (`beat_command`).
    """
    command = [
        sys.executable,
        "-m",
        "celery",
        "--quiet",
        "--app=labsite",
        "worker",
        f"--loglevel={log_level or settings.LOG_LEVEL}",
        f"--hostname=worker-{os.getpid()}@%h",
        "--without-gossip",
        "--without-mingle",
    ]
    if is_embedded():
        return [
            *command,
            "--without-heartbeat",
            "--pool=solo",
            "--beat",
            f"--schedule-filename={_schedule_file()}",
        ]
    return [*command, "--pool=prefork", f"--concurrency={concurrency}"]


def beat_command() -> list[str]:
    """Build the command that asks for a sweep every few seconds; one for the whole site."""
    return [
        sys.executable,
        "-m",
        "celery",
        "--quiet",
        "--app=labsite",
        "beat",
        f"--loglevel={settings.LOG_LEVEL}",
        f"--schedule={_schedule_file()}",
        "--pidfile=",
    ]


def _schedule_file() -> Path:
    settings.VAR_DIR.mkdir(parents=True, exist_ok=True)
    path: Path = settings.VAR_DIR / "beat-schedule"
    return path


def end_with_parent() -> None:
    """Ask Linux to stop this process when its parent is gone, however it went.

    Elsewhere nothing happens: there only a parent that is killed outright leaves children behind.
    """
    if sys.platform == "linux":
        set_parent_death_signal = 1  # PR_SET_PDEATHSIG in linux/prctl.h
        ctypes.CDLL(None).prctl(set_parent_death_signal, signal.SIGTERM)


GIVES_WAY_BY = 19  # as far as nice goes: about 1.5 % of a core that a web process wants too
AUTOGROUP = Path("/proc/self/autogroup")


def give_way() -> None:
    """Let a person who waits for a page go before the work in the background.

    Linux shares the processors between sessions first and looks at `nice` only within one. So
    where this process leads a session of its own, the session is told as well. In a container or
    a systemd unit neither counts against other ones: there `cpu_shares` or `CPUWeight` does it.
    """
    os.nice(GIVES_WAY_BY)
    if sys.platform == "linux":
        # whoever else wakes up takes the core at once, and not when a slice of time is over
        os.sched_setscheduler(0, os.SCHED_IDLE, os.sched_param(0))
    if os.getsid(0) == os.getpid() and os.access(AUTOGROUP, os.W_OK):
        AUTOGROUP.write_text(str(GIVES_WAY_BY))


def become(command: list[str]) -> None:
    """Turn this process into that command, so that signals reach it directly."""
    sys.stdout.flush()
    sys.stderr.flush()
    os.execv(command[0], command)  # nosec B606  # a list of our own making; no shell reads it
