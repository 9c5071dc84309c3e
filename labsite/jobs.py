"""Background work that is never lost and never done twice.

The row in labsite_job is the truth. It is written in the same transaction as the data that
needs the work. The message broker is only a doorbell: rung when that transaction has been
committed, and rung again by the sweep for every job that did not end. No broker that was tried
keeps all running work when a worker is killed, so nothing here depends on one that does.

1. A worker claims the row by one conditional UPDATE, with a lease. A second delivery of the
   same message finds the row claimed or ended and costs one query.
2. It computes outside any transaction, renewing the lease while it lives.
3. It stores the result and 'done' in one transaction, if the claim is still its own. So the
   effect happens once or not at all, also when two workers computed the same thing.
"""

import logging
import sqlite3
import threading
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from time import monotonic, sleep
from typing import Any, TypeVar

from celery import current_app
from django.conf import settings
from django.db import IntegrityError, connection, transaction
from django.db import OperationalError as DatabaseFault
from django.db.models import F, Q
from django.db.models.functions import Coalesce, Greatest
from django.utils import timezone
from kombu.exceptions import KombuError, OperationalError

from labsite import audit, logs
from labsite.errors import Refused
from labsite.models import Job, JobState, Pulse, User
from labsite.roles import Deed, check_may

log = logging.getLogger(__name__)

Result = TypeVar("Result")
ReportProgress = Callable[[int, int], None]
# A progress bar that moves once a second is alive; more often is only work for the database.
PROGRESS_EVERY_SECONDS = 1.0
RINGS_PER_SWEEP = 500
# Each try waits for the database's own time-out first, so these only let others have their turn.
BUSY_PAUSES_SECONDS = (0.2, 0.5, 1.0, 2.0, 4.0)
# lock not available in time, deadlock, no serial order (PostgreSQL, appendix A)
BUSY_STATES = frozenset({"55P03", "40P01", "40001"})


@dataclass(frozen=True)
class JobKind:
    """What to do for a kind of job.

    `compute(payload, report_progress)` runs outside any transaction and returns the result.
    `store(payload, result)` runs inside the transaction that marks the job done: only short
    writes belong there, and they must not talk to anything but the database.
    """

    name: str
    compute: Callable[[dict[str, Any], ReportProgress], Any]
    store: Callable[[dict[str, Any], Any], None]


class LeaseLost(Exception):
    """Another worker has taken this job, so whatever is computed here is not wanted."""


_kinds: dict[str, JobKind] = {}


def register(kind: JobKind) -> None:
    """Make a kind known; apps call this in AppConfig.ready()."""
    known = _kinds.get(kind.name)
    if known is not None and known != kind:
        raise ValueError(f"A different job kind is already registered as {kind.name!r}.")
    _kinds[kind.name] = kind


def request_job(
    *, kind: str, key: str, payload: dict[str, Any], not_before: datetime | None = None
) -> Job:
    """Ask for work; call it inside the transaction that makes the work necessary.

    With `not_before` it is done when that time has come: the sweep rings then, and a worker that
    was away does it as soon as it is back.

    Asking again for the same (kind, key) returns the same row. If that job had failed, asking
    again gives it a fresh set of attempts; if it is done, there is nothing left to do.
    """
    if kind not in _kinds:
        raise ValueError(f"No job kind is registered as {kind!r}.")
    if not connection.in_atomic_block:
        raise RuntimeError("request_job must be called inside transaction.atomic().")
    try:
        # nearly every key is new, so it is not looked for first
        with transaction.atomic():
            job = Job.objects.create(kind=kind, key=key, payload=payload, not_before=not_before)
            is_new = True
    except IntegrityError:
        job, is_new = Job.objects.get(kind=kind, key=key), False
    if not is_new and job.state == JobState.FAILED:
        _give_fresh_attempts(job)
    if job.state == JobState.WAITING and not_before is None:
        transaction.on_commit(partial(ring, job.pk))
    return job


def _give_fresh_attempts(job: Job) -> None:
    Job.objects.filter(pk=job.pk, state=JobState.FAILED).update(
        state=JobState.WAITING,
        attempts=0,
        error="",
        claim="",
        ended_at=None,
        not_before=None,
        sent_at=timezone.now(),
        progress_done=0,
        progress_total=0,
    )
    job.refresh_from_db()


@transaction.atomic
def try_again(*, by: User, job: Job) -> None:
    """Give a job that failed a fresh set of attempts, once whatever stopped it is put right."""
    check_may(by, Deed.ADMINISTER)
    if job.state != JobState.FAILED:
        raise Refused("This job has not failed, so there is nothing to try again.")
    _give_fresh_attempts(job)
    audit.record(by=by, verb="tried job again", subject=job)
    transaction.on_commit(partial(ring, job.pk))


def ring(job_id: int) -> bool:
    """Tell the workers that a job waits. If the broker is away, the sweep will ring again."""
    try:
        current_app.send_task(
            "labsite.run_job", args=[job_id], retry=True, retry_policy={"max_retries": 1}
        )
    except (KombuError, OperationalError, OSError) as error:
        # The row is committed. An error here must not turn a saved reading into an error page.
        log.warning("Job %s waits, the broker did not take the message: %s", job_id, error)
        return False
    return True


def run_job(job_id: int) -> None:
    """Do one job if nobody else has it. Called by the Celery task of the same name."""
    token = logs.origin.set(f"job {job_id}")
    try:
        claim = _patiently(partial(_claim, job_id))
        if claim is not None:
            _run_claimed(Job.objects.get(pk=job_id), claim)
    finally:
        logs.origin.reset(token)


def _claim(job_id: int) -> str | None:
    now = timezone.now()
    claim = uuid.uuid4().hex
    got = (
        Job.objects.filter(pk=job_id, attempts__lt=settings.JOB_ATTEMPTS)
        .filter(_is_due(now), Q(state=JobState.WAITING) | _was_let_go(now))
        .update(
            state=JobState.RUNNING,
            claim=claim,
            lease_until=now + timedelta(seconds=settings.JOB_LEASE_SECONDS),
            attempts=F("attempts") + 1,
            started_at=now,
        )
    )
    return claim if got else None


def _is_due(now: datetime) -> Q:
    """Jobs whose time has come, also where a clock since put back set the pause before a retry."""
    longest = _pause_after(settings.JOB_ATTEMPTS)
    return (
        Q(not_before=None)
        | Q(not_before__lte=now)
        | Q(attempts__gt=0, not_before__gt=now + longest)
    )


def _was_let_go(now: datetime) -> Q:
    """Running jobs whose lease is over, or longer than any lease: set by a clock since put back."""
    longest = timedelta(seconds=2 * settings.JOB_LEASE_SECONDS)
    return Q(state=JobState.RUNNING) & (Q(lease_until__lt=now) | Q(lease_until__gt=now + longest))


def _pause_after(attempts: int) -> timedelta:
    """Longer each time, so that a database or a disk that is away has time to come back."""
    return timedelta(seconds=2**attempts)


def _run_claimed(job: Job, claim: str) -> None:
    try:
        kind = _kinds.get(job.kind)
        if kind is None:
            raise LookupError(f"This worker knows no job kind {job.kind!r}.")
        with _renewed_lease(job.pk, claim):
            result = kind.compute(job.payload, _progress_reporter(job.pk, claim))
        _patiently(partial(_store, kind, job, claim, result))
    except LeaseLost:
        log.warning("Another worker has taken over; the result of this one is dropped.")
    except Refused as refusal:
        # The same input would be refused again, so there is nothing to try again.
        _end_failed(job.pk, claim, " ".join(refusal.sentences))
    except Exception as error:
        if is_busy(error):
            log.info("The job %s %s met a busy database and waits.", job.kind, job.key)
        else:
            log.exception("The job %s %s stopped.", job.kind, job.key)
        _patiently(partial(_note_failed_attempt, job, claim, error))


def is_busy(error: BaseException) -> bool:
    """Whether a database fault says only that somebody else was writing.

    SQLite has one lock for all who write and gives up after a while with 'database is locked'.
    """
    cause = error.__cause__
    if not isinstance(error, DatabaseFault) or cause is None:
        return False
    code = getattr(cause, "sqlite_errorcode", 0) & 0xFF  # the rest says which kind of busy
    is_locked = code in {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}
    return is_locked or getattr(cause, "sqlstate", None) in BUSY_STATES


def _patiently(write: Callable[[], Result]) -> Result:
    """Do a short write, again while others hold the database; what was computed is not lost."""
    for pause_s in BUSY_PAUSES_SECONDS:
        try:
            return write()
        except DatabaseFault as error:
            if not is_busy(error) or connection.in_atomic_block:
                raise
            sleep(pause_s)
    return write()


def _store(kind: JobKind, job: Job, claim: str, result: Any) -> None:
    now = timezone.now()
    with transaction.atomic():
        mine = Job.objects.filter(pk=job.pk, claim=claim, state=JobState.RUNNING).update(
            state=JobState.DONE, lease_until=None, ended_at=now, error=""
        )
        if not mine:
            raise LeaseLost
        kind.store(job.payload, result)


def _end_failed(job_id: int, claim: str, error: str) -> None:
    Job.objects.filter(pk=job_id, claim=claim, state=JobState.RUNNING).update(
        state=JobState.FAILED, lease_until=None, ended_at=timezone.now(), error=error
    )


def _note_failed_attempt(job: Job, claim: str, error: Exception) -> None:
    words = (
        f"The computation stopped because of an error in the program ({type(error).__name__}). "
        f"Attempt {job.attempts} of {settings.JOB_ATTEMPTS}. "
        f"The log of the worker has the details under 'job {job.pk}'."
    )
    is_last = job.attempts >= settings.JOB_ATTEMPTS
    if is_busy(error):
        words = "The database was busy with other work each time." if is_last else ""
    if is_last:
        _end_failed(job.pk, claim, words)
        return
    pause = _pause_after(job.attempts)
    Job.objects.filter(pk=job.pk, claim=claim, state=JobState.RUNNING).update(
        state=JobState.WAITING, lease_until=None, not_before=timezone.now() + pause, error=words
    )


def _progress_reporter(job_id: int, claim: str) -> ReportProgress:
    reported_at = float("-inf")

    def report_progress(done: int, total: int) -> None:
        nonlocal reported_at
        if monotonic() - reported_at < PROGRESS_EVERY_SECONDS and done < total:
            return
        reported_at = monotonic()
        try:
            mine = Job.objects.filter(pk=job_id, claim=claim, state=JobState.RUNNING).update(
                progress_done=min(done, total), progress_total=total
            )
        except DatabaseFault as error:
            if not is_busy(error) or connection.in_atomic_block:
                raise
            return  # the next report says more
        if not mine:
            raise LeaseLost

    return report_progress


@contextmanager
def _renewed_lease(job_id: int, claim: str) -> Iterator[None]:
    """Renew the lease from a thread while the block runs, up to the time limit of a job.

    So the lease can be short, which is how long a killed worker holds a job up, while a long
    computation keeps its claim. Past the limit the lease is let go, for pools that cannot stop
    a computation that hangs.
    """
    ended = threading.Event()
    thread = threading.Thread(
        target=_renew_until, args=(ended, job_id, claim), name=f"lease of job {job_id}", daemon=True
    )
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join()


def _renew_until(ended: threading.Event, job_id: int, claim: str) -> None:
    give_up_at = monotonic() + settings.JOB_TIME_LIMIT_SECONDS
    used_database = False
    while not ended.wait(settings.JOB_LEASE_SECONDS / 3) and monotonic() < give_up_at:
        used_database = True
        until = timezone.now() + timedelta(seconds=settings.JOB_LEASE_SECONDS)
        held = Job.objects.filter(pk=job_id, claim=claim, state=JobState.RUNNING)
        _patiently(partial(held.update, lease_until=until))
    if used_database:
        connection.close()


def sweep() -> int:
    """Ring again for every job that should be running and is not; return how many.

    Covers a doorbell that was never rung (a broker that was away, a process that died between
    commit and ring), a message that was lost, and a worker that was killed.
    """
    now = timezone.now()
    Pulse.objects.update_or_create(name="sweep", defaults={"at": now})
    _fail_exhausted(now)
    ring_again = timedelta(seconds=settings.JOB_RING_AGAIN_SECONDS)
    rung_before = now - ring_again
    due = (
        Job.objects.filter(attempts__lt=settings.JOB_ATTEMPTS)
        .filter(Q(sent_at__lt=rung_before) | Q(sent_at__gt=now + ring_again))
        .filter(_is_due(now), Q(state=JobState.WAITING) | _was_let_go(now))
        .order_by("sent_at")
    )
    ids = list(due.values_list("pk", flat=True)[:RINGS_PER_SWEEP])
    Job.objects.filter(pk__in=ids).update(sent_at=now)
    return sum(ring(job_id) for job_id in ids)


def _fail_exhausted(now: Any) -> None:
    """End jobs whose last allowed attempt was cut short: their worker was killed each time."""
    Job.objects.filter(_was_let_go(now), attempts__gte=settings.JOB_ATTEMPTS).update(
        state=JobState.FAILED,
        lease_until=None,
        ended_at=now,
        error=(
            f"The worker was stopped in the middle of this {settings.JOB_ATTEMPTS} times. "
            "It may need more memory or time than the worker has."
        ),
    )


def oldest_waiting_seconds() -> float | None:
    """Return how long the longest-waiting job has waited, or None when nothing waits.

    Work that is asked for at a later time does not wait before that time.
    """
    now = timezone.now()
    asked = (
        Job.objects.filter(state=JobState.WAITING)
        .filter(Q(not_before=None) | Q(not_before__lte=now))
        .annotate(waits_since=Coalesce(Greatest("requested_at", "not_before"), "requested_at"))
        .order_by("waits_since")
        .values_list("waits_since", flat=True)
        .first()
    )
    return None if asked is None else (now - asked).total_seconds()


def seconds_since_sweep() -> float | None:
    """Return how long ago a worker last swept, or None if none ever did."""
    pulse = Pulse.objects.filter(name="sweep").first()
    return None if pulse is None else (timezone.now() - pulse.at).total_seconds()
