"""The desk in a real browser: drafting, two editors, figures that change, claims, review, release."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta

import pytest
from django.utils import timezone
from playwright.sync_api import Page, expect

from labsite.jobs import run_job
from labsite.models import Job, User
from reports.episodes import running
from reports.models import Episode, Segment
from tests.reports.demo_site import amend, current_reading, run_waiting_jobs
from tests.reports.desk_lab import build_desk
from trials.models import Photo, Study, VideoMark
from trials.photos import strike_out_photo

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

KEPT = "belt-abrasion worn kept"


@dataclass
class Desk:
    """A published study, an episode of it, and pages of the people at the desk."""

    study: Study
    episode: Episode
    open: Callable[[User], Page]
    lead: User
    editor: User

    @property
    def path(self) -> str:
        return f"/desk/episodes/{self.episode.slug}/"

    def segment(self, place: int = 0) -> Segment:
        return running(self.episode)[place]


@pytest.fixture
def desk(open_as: Callable[[User], Page]) -> Desk:
    lab = build_desk(with_photos=True)
    return Desk(lab.study, lab.episode, open_as, lab.lead, lab.editor)


def part_of(page: Page, segment: Segment):
    return page.locator(f"#segment-{segment.pk}")


def expect_kept(part) -> None:
    expect(part.locator("[data-kept-state]")).to_have_text("Kept")


def test_drafting_completes_figures_underlines_numbers_and_keeps_itself(desk: Desk) -> None:
    segment = desk.segment()
    page = desk.open(desk.lead)
    page.goto(desk.path)
    part = part_of(page, segment)
    script = part.get_by_role("textbox", name="Script")
    script.click()
    page.keyboard.type("Bought by the lab. It kept {belt kept")
    expect(part.get_by_role("option").first).to_be_visible()
    # the sentence of the finding has both words too, so the figure is looked for by arrow
    while KEPT not in script.input_value():
        chosen = part.locator("[role=option][aria-selected=true]")
        page.keyboard.press("Enter" if chosen.inner_text().endswith(": kept") else "ArrowDown")
    page.keyboard.type(" of it, 72 % in all. This proves it.")
    expect_kept(part)

    flags = part.locator("[data-flag]")
    expect(flags).to_have_count(3)
    rules = {flags.nth(n).get_attribute("data-flag") for n in range(3)}
    assert rules == {"uncertainty", "typed-number", "proof"}
    marks = part.locator("[data-under] mark")
    assert [marks.nth(n).inner_text() for n in range(marks.count())] == [
        f"{{{KEPT}}}",
        "72 %",
        "proves",
    ]

    # the nearest figure is put in with one press, and the range behind the lone figure
    number = part.locator("[data-flag=typed-number]")
    expect(number).to_contain_text(f"{{{KEPT}}}")
    number.get_by_role("button", name="Put in").click()
    expect(part.locator("[data-flag=typed-number]")).to_have_count(0)
    assert "72" not in script.input_value()
    part.locator("[data-flag=uncertainty]").first.get_by_role("button", name="Put in").click()
    expect(part.locator("[data-flag=uncertainty]")).to_have_count(0)

    proof = part.locator("[data-flag=proof]")
    proof.get_by_label("It may stand, because").fill("A quotation, read out as one.")
    proof.get_by_role("button", name="Let it stand").click()
    expect(proof).to_contain_text("It stands: A quotation, read out as one. (Lead)")

    page.reload()
    assert script.input_value().startswith("Bought by the lab. It kept {belt-abrasion worn kept}")
    read = part.locator("[data-read]").inner_text()
    assert re.search(r"It kept \d\d\s% \(\d\d to \d\d\s%\) of it", read), read
    assert desk.segment().versions.count() >= 3


def test_figures_are_put_in_from_the_side(desk: Desk) -> None:
    page = desk.open(desk.lead)
    page.goto(desk.path)
    part = part_of(page, desk.segment(1))
    script = part.get_by_role("textbox", name="Script")
    script.fill("The verdict is")
    page.get_by_label("Find a figure").fill("verdict")
    page.get_by_role("button", name=re.compile("belt-abrasion worn verdict")).click()
    assert script.input_value() == "The verdict is {belt-abrasion worn verdict}"
    expect_kept(part)
    expect(part.locator("[data-read]")).to_have_text("The verdict is clear loss")


def test_photos_and_film_marks_are_chosen_and_a_struck_out_one_is_told(desk: Desk) -> None:
    photo, mark = Photo.objects.earliest("pk"), VideoMark.objects.earliest("pk")
    page = desk.open(desk.lead)
    page.goto(desk.path)
    part = part_of(page, desk.segment(1))
    part.get_by_role("textbox", name="Script").focus()
    page.get_by_text("For shots:").click()
    page.get_by_label("Find one").fill("hole over the knee")
    page.locator(f'[data-shot="photo {photo.pk.hex[:10]}"]').click()
    page.get_by_label("Find one").fill("goes through")
    page.locator(f'[data-shot="mark {mark.pk.hex[:10]}"]').click()
    expect_kept(part)
    shown = part.locator("[data-shown] > li")
    expect(shown).to_have_count(2)
    picture = shown.nth(0).get_by_role("img")
    expect(picture).to_have_attribute("alt", re.compile("^Photo of .*The hole over the knee$"))
    # the picture is really there, not only its words
    page.wait_for_function(
        "image => image.complete && image.naturalWidth === 64", arg=picture.element_handle()
    )
    expect(shown.nth(1)).to_contain_text(f"{mark.video} at 1:32.5")

    strike_out_photo(by=desk.lead, photo=photo, reason="It shows the new pair.")
    page.reload()
    expect(part.get_by_role("heading", name="Read this again")).to_be_visible()
    expect(part.locator("[data-stale]")).to_contain_text("struck out: It shows the new pair.")
    expect(page.locator(f'[data-shot="photo {photo.pk.hex[:10]}"]')).to_have_count(0)


@pytest.mark.parametrize("choice", ["mine", "theirs"])
def test_the_second_of_two_editors_sees_the_difference_and_chooses(desk: Desk, choice: str) -> None:
    segment = desk.segment()
    first, second = desk.open(desk.editor), desk.open(desk.lead)
    for page in (first, second):
        page.goto(desk.path)
    one, two = part_of(first, segment), part_of(second, segment)
    one.get_by_role("textbox", name="Script").fill("Worn waders go through sooner.")
    expect_kept(one)
    two.get_by_role("textbox", name="Script").fill("New waders go through later.")
    box = two.locator("[data-conflict]")
    expect(box).to_be_visible()
    expect(box).to_contain_text("Editor changed this at")
    expect(box.locator("[data-theirs] ins").first).to_contain_text("Worn")
    expect(box.locator("[data-mine] ins").first).to_contain_text("New")
    assert desk.segment().script == "Worn waders go through sooner."

    box.locator(f"[data-choose={choice}]").click()
    expect(box).to_be_hidden()
    if choice == "mine":
        expect_kept(two)
    wanted = {"mine": "New waders go through later.", "theirs": "Worn waders go through sooner."}
    expect(two.get_by_role("textbox", name="Script")).to_have_value(wanted[choice])
    assert desk.segment().script == wanted[choice]
    assert segment.versions.filter(script="Worn waders go through sooner.").exists()


def test_words_are_not_lost_while_the_server_is_away(desk: Desk) -> None:
    page = desk.open(desk.lead)
    page.goto(desk.path)
    part = part_of(page, desk.segment())
    page.context.set_offline(True)
    part.get_by_role("textbox", name="Script").fill("Typed on a train.")
    expect(part.locator("[data-kept-state]")).to_contain_text("no answer from the server")
    page.context.set_offline(False)
    expect(part.locator("[data-kept-state]")).to_have_text("Kept", timeout=15_000)
    assert desk.segment().script == "Typed on a train."


def test_the_running_order_by_keyboard_and_by_drag(desk: Desk) -> None:
    titles = [segment.title for segment in running(desk.episode)]
    assert len(titles) == 3
    page = desk.open(desk.lead)
    page.goto(desk.path)
    up = page.get_by_role("button", name=f"Move {titles[2]} up")
    up.focus()
    page.keyboard.press("Enter")
    expect(page.locator("[data-order-told]")).to_have_text(f"{titles[2]} is now number 2.")
    expect(up).to_be_focused()
    lines = page.locator("[data-order] > li")
    lines.nth(2).drag_to(lines.nth(0))
    expect(page.locator("[data-order-told]")).to_have_text(f"{titles[1]} is now number 1.")
    assert [s.title for s in running(desk.episode)] == [titles[1], titles[0], titles[2]]


def test_a_changed_figure_asks_for_another_read(desk: Desk) -> None:
    segment = desk.segment()
    page = desk.open(desk.lead)
    page.goto(desk.path)
    part = part_of(page, segment)
    part.get_by_role("textbox", name="Script").fill("It kept {belt-abrasion worn figure}.")
    expect_kept(part)
    before = part.locator("[data-read]").inner_text()
    reading = current_reading(desk.study, "belt-abrasion")
    amend(reading, {"seconds": "9", "ended": "failed"}, by=desk.lead)
    run_waiting_jobs()

    page.reload()
    assert part.locator("[data-read]").inner_text() != before
    expect(part.get_by_role("heading", name="Read this again")).to_be_visible()
    expect(page.locator("[data-order]")).to_contain_text("read again")
    part.get_by_role("button", name="I have read it as it is now").click()
    expect(page.get_by_text("read as it is now.")).to_be_visible()
    expect(part.get_by_role("heading", name="Read this again")).to_have_count(0)


def test_review_a_time_and_the_released_page(desk: Desk) -> None:
    lead = desk.open(desk.lead)
    lead.goto(desk.path)
    part = part_of(lead, desk.segment())
    part.get_by_role("textbox", name="Script").fill(
        "All were bought by the lab. The worn ones kept {belt-abrasion worn figure} of the new ones."
    )
    expect_kept(part)
    lead.get_by_role("link", name="Before it goes out").click()
    expect(lead.get_by_text("You wrote these words.")).to_be_visible()
    lead.get_by_label("Why it may go out").fill("Mine.")
    lead.get_by_role("button", name="Sign it off as it stands").click()
    expect(lead.get_by_role("alert").get_by_text("another person has to sign")).to_be_visible()

    page = desk.open(desk.editor)
    page.goto(f"{desk.path}review/")
    expect(page.locator("[data-point=flags]")).to_contain_text("Nothing flagged.")
    page.get_by_label("Why it may go out").fill("The maker is asked on Monday.")
    page.get_by_role("button", name="Sign it off as it stands").click()
    expect(page.get_by_text("Signed off by Editor").first).to_be_visible()

    page.get_by_label("For whom").fill("The maker")
    page.get_by_role("button", name="Make a link").click()
    link = page.locator("#previews ~ .entry-body a.digest").get_attribute("href")
    stranger = page.context.browser.new_context().new_page()
    stranger.goto(link)
    expect(stranger.get_by_text("Preview for The maker")).to_be_visible()

    at = timezone.localtime() + timedelta(minutes=2)
    page.get_by_label("Day and time of release").fill(f"{at:%Y-%m-%dT%H:%M}")
    page.get_by_role("button", name="Set this time").click()
    expect(page.get_by_text("It goes out by itself.")).to_be_visible()
    stranger.goto(f"{link.split('/preview/')[0]}/episodes/")
    expect(stranger.get_by_text("No episode is released yet.")).to_be_visible()

    past = timezone.now() - timedelta(seconds=1)
    job = Job.objects.get(kind="release")
    Job.objects.filter(pk=job.pk).update(not_before=past)
    run_job(job.pk)
    stranger.reload()
    stranger.get_by_role("link", name="Waders on the belt").click()
    expect(stranger.get_by_role("heading", name="Who paid")).to_be_visible()
    stranger.locator("a.said-figure").first.click()
    stranger.wait_for_url("**/scorecards/story-belt-abrasion/1/#each")
    stranger.context.close()

    page.reload()
    page.get_by_role("button", name="End it now").click()
    ended = page.context.new_page()
    ended.goto(link)
    expect(ended.get_by_role("heading", name="This preview has ended")).to_be_visible()
