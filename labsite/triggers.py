"""Tables that the database itself keeps from being changed.

An action that forgets, `update()`, `bulk_update()`, the administration pages and a person at a
database shell all meet the same refusal. Apps register guards in their AppConfig.ready(); they
are put in place after every migrate, because SQLite drops a table's triggers whenever a
migration rebuilds the table.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from django.db import connections
from django.db.backends.base.base import BaseDatabaseWrapper


@dataclass(frozen=True, kw_only=True)
class Guard:
    """Refuse UPDATE and DELETE on a table, or only where `when` holds.

    `when` is an SQL expression over OLD (and NEW, if `on` has only "UPDATE") that SQLite and
    PostgreSQL both understand, such as "OLD.state <> 'draft'". The message reaches whoever
    tried, as an IntegrityError.
    """

    table: str
    message: str
    on: tuple[str, ...] = ("UPDATE", "DELETE")
    when: str = ""

    @property
    def name(self) -> str:
        return f"{self.table}_guard"


_guards: dict[str, Guard] = {}


def append_only(table: str, *, what: str) -> Guard:
    """Register a table whose rows are added and never changed. `what` is its plural in words."""
    return guard(Guard(table=table, message=f"{what} are never changed or deleted"))


def guard(guard: Guard) -> Guard:
    if not guard.table.isidentifier() or "'" in guard.message:
        raise ValueError("A guard needs a plain table name and a message without quotes.")
    _guards[guard.table] = guard
    return guard


def guards() -> list[Guard]:
    return list(_guards.values())


def install(using: str = "default") -> None:
    """Put every registered guard in place; again does no harm. Tables not there are passed."""
    connection = connections[using]
    present = set(connection.introspection.table_names())
    _run(connection, [s for g in guards() if g.table in present for s in _creating(g, connection)])


def remove(using: str = "default") -> None:
    """Lift every guard. Only tests that empty tables between them have a use for this."""
    connection = connections[using]
    present = set(connection.introspection.table_names())
    _run(connection, [s for g in guards() if g.table in present for s in _dropping(g, connection)])


def _run(connection: BaseDatabaseWrapper, statements: list[str]) -> None:
    with connection.cursor() as cursor:
        for statement in statements:
            cursor.execute(statement)


def _creating(guard: Guard, connection: BaseDatabaseWrapper) -> Iterator[str]:
    # Dropped first, so that a changed guard takes the place of the old one.
    yield from _dropping(guard, connection)
    if connection.vendor == "sqlite":
        condition = f"WHEN {guard.when} " if guard.when else ""
        for event in guard.on:
            yield (
                f"CREATE TRIGGER {guard.name}_{event.lower()} BEFORE {event} ON {guard.table} "
                f"{condition}BEGIN SELECT RAISE(ABORT, '{guard.message}'); END"
            )
        return
    condition = f"WHEN ({guard.when}) " if guard.when else ""
    yield (
        f"CREATE OR REPLACE FUNCTION {guard.name}() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{guard.message}' USING ERRCODE = 'restrict_violation'; END $$"
    )
    yield (
        f"CREATE TRIGGER {guard.name} BEFORE {' OR '.join(guard.on)} ON {guard.table} "
        f"FOR EACH ROW {condition}EXECUTE FUNCTION {guard.name}()"
    )
    if "DELETE" in guard.on:
        yield (
            f"CREATE TRIGGER {guard.name}_truncate BEFORE TRUNCATE ON {guard.table} "
            f"EXECUTE FUNCTION {guard.name}()"
        )


def _dropping(guard: Guard, connection: BaseDatabaseWrapper) -> Iterator[str]:
    if connection.vendor == "sqlite":
        for event in ("update", "delete"):
            yield f"DROP TRIGGER IF EXISTS {guard.name}_{event}"
        return
    yield f"DROP TRIGGER IF EXISTS {guard.name} ON {guard.table}"
    yield f"DROP TRIGGER IF EXISTS {guard.name}_truncate ON {guard.table}"


def install_after_migrate(*, using: str, **_: Any) -> None:
    """Receive Django's post_migrate signal; connected in labsite.apps."""
    install(using)
