"""A bench timer turns out wrong after all went out: two people put it right, readers are told."""

import re
from collections.abc import Callable

import pytest
from django.utils import timezone
from playwright.sync_api import Page, expect

from reports.models import Edition, EpisodeEdition
from tests.reports.demo_site import run_waiting_jobs
from tests.reports.desk_lab import TIMER_ERROR_S, DeskLab, build_timed_desk, put_timer_right
from trials.models import OutOfTolerance

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

WORDS = {
    "What was published, word for word": "The worn waders kept too much on the belt.",
    "Where it stood": "The answer and the table.",
    "What is right": "They kept less.",
    "Does the conclusion change": "The verdict stands.",
    "What caused it": "A bench timer ran ahead.",
    "What else was checked": "All other readings of that timer.",
    "How it was found": "Beside the radio clock.",
    "What readers who acted on it should do": "Read edition 2.",
    "What prevents a repeat": "The timer is checked each Monday.",
}


@pytest.fixture
def desk(open_as) -> DeskLab:
    return build_timed_desk()


def kept_figure(page: Page) -> str:
    return page.locator(".kept-figure").first.inner_text()


def settle(page: Page, outcome: str, note: str) -> None:
    page.get_by_label("What became of it").select_option(outcome)
    page.get_by_label("How you know").fill(note)
    page.get_by_role("button", name="Keep").click()


def find_timer_wrong(page: Page, desk: DeskLab) -> None:
    """The lead's part at the lab's pages, from the finding to every reading settled."""
    page.goto("/lab/instruments/timer-3/")
    page.get_by_role("link", name="Found wrong").click()
    page.get_by_label("Found when").fill(f"{timezone.localtime():%Y-%m-%dT%H:%M}")
    page.get_by_label("Error", exact=True).fill(str(TIMER_ERROR_S))
    page.get_by_label("What was found, and how").fill("Beside the radio clock it ran ahead.")
    page.get_by_role("button", name="Keep, and mark the readings").click()
    expect(page.get_by_text("6 readings are marked for review.")).to_be_visible()
    run_waiting_jobs()

    page.goto(f"/lab/instruments/findings/{OutOfTolerance.objects.get().pk}/")
    expect(page.get_by_text("6 readings, 6 to be looked at.")).to_be_visible()
    worn = put_timer_right(desk)
    for code in sorted(worn):
        # the row of that specimen's first reading leads to its own page
        row = page.get_by_role("row").filter(has_text=code).filter(has_text="To be looked at")
        row.first.get_by_role("link").click()
        settle(page, "corrected", "Amended at the bench.")
    page.get_by_role("link", name=re.compile("The same for all")).click()
    settle(page, "unaffected", "Read with the wall clock beside it.")
    page.get_by_role("link", name="Close", exact=True).click()
    page.get_by_label("Cause").fill("A worn switch.")
    page.get_by_role("button", name="Close it").click()
    expect(page.get_by_text("Closed. The readings keep their marks.")).to_be_visible()
    run_waiting_jobs()


def write_correction(page: Page, slug: str) -> None:
    page.goto(f"/desk/{slug}/")
    page.get_by_role("link", name="Correct or withdraw it").click()
    expect(page.get_by_role("heading", name="Instruments of this study")).to_be_visible()
    expect(page.get_by_role("link", name="Episode: Waders on the belt, edition 1")).to_be_visible()
    page.get_by_label("What is right").fill("They kept less.")
    page.get_by_role("button", name="Keep the correction").click()
    expect(page.get_by_text("Not complete yet.")).to_be_visible()
    for label, text in WORDS.items():
        page.get_by_label(label).fill(text)
    page.get_by_label("Wrong since").fill(f"{timezone.localdate():%Y-%m-%d}")
    page.get_by_role("button", name="Keep the correction").click()
    expect(page.get_by_text("Complete.")).to_be_visible()


def sign_off(page: Page) -> None:
    page.get_by_label("Why it may go out").fill("The maker was told.")
    page.get_by_role("button", name="Sign it off as it stands").click()


def test_two_people_correct_what_a_wrong_timer_did(
    desk: DeskLab, open_as: Callable[..., Page]
) -> None:
    slug, episode = desk.study.slug, f"/episodes/{desk.episode.slug}/"
    lead, editor, reader = open_as(desk.lead), open_as(desk.editor), open_as()
    reader.goto(f"/scorecards/{slug}/")
    before = kept_figure(reader)

    find_timer_wrong(lead, desk)
    write_correction(editor, slug)
    editor.get_by_role("link", name="Before it goes out").click()
    sign_off(editor)
    expect(editor.get_by_role("alert").get_by_text("another person has to sign")).to_be_visible()

    lead.goto(f"/desk/{slug}/review/")
    expect(lead.get_by_text("The correction that goes out with it")).to_be_visible()
    expect(lead.get_by_text("A bench timer ran ahead.")).to_be_visible()
    sign_off(lead)
    expect(lead.get_by_text("Signed off by Lead").first).to_be_visible()
    editor.reload()
    editor.get_by_role("button", name="Release now").click()
    expect(editor.get_by_text("Edition 2 is published.")).to_be_visible()
    assert Edition.objects.get(study=desk.study, number=2).correction.corrects.number == 1

    # what a reader of the old page, the new page, the log, the feed and the episode meets
    reader.goto(f"/scorecards/{slug}/1/")
    told = reader.locator("#corrected-2")
    expect(told).to_contain_text("Corrected")
    expect(told).to_contain_text("They kept less.")
    assert kept_figure(reader) == before, "what was published has changed"
    told.get_by_role("link").click()
    reader.wait_for_url(f"**/scorecards/{slug}/2/#correction")
    assert kept_figure(reader) != before
    for said in WORDS.values():
        expect(reader.get_by_text(said).first).to_be_visible()
    expect(reader.get_by_text("Checked before publication by Lead")).to_be_visible()
    reader.goto("/corrections/")
    expect(reader.get_by_role("main")).to_contain_text("The worn waders kept too much on the belt.")
    assert (
        "Corrected: A story about Reed waders, edition 1" in reader.request.get("/feed.atom").text()
    )
    reader.goto(episode)
    expect(reader.get_by_text("A scorecard behind this episode was corrected")).to_be_visible()

    # the episode's own correction, by the same two people
    editor.goto(f"/desk{episode}")
    expect(editor.get_by_role("heading", name="Read this again")).to_be_visible()
    editor.get_by_role("button", name="I have read it as it is now").click()
    expect(editor.get_by_text("read as it is now.")).to_be_visible()
    editor.get_by_role("link", name="Before it goes out").click()
    for label, text in {
        "What was wrong, or is new": "What the worn waders kept.",
        "What is right": "Less than we said.",
        "Since when it was wrong": "Edition 1.",
        "How it was found": "By a check of the timer.",
    }.items():
        editor.get_by_label(label).fill(text)
    editor.get_by_role("button", name="Keep these words").click()
    expect(editor.get_by_text("Kept. Another person reads it")).to_be_visible()
    sign_off(editor)
    expect(editor.get_by_role("alert").get_by_text("another person has to sign")).to_be_visible()
    lead.goto(f"/desk{episode}review/")
    correction = lead.get_by_role("region", name="The correction that goes out with it")
    expect(correction.get_by_role("definition").nth(1)).to_have_text("Less than we said.")
    sign_off(lead)
    editor.goto(f"/desk{episode}review/")
    editor.get_by_role("button", name="Release now").click()
    expect(editor.get_by_text("Edition 2 is released.")).to_be_visible()
    assert EpisodeEdition.objects.get(number=2).scorecards.get().number == 2
    reader.goto(f"{episode}1/")
    expect(reader.get_by_text("A newer edition exists.")).to_be_visible()
    reader.goto(episode)
    expect(reader.get_by_text("Less than we said.")).to_be_visible()
