"""Fire watches and cool-downs: what the sheet counts down, and what is kept of them.

The minutes are the shipped method's own: 60, as many insurers ask; 29 CFR 1910.252(a)(2)(iii)(B)
names at least half an hour after work with a flame. Keeping it with a name: common practice, no
source.
"""

import json
import re
import uuid
from datetime import timedelta

import pytest
from django.db import DatabaseError, transaction
from django.utils import timezone

from labsite.models import AuditEntry
from tests.trials.bench_lab import pass_checks
from trials import actions
from trials.models import Watch
from trials.watches import watches_due

pytestmark = pytest.mark.django_db
SHEET = "/bench/worn-against-new/"


@pytest.fixture
def burnt(bench_lab, technician, checks_passed):
    """A run of the small flame, read ten minutes ago."""
    run = bench_lab.run_of("flame-grade")
    at = timezone.now() - timedelta(minutes=10)
    # its checks were passed before it, on this tablet
    entry = actions.ReadingEntry(
        uuid.uuid4(), run, {"grade": 2}, at, rater="A", entered_from="bench"
    )
    pass_checks(bench_lab, technician)
    return actions.record_reading(by=technician, entry=entry).reading


def due(lab):
    found = watches_due(lab.study, [lab.revisions["flame-grade"], lab.revisions["seam-opening"]])
    assert len(found) == 1, "only the flame asks for a watch"
    return found[0]


def watch(reading, **change):
    return {
        "study": "worn-against-new",
        "method": "flame-grade",
        "number": reading.run.revision.number,
        "kind": "fire",
        "started_at": reading.measured_at.isoformat(),
        "ended_at": timezone.now().isoformat(),
        "watcher": "B. Second",
        "note": "",
    } | change


def put(client, body, key=None):
    address = f"/api/v1/watches/{key or uuid.uuid4()}/"
    return client.put(address, json.dumps(body), content_type="application/json")


def test_nothing_is_due_before_the_first_run(bench_lab):
    assert due(bench_lab).last_run_at is None


def test_it_counts_from_the_last_run_and_the_sheet_tells_its_script(bench_lab, burnt, at_bench):
    found = due(bench_lab)
    assert (found.minutes, found.last_run_at, found.kept) == (60, burnt.measured_at, None)
    page = at_bench.get(SHEET).content.decode()
    told = json.loads(
        re.search(r'<script id="watch-data" type="application/json">(.*?)</script>', page)[1]
    )
    shown = {(one["method"], one["last_at"]) for one in told}
    assert ("flame-grade", burnt.measured_at.isoformat()) in shown


def test_one_that_ends_early_says_why(burnt, at_bench):
    told = put(at_bench, watch(burnt))
    assert told.status_code == 400
    assert "60 minutes" in told.json()["problems"]["note"][0]
    kept = put(at_bench, watch(burnt, note="Room cleared by the fire brigade."))
    assert kept.status_code == 201
    assert Watch.objects.get().minutes == 60


def test_kept_once_it_is_not_due_again_until_the_next_run(bench_lab, burnt, at_bench, technician):
    key, body = uuid.uuid4(), watch(burnt, note="Ended early in this test.")
    answers = [put(at_bench, body, key) for _ in range(2)]
    assert [answer.status_code for answer in answers] == [201, 200]
    assert AuditEntry.objects.filter(verb="kept a fire watch").count() == 1
    assert due(bench_lab).kept == Watch.objects.get()
    next_run = bench_lab.run_of("flame-grade", 1)
    entry = actions.ReadingEntry(uuid.uuid4(), next_run, {"grade": 2}, timezone.now(), rater="A")
    actions.record_reading(by=technician, entry=entry)
    assert due(bench_lab).kept is None


def test_a_tablet_that_is_three_hours_fast_is_put_right(burnt, at_bench):
    ahead = (timezone.now() + timedelta(hours=3)).isoformat()
    assert put(at_bench, watch(burnt, ended_at=ahead)).status_code == 400
    body = watch(burnt, ended_at=ahead, clock_offset_s=-3 * 3600, note="Early.")
    assert put(at_bench, body).status_code == 201
    assert abs((Watch.objects.get().ended_at - timezone.now()).total_seconds()) < 60


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"watcher": " "}, "watcher"),
        ({"kind": "cooling"}, "kind"),
        ({"method": "seam-opening"}, "kind"),
        ({"study": "not-there"}, ""),
        ({"started_at": "2026-01-01T10:00:00"}, "started_at"),
    ],
)
def test_what_makes_no_sense_is_told_beside_its_field(burnt, at_bench, change, field):
    told = put(at_bench, watch(burnt, note="x", **change))
    assert told.status_code == 400
    assert field in told.json()["problems"]
    assert Watch.objects.count() == 0


def test_a_watch_is_never_changed(burnt, at_bench):
    put(at_bench, watch(burnt, note="Early."))
    with pytest.raises(DatabaseError), transaction.atomic():
        Watch.objects.update(watcher="Somebody else")
