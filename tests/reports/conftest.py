"""The invented demo lab, loaded and computed once for a module of tests."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from django.core.management import call_command
from django.db import transaction
from django.test import Client, override_settings

from labsite.models import User
from labsite.roles import Role
from tests.reports.demo_site import person_with, run_waiting_jobs


@pytest.fixture(scope="module")
def demo_tables(
    django_db_setup: None, django_db_blocker, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Path]:
    """Raw records, findings and first editions; undone when the module's tests are over.

    Each test works inside a savepoint of this transaction, so what it changes is undone too.
    """
    folder = tmp_path_factory.mktemp("demo")  # its logins must not meet those of a real demo
    with (
        django_db_blocker.unblock(),
        override_settings(VAR_DIR=folder),
        transaction.atomic(),
    ):
        call_command("load_demo", verbosity=0)
        run_waiting_jobs()
        call_command("publish_demo", verbosity=0)
        yield folder
        transaction.set_rollback(True)


@pytest.fixture
def demo(demo_tables: Path, db: None) -> None:
    """The demo lab, for a test that may change it."""


@pytest.fixture
def lead(db: None) -> User:
    return person_with(Role.LEAD)


@pytest.fixture
def editor(db: None) -> User:
    return person_with(Role.EDITOR)


@pytest.fixture
def technician(db: None) -> User:
    return person_with(Role.TECHNICIAN)


@pytest.fixture
def reader() -> Client:
    """Somebody from the street."""
    return Client()


@pytest.fixture
def at_desk(editor: User) -> Client:
    client = Client()
    client.force_login(editor)
    return client
