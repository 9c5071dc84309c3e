"""Many readings at once: all of them or none, and as often as one likes."""

import json
import uuid

import pytest
from django.utils import timezone

from tests.trials.bench_lab import TYPED
from trials.models import Reading, Run, Study

pytestmark = pytest.mark.django_db
KEYS = [key for key in sorted(TYPED) if key != "flame-grade"]


@pytest.fixture
def three(bench_lab, checks_passed):
    """Readings of three methods, ready to send."""
    return [
        {
            "id": str(uuid.uuid4()),
            "run": bench_lab.run_of(key).pk,
            "raw": TYPED[key][0],
            "measured_at": timezone.now().isoformat(),
        }
        for key in KEYS[:3]
    ]


def send(client, readings):
    return client.post(
        "/api/v1/readings/", json.dumps({"readings": readings}), content_type="application/json"
    )


def test_many_are_stored_and_sending_them_again_changes_nothing(at_bench, three):
    first = send(at_bench, three)
    assert first.status_code == 200, first.content
    assert [row["state"] for row in first.json()["readings"]] == ["stored"] * 3
    again = send(at_bench, three)
    assert [row["state"] for row in again.json()["readings"]] == ["stored before"] * 3
    assert Reading.objects.count() == 3
    listed = at_bench.get("/api/v1/readings/").json()["results"]
    assert {row["id"] for row in listed} == {entry["id"] for entry in three}


def test_one_wrong_reading_stores_none_of_them(at_bench, three):
    answer = send(at_bench, [three[0], three[1] | {"run": 999_999_999}, three[2]])
    assert answer.status_code == 400
    assert list(answer.json()["problems"]) == ["readings.1.run"]
    assert not Reading.objects.exists()


def test_a_place_that_is_taken_is_a_conflict_and_stores_none(at_bench, three):
    send(at_bench, three[:1])
    answer = send(at_bench, [three[1], three[0] | {"id": str(uuid.uuid4())}])
    assert answer.status_code == 409
    assert "None of these was stored" in answer.json()["problems"]["readings.1"][0]
    assert Reading.objects.count() == 1


@pytest.mark.parametrize("readings", [[], [{}], ["x"], None, {"a": 1}])
def test_what_is_no_list_of_readings_is_told(at_bench, readings):
    answer = send(at_bench, readings)
    assert answer.status_code == 400
    assert answer.json()["problems"]


def test_readings_of_a_closed_blind_study_stay_out(at_bench, three, bench_lab):
    send(at_bench, three)
    run = Run.objects.earliest("pk")
    study = Study.objects.get(pk=run.study_id)
    blind = Study.objects.create(
        slug="blind", title="Blind", question="?", kind=study.kind, is_blind=True
    )
    rows = [
        Run.objects.create(
            study=blind, revision=run.revision, specimen=run.specimen, zone=run.zone,
            site=50 + n, position=n, planned_by=run.planned_by,
        )
        for n in (1, 2)
    ]  # fmt: skip
    kept = Reading.objects.filter(run=run).first() or Reading.objects.earliest("pk")
    for number, one in enumerate(rows):
        kept.pk, kept.run = uuid.uuid4(), one
        kept.save(force_insert=True)
        shown = len(at_bench.get("/api/v1/readings/").json()["results"])
        # open only when the last run on the sheet is read
        assert shown == (3 if number == 0 else 5)
