"""What is kept in memory for the desk is never older than the record."""

from datetime import date

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from reports.actions import save_draft
from reports.live_content import kept_content, live_content
from reports.script_checks import book_from, episode_contents
from specimens.actions import add_service_entry
from tests.reports.demo_site import amend, current_reading, run_waiting_jobs
from tests.reports.desk_lab import DeskLab, build_desk
from trials.models import Run, Study
from trials.photos import strike_out_photo


@pytest.fixture
def desk(db) -> DeskLab:
    return build_desk(with_photos=True)


def study_now(desk: DeskLab) -> Study:
    return Study.objects.get(pk=desk.study.pk)


def test_the_second_look_costs_a_quarter_of_the_queries_and_says_the_same(desk: DeskLab) -> None:
    study = study_now(desk)
    with CaptureQueriesContext(connection) as first:
        before = kept_content(study)
    with CaptureQueriesContext(connection) as second:
        after = kept_content(study)
    assert len(second) * 4 < len(first)
    assert after is before
    assert after == live_content(study)


def test_words_kept_by_script_do_not_make_it_anew(desk: DeskLab) -> None:
    before = kept_content(study_now(desk))
    desk.write("All were bought by the lab.")
    assert kept_content(study_now(desk)) is before


def test_what_moves_a_figure_is_seen_at_once(desk: DeskLab) -> None:
    key = "belt-abrasion worn kept"
    before = book_from(episode_contents(desk.episode)).figures[key]
    reading = current_reading(desk.study, "belt-abrasion")
    amend(reading, {"seconds": "9", "ended": "failed"}, by=desk.lead)
    run_waiting_jobs()
    now = book_from(episode_contents(desk.episode)).figures[key]
    assert now.words != before.words
    assert now.digest != before.digest


def test_what_moves_words_beside_the_figures_is_seen_at_once(desk: DeskLab) -> None:
    service = "item worn service"
    before = book_from(episode_contents(desk.episode)).figures[service].words
    add_service_entry(
        by=desk.lead,
        specimen=desk.story.arms["Worn"][0],
        started_on=date(2026, 1, 6),
        ended_on=date(2026, 2, 6),
        distance_km_low=880,
        distance_km_best=900,
        distance_km_high=920,
        evidence="odometer",
    )
    after = book_from(episode_contents(desk.episode)).figures[service].words
    assert after != before
    assert "900" in after.replace("\u00a0", " ")
    save_draft(
        by=desk.lead,
        study=study_now(desk),
        fields={
            "headline": "What was done",
            "summary_text": "What the benches show.",
            "note": "",
            "extra_cautions": "The belt was new.",
        },
    )
    content = kept_content(study_now(desk))
    assert content is not None
    assert content["cautions"][-1]["full"] == "The belt was new."


def test_a_photo_struck_out_is_told_from_the_record_each_time(desk: DeskLab) -> None:
    photo = Run.objects.earliest("pk").photos.get()
    key = f"photo {photo.pk.hex[:10]}"
    assert book_from(episode_contents(desk.episode)).shots[key].problem == ""
    strike_out_photo(by=desk.lead, photo=photo, reason="Blurred.")
    shots = book_from(episode_contents(desk.episode)).shots
    assert shots[key].problem == "struck out: Blurred."
