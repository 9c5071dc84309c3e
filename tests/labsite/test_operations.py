"""What whoever runs the server sees: jobs, figures, log lines."""

import json
import logging

import pytest
from django.test import Client
from django.utils import timezone

from labsite import access, logs
from labsite.models import AuditEntry, Job, JobState, User
from labsite.roles import Deed, Role, give_role

pytestmark = pytest.mark.django_db


@pytest.fixture
def administrator() -> User:
    user = User.objects.create_user("ada")
    give_role(user=user, role=Role.ADMINISTRATOR, by=None)
    return User.objects.get(pk=user.pk)


@pytest.fixture
def at_jobs(administrator) -> Client:
    client = Client()
    client.force_login(administrator)
    return client


@pytest.fixture
def failed() -> Job:
    return Job.objects.create(
        kind="summarise study",
        key="k1",
        state=JobState.FAILED,
        error="The disk <was> full.",
        ended_at=timezone.now(),
        attempts=5,
    )


def test_a_failed_job_says_why_and_can_be_tried_again(at_jobs, failed, administrator):
    page = at_jobs.get("/jobs/").content.decode()
    assert "The disk &lt;was&gt; full." in page
    answer = at_jobs.post(f"/jobs/{failed.pk}/again/", follow=True)
    assert "waits for a worker again" in answer.content.decode()
    failed.refresh_from_db()
    assert (failed.state, failed.attempts, failed.error) == ("waiting", 0, "")
    assert AuditEntry.objects.get(verb="tried job again").by == administrator


def test_only_a_failed_job_is_tried_again(at_jobs, failed):
    Job.objects.update(state=JobState.DONE, error="")
    assert at_jobs.post(f"/jobs/{failed.pk}/again/").status_code == 400


def test_a_monitor_reads_the_figures_with_a_token(administrator, failed):
    _, secret = access.make_token(by=administrator, name="m", deeds=[Deed.ADMINISTER], days=9)
    answer = Client().get("/metrics", headers={"Authorization": f"Bearer {secret}"})
    assert answer.headers["Content-Type"].startswith("text/plain")
    lines = answer.content.decode().splitlines()
    assert 'wornproof_jobs{state="failed"} 1' in lines
    assert "wornproof_ready 1" in lines
    # every figure is a name, one space and a number, after its own help and type
    for line in lines:
        if not line.startswith("#"):
            name, value = line.rsplit(" ", 1)
            assert name.startswith("wornproof_")
            assert float(value) >= 0
    assert Client().get("/metrics").status_code == 401


def test_a_log_line_is_one_json_object_with_its_request(rf):
    record = logging.makeLogRecord(
        {
            "name": "labsite.middleware",
            "levelno": logging.INFO,
            "levelname": "INFO",
            "msg": "%s took long\nand more",
            "args": ("/x",),
            "told": {"status": 200},
        }
    )
    token = logs.origin.set("request-7")
    logs.OriginFilter().filter(record)
    logs.origin.reset(token)
    line = logs.JsonFormatter().format(record)
    assert "\n" not in line
    told = json.loads(line)
    assert (told["origin"], told["status"], told["level"]) == ("request-7", 200, "info")
    assert told["message"] == "/x took long\nand more"


def test_each_request_leaves_one_line_without_what_was_searched_for(client, caplog):
    with caplog.at_level(logging.INFO, logger="labsite.middleware"):
        client.get("/healthz?q=secret")
    lines = [r for r in caplog.records if r.name == "labsite.middleware"]
    assert len(lines) == 1
    assert lines[0].told["path"] == "/healthz"
    assert "secret" not in lines[0].getMessage()
