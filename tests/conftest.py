"""What every test that needs Django gets without asking."""

import os
from collections.abc import Iterator

import pytest


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
    from django.test import override_settings

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
