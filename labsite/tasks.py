"""The two messages that the broker carries."""

from celery import shared_task

from labsite import audit, jobs


@shared_task(name="labsite.run_job")
def run_job(job_id: int) -> None:
    jobs.run_job(job_id)


@shared_task(name="labsite.sweep")
def sweep() -> None:
    jobs.sweep()
    audit.seal()
