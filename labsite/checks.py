"""Start-up checks with ids, shown by `manage.py check`."""

import sqlite3
from collections.abc import Sequence
from typing import Any

from django.core import checks
from django.db import connections

from labsite.processes import is_embedded

# Versions before this one can, very rarely, damage a write-ahead log with several writers
# (SQLite's own notes on the WAL-reset bug). We keep mmap off, which makes it rarer still.
SQLITE_WITH_SOUND_WAL = (3, 51, 3)


def sqlite_is_embedded_only(app_configs: Any, **_: Any) -> Sequence[checks.CheckMessage]:
    """Say so when SQLite meets a set-up made for several hosts."""
    if connections["default"].vendor != "sqlite" or is_embedded():
        return []
    return [
        checks.Info(
            "SQLite keeps the data while the broker is a server.",
            hint="Fine on one machine. Web and worker on several machines need PostgreSQL.",
            id="labsite.I001",
        )
    ]


def sqlite_version(app_configs: Any, **_: Any) -> Sequence[checks.CheckMessage]:
    """Name the SQLite in use when it is older than the last known fix that touches us."""
    if connections["default"].vendor != "sqlite":
        return []
    if sqlite3.sqlite_version_info >= SQLITE_WITH_SOUND_WAL:
        return []
    return [
        checks.Info(
            f"SQLite {sqlite3.sqlite_version} has a rare fault with several writers.",
            hint="Back up daily, or use PostgreSQL. Fixed in SQLite 3.51.3.",
            id="labsite.I002",
        )
    ]


def register_all() -> None:
    checks.register(sqlite_is_embedded_only, checks.Tags.compatibility)
    checks.register(sqlite_version, checks.Tags.compatibility)
