"""Sites of real processes, each on a database and a broker of its own."""

import os
import shutil
import subprocess
from collections.abc import Iterator

import psycopg
import pytest
import redis

from tests.faults import services
from tests.faults.running import Site


# A test names start_site last: its processes must be gone before their broker and database go.
@pytest.fixture
def start_site(tmp_path) -> Iterator:
    sites: list[Site] = []

    def start(**variables: str) -> Site:
        site = Site(folder=tmp_path, variables=variables)
        sites.append(site)
        site.manage("migrate", "--verbosity=0")
        return site

    yield start
    for site in sites:
        site.stop_all()


@pytest.fixture
def redis_url() -> Iterator[str]:
    """Give an empty Redis database away and empty it again."""
    for number in range(15, 0, -1):
        client = redis.Redis.from_url(f"{services.REDIS}/{number}")
        if client.dbsize() == 0:
            break
        client.close()
    else:
        raise AssertionError("Redis has no empty database for this test.")
    yield f"{services.REDIS}/{number}"
    client.flushdb()
    client.close()


@pytest.fixture
def rabbitmq_url() -> Iterator[str]:
    """Give a virtual host of its own away and delete it again."""
    control = shutil.which("rabbitmqctl")
    assert control, "rabbitmqctl is needed to give the test a virtual host of its own."
    name = f"wornproof-faults-{os.getpid()}"
    for arguments in (
        ["add_vhost", name],
        ["set_permissions", "--vhost", name, "guest", ".*", ".*", ".*"],
    ):
        subprocess.run([control, *arguments], check=True, capture_output=True, timeout=60)
    yield f"{services.RABBITMQ}/{name}"
    subprocess.run([control, "delete_vhost", name], check=True, capture_output=True, timeout=60)


@pytest.fixture
def postgresql_url() -> Iterator[str]:
    """Give a new PostgreSQL database away and drop it again."""
    name = f"wornproof_faults_{os.getpid()}"
    with psycopg.connect(services.POSTGRESQL, autocommit=True) as connection:
        connection.execute(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")
        connection.execute(f"CREATE DATABASE {name}")
    yield services.POSTGRESQL.rpartition("/")[0] + f"/{name}"
    with psycopg.connect(services.POSTGRESQL, autocommit=True) as connection:
        connection.execute(f"DROP DATABASE {name} WITH (FORCE)")
