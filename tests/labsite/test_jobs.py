"""A job is done once, whatever happens to the workers, or says why not."""

import threading
from datetime import timedelta

import pytest
from django.db import DatabaseError, OperationalError, connection, transaction
from django.utils import timezone

from labsite import jobs, tasks
from labsite.errors import Refused
from labsite.models import Job, JobState, Pulse, User

KIND = "tests.greet"
calls: list[str] = []


def compute(payload, report_progress):
    calls.append(payload["name"])
    report_progress(1, 2)
    if payload.get("refuse"):
        raise Refused("There are no readings yet.")
    if payload.get("fail"):
        raise ZeroDivisionError("secret inner words")
    if during := payload.get("during"):
        DURING[during]()
    report_progress(2, 2)
    return f"Hello {payload['name']}"


def store(payload, result):
    User.objects.create(username=payload["name"], first_name=result)
    if payload.get("fail_storing"):
        raise OSError("no room")


DURING: dict = {}
jobs.register(jobs.JobKind(KIND, compute, store))


@pytest.fixture(autouse=True)
def no_calls():
    calls.clear()
    DURING.clear()


@pytest.fixture
def ask(db):
    def ask(key="one", **payload):
        with transaction.atomic():
            return jobs.request_job(kind=KIND, key=key, payload={"name": key, **payload})

    return ask


def later(job, **changes):
    Job.objects.filter(pk=job.pk).update(**changes)


def long_ago():
    return timezone.now() - timedelta(hours=1)


def run(job) -> Job:
    jobs.run_job(job.pk)
    return Job.objects.get(pk=job.pk)


def test_a_job_is_done_and_its_result_stored(ask):
    job = run(ask())
    assert (job.state, job.attempts, job.error) == (JobState.DONE, 1, "")
    assert (job.progress_done, job.progress_total) == (2, 2)
    assert job.ended_at is not None
    assert User.objects.get(username="one").first_name == "Hello one"


def test_a_second_delivery_does_nothing(ask, django_assert_num_queries):
    job = run(ask())
    with django_assert_num_queries(1):
        jobs.run_job(job.pk)
    assert calls == ["one"]


def test_asking_twice_makes_one_row(ask):
    assert ask().pk == ask().pk
    assert Job.objects.count() == 1


def test_asking_again_for_what_is_done_does_nothing(ask):
    run(ask())
    assert ask().state == JobState.DONE
    assert calls == ["one"]


def test_work_must_be_asked_for_inside_a_transaction(transactional_db):
    with pytest.raises(RuntimeError, match="atomic"):
        jobs.request_job(kind=KIND, key="one", payload={"name": "one"})


def test_an_unknown_kind_fails_at_once(db):
    with transaction.atomic(), pytest.raises(ValueError, match=r"tests\.unknown"):
        jobs.request_job(kind="tests.unknown", key="one", payload={})


def test_two_kinds_cannot_share_a_name():
    with pytest.raises(ValueError, match=KIND):
        jobs.register(jobs.JobKind(KIND, compute, lambda payload, result: None))


def test_the_doorbell_rings_only_after_the_commit(ask, django_capture_on_commit_callbacks):
    with django_capture_on_commit_callbacks() as callbacks:
        ask()
    assert len(callbacks) == 1
    assert jobs.ring(Job.objects.get().pk) is True


def test_work_of_a_transaction_that_failed_is_not_asked_for(transactional_db):
    def ask_and_fail():
        jobs.request_job(kind=KIND, key="one", payload={"name": "one"})
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError), transaction.atomic():
        ask_and_fail()
    assert not Job.objects.exists()


def test_a_job_under_lease_is_left_alone(ask):
    job = ask()
    later(job, state="running", claim="other", lease_until=timezone.now() + timedelta(seconds=20))
    assert run(job).claim == "other"
    assert calls == []


def test_a_job_whose_worker_is_gone_is_taken_over(ask):
    job = ask()
    later(job, state="running", claim="gone", attempts=1, lease_until=long_ago())
    job = run(job)
    assert (job.state, job.attempts) == (JobState.DONE, 2)


def test_a_worker_that_lost_its_lease_stores_nothing(ask):
    job = ask(during="overtaken")

    def overtaken():
        later(job, claim="other", lease_until=timezone.now() + timedelta(seconds=20))

    DURING["overtaken"] = overtaken
    job = run(job)
    assert (job.state, job.claim) == (JobState.RUNNING, "other")
    assert not User.objects.exists()


def test_a_refusal_ends_the_job_with_its_sentence(ask):
    job = run(ask(refuse=True))
    assert (job.state, job.error) == (JobState.FAILED, "There are no readings yet.")


def test_an_error_is_tried_again_later_and_then_told_to_a_person(ask, settings, caplog):
    job = ask(fail=True)
    for attempt in range(1, settings.JOB_ATTEMPTS + 1):
        job = run(job)
        assert job.attempts == attempt
        if attempt < settings.JOB_ATTEMPTS:
            assert job.state == JobState.WAITING
            assert job.not_before > timezone.now()
            assert run(job).attempts == attempt, "it must wait before the next attempt"
            later(job, not_before=long_ago())
    assert job.state == JobState.FAILED
    assert "error in the program (ZeroDivisionError)" in job.error
    assert f"Attempt {settings.JOB_ATTEMPTS} of {settings.JOB_ATTEMPTS}" in job.error
    assert "secret inner words" not in job.error
    assert "secret inner words" in caplog.text
    assert run(job).attempts == settings.JOB_ATTEMPTS


def test_a_result_that_cannot_be_stored_leaves_nothing_behind(ask):
    job = run(ask(fail_storing=True))
    assert job.state == JobState.WAITING
    assert "OSError" in job.error
    assert not User.objects.exists()


def test_asking_again_for_a_failed_job_gives_it_fresh_attempts(ask):
    run(ask(refuse=True))
    later(ask(refuse=True), payload={"name": "one"})
    job = ask()
    assert (job.state, job.attempts, job.error) == (JobState.WAITING, 0, "")
    assert run(job).state == JobState.DONE


def test_a_job_of_a_kind_this_worker_does_not_know_is_kept(ask):
    job = ask()
    later(job, kind="tests.from_a_newer_release")
    job = run(job)
    assert job.state == JobState.WAITING
    assert "LookupError" in job.error


def test_the_sweep_rings_for_what_should_run_and_does_not(ask):
    ask("rung a moment ago")
    for key, changes in {
        "never rung": {},
        "worker gone": {"state": "running", "claim": "x", "lease_until": long_ago(), "attempts": 1},
        "under lease": {
            "state": "running",
            "claim": "x",
            "lease_until": timezone.now() + timedelta(seconds=20),
        },
        "to wait": {"not_before": timezone.now() + timedelta(seconds=20)},
        "done": {"state": "done", "ended_at": timezone.now()},
    }.items():
        later(ask(key), sent_at=long_ago(), **changes)
    assert jobs.sweep() == 2
    rung = Job.objects.filter(sent_at__gt=long_ago() + timedelta(minutes=5))
    assert set(rung.values_list("key", flat=True)) == {
        "rung a moment ago",
        "never rung",
        "worker gone",
    }
    assert jobs.sweep() == 0, "it has just rung for them"


def test_a_clock_that_was_put_back_holds_nothing_up(ask):
    later_than_ever = timezone.now() + timedelta(hours=1)
    stuck = {
        "it ran": {"state": "running", "claim": "x", "lease_until": later_than_ever, "attempts": 1},
        "it was to try again": {"not_before": later_than_ever, "attempts": 1},
        "it was rung": {},
    }
    for key, changes in stuck.items():
        later(ask(key), **{"sent_at": later_than_ever} | changes)
    assert jobs.sweep() == len(stuck)
    for key in stuck:
        job = Job.objects.get(key=key)
        jobs.run_job(job.pk)
        job.refresh_from_db()
        assert job.state == JobState.DONE, key


def test_a_job_that_kills_its_worker_every_time_is_given_up(ask, settings):
    job = ask()
    later(job, state="running", claim="x", lease_until=long_ago(), attempts=settings.JOB_ATTEMPTS)
    assert jobs.sweep() == 0
    job.refresh_from_db()
    assert job.state == JobState.FAILED
    assert f"{settings.JOB_ATTEMPTS} times" in job.error


def test_the_sweep_leaves_its_pulse(db):
    assert jobs.seconds_since_sweep() is None
    jobs.sweep()
    assert 0 <= jobs.seconds_since_sweep() < 5
    jobs.sweep()
    assert Pulse.objects.count() == 1


def test_the_oldest_waiting_job(ask):
    assert jobs.oldest_waiting_seconds() is None
    later(ask(), requested_at=long_ago())
    ask("two")
    assert jobs.oldest_waiting_seconds() == pytest.approx(3600, abs=10)


@pytest.mark.django_db(transaction=True)
def test_a_long_computation_keeps_its_lease(settings):
    settings.JOB_LEASE_SECONDS = 0.6
    leases = []

    def wait():
        for _ in range(5):
            threading.Event().wait(0.3)
            leases.append(Job.objects.get().lease_until > timezone.now())

    DURING["wait"] = wait
    with transaction.atomic():
        job = jobs.request_job(kind=KIND, key="one", payload={"name": "one", "during": "wait"})
    assert run(job).state == JobState.DONE
    assert leases == [True] * 5


@pytest.mark.django_db(transaction=True)
def test_a_computation_past_its_time_limit_lets_its_lease_go(settings):
    settings.JOB_LEASE_SECONDS = 0.3
    settings.JOB_TIME_LIMIT_SECONDS = 0.2
    DURING["wait"] = lambda: threading.Event().wait(1.2)
    with transaction.atomic():
        job = jobs.request_job(kind=KIND, key="one", payload={"name": "one", "during": "wait"})
    worker = threading.Thread(target=lambda: (jobs.run_job(job.pk), connection.close()))
    worker.start()
    threading.Event().wait(0.9)
    del DURING["wait"]
    Job.objects.filter(pk=job.pk).update(payload={"name": "one"})
    assert run(job).state == JobState.DONE
    worker.join()
    assert User.objects.count() == 1


@pytest.fixture
def somebody_writes(transactional_db):
    """Another connection holds the jobs until told to let go; this one waits only 50 ms for them."""
    is_sqlite = connection.vendor == "sqlite"
    lock = "BEGIN IMMEDIATE" if is_sqlite else "LOCK TABLE labsite_job IN EXCLUSIVE MODE"
    patience = "PRAGMA busy_timeout = {}" if is_sqlite else "SET lock_timeout = {}"
    held, let_go = threading.Event(), threading.Event()

    def hold():
        with connection.cursor() as cursor:
            if not is_sqlite:
                cursor.execute("BEGIN")
            cursor.execute(lock)
            held.set()
            let_go.wait(20)
            cursor.execute("ROLLBACK")
        connection.close()

    def start():
        threads.append(threading.Thread(target=hold))
        threads[-1].start()
        assert held.wait(20)

    threads: list[threading.Thread] = []
    with connection.cursor() as cursor:
        cursor.execute(patience.format(50))
    yield start, let_go
    let_go.set()
    for thread in threads:
        thread.join()
    connection.close()


@pytest.mark.django_db(transaction=True)
def test_a_database_that_others_write_to_is_waited_for(somebody_writes, caplog):
    start, let_go = somebody_writes
    with transaction.atomic():
        job = jobs.request_job(kind=KIND, key="one", payload={"name": "one", "during": "busy"})

    def busy():
        start()
        threading.Timer(1.0, let_go.set).start()

    DURING["busy"] = busy
    job = run(job)
    assert (job.state, job.attempts, job.error) == (JobState.DONE, 1, "")
    assert calls == ["one"], "computed once: only the writing waits"
    assert User.objects.get(username="one").first_name == "Hello one"
    assert "Traceback" not in caplog.text


@pytest.mark.django_db(transaction=True)
def test_where_it_stays_busy_the_job_goes_back_and_shows_no_error(
    somebody_writes, caplog, monkeypatch
):
    start, let_go = somebody_writes
    monkeypatch.setattr(jobs, "BUSY_PAUSES_SECONDS", (0.1,))
    with transaction.atomic():
        job = jobs.request_job(kind=KIND, key="one", payload={"name": "one"})
    start()
    with pytest.raises(OperationalError) as told:
        jobs.run_job(job.pk)
    assert jobs.is_busy(told.value)
    tasks.run_job(job.pk)
    tasks.sweep()
    let_go.set()
    job = run(job)
    assert (job.state, job.attempts, job.error) == (JobState.DONE, 1, "")
    assert "Traceback" not in caplog.text


def test_other_database_faults_are_not_taken_for_a_busy_one(db):
    with pytest.raises(DatabaseError) as told, transaction.atomic():
        connection.cursor().execute("SELECT * FROM no_such_table")
    assert not jobs.is_busy(told.value)


@pytest.mark.django_db(transaction=True)
def test_many_workers_at_once_do_each_job_once():
    with transaction.atomic():
        ids = [
            jobs.request_job(kind=KIND, key=f"w{n}", payload={"name": f"w{n}"}).pk
            for n in range(12)
        ]

    def worker():
        for job_id in ids:
            jobs.run_job(job_id)
        connection.close()

    workers = [threading.Thread(target=worker) for _ in range(4)]
    for thread in workers:
        thread.start()
    for thread in workers:
        thread.join()
    assert set(Job.objects.values_list("state", "attempts")) == {("done", 1)}
    assert User.objects.count() == 12
    assert sorted(calls) == sorted(f"w{n}" for n in range(12))
