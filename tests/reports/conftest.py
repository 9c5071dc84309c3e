"""The invented demo lab, loaded and computed once for a module of tests."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from django.apps import apps
from django.core.management import call_command
from django.db import transaction
from django.db.models import Model
from django.test import Client, override_settings

from labsite.models import User
from labsite.roles import Role
from tests.reports.demo_site import person_with, run_waiting_jobs


@dataclass
class DemoCopy:
    """The rows that loading, computing and publishing made, to put them back in a moment."""

    folder: Path
    rows: list[tuple[type[Model], list[Model]]] = field(default_factory=list)

    def make(self) -> None:
        models = apps.get_models(include_auto_created=True)
        before = {m: set(m._base_manager.values_list("pk", flat=True)) for m in models}
        call_command("load_demo", verbosity=0)
        run_waiting_jobs()
        call_command("publish_demo", verbosity=0)
        for model in models:
            fresh = [row for row in model._base_manager.all() if row.pk not in before[model]]
            self.rows.append((model, fresh))

    def put_back(self) -> None:
        for model, rows in self.rows:
            model._base_manager.bulk_create(rows)


@pytest.fixture(scope="session")
def demo_copy(tmp_path_factory: pytest.TempPathFactory) -> DemoCopy:
    return DemoCopy(tmp_path_factory.mktemp("demo"))  # its logins must not meet a real demo's


@pytest.fixture(scope="module")
def demo_tables(django_db_setup: None, django_db_blocker, demo_copy: DemoCopy) -> Iterator[Path]:
    """Raw records, findings and first editions; undone when the module's tests are over.

    Each test works inside a savepoint of this transaction, so what it changes is undone too.
    The first module does the work itself, the others get a copy of its rows.
    """
    with (
        django_db_blocker.unblock(),
        override_settings(VAR_DIR=demo_copy.folder),
        transaction.atomic(),
    ):
        if demo_copy.rows:
            demo_copy.put_back()
        else:
            demo_copy.make()
        yield demo_copy.folder
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
