"""How the program starts, seen from a shell."""

import os
import socket
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent.parent


def manage(*arguments: str, var_dir: Path, **variables: str) -> subprocess.CompletedProcess[str]:
    own = ("DATABASE_URL", "BROKER_URL", "ALLOWED_HOSTS", "SECRET_KEY", "DJANGO_SETTINGS_MODULE")
    kept = {name: value for name, value in os.environ.items() if name not in own}
    return subprocess.run(
        [sys.executable, "manage.py", *arguments],
        cwd=ROOT,
        env={**kept, "VAR_DIR": str(var_dir), **variables},
        capture_output=True,
        text=True,
        timeout=120,
    )


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("DATABASE_URL", "oracle://db/lab"),
        ("BROKER_URL", "kafka://broker"),
        ("SECRET_KEY", "short"),
        ("ALLOWED_HOSTS", "*"),
        ("DEBUG", "maybe"),
        ("TIME_ZONE", "Mars"),
    ],
)
def test_nonsense_stops_the_start_with_one_sentence(name, value, tmp_path):
    done = manage("check", var_dir=tmp_path, **{name: value})
    assert done.returncode == 1
    assert done.stderr.startswith("Wornproof cannot start: ")
    assert name in done.stderr
    assert "Traceback" not in done.stderr


def test_a_busy_port_is_a_clear_error(tmp_path):
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        done = manage("demo", f"--port={port}", var_dir=tmp_path)
    assert done.returncode == 1
    assert f"Port {port} is in use" in done.stderr
    assert "make demo PORT=" in done.stderr
    assert not (tmp_path / "db.sqlite3").exists()


def test_the_demo_does_not_fill_a_database_that_somebody_named(tmp_path):
    done = manage("demo", var_dir=tmp_path, DATABASE_URL=f"sqlite:///{tmp_path}/other.db")
    assert done.returncode == 1
    assert "DATABASE_URL is set" in done.stderr


def test_the_embedded_site_does_not_listen_to_the_network(tmp_path):
    done = manage("serve", "--host=0.0.0.0", var_dir=tmp_path)
    assert done.returncode == 1
    assert "ALLOWED_HOSTS" in done.stderr


def test_beat_is_for_broker_servers(tmp_path):
    done = manage("beat", var_dir=tmp_path)
    assert done.returncode == 1
    assert "sweeps by itself" in done.stderr


def test_deployment_checks_are_clean_behind_https(tmp_path):
    done = manage("check", "--deploy", "--fail-level=WARNING", var_dir=tmp_path, HTTPS="true")
    assert done.returncode == 0, done.stderr


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux has these ways to give way")
def test_work_in_the_background_takes_only_what_nobody_waits_for() -> None:
    code = (
        "import os\n"
        "from labsite.processes import AUTOGROUP, give_way\n"
        "give_way()\n"
        "group = AUTOGROUP.read_text().split()[-1] if AUTOGROUP.exists() else '19'\n"
        "print(os.nice(0), os.sched_getscheduler(0) == os.SCHED_IDLE, group)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        env=os.environ | {"DJANGO_SETTINGS_MODULE": "labsite.settings"},
        capture_output=True,
        text=True,
        check=True,
        start_new_session=True,
    )
    assert done.stdout.split() == ["19", "True", "19"]
