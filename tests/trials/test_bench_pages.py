"""The bench's pages as the server draws them."""

import json
import re
import uuid

import pytest
from django.test import Client
from django.utils import timezone

from labsite import triggers
from labsite.roles import Role
from trials import actions
from trials.bench_queries import for_aids, shot_series
from trials.models import MethodRevision, Run, Study

SHEET = "/bench/worn-against-new/"


def read(run, by, raw, **more):
    return actions.record_reading(
        by=by,
        entry=actions.ReadingEntry(
            uuid=uuid.uuid4(), run=run, raw=raw, measured_at=timezone.now(), **more
        ),
    ).reading


def words_of(answer):
    text = re.sub(r"<script.*?</script>", "", answer.content.decode(), flags=re.DOTALL)
    return " ".join(re.sub(r"<[^>]+>", " ", text).replace("\u00a0", " ").split())


def data_of(answer):
    found = re.search(
        r'<script id="bench-data" type="application/json">(.*?)</script>',
        answer.content.decode(),
        re.DOTALL,
    )
    return json.loads(found[1])


@pytest.mark.django_db
class TestChoosing:
    def test_only_registered_studies_are_offered(self, bench_lab, at_bench):
        bench_lab.run_of("padding-drop")
        Study.objects.create(
            slug="draft", title="Not registered", question="?", kind=Study.Kind.WORN_NEW
        )
        words = words_of(at_bench.get("/bench/"))
        assert "Worn against new 1 to do , 0 done" in words
        assert "Not registered" not in words
        assert at_bench.get("/bench/draft/").status_code == 404

    def test_others_are_turned_away(self, bench_lab, person):
        client = Client()
        assert client.get("/bench/").status_code == 302
        client.force_login(person(Role.EDITOR))
        run = bench_lab.run_of("padding-drop")
        for address in ("/bench/", SHEET, f"{SHEET}runs/{run.pk}/"):
            assert client.get(address).status_code == 403
        assert client.post(SHEET).status_code == 403


@pytest.mark.django_db
class TestSheet:
    def test_next_comes_first_and_done_ones_show_their_reading(
        self, bench_lab, at_bench, technician, checks_passed
    ):
        done, void, waiting = (bench_lab.run_of("padding-drop") for _ in range(3))
        read(done, technician, {"held_at": 1.25, "failed_at": 1.6})
        actions.void_run(
            by=technician, run=void, reason="slipped", note="Slid off.", value_was_known=False
        )
        answer = at_bench.get(SHEET)
        words = words_of(answer)
        assert f"Next: {waiting.specimen.code}, Left sleeve, site 3" in words
        assert "site 1 Held at 1.25 m, failed at 1.6 m" in words
        assert "site 2 Void: specimen slipped or failed in the jaw" in words
        assert words.index("site 3 Next") < words.index("site 1 Held")

    def test_second_readings_are_marked(self, bench_lab, at_bench, technician, checks_passed):
        run = bench_lab.run_of("padding-drop")
        read(run, technician, {"held_at": 1.25})
        read(run, technician, {"held_at": 1.0})
        assert "Second reading to settle" in words_of(at_bench.get(SHEET))
        assert "1 with a second reading to settle" in words_of(at_bench.get("/bench/"))

    def test_runs_of_one_specimen(self, bench_lab, at_bench):
        first, second = bench_lab.run_of("padding-drop"), bench_lab.run_of("padding-drop", 1)
        typed = first.specimen.code.lower()
        words = words_of(at_bench.get(SHEET, {"specimen": typed}))
        assert f"{first.specimen.code}, Left sleeve" in words
        assert second.specimen.code not in words
        wrong = at_bench.get(SHEET, {"specimen": "ABCD-Z"})
        assert "check each character" in words_of(wrong)

    def test_its_cost_does_not_grow_with_the_runs(
        self, bench_lab, at_bench, technician, checks_passed, django_assert_max_num_queries
    ):
        def cost():
            with django_assert_max_num_queries(200) as queries:
                at_bench.get(SHEET)
            return len(queries)

        read(bench_lab.run_of("padding-drop"), technician, {"held_at": 1.25})
        once = cost()
        for _ in range(8):
            read(bench_lab.run_of("padding-drop"), technician, {"held_at": 1.25})
        assert cost() == once

    def test_a_run_is_added(self, bench_lab, at_bench):
        answer = at_bench.post(
            SHEET,
            {
                "specimen": bench_lab.specimens[0].code,
                "method": "padding-drop",
                "zone": "left-sleeve",
                "site": "",
            },
        )
        run = Run.objects.get()
        assert answer.status_code == 302
        assert answer["Location"] == f"{SHEET}runs/{run.pk}/"

    def test_problems_stand_beside_the_fields_and_nothing_typed_is_lost(self, bench_lab, at_bench):
        answer = at_bench.post(
            SHEET, {"specimen": "ABCD-Z", "method": "", "zone": "left-sleeve", "site": "x"}
        )
        assert answer.status_code == 400
        words = words_of(answer)
        assert "check each character" in words
        assert "Choose a method." in words
        assert 'value="ABCD-Z"' in answer.content.decode()
        assert Run.objects.count() == 0


@pytest.mark.django_db
class TestEntryPage:
    def test_shows_the_run_its_settings_and_its_energies(self, bench_lab, at_bench):
        run = bench_lab.run_of("padding-drop")
        answer = at_bench.get(f"{SHEET}runs/{run.pk}/")
        words = words_of(answer)
        assert f"{run.specimen.code}, Left sleeve, site 1" in words
        assert "Falling mass 5 kg" in words
        assert "Stop. Make safe. Call for help." in words
        assert "Entering readings needs JavaScript" in words
        # m g h with standard gravity 9.80665 m/s2: 5 kg from 1 m is 49.03 J
        levels = {level["value"]: level["derived"] for level in data_of(answer)["levels"]}
        assert levels[1.0] == "49\u00a0J"
        assert levels[2.0] == "98.1\u00a0J"

    def test_shows_no_reading_of_any_other_specimen(
        self, bench_lab, at_bench, technician, checks_passed
    ):
        other = bench_lab.run_of("padding-drop", 1)
        read(other, technician, {"held_at": 1.25, "failed_at": 1.6})
        run = bench_lab.run_of("padding-drop")
        page = at_bench.get(f"{SHEET}runs/{run.pk}/")
        words = words_of(page).lower()
        assert other.specimen.code.lower() not in words
        assert "held at 1.25" not in words
        assert "failed at 1.6" not in words
        # nor which side of the comparison this one is on
        assert " new " not in words.replace("worn against new", "")

    def test_a_series_of_shots_knows_its_arm_and_a_blind_study_has_none(
        self, bench_lab, at_bench, technician, checks_passed
    ):
        runs = [bench_lab.run_of("point-challenge") for _ in range(3)]
        other = bench_lab.run_of("point-challenge", 1)
        rule = {"start": 2.5, "up_and_down": True}
        triggers.remove()
        MethodRevision.objects.filter(pk=other.revision_id).update(step_rule=rule)
        first = read(runs[0], technician, {"level": 2.5, "outcome": "held"})
        read(runs[1], technician, {"level": 3.15, "outcome": "failed"})
        read(other, technician, {"level": 10, "outcome": "held"})
        read(
            runs[0],
            technician,
            {"level": 2.5, "outcome": "failed"},
            supersedes=first.pk,
            reason="Looked at the clay again.",
        )
        series = shot_series(for_aids(runs[2].pk, "worn-against-new"))
        assert sorted(series.runs) == [run.pk for run in runs]
        assert [(shot.run, shot.level, shot.outcome) for shot in series.told] == [
            (runs[1].pk, 3.15, "failed"),
            (runs[0].pk, 2.5, "failed"),
        ]
        at = {shot.run: shot.at for shot in series.told}
        assert at[runs[0].pk] < at[runs[1].pk], "an amended shot keeps its place"
        Study.objects.update(is_blind=True)
        triggers.install()
        assert shot_series(for_aids(runs[2].pk, "worn-against-new")) is None
        words = words_of(at_bench.get(f"{SHEET}runs/{runs[2].pk}/"))
        assert "The study is blind, so no level is proposed here" in words

    def test_a_run_belongs_to_its_study(self, bench_lab, at_bench):
        run = bench_lab.run_of("padding-drop")
        assert at_bench.get(f"/bench/another/runs/{run.pk}/").status_code == 404
        assert at_bench.get(f"{SHEET}runs/{run.pk + 1}/").status_code == 404

    def test_a_second_reading_is_shown_beside_the_first_and_settled(
        self, bench_lab, at_bench, technician, checks_passed
    ):
        run = bench_lab.run_of("padding-drop")
        address = f"{SHEET}runs/{run.pk}/"
        read(run, technician, {"held_at": 1.25, "failed_at": 1.6})
        read(run, technician, {"held_at": 1.0, "failed_at": 1.25}, note="From the film.")
        words = words_of(at_bench.get(address))
        assert "The lab lead settles which of them is right." in words
        refused = at_bench.post(
            f"{address}settle/", {"conflict": run.conflicts.get().pk, "note": "Mine."}
        )
        assert refused.status_code == 403
        at_lead = Client()
        at_lead.force_login(bench_lab.lead)
        assert "Stands held at 1.25 m, failed at 1.6 m" in words
        assert "Also sent held at 1 m, failed at 1.25 m" in words
        assert "From the film." in words
        conflict = run.conflicts.get()
        empty = at_lead.post(
            f"{address}settle/", {"conflict": conflict.pk, "note": " "}, follow=True
        )
        assert "Say how it was settled." in words_of(empty)
        done = at_lead.post(
            f"{address}settle/", {"conflict": conflict.pk, "note": "Film agrees."}, follow=True
        )
        assert "Settled: Film agrees." in words_of(done)
        conflict.refresh_from_db()
        assert conflict.settled_by == bench_lab.lead

    @pytest.mark.parametrize("conflict", ["", "x", "0", "9" * 30, "²"])
    def test_settling_what_is_not_there(self, bench_lab, conflict):
        run = bench_lab.run_of("padding-drop")
        at_lead = Client()
        at_lead.force_login(bench_lab.lead)
        answer = at_lead.post(f"{SHEET}runs/{run.pk}/settle/", {"conflict": conflict, "note": "x"})
        assert answer.status_code == 404

    def test_a_hostile_code_is_only_text(self, bench_lab, at_bench):
        answer = at_bench.get(SHEET, {"specimen": "<script>alert(1)</script>"})
        assert b"<script>alert" not in answer.content
        assert at_bench.get(SHEET, {"specimen": "\0"}).status_code == 200
