"""Readings through the API: stored once, however often and however badly they are sent."""

import json
import threading
import uuid

import pytest
from django.db import connection
from django.test import Client
from django.utils import timezone

from labsite.models import AuditEntry, Job
from labsite.roles import Role
from trials import actions
from trials.models import Reading, ReadingConflict, Study


def put(client, body, *, reading_id=None, text=None):
    reading_id = reading_id or uuid.uuid4()
    return client.put(
        f"/api/v1/readings/{reading_id}/",
        data=text if text is not None else json.dumps(body),
        content_type="application/json",
    )


def drop(run, **changes):
    return (
        {
            "run": run.pk,
            "raw": {"held_at": 1.25, "failed_at": 1.6},
            "measured_at": "2026-01-01T00:00:00Z",
        }
        | {"measured_at": timezone.now().isoformat()}
        | changes
    )


def spaced(words):
    return words.replace("\u00a0", " ")


@pytest.mark.django_db
class TestEveryKind:
    def test_is_stored_with_its_interval(self, bench_lab, at_bench, checks_passed, typed):
        key, raw, words, low, high = typed
        run = bench_lab.run_of(key)
        extra = {"rater": "rater A"} if key == "flame-grade" else {}
        reading_id = uuid.uuid4()
        answer = put(at_bench, drop(run, raw=raw, **extra), reading_id=reading_id)
        assert answer.status_code == 201, answer.content
        body = answer.json()
        assert body["id"] == str(reading_id)
        assert (spaced(body["words"]), body["low"], body["high"]) == (words, low, high)
        assert body["unit"] == run.revision.unit
        assert body["state"] == "used"
        stored = Reading.objects.get()
        assert stored.raw == raw
        assert stored.by.username == "a-technician"

    def test_reads_back_the_same(self, bench_lab, at_bench, checks_passed, typed):
        key, raw, _, _, _ = typed
        extra = {"rater": "rater A"} if key == "flame-grade" else {}
        reading_id = uuid.uuid4()
        kept = put(at_bench, drop(bench_lab.run_of(key), raw=raw, **extra), reading_id=reading_id)
        assert at_bench.get(f"/api/v1/readings/{reading_id}/").json() == kept.json()


@pytest.mark.django_db
class TestSendingAgain:
    def test_same_content_is_the_same_reading(self, bench_lab, at_bench, checks_passed):
        reading_id, body = uuid.uuid4(), drop(bench_lab.run_of("padding-drop"))
        first = put(at_bench, body, reading_id=reading_id)
        version = Study.objects.get().inputs_version
        second = put(at_bench, body, reading_id=reading_id)
        assert (first.status_code, second.status_code) == (201, 200)
        assert first.json() == second.json()
        assert Reading.objects.count() == 1
        assert ReadingConflict.objects.count() == 0
        # sending again asks for no new summary and leaves no second line in the trail
        assert Study.objects.get().inputs_version == version
        assert AuditEntry.objects.filter(verb="entered reading").count() == 1

    def test_other_content_is_kept_beside_it(self, bench_lab, at_bench, checks_passed):
        reading_id, body = uuid.uuid4(), drop(bench_lab.run_of("padding-drop"))
        put(at_bench, body, reading_id=reading_id)
        other = body | {"raw": {"held_at": 1.0, "failed_at": 1.25}}
        answers = [put(at_bench, other, reading_id=reading_id) for _ in range(2)]
        for answer in answers:
            assert answer.status_code == 409
            assert answer["Content-Type"] == "application/problem+json"
            told = answer.json()
            assert told["id"] == str(reading_id)
            assert told["both_kept"] is True
            sentence = spaced(told["problems"][""][0])
            assert "held at 1.25 m, failed at 1.6 m" in sentence
            assert "kept beside it" in sentence
            assert told["standing"]["id"] == str(reading_id)
        assert Reading.objects.count() == 1
        kept = ReadingConflict.objects.get()
        assert kept.content["raw"] == {"held_at": 1.0, "failed_at": 1.25}

    def test_second_first_reading_of_a_run_is_a_conflict(self, bench_lab, at_bench, checks_passed):
        run = bench_lab.run_of("padding-drop")
        put(at_bench, drop(run))
        second = uuid.uuid4()
        answer = put(at_bench, drop(run), reading_id=second)
        assert answer.status_code == 409
        assert answer.json()["id"] == str(second)
        assert Reading.objects.count() == 1
        assert ReadingConflict.objects.get().reading_uuid == second

    def test_the_same_entry_by_somebody_else_is_not_the_same(
        self, bench_lab, at_bench, checks_passed
    ):
        reading_id, body = uuid.uuid4(), drop(bench_lab.run_of("padding-drop"))
        put(at_bench, body, reading_id=reading_id)
        other = Client()
        other.force_login(bench_lab.lead)
        assert put(other, body, reading_id=reading_id).status_code == 409

    def test_raters_each_have_a_grade(self, bench_lab, at_bench, checks_passed):
        run = bench_lab.run_of("flame-grade")
        body = drop(run, raw={"grade": 2}, rater="rater A")
        assert put(at_bench, body).status_code == 201
        assert put(at_bench, body | {"rater": "rater B"}).status_code == 201
        assert put(at_bench, body | {"rater": "rater B"}).status_code == 409

    def test_a_reading_asks_for_a_new_summary(self, bench_lab, at_bench, checks_passed):
        run = bench_lab.run_of("padding-drop")
        jobs = Job.objects.count()
        put(at_bench, drop(run))
        assert Job.objects.count() == jobs + 1


@pytest.mark.django_db
class TestAmending:
    def test_supersedes_and_keeps_the_old(self, bench_lab, at_bench, checks_passed):
        run = bench_lab.run_of("padding-drop")
        old, new = uuid.uuid4(), uuid.uuid4()
        put(at_bench, drop(run), reading_id=old)
        amended = drop(
            run, raw={"held_at": 1.0, "failed_at": 1.25}, supersedes=str(old), reason="misread"
        )
        assert put(at_bench, amended, reading_id=new).status_code == 201
        assert at_bench.get(f"/api/v1/readings/{old}/").json()["state"] == "superseded"
        assert at_bench.get(f"/api/v1/readings/{new}/").json()["state"] == "used"

    def test_needs_a_reason(self, bench_lab, at_bench, checks_passed):
        run, old = bench_lab.run_of("padding-drop"), uuid.uuid4()
        put(at_bench, drop(run), reading_id=old)
        answer = put(at_bench, drop(run, supersedes=str(old), reason="  "))
        assert answer.status_code == 400
        assert answer.json()["problems"]["reason"] == ["Say why the reading is amended."]

    def test_two_amendments_of_one_reading_are_a_conflict(self, bench_lab, at_bench, checks_passed):
        run, old = bench_lab.run_of("padding-drop"), uuid.uuid4()
        put(at_bench, drop(run), reading_id=old)
        amended = drop(run, supersedes=str(old), reason="misread")
        assert put(at_bench, amended).status_code == 201
        assert put(at_bench, amended).status_code == 409


def _bad_bodies():
    nested = "[" * 100_000 + "]" * 100_000
    return {
        "a list": ("[1, 2]", ""),
        "a number": ("7", ""),
        "null": ("null", ""),
        "nothing": ("", "run"),
        "half a body": ('{"run": ', ""),
        "bottomless": (nested, ""),
        "a NaN": ('{"run": RUN, "raw": {"held_at": NaN}, "measured_at": "NOW"}', ""),
        "an infinity": ('{"run": RUN, "raw": {"held_at": Infinity}, "measured_at": "NOW"}', ""),
        "a number past all floats": (
            '{"run": RUN, "raw": {"held_at": 1e999}, "measured_at": "NOW"}',
            "raw",
        ),
        "an integer of 400 digits": (
            '{"run": RUN, "raw": {"held_at": ' + "9" * 400 + '}, "measured_at": "NOW"}',
            "raw",
        ),
        "an integer of 9,000 digits": (
            '{"run": RUN, "raw": {"held_at": ' + "9" * 9000 + '}, "measured_at": "NOW"}',
            "",
        ),
        "a NUL in the raw entry": (
            '{"run": RUN, "raw": {"held_at": "1\\u0000"}, "measured_at": "NOW"}',
            "raw",
        ),
        "a NUL in a field's name": (
            '{"run": RUN, "raw": {"held\\u0000": 1}, "measured_at": "NOW"}',
            "raw",
        ),
        "half a surrogate pair": (
            '{"run": RUN, "raw": {"held_at": "\\ud800"}, "measured_at": "NOW"}',
            "raw",
        ),
        "a NUL in the note": (
            '{"run": RUN, "raw": {"held_at": 1.25}, "note": "a\\u0000", "measured_at": "NOW"}',
            "note",
        ),
        "half a pair in the note": (
            '{"run": RUN, "raw": {"held_at": 1.25}, "note": "\\udfff", "measured_at": "NOW"}',
            "note",
        ),
        "a note of 1 MB": (
            '{"run": RUN, "raw": {"held_at": 1.25}, "note": "'
            + "n" * 1_000_000
            + '", "measured_at": "NOW"}',
            "note",
        ),
        "3 MB": ('{"note": "' + "n" * 3_000_000 + '"}', ""),
        "a list for the entry": ('{"run": RUN, "raw": [1], "measured_at": "NOW"}', "raw"),
        "a list in the entry": (
            '{"run": RUN, "raw": {"held_at": [1.25]}, "measured_at": "NOW"}',
            "raw",
        ),
        "text in a number": (
            '{"run": RUN, "raw": {"held_at": "high"}, "measured_at": "NOW"}',
            "held_at",
        ),
        "a negative": ('{"run": RUN, "raw": {"held_at": -1}, "measured_at": "NOW"}', "held_at"),
        "a zero": ('{"run": RUN, "raw": {"held_at": 0}, "measured_at": "NOW"}', "held_at"),
        "low above high": (
            '{"run": RUN, "raw": {"held_at": 1.6, "failed_at": 1.25}, "measured_at": "NOW"}',
            "failed_at",
        ),
        "a field of another kind": (
            '{"run": RUN, "raw": {"seconds": 3}, "measured_at": "NOW"}',
            "seconds",
        ),
        "an unknown field": (
            '{"run": RUN, "raw": {"held_at": 1.25}, "measured_at": "NOW", "supercedes": null}',
            "supercedes",
        ),
        "no run": ('{"raw": {"held_at": 1.25}, "measured_at": "NOW"}', "run"),
        "a run that is not there": (
            '{"run": 987654, "raw": {"held_at": 1.25}, "measured_at": "NOW"}',
            "run",
        ),
        "a run past all ids": (
            '{"run": 99999999999999999999, "raw": {"held_at": 1.25}, "measured_at": "NOW"}',
            "run",
        ),
        "a run that is true": (
            '{"run": true, "raw": {"held_at": 1.25}, "measured_at": "NOW"}',
            "run",
        ),
        "no time": ('{"run": RUN, "raw": {"held_at": 1.25}}', "measured_at"),
        "a time without zone": (
            '{"run": RUN, "raw": {"held_at": 1.25}, "measured_at": "2026-03-02T10:15:00"}',
            "measured_at",
        ),
        "the first moment of the calendar": (
            '{"run": RUN, "raw": {"held_at": 1.25}, "measured_at": "0001-01-01T00:00:00+14:00"}',
            "measured_at",
        ),
        "the last moment of the calendar": (
            '{"run": RUN, "raw": {"held_at": 1.25}, "measured_at": "9999-12-31T23:59:59-14:00"}',
            "measured_at",
        ),
        "a time in the future": (
            '{"run": RUN, "raw": {"held_at": 1.25}, "measured_at": "2199-01-01T00:00:00Z"}',
            "measured_at",
        ),
        "a time before registration": (
            '{"run": RUN, "raw": {"held_at": 1.25}, "measured_at": "2001-01-01T00:00:00Z"}',
            "measured_at",
        ),
        "a rater where nobody rates": (
            '{"run": RUN, "raw": {"held_at": 1.25}, "measured_at": "NOW", "rater": "A"}',
            "rater",
        ),
        "an amendment of nothing": (
            (
                '{"run": RUN, "raw": {"held_at": 1.25}, "measured_at": "NOW",'
                ' "supersedes": "00000000-0000-4000-8000-000000000000", "reason": "x"}'
            ),
            "supersedes",
        ),
        "an amendment of a word": (
            '{"run": RUN, "raw": {"held_at": 1.25}, "measured_at": "NOW", "supersedes": "that"}',
            "supersedes",
        ),
    }


BAD = _bad_bodies()


@pytest.mark.django_db
class TestBadInput:
    @pytest.mark.parametrize("case", sorted(BAD))
    def test_is_told_and_nothing_is_stored(self, bench_lab, at_bench, checks_passed, case):
        text, field = BAD[case]
        run = bench_lab.run_of("padding-drop")
        text = text.replace("RUN", str(run.pk)).replace("NOW", timezone.now().isoformat())
        answer = put(at_bench, None, text=text)
        assert answer.status_code == 400, answer.content[:300]
        assert answer["Content-Type"] == "application/problem+json"
        problems = answer.json()["problems"]
        assert field in problems
        assert all(sentence for sentence in problems[field])
        assert Reading.objects.count() == 0
        assert ReadingConflict.objects.count() == 0

    @pytest.mark.parametrize("case", sorted(BAD))
    def test_is_told_beside_a_standing_reading_too(self, bench_lab, at_bench, checks_passed, case):
        """Under an id that is taken, what can be stored becomes a conflict and the rest is told."""
        run, reading_id = bench_lab.run_of("padding-drop"), uuid.uuid4()
        assert put(at_bench, drop(run), reading_id=reading_id).status_code == 201
        text = BAD[case][0].replace("RUN", str(run.pk)).replace("NOW", timezone.now().isoformat())
        answer = put(at_bench, None, text=text, reading_id=reading_id)
        assert answer.status_code in {400, 409}, answer.content[:300]
        assert Reading.objects.count() == 1
        page = at_bench.get(f"/api/v1/studies/{run.study.slug}/runs/")
        assert page.status_code == 200

    @pytest.mark.parametrize(
        "bad_id",
        [
            "7",
            "not-a-uuid",
            "{12345678-1234-4234-8234-123456789012}",
            "12345678123442348234123456789012",
            "urn:uuid:12345678-1234-4234-8234-123456789012",
            "a%00b",
            "%F0%9F%A7%A4",
        ],
    )
    def test_wrong_id_is_told(self, bench_lab, at_bench, checks_passed, bad_id):
        answer = put(at_bench, drop(bench_lab.run_of("padding-drop")), reading_id=bad_id)
        assert answer.status_code == 400
        assert "id" in answer.json()["problems"]
        assert at_bench.get(f"/api/v1/readings/{bad_id}/").status_code == 400

    def test_a_form_is_refused(self, bench_lab, at_bench):
        answer = at_bench.put(f"/api/v1/readings/{uuid.uuid4()}/", data="run=1")
        assert answer.status_code == 415

    def test_a_run_of_an_unregistered_study(self, bench_lab, at_bench, checks_passed):
        draft = actions.create_study(
            by=bench_lab.lead,
            fields={
                "slug": "draft",
                "title": "Draft",
                "question": "Not yet",
                "kind": Study.Kind.WORN_NEW,
            },
            arms=[
                actions.ArmPlan("new", "New", True, bench_lab.specimens[:1]),
                actions.ArmPlan("worn", "Worn", False, bench_lab.specimens[1:]),
            ],
            methods=[actions.MethodPlan(bench_lab.revisions["padding-drop"])],
        )
        run = actions.plan_run(
            by=bench_lab.lead,
            study=draft,
            specimen=bench_lab.specimens[0],
            revision=bench_lab.revisions["padding-drop"],
            zone=bench_lab.zone,
        )
        answer = put(at_bench, drop(run))
        assert answer.status_code == 400
        assert "Register this study first" in answer.json()["problems"]["study"][0]

    def test_unchecked_bench_takes_no_reading(self, bench_lab, at_bench):
        answer = put(at_bench, drop(bench_lab.run_of("padding-drop")))
        assert answer.status_code == 400
        assert "Pass the checks" in answer.json()["problems"][""][0]
        assert Reading.objects.count() == 0

    def test_several_problems_are_told_at_once(self, bench_lab, at_bench, checks_passed):
        body = drop(bench_lab.run_of("belt-abrasion"), raw={"seconds": "x", "ended": "burst"})
        assert set(put(at_bench, body).json()["problems"]) == {"seconds", "ended"}


@pytest.mark.django_db
class TestWhoMay:
    @pytest.mark.parametrize("role", [Role.EDITOR, Role.ADMINISTRATOR])
    def test_others_enter_nothing(self, bench_lab, person, role):
        client = Client()
        client.force_login(person(role))
        answer = put(client, drop(bench_lab.run_of("padding-drop")))
        assert answer.status_code == 403
        assert "You may not enter readings" in answer.json()["problems"][""][0]

    def test_a_stranger_is_asked_to_sign_in(self, bench_lab):
        answer = put(Client(), drop(bench_lab.run_of("padding-drop")))
        assert answer.status_code == 401
        assert answer.json()["problems"][""] == ["Sign in first."]

    def test_a_request_without_its_token_is_refused(self, bench_lab, technician, checks_passed):
        client = Client(enforce_csrf_checks=True)
        client.force_login(technician)
        body = json.dumps(drop(bench_lab.run_of("padding-drop")))
        address = f"/api/v1/readings/{uuid.uuid4()}/"
        refused = client.put(address, data=body, content_type="application/json")
        assert refused.status_code == 403
        token = client.get("/api/v1/session/").json()["csrf_token"]
        kept = client.put(
            address, data=body, content_type="application/json", headers={"X-CSRFToken": token}
        )
        assert kept.status_code == 201

    def test_nothing_but_the_named_methods_is_answered(self, bench_lab, at_bench):
        address = f"/api/v1/readings/{uuid.uuid4()}/"
        assert at_bench.delete(address).status_code == 405
        assert at_bench.post(address).status_code == 405
        assert at_bench.options(address).status_code == 405
        assert at_bench.get(address).status_code == 404


@pytest.mark.django_db(transaction=True)
class TestRaces:
    def _together(self, person_signed_in, bodies, reading_ids):
        barrier, answers = threading.Barrier(len(bodies)), []

        def send(body, reading_id):
            client = Client()
            client.force_login(person_signed_in)
            barrier.wait()
            try:
                answers.append(put(client, body, reading_id=reading_id).status_code)
            finally:
                connection.close()

        threads = [
            threading.Thread(target=send, args=pair)
            for pair in zip(bodies, reading_ids, strict=True)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        return sorted(answers)

    def test_same_entry_at_once_is_one_reading(self, bench_lab, technician, checks_passed):
        for _ in range(5):
            run, reading_id = bench_lab.run_of("padding-drop"), uuid.uuid4()
            body = drop(run)
            assert self._together(technician, [body, body], [reading_id] * 2) == [200, 201]
            assert Reading.objects.filter(run=run).count() == 1
        assert ReadingConflict.objects.count() == 0

    def test_other_content_at_once_is_one_reading_and_one_conflict(
        self, bench_lab, technician, checks_passed
    ):
        for _ in range(5):
            run, reading_id = bench_lab.run_of("padding-drop"), uuid.uuid4()
            bodies = [drop(run), drop(run, raw={"held_at": 1.0})]
            assert self._together(technician, bodies, [reading_id] * 2) == [201, 409]
            assert Reading.objects.filter(run=run).count() == 1
            assert ReadingConflict.objects.filter(run=run).count() == 1

    def test_two_tablets_on_one_run_are_one_reading_and_one_conflict(
        self, bench_lab, technician, checks_passed
    ):
        for _ in range(5):
            run = bench_lab.run_of("padding-drop")
            ids = [uuid.uuid4(), uuid.uuid4()]
            assert self._together(technician, [drop(run)] * 2, ids) == [201, 409]
            assert Reading.objects.filter(run=run).count() == 1
            assert ReadingConflict.objects.filter(run=run).count() == 1
