"""A whole lab moves from SQLite to PostgreSQL and back, and is the same lab."""

import re
import secrets

import psycopg
import pytest

from tests.faults.running import Site

pytestmark = pytest.mark.services


def digest_of(told: str) -> str:
    found = re.search(r"[0-9a-f]{64}", told)
    assert found, told
    return found[0]


def test_from_sqlite_to_postgresql_and_back(tmp_path, postgresql_url):
    sites = []
    for name, variables in (
        ("first", {}),
        ("second", {"DATABASE_URL": postgresql_url, "SECRET_KEY": secrets.token_urlsafe(50)}),
        ("third", {}),
    ):
        folder = tmp_path / name
        folder.mkdir()
        sites.append(Site(folder=folder, variables=variables))
        sites[-1].manage("migrate", "--verbosity=0")
    first, second, third = sites
    first.manage("load_demo", "--verbosity=0")
    wanted = digest_of(first.manage("archive", str(tmp_path / "a.zip")))
    assert digest_of(second.manage("restore", str(tmp_path / "a.zip"))) == wanted
    assert digest_of(second.manage("archive", str(tmp_path / "b.zip"))) == wanted
    assert digest_of(third.manage("restore", str(tmp_path / "b.zip"))) == wanted
    assert digest_of(third.manage("archive")) == wanted
    with psycopg.connect(postgresql_url) as there:
        row = there.execute("SELECT count(*) FROM trials_reading").fetchone()
    assert row is not None
    assert row[0] > 100
