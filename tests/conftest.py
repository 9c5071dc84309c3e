"""What every test that needs Django gets without asking."""

import hashlib
import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import pytest_django

ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="session", autouse=True)
def site_for_tests(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Keep tests away from the var folder, and passwords and static files quick.

    The pure packages' tests also run where Django is not installed; they never get here
    because they are run with --confcutdir, or with pytest-django switched off.
    """
    from django.conf import settings

    if not settings.configured and "DJANGO_SETTINGS_MODULE" not in os.environ:
        yield
        return
    from celery import current_app
    from django.db.backends.signals import connection_created
    from django.test import override_settings

    connection_created.connect(_let_a_test_think)
    current_app.conf.update(broker_url="memory://", broker_transport_options={})
    var_dir = tmp_path_factory.mktemp("var")
    (var_dir / "static").mkdir()
    with override_settings(
        VAR_DIR=var_dir,
        STATIC_ROOT=var_dir / "static",
        MEDIA_ROOT=var_dir / "media",
        PASSWORD_HASHERS=["django.contrib.auth.hashers.MD5PasswordHasher"],
        STORAGES={
            "default": {"BACKEND": "django.core.files.storage.InMemoryStorage"},
            "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
        },
    ):
        yield


def _let_a_test_think(connection: Any, **_: object) -> None:
    """A test is one long transaction, and what it works out in between is no forgotten lock."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SET idle_in_transaction_session_timeout = 0")


@pytest.fixture(scope="session")
def migrated_before(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """Where an empty SQLite database with exactly these migrations is kept from run to run."""
    digest = hashlib.sha256()
    for path in sorted(ROOT.glob("*/migrations/*.py")):
        digest.update(str(path.relative_to(ROOT)).encode() + path.read_bytes())
    cache = getattr(request.config, "cache", None)  # a run may go without
    folder = cache.mkdir("migrated") if cache else tmp_path_factory.mktemp("migrated")
    return folder / f"{digest.hexdigest()[:20]}.sqlite3"


@pytest.fixture(scope="session")
def django_db_keepdb(django_db_modify_db_settings: None, migrated_before: Path) -> bool:
    """Migrations that were applied in an earlier run are not applied again, which takes long."""
    from django.db import connections

    if connections["default"].vendor != "sqlite" or not migrated_before.exists():
        return False
    shutil.copyfile(migrated_before, connections["default"].settings_dict["TEST"]["NAME"])
    return True


@pytest.fixture(scope="session")
def django_db_setup(
    django_db_setup: None, django_db_blocker: pytest_django.DjangoDbBlocker, migrated_before: Path
) -> None:
    """Keep what was migrated for the next run."""
    from django.db import connection

    if connection.vendor != "sqlite" or migrated_before.exists():
        return
    part = migrated_before.with_name(f"{os.getpid()}.part")
    with django_db_blocker.unblock(), connection.cursor() as cursor:
        cursor.execute("VACUUM INTO %s", [str(part)])
    part.rename(migrated_before)


@pytest.fixture(scope="session")
def django_db_modify_db_settings(
    django_db_modify_db_settings: None, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Give this run a database of its own, so that two runs do not meet.

    SQLite gets a real file: in memory, the live server's threads would share one connection
    and so one transaction.
    """
    from django.db import connections

    wanted = connections["default"].settings_dict
    if connections["default"].vendor == "sqlite":
        wanted["TEST"]["NAME"] = str(tmp_path_factory.mktemp("db") / "test.sqlite3")
    else:
        wanted["TEST"]["NAME"] = f"test_{wanted['NAME']}_{os.getpid()}"


@pytest.fixture(autouse=True)
def guards_lifted_before_flush(request: pytest.FixtureRequest) -> Iterator[None]:
    """Let the emptying of tables after a transactional test pass the append-only triggers.

    Migrating at the end of that emptying puts them back.
    """
    marker = request.node.get_closest_marker("django_db")
    is_transactional = (
        "transactional_db" in request.fixturenames
        or "live_server" in request.fixturenames
        or (marker is not None and marker.kwargs.get("transaction", False))
    )
    if is_transactional:
        # Asked for here, so that it is torn down, which flushes, after this fixture.
        request.getfixturevalue("transactional_db")
    yield
    if is_transactional:
        from labsite import triggers

        triggers.remove()
