"""Whether the site can serve people, and what is only slower than it should be."""

from dataclasses import asdict, dataclass
from typing import Any

from celery import current_app
from django.db import DatabaseError, connection
from django.db.migrations.executor import MigrationExecutor
from kombu.exceptions import KombuError

from labsite import jobs

# A summary takes seconds; a job that waits this long means that no worker is there.
LATE_AFTER_SECONDS = 120
# Sweeps come every few seconds; a worker busy with one long job may miss some of them.
SWEEP_LATE_AFTER_SECONDS = 240


@dataclass(frozen=True, kw_only=True)
class Readiness:
    """The answer of /readyz.

    Only the database and its migrations decide. A broker that is away or a job that waits
    delays answers and loses none, so sending people elsewhere would not help them.
    """

    database: str
    migrations: str
    broker: str
    jobs: str
    oldest_waiting_job_s: float | None
    last_sweep_s: float | None

    @property
    def is_ready(self) -> bool:
        return self.database == "ok" and self.migrations == "ok"

    def as_dict(self) -> dict[str, Any]:
        degraded = "degraded" in {self.broker, self.jobs}
        status = ("degraded" if degraded else "ok") if self.is_ready else "not ready"
        return {"status": status, **asdict(self)}


def readiness() -> Readiness:
    try:
        migrations = "ok" if not _unapplied() else "not all applied"
        waiting = jobs.oldest_waiting_seconds() if migrations == "ok" else None
        swept = jobs.seconds_since_sweep() if migrations == "ok" else None
    except DatabaseError:
        return Readiness(
            database="does not answer",
            migrations="not known",
            broker="not asked",
            jobs="not known",
            oldest_waiting_job_s=None,
            last_sweep_s=None,
        )
    return Readiness(
        database="ok",
        migrations=migrations,
        broker="ok" if _broker_answers() else "degraded",
        jobs="degraded" if _are_late(waiting, swept) else "ok",
        oldest_waiting_job_s=None if waiting is None else round(waiting, 1),
        last_sweep_s=None if swept is None else round(swept, 1),
    )


def _are_late(waiting_s: float | None, swept_s: float | None) -> bool:
    if waiting_s is not None and waiting_s > LATE_AFTER_SECONDS:
        return True
    return swept_s is not None and swept_s > SWEEP_LATE_AFTER_SECONDS


def _unapplied() -> bool:
    executor = MigrationExecutor(connection)
    return bool(executor.migration_plan(executor.loader.graph.leaf_nodes()))


def _broker_answers() -> bool:
    with current_app.connection_for_write() as broker:
        # Each transport has its own errors for 'nobody there'.
        nobody_there: tuple[type[BaseException], ...] = (
            *broker.connection_errors,
            KombuError,
            OSError,
        )
        try:
            broker.ensure_connection(max_retries=1, interval_start=0, timeout=2)
        except nobody_there:
            return False
    return True
