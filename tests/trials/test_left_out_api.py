"""A valid run left out of a named analysis through the API, by the same rules as on its page."""

import uuid

import pytest
from django.test import Client
from django.utils import timezone

from labsite.models import AuditEntry
from labsite.roles import Role
from trials import actions
from trials.models import RunExclusion, Study

pytestmark = pytest.mark.django_db

ADDRESS = "/api/v1/studies/worn-against-new/left-out/"


def client_of(user) -> Client:
    client = Client()
    client.force_login(user)
    return client


def post(client, address, body):
    return client.post(address, data=body, content_type="application/json")


@pytest.fixture
def read_run(bench_lab, technician, checks_passed):
    run = bench_lab.run_of("padding-drop")
    actions.record_reading(
        by=technician,
        entry=actions.ReadingEntry(
            uuid=uuid.uuid4(), run=run, raw={"held_at": 1.25}, measured_at=timezone.now()
        ),
    )
    return run


def body(run, /, **changes):
    asked = {
        "run": run.pk,
        "analysis": "the torn cuff",
        "reason": "Torn before the run.",
        "value_was_known": False,
    }
    return asked | changes


def test_left_out_and_taken_in_again(bench_lab, read_run):
    lead = client_of(bench_lab.lead)
    left = post(lead, ADDRESS, body(read_run))
    assert left.status_code == 201, left.content
    kept = RunExclusion.objects.get()
    assert (kept.run, kept.by, kept.leaves_out) == (read_run, bench_lab.lead, True)
    said = lead.get(ADDRESS).json()
    assert said["now"] == said["record"] == [left.json()]
    assert left.json()["value_was_known"] is False

    back = post(lead, f"{ADDRESS}{kept.pk}/take-in/", {"reason": "It was another cuff."})
    assert back.status_code == 201, back.content
    said = lead.get(ADDRESS).json()
    assert said["now"] == []
    assert [(row["number"], row["leaves_out"]) for row in said["record"]] == [
        (1, True),
        (2, False),
    ]
    verbs = AuditEntry.objects.filter(by=bench_lab.lead).order_by("pk").values_list("verb")
    assert [verb for (verb,) in verbs][-2:] == ["left out run", "took run in again"]


def test_both_move_what_the_findings_are_worked_out_from(bench_lab, read_run):
    lead, before = client_of(bench_lab.lead), Study.objects.get(pk=bench_lab.study.pk)
    post(lead, ADDRESS, body(read_run))
    between = Study.objects.get(pk=bench_lab.study.pk).inputs_version
    post(lead, f"{ADDRESS}{RunExclusion.objects.get().pk}/take-in/", {"reason": "Mistaken."})
    after = Study.objects.get(pk=bench_lab.study.pk).inputs_version
    assert before.inputs_version < between < after


@pytest.mark.parametrize(
    ("changes", "field", "words"),
    [
        ({"analysis": "  "}, "analysis", "blank"),
        ({"analysis": "x" * 81}, "analysis", "80"),
        ({"reason": ""}, "reason", "blank"),
        ({"reason": "a\0b"}, "reason", "Null"),
        ({"value_was_known": "no"}, "value_was_known", "true or false"),
        ({"run": 0}, "run", "greater"),
        ({"run": 10**30}, "run", ""),
        ({"run": 999_999_999}, "run", "This study has no run 999999999."),
        ({"value": 3}, "value", "There is no such field."),
    ],
)
def test_what_is_wrong_stands_beside_its_field(bench_lab, read_run, changes, field, words):
    answer = post(client_of(bench_lab.lead), ADDRESS, body(read_run, **changes))
    assert answer.status_code == 400
    assert words in " ".join(answer.json()["problems"][field])
    assert not RunExclusion.objects.exists()


def test_void_unread_and_already_left_out_are_refused(bench_lab, read_run, technician):
    lead = client_of(bench_lab.lead)
    unread, void = bench_lab.run_of("padding-drop", 1), bench_lab.run_of("belt-abrasion")
    actions.void_run(
        by=technician, run=void, reason="slipped", note="Out of the jaw.", value_was_known=False
    )
    assert "Nothing was read" in str(post(lead, ADDRESS, body(unread)).json()["problems"]["run"])
    assert "is void" in str(post(lead, ADDRESS, body(void)).json()["problems"]["run"])
    assert post(lead, ADDRESS, body(read_run)).status_code == 201
    again = post(lead, ADDRESS, body(read_run, analysis="The Torn Cuff"))
    assert again.status_code == 400
    assert "already" in str(again.json()["problems"]["run"])
    back = f"{ADDRESS}{RunExclusion.objects.get().pk}/take-in/"
    assert "reason" in post(lead, back, {"reason": " "}).json()["problems"]
    assert post(lead, back, {"reason": "Mistaken."}).status_code == 201
    assert post(lead, back, {"reason": "Mistaken."}).status_code == 400


def test_a_run_of_another_study_is_none_of_this_one(bench_lab, read_run):
    Study.objects.create(slug="other", title="Other", question="Other?", kind=Study.Kind.PRICE)
    lead = client_of(bench_lab.lead)
    other = "/api/v1/studies/other/left-out/"
    # an open study has nothing to leave out, a registered one only its own runs
    assert post(lead, other, body(read_run)).status_code == 404
    Study.objects.filter(slug="other").update(
        registered_at=timezone.now(), registered_by=bench_lab.lead, registration_digest="0" * 64
    )
    assert "no run" in str(post(lead, other, body(read_run)).json()["problems"]["run"])
    row = post(lead, ADDRESS, body(read_run)).json()["id"]
    assert post(lead, f"{other}{row}/take-in/", {"reason": "Mistaken."}).status_code == 404


def test_who_entered_the_reading_knew_its_value(bench_lab, person, checks_passed):
    run = bench_lab.run_of("padding-drop")
    actions.acknowledge_safety(
        by=bench_lab.lead,
        revision=run.revision,
        answers={check["key"]: True for check in run.revision.checks},
    )
    actions.record_reading(
        by=bench_lab.lead,
        entry=actions.ReadingEntry(
            uuid=uuid.uuid4(), run=run, raw={"held_at": 1.25}, measured_at=timezone.now()
        ),
    )
    lead = client_of(bench_lab.lead)
    answer = post(lead, ADDRESS, body(run))
    assert answer.status_code == 400
    assert "You entered this reading" in str(answer.json()["problems"]["value_was_known"])
    assert post(lead, ADDRESS, body(run, value_was_known=True)).status_code == 201


@pytest.mark.parametrize(
    ("role", "sees", "leaves_out"),
    [
        (Role.TECHNICIAN, 200, 403),
        (Role.EDITOR, 200, 403),
        (Role.AUDITOR, 200, 403),
        (Role.LEAD, 200, 201),
        (Role.ADMINISTRATOR, 403, 403),
    ],
)
def test_who_may(read_run, person, role, sees, leaves_out):
    client = client_of(person(role))
    assert client.get(ADDRESS).status_code == sees
    assert post(client, ADDRESS, body(read_run)).status_code == leaves_out
    assert RunExclusion.objects.count() == (leaves_out == 201)


def test_a_stranger_is_asked_to_sign_in(read_run):
    assert Client().get(ADDRESS).status_code == 401
    assert post(Client(), ADDRESS, body(read_run)).status_code == 401


def test_the_description_of_the_api_tells_of_it(bench_lab):
    paths = client_of(bench_lab.lead).get("/api/v1/schema.json").json()["paths"]
    one = paths["/api/v1/studies/{slug}/left-out/"]
    assert "Needs the right to" in one["post"]["description"]
    assert one["post"]["requestBody"]["content"]["application/json"]["schema"]["$ref"].endswith(
        "GivenLeftOut"
    )
    assert "post" in paths["/api/v1/studies/{slug}/left-out/{left_out_id}/take-in/"]
