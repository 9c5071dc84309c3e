"""Services and hosts of a test's own, which may be killed, filled up and cut off.

The services of the machine are shared with other tests; these are not. Needs root and
PostgreSQL's and Redis's programs. Where this machine may not mount a file system or make a network
namespace, as in some containers, `CAN_MOUNT` and `CAN_MAKE_HOSTS` are false, and a game goes
without the faults that need them.
"""

import os
import shutil
import signal
import subprocess
import time
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

import psycopg
import redis

from tests.browser.site import free_port


def _may(*command: str) -> bool:
    return subprocess.run(command, capture_output=True, timeout=60, check=False).returncode == 0


CAN_MOUNT = _may("unshare", "--mount", "mount", "-t", "tmpfs", "tmpfs", "/mnt")
CAN_MAKE_HOSTS = shutil.which("ip") is not None and _may("unshare", "--net", "ip", "link")


@dataclass
class SmallDisk:
    """A file system of a few megabytes, which can be filled."""

    folder: Path
    megabytes: int

    def __post_init__(self) -> None:
        if CAN_MOUNT:
            run("mount", "-t", "tmpfs", "-o", f"size={self.megabytes}m", "tmpfs", str(self.folder))

    def fill(self) -> None:
        """Leave no byte free."""
        with suppress(OSError), (self.folder / "filler").open("ab", buffering=0) as filler:
            while True:
                filler.write(b"\0" * 4096)

    def free(self) -> None:
        """Take the filling away."""
        (self.folder / "filler").unlink(missing_ok=True)

    def close(self) -> None:
        """Unmount it, whatever still uses it."""
        if CAN_MOUNT:
            run("umount", "-l", str(self.folder))


@dataclass
class OwnPostgreSQL:
    """A PostgreSQL server of its own on a small disk."""

    folder: Path
    megabytes: int = 400
    port: int = field(default_factory=free_port)

    def __post_init__(self) -> None:
        newest = sorted(Path("/usr/lib/postgresql").glob("*/bin"))
        self._programs = newest[-1] if newest else Path(shutil.which("initdb") or "").parent
        self.disk = SmallDisk(self.folder, self.megabytes)
        shutil.chown(self.folder, "postgres", "postgres")
        self._data = self.folder / "data"
        self._as_owner("initdb", "-D", str(self._data), "-A", "trust", "-U", "wornproof", "-N")
        self.start()
        with psycopg.connect(f"{self.server}/postgres", autocommit=True) as connection:
            connection.execute("CREATE DATABASE lab")

    @property
    def server(self) -> str:
        """Its address without a database."""
        return f"postgresql://wornproof@127.0.0.1:{self.port}"

    def start(self) -> None:
        """Start it and wait until it has recovered."""
        options = f"-p {self.port} -k {self.folder} -c max_wal_size=64MB -c min_wal_size=32MB"
        log = str(self.folder / "server.log")
        self._as_owner(
            "pg_ctl", "start", "-w", "-t", "60", "-D", str(self._data), "-l", log, "-o", options
        )

    def crash(self) -> None:
        """End it as a power cut would, in the middle of whatever it does."""
        self._as_owner("pg_ctl", "stop", "-m", "immediate", "-D", str(self._data))

    @property
    def pid(self) -> int:
        """The process whose children serve the sessions."""
        return int((self._data / "postmaster.pid").read_text().split()[0])

    @property
    def is_up(self) -> bool:
        """Whether it takes a connection."""
        with (
            suppress(psycopg.OperationalError),
            psycopg.connect(f"{self.server}/lab", connect_timeout=2),
        ):
            return True
        return False

    def break_sessions(self) -> None:
        """End everybody's session, as a restart of the network would."""
        with psycopg.connect(f"{self.server}/postgres", autocommit=True) as connection:
            connection.execute(
                "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = 'lab'"
            )

    def close(self) -> None:
        """End it for good."""
        if self.is_up:
            self.crash()
        self.disk.close()

    def _as_owner(self, program: str, *arguments: str) -> None:
        # a server that stays must not hold this process's pipes open
        with (self.folder / "programs.log").open("ab") as log:
            subprocess.run(
                [str(self._programs / program), *arguments],
                check=True,
                user="postgres",
                group="postgres",
                extra_groups=[],
                cwd=self.folder,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                timeout=120,
            )


@dataclass
class OwnRedis:
    """A Redis of its own that keeps nothing over its end."""

    port: int = field(default_factory=free_port)

    def __post_init__(self) -> None:
        self.start()

    def start(self) -> None:
        """Start it and wait until it answers."""
        self._process = subprocess.Popen(
            ["redis-server", "--port", str(self.port), "--save", "", "--appendonly", "no"],
            stdout=subprocess.DEVNULL,
        )
        with redis.Redis(port=self.port) as client:
            for _ in range(100):
                with suppress(redis.ConnectionError):
                    client.ping()
                    return
                time.sleep(0.1)
        raise AssertionError("Redis does not answer.")

    def crash(self) -> None:
        """Kill it with everything that it held."""
        self._process.send_signal(signal.SIGKILL)
        self._process.wait()

    def empty(self) -> None:
        """Lose every message."""
        with redis.Redis(port=self.port) as client:
            client.flushall()

    close = crash


@contextmanager
def own_services(folder: Path, *, megabytes: int = 400) -> Iterator[tuple[OwnPostgreSQL, OwnRedis]]:
    """A database server and a broker for a site in this folder."""
    folder.chmod(0o755)  # PostgreSQL's own person passes through
    data = folder / "postgresql"
    data.mkdir()
    with closing(OwnPostgreSQL(data, megabytes)) as database, closing(OwnRedis()) as broker:
        yield database, broker


def addresses(
    database: OwnPostgreSQL, broker: OwnRedis, *, host: str = "127.0.0.1", ports: Sequence[int] = ()
) -> dict[str, str]:
    """What a process is told of the two; by other ports where a cable leads to them."""
    database_port, broker_port = ports or (database.port, broker.port)
    return {
        "DATABASE_URL": f"postgresql://wornproof@{host}:{database_port}/lab",
        "BROKER_URL": f"redis://{host}:{broker_port}/0",
    }


class OtherHost:
    """A network namespace on a cable of its own: another host, as far as the network goes."""

    def __init__(self) -> None:
        number = os.getpid() % 200
        self._name = f"wornproof{number}"
        self._plug = f"wp{number}"
        self.here, there = f"10.213.{number}.1", f"10.213.{number}.2"
        run("ip", "netns", "add", self._name)
        run(
            "ip",
            "link",
            "add",
            self._plug,
            "type",
            "veth",
            "peer",
            "name",
            "eth0",
            "netns",
            self._name,
        )
        run("ip", "addr", "add", f"{self.here}/24", "dev", self._plug)
        run("ip", "link", "set", self._plug, "up")
        for arguments in (
            ("addr", "add", f"{there}/24", "dev", "eth0"),
            ("link", "set", "eth0", "up"),
            ("link", "set", "lo", "up"),
        ):
            run(*self.inside, "ip", *arguments)

    @property
    def inside(self) -> tuple[str, ...]:
        """What to put before a command that is to run there."""
        return "ip", "netns", "exec", self._name

    def cut_off(self) -> None:
        """Lose every packet in both directions, without telling anyone."""
        run("ip", "link", "set", self._plug, "down")

    def connect(self) -> None:
        """Let packets through again."""
        run("ip", "link", "set", self._plug, "up")

    def close(self) -> None:
        """Take it away."""
        run("ip", "netns", "delete", self._name)


def run(*command: str) -> None:
    """Run a command that must succeed."""
    done = subprocess.run(command, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, f"{' '.join(command)}: {done.stderr}"
