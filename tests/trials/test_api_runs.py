"""Studies, runs, voids and safety checks through the API."""

import threading

import pytest
from django.db import connection
from django.test import Client
from django.utils import timezone

from labsite.roles import Role
from trials import actions
from trials.models import Run, RunVoid, SafetyAcknowledgement


def post(client, address, body):
    return client.post(address, data=body, content_type="application/json")


RUNS = "/api/v1/studies/worn-against-new/runs/"


@pytest.mark.django_db
class TestSession:
    def test_says_who_and_gives_a_token(self, at_bench, technician):
        answer = at_bench.get("/api/v1/session/")
        body = answer.json()
        assert body["user"] == technician.pk
        assert body["display_name"] == "Technician"
        assert len(body["csrf_token"]) == 64
        assert "no-store" in answer["Cache-Control"]

    def test_a_stranger_is_asked_to_sign_in(self):
        assert Client().get("/api/v1/session/").status_code == 401

    def test_anybody_signed_in_may_ask(self, person):
        client = Client()
        client.force_login(person(Role.ADMINISTRATOR))
        assert client.get("/api/v1/session/").status_code == 200


@pytest.mark.django_db
class TestStudies:
    def test_lists_them_with_counts(self, bench_lab, at_bench, technician, checks_passed):
        run = bench_lab.run_of("padding-drop")
        bench_lab.run_of("padding-drop", 1)
        void = bench_lab.run_of("belt-abrasion")
        actions.record_reading(
            by=technician,
            entry=actions.ReadingEntry(
                uuid="11111111-1111-4111-8111-111111111111",
                run=run,
                raw={"held_at": 1.25},
                measured_at=timezone.now(),
            ),
        )
        actions.void_run(
            by=technician, run=void, reason="slipped", note="Out of the jaw.", value_was_known=False
        )
        (study,) = at_bench.get("/api/v1/studies/").json()["studies"]
        assert study["slug"] == "worn-against-new"
        assert study["runs"] == {"to_do": 1, "done": 1, "void": 1, "to_settle": 0}

    def test_a_graded_run_is_done_when_all_raters_graded(
        self, bench_lab, at_bench, technician, checks_passed
    ):
        """The shipped flame method asks for three raters."""
        run = bench_lab.run_of("flame-grade")
        for number, rater in enumerate(["A", "B", "C"], start=1):
            actions.record_reading(
                by=technician,
                entry=actions.ReadingEntry(
                    uuid=f"{number}1111111-1111-4111-8111-111111111111",
                    run=run,
                    raw={"grade": 2},
                    rater=rater,
                    measured_at=timezone.now(),
                ),
            )
            (study,) = at_bench.get("/api/v1/studies/").json()["studies"]
            (listed,) = at_bench.get(RUNS).json()["runs"]
            assert study["runs"]["done"] == (1 if number == 3 else 0)
            assert listed["state"] == ("done" if number == 3 else "to do")

    def test_one_study_says_what_may_be_run(self, bench_lab, at_bench):
        body = at_bench.get("/api/v1/studies/worn-against-new/").json()
        assert {method["key"] for method in body["methods"]} == set(bench_lab.revisions)
        assert body["specimens"] == sorted(s.code for s in bench_lab.specimens)

    def test_unknown_study(self, at_bench):
        answer = at_bench.get("/api/v1/studies/nowhere/")
        assert answer.status_code == 404
        assert answer.json()["problems"] == {"": ["There is nothing at this address."]}

    def test_counts_cost_the_same_however_many(
        self, bench_lab, at_bench, django_assert_max_num_queries
    ):
        for _ in range(6):
            bench_lab.run_of("padding-drop")
        with django_assert_max_num_queries(8):
            assert at_bench.get(RUNS).json()["count"] == 6
        with django_assert_max_num_queries(6):
            at_bench.get("/api/v1/studies/")

    @pytest.mark.parametrize("start", ["-1", "x", "1e3", "9" * 30, "²"])
    def test_a_bad_start_is_told(self, bench_lab, at_bench, start):
        assert at_bench.get(RUNS, {"start": start}).status_code == 400

    def test_a_start_past_the_end_is_empty(self, bench_lab, at_bench):
        assert at_bench.get(RUNS, {"start": 10}).json()["runs"] == []


@pytest.mark.django_db
class TestPlanning:
    def body(self, lab, **changes):
        asked = {
            "specimen": lab.specimens[0].code,
            "method": "padding-drop",
            "zone": "left-sleeve",
        }
        return asked | changes

    def test_takes_the_first_free_site(self, bench_lab, at_bench):
        for site in (1, 2):
            answer = post(at_bench, RUNS, self.body(bench_lab))
            assert answer.status_code == 201, answer.content
            assert answer.json()["site"] == site
            assert answer.json()["state"] == "to do"

    def test_a_code_is_read_as_typed(self, bench_lab, at_bench):
        typed = bench_lab.specimens[0].code.lower().replace("-", "")
        answer = post(at_bench, RUNS, self.body(bench_lab, specimen=typed))
        assert answer.json()["specimen"] == bench_lab.specimens[0].code

    @pytest.mark.parametrize(
        ("changes", "field", "words"),
        [
            ({"specimen": "ABCD-Z"}, "specimen", "check each character"),
            ({"specimen": "ABC"}, "specimen", "five characters"),
            ({"specimen": "ABCE-9"}, "specimen", ""),
            ({"specimen": ["ABCD"]}, "specimen", ""),
            ({"method": "no-such"}, "method", "no such method"),
            ({"zone": "hood"}, "zone", "has no zone"),
            ({"zone": "\0"}, "zone", ""),
            ({"site": 0}, "site", ""),
            ({"site": 13}, "site", "no site 13"),
            ({"site": 10**30}, "site", ""),
        ],
    )
    def test_a_wrong_place_is_told(self, bench_lab, at_bench, changes, field, words):
        answer = post(at_bench, RUNS, self.body(bench_lab, **changes))
        assert answer.status_code == 400, answer.content
        assert words in answer.json()["problems"][field][0]
        assert Run.objects.count() == 0

    def test_a_used_site_is_told(self, bench_lab, at_bench):
        post(at_bench, RUNS, self.body(bench_lab, site=4))
        answer = post(at_bench, RUNS, self.body(bench_lab, site=4))
        assert "used up" in answer.json()["problems"]["site"][0]

    def test_a_zone_that_does_not_carry_the_method_is_told(self, bench_lab, at_bench):
        bench_lab.zone.capacities.filter(method_key="padding-drop").delete()
        answer = post(at_bench, RUNS, self.body(bench_lab))
        assert "does not carry" in answer.json()["problems"]["zone"][0]

    def test_editors_plan_nothing(self, bench_lab, person):
        client = Client()
        client.force_login(person(Role.EDITOR))
        assert post(client, RUNS, self.body(bench_lab)).status_code == 403
        assert client.get(RUNS).status_code == 200


@pytest.mark.django_db
class TestVoiding:
    def body(self, **changes):
        said = {"reason": "slipped", "note": "Out of the jaw.", "value_was_known": False}
        return said | changes

    def test_keeps_the_reason(self, bench_lab, at_bench):
        run = bench_lab.run_of("padding-drop")
        answer = post(at_bench, f"/api/v1/runs/{run.pk}/void/", self.body())
        assert answer.status_code == 200
        assert answer.json()["state"] == "void"
        void = answer.json()["void"]
        assert void["reason_words"] == "specimen slipped or failed in the jaw"
        assert void["value_was_known"] is False

    def test_sent_again_is_the_same_void(self, bench_lab, at_bench):
        run = bench_lab.run_of("padding-drop")
        address = f"/api/v1/runs/{run.pk}/void/"
        first, second = (post(at_bench, address, self.body()) for _ in range(2))
        assert second.status_code == 200
        assert first.json() == second.json()
        assert RunVoid.objects.count() == 1
        other = post(at_bench, address, self.body(note="Something else."))
        assert other.status_code == 400
        assert other.json()["problems"][""] == ["This run is void already."]

    @pytest.mark.parametrize(
        ("changes", "field"),
        [
            ({"reason": "too high"}, "reason"),
            ({"reason": None}, "reason"),
            ({"note": "  "}, "note"),
            ({"note": "n" * 2001}, "note"),
            ({"value_was_known": "no"}, "value_was_known"),
            ({"value_was_known": 1}, "value_was_known"),
            ({"value_was_known": None}, "value_was_known"),
        ],
    )
    def test_bad_input_is_told(self, bench_lab, at_bench, changes, field):
        run = bench_lab.run_of("padding-drop")
        answer = post(at_bench, f"/api/v1/runs/{run.pk}/void/", self.body(**changes))
        assert answer.status_code == 400
        assert field in answer.json()["problems"]
        assert RunVoid.objects.count() == 0

    def test_a_run_that_is_not_there(self, at_bench):
        assert post(at_bench, "/api/v1/runs/99/void/", self.body()).status_code == 404
        assert post(at_bench, f"/api/v1/runs/{10**30}/void/", self.body()).status_code == 404


@pytest.mark.django_db
class TestChecks:
    ADDRESS = "/api/v1/methods/padding-drop/1/checks/"

    def answers(self, lab):
        return {check["key"]: True for check in lab.revisions["padding-drop"].checks}

    def test_all_passed(self, bench_lab, at_bench, technician):
        answer = post(at_bench, self.ADDRESS, {"answers": self.answers(bench_lab)})
        assert answer.status_code == 201
        kept = SafetyAcknowledgement.objects.get()
        assert kept.by == technician
        assert kept.answers == self.answers(bench_lab)

    def test_one_left_out_is_told_by_name(self, bench_lab, at_bench):
        some = self.answers(bench_lab)
        del some["cage"]
        answer = post(at_bench, self.ADDRESS, {"answers": some})
        assert answer.status_code == 400
        assert list(answer.json()["problems"]) == ["cage"]
        assert SafetyAcknowledgement.objects.count() == 0

    @pytest.mark.parametrize("value", ["true", 1, None, "yes", False])
    def test_only_true_is_a_yes(self, bench_lab, at_bench, value):
        answers = self.answers(bench_lab) | {"cage": value}
        assert post(at_bench, self.ADDRESS, {"answers": answers}).status_code == 400
        assert SafetyAcknowledgement.objects.count() == 0

    @pytest.mark.parametrize("body", [{}, {"answers": []}, {"answers": True}, []])
    def test_other_shapes_are_told(self, bench_lab, at_bench, body):
        assert post(at_bench, self.ADDRESS, body).status_code == 400

    def test_a_method_that_is_not_there(self, bench_lab, at_bench):
        for address in (
            "/api/v1/methods/no/1/checks/",
            f"/api/v1/methods/padding-drop/{10**30}/checks/",
        ):
            assert post(at_bench, address, {"answers": {}}).status_code == 404


@pytest.mark.django_db(transaction=True)
class TestRaces:
    def together(self, person, address, body, count=2):
        barrier, answers = threading.Barrier(count), []

        def send():
            client = Client()
            client.force_login(person)
            barrier.wait()
            try:
                answers.append(post(client, address, body).status_code)
            finally:
                connection.close()

        threads = [threading.Thread(target=send) for _ in range(count)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        return sorted(answers)

    def test_two_voids_at_once_are_one(self, bench_lab, technician):
        body = {"reason": "slipped", "note": "Out of the jaw.", "value_was_known": False}
        for _ in range(5):
            run = bench_lab.run_of("padding-drop")
            address = f"/api/v1/runs/{run.pk}/void/"
            assert self.together(technician, address, body) == [200, 200]
            assert RunVoid.objects.filter(run=run).count() == 1

    def test_two_runs_on_one_site_at_once_are_one(self, bench_lab, technician):
        for site in range(1, 6):
            body = {
                "specimen": bench_lab.specimens[0].code,
                "method": "padding-drop",
                "zone": "left-sleeve",
                "site": site,
            }
            assert self.together(technician, RUNS, body) == [201, 400]
        assert Run.objects.count() == 5
