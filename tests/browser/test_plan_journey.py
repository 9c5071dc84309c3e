"""As a lab lead: from an idea to a printed run sheet for a trend over three service ages with a
budget; then a specimen is lost half-way, and the plan recovers."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from tests.browser import plan_steps as steps
from tests.browser.test_journey import expect_no_sideways_scroll as fits

pytestmark = pytest.mark.browser

Visit = Callable[..., Page]


def test_from_an_idea_to_a_run_sheet_and_on_after_a_loss(visit: Visit, tmp_path: Path) -> None:
    page = visit("lead")
    gear = steps.add_gear(page)
    steps.send_service(page, gear)
    page.goto(f"/lab/specimens/{gear.arms[2][0]}/service/picture/")
    # the odometer ran 12 000 km, with two per cent of doubt on either side
    expect(page.get_by_text("11\u202f800 to 12\u202f200")).to_be_visible()
    steps.write_study(page, gear)
    fits(page)
    steps.keep_study(page)

    steps.ask_how_many(page, "1150")
    # nine at 120 each are 1080 of the 1150
    expect(page.get_by_text("buys 3 of each arm")).to_be_visible()
    expect(page.get_by_text("0, 6\u202f000, 12\u202f000\u00a0km")).to_be_visible()
    expect(page.get_by_text("The budget's 3 a side see").first).to_be_visible()
    fits(page)

    steps.register(page)
    steps.draw(page, minutes=150)
    expect(page.get_by_text("36 runs in")).to_be_visible()
    expect(page.get_by_text("What is missing")).to_have_count(0)
    expect(page.get_by_text("What could not be evened out")).to_have_count(0)
    fits(page)
    # hold one water run in a late session: the plan says what that breaks, and lets it go again
    row = page.locator("details", has_text="move or hold").first
    row.locator("summary").click()
    row.get_by_label("Session").fill("40")
    row.get_by_role("button", name="Hold it there").click()
    expect(page.get_by_text("What this plan breaks")).to_be_visible()
    told = page.get_by_text(re.compile("comes after .*, which changes what it reads"))
    expect(told.first).to_be_visible()
    held = page.locator("details", has_text="held")
    held.locator("summary").click()
    held.get_by_label("Session").fill("")
    held.get_by_role("button", name="Hold it there").click()
    expect(page.get_by_text("What this plan breaks")).to_have_count(0)
    steps.accept(page)

    page.get_by_role("link", name="Session 1, sheet to print").click()
    places = page.locator("table.run-sheet tbody tr")
    assert places.first.inner_text().strip().startswith("Control")
    assert places.last.inner_text().strip().startswith("Control")
    fits(page)
    page.emulate_media(media="print")
    expect(page.get_by_text("Print this page with the browser")).to_be_hidden()
    page.pdf(path=str(tmp_path / "sheet.pdf"), format="A4")
    assert (tmp_path / "sheet.pdf").read_bytes().startswith(b"%PDF")
    page.emulate_media(media="screen")

    lost = gear.arms[2][1]
    steps.lose(page, lost)
    steps.open_progress(page)
    told = f"{lost} is used up or lost and still has runs on the sheet: draw the plan again."
    expect(page.get_by_text(told)).to_be_visible()
    steps.substitute(page, arm="Two winters", code=gear.spare, reason="Lost by the courier.")
    steps.draw(page, minutes=150, reason="One jacket was lost by the courier.")
    expect(page.get_by_text("36 runs in")).to_be_visible()
    steps.accept(page)
    expect(page.get_by_text("Only the runs still to do.")).to_be_visible()
    expect(page.get_by_text(f"{gear.spare} was added to Two winters.")).to_be_visible()
    expect(page.get_by_text("worked out again just now and agrees")).to_be_visible()
    for number in range(1, page.get_by_role("link", name=re.compile("sheet to print")).count() + 1):
        page.goto(page.url.split("progress")[0].split("sheets")[0] + f"sheets/{number}/")
        expect(page.get_by_role("heading", level=1)).to_contain_text("Run sheet")
        expect(page.get_by_text(lost)).to_have_count(0)


def test_the_key_to_a_blind_study_is_opened_on_purpose_and_written_down(visit: Visit) -> None:
    page = visit("lead")
    gear = steps.spare_gear(page)
    steps.write_blind_study(page, gear)
    steps.register(page, steps.BLIND)
    steps.draw(page, minutes=200, title=steps.BLIND)
    steps.accept(page)
    page.get_by_role("link", name="Session 1, sheet to print").click()
    sheet = page.locator("table.run-sheet").first
    expect(sheet.get_by_text(re.compile(r"Item \d\d"))).to_have_count(8)  # two patches each
    assert not any(code in page.content() for code in gear)
    fits(page)
    steps.open_progress(page, steps.BLIND)
    page.get_by_role("link", name="Key to the codes").click()
    expect(page.get_by_text("is not blind any more")).to_be_visible()
    expect(page.get_by_role("table")).to_have_count(0)
    fits(page)
    page.get_by_role("button", name="Open the key").click()
    rows = page.get_by_role("table").locator("tbody tr")
    expect(rows).to_have_count(4)
    assert {code for code in gear if code in page.content()} == set(gear)
    fits(page)
    steps.open_progress(page, steps.BLIND)
    expect(page.get_by_text(re.compile("the key to the blind codes, with 0 of"))).to_be_visible()
    expect(page.get_by_text("stays closed until the last run is read")).to_be_visible()
