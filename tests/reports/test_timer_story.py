"""A bench timer turns out wrong after everything went out: the whole way to the corrections.

Through the pages, as the people of the lab would go; only the worker's turn is taken by hand.
"""

import re

import pytest
from django.test import Client
from django.utils import timezone

from labsite.roles import Role
from reports.models import Edition, EpisodeEdition
from tests.reports.demo_site import person_with, run_waiting_jobs, visible_text
from tests.reports.desk_lab import TIMER_ERROR_S, DeskLab, build_timed_desk, put_timer_right
from trials.models import OutOfTolerance, Reading


@pytest.fixture
def desk(db) -> DeskLab:
    return build_timed_desk()


def client_of(role: Role) -> Client:
    client = Client()
    client.force_login(person_with(role))
    return client


def text_of(client: Client, path: str) -> str:
    answer = client.get(path)
    assert answer.status_code == 200, path
    return visible_text(answer.content.decode())


def test_from_the_wrong_timer_to_the_corrections(desk: DeskLab, reader: Client) -> None:
    slug, episode = desk.study.slug, desk.episode.slug
    lead, editor = client_of(Role.LEAD), client_of(Role.EDITOR)
    public = text_of(reader, f"/scorecards/{slug}/1/")
    figure = re.search(r"\d+\s% \(\d+ to \d+\s%\)|kept about \d+\s%", public)
    assert figure is not None

    # the lead finds the timer wrong
    now = timezone.localtime()
    answer = lead.post(
        "/lab/instruments/timer-3/wrong/",
        {
            "found_at": f"{now:%Y-%m-%dT%H:%M}",
            "error": str(TIMER_ERROR_S),
            "what_happened": "Beside the radio clock it ran ahead.",
        },
    )
    assert answer.status_code == 302
    finding = OutOfTolerance.objects.get()
    run_waiting_jobs()

    # readings, study, edition, released episode and script are listed, with the way on
    reach = f"/lab/instruments/findings/{finding.pk}/"
    page = lead.get(reach).content.decode()
    readings = Reading.objects.current().filter(run__study=desk.study)
    assert f"{readings.count()} readings, {readings.count()} to be looked at" in visible_text(page)
    for path in (
        f"/scorecards/{slug}/1/",
        f"/episodes/{episode}/1/",
        f"/desk/episodes/{episode}/",
        f"/desk/{slug}/correction/",
    ):
        assert f'href="{path}"' in page, path
    assert "would be" in text_of(editor, f"{reach}preview/")

    # the lead puts the worn readings right at the bench, and says so of each
    worn = put_timer_right(desk)
    for mark in finding.marks.select_related("reading__run__specimen"):
        is_worn = mark.reading.run.specimen.code in worn
        answer = lead.post(
            f"/lab/instruments/marks/{mark.pk}/",
            {
                "outcome": "corrected" if is_worn else "unaffected",
                "note": "Amended." if is_worn else "Read with the wall clock beside it.",
            },
        )
        assert answer.status_code == 302
    run_waiting_jobs()
    answer = lead.post(f"{reach}close/", {"cause": "A worn switch."})
    assert answer.status_code == 302
    run_waiting_jobs()

    # the editor writes the correction; the page names the timer, the change and what leans on it
    path = f"/desk/{slug}/correction/"
    text = text_of(editor, path)
    assert "Instruments of this study that were found wrong" in text
    assert "Episode: Waders on the belt, edition 1" in text
    assert "Script: Waders on the belt" in text
    words = {
        "corrects": Edition.objects.get(study=desk.study).pk,
        "kind": "correction",
        "what_was_published": "What the worn waders kept on the belt.",
        "where_published": "The answer and the table.",
        "what_is_right": "They kept less.",
        "wrong_since": f"{timezone.localdate():%Y-%m-%d}",
        "conclusion": "The verdict stands.",
        "cause": "A bench timer ran ahead.",
        "also_checked": "All other readings of that timer.",
        "found_how": "Beside the radio clock.",
        "what_to_do": "Read edition 2.",
        "prevention": "The timer is checked each Monday.",
    }
    assert editor.post(path, words | {"wrong_since": "Monday"}).status_code == 400
    assert editor.post(path, words).status_code == 302
    assert "Complete." in text_of(editor, path)
    # the editor wrote it, so the lead signs it off
    review = f"/desk/{slug}/review/"
    assert editor.post(review, {"note": "Mine."}).status_code == 400
    assert lead.post(review, {"note": "The maker was told."}).status_code == 302
    assert editor.post(f"{review}release/", {"now": "now"}).status_code == 302

    # the scorecard's public pages and the feed say 'corrected'
    old = text_of(reader, f"/scorecards/{slug}/1/")
    new = text_of(reader, f"/scorecards/{slug}/2/")
    for said in ("They kept less.", "A bench timer ran ahead.", "Beside the radio clock."):
        assert said in new
    assert "corrected" in old.lower()
    assert figure[0] not in new.split("What was published")[0]
    feed = reader.get("/feed.atom").content.decode()
    assert "Corrected: A story about Reed waders, edition 1" in feed
    assert "They kept less." in text_of(reader, "/corrections/")

    # the episode that leans on it says so by itself, at once
    told = text_of(reader, f"/episodes/{episode}/")
    assert "A scorecard behind this episode was corrected" in told

    # and at the desk it asks for another read before its own correction goes out
    board = f"/desk/episodes/{episode}/"
    assert "Read this again" in text_of(editor, board)
    assert "Read again Not yet" in text_of(editor, f"{board}review/")
    segment = desk.segment()
    assert editor.post(f"{board}segments/{segment.pk}/read/").status_code == 302
    said = {
        "was_wrong": "What the worn waders kept.",
        "is_right": "Less than we said.",
        "since": "Edition 1.",
        "found": "By a check of the timer.",
    }
    note = {"note": "The maker was told."}
    short = editor.post(f"{board}review/correction/", said | {"since": "x" * 201})
    assert short.status_code == 400
    assert "Less than we said." in short.content.decode()
    empty = editor.post(f"{board}review/correction/", said | {"since": " "})
    assert empty.status_code == 400
    assert "Say since when it was wrong." in empty.content.decode()
    assert lead.post(f"{board}review/", note).status_code == 400
    assert editor.post(f"{board}review/correction/", said).status_code == 302
    # the editor wrote it, so the lead signs it off
    assert editor.post(f"{board}review/", note).status_code == 400
    assert lead.post(f"{board}review/", note).status_code == 302
    assert editor.post(f"{board}review/release/", {"now": "now"}).status_code == 302

    newest = text_of(reader, f"/episodes/{episode}/")
    assert EpisodeEdition.objects.get(number=2).scorecards.get().number == 2
    assert "Corrected" in newest
    for words_said in said.values():
        assert words_said in newest
    assert "A scorecard behind this episode" not in newest
    assert "A newer edition exists." in text_of(reader, f"/episodes/{episode}/1/")
    feed = reader.get("/feed.atom").content.decode()
    assert "Corrected: Episode: Waders on the belt, edition 2" in feed
    assert f"/episodes/{episode}/1/" in feed
