"""The two messages that the broker carries."""

import logging
from collections.abc import Iterator
from contextlib import contextmanager

from celery import shared_task
from django.db import OperationalError

from labsite import audit, jobs

log = logging.getLogger(__name__)


@shared_task(name="labsite.run_job")
def run_job(job_id: int) -> None:
    with _busy_means_later():
        jobs.run_job(job_id)


@shared_task(name="labsite.sweep")
def sweep() -> None:
    with _busy_means_later():
        jobs.sweep()
        audit.seal()


@contextmanager
def _busy_means_later() -> Iterator[None]:
    """What a busy database held up is done by a later sweep; nobody has to see it."""
    try:
        yield
    except OperationalError as error:
        if not jobs.is_busy(error):
            raise
        log.info("The database was busy with other work: %s", error)
