"""As a reader: on a phone, by keyboard, without script, on paper."""

import re
from collections.abc import Callable

import pytest
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser

AGES = "rainmile-jackets-three-ages"
PAIR = "causeway-trousers-one-pair"
PHONE = {"width": 360, "height": 740}
PAGES = (
    "/",
    f"/scorecards/{AGES}/",
    f"/scorecards/{PAIR}/",
    "/compare/?property=water+uptake",
    "/what-goes-first/",
    "/products/1/",
    "/methods/",
    "/methods/flame-grade/1/",
    "/about/",
    "/cautions/",
    "/corrections/",
    "/report-an-error/",
    "/de/",
    f"/de/scorecards/{AGES}/",
    "/de/methods/flame-grade/1/",
    f"/scorecards/{AGES}/1/package/",
)


def test_no_page_scrolls_sideways_at_320_pixels(visit: Callable[..., Page]) -> None:
    page = visit("", viewport={"width": 320, "height": 640})
    wide = {}
    for path in PAGES:
        page.goto(path)
        page.evaluate(
            "document.querySelectorAll('details').forEach((fold) => { fold.open = true; })"
        )
        width = page.evaluate("document.documentElement.scrollWidth")
        if width > 320:
            wide[path] = width
    assert wide == {}


def test_first_screen_of_a_phone_has_question_answer_cautions_and_picture(
    visit: Callable[..., Page],
) -> None:
    page = visit("", viewport=PHONE, java_script_enabled=False)
    page.goto(f"/scorecards/{PAIR}/")
    for place in (
        ".opening-question",
        ".opening-answer",
        ".first-cautions",
        ".kept-arm:first-child .kept-figure",
    ):
        box = page.locator(place).first.bounding_box()
        assert box is not None, place
        assert box["y"] + box["height"] <= PHONE["height"], place
    strip = page.locator(".kept-strip .strip").first.bounding_box()
    assert strip is not None
    assert strip["y"] + strip["height"] <= PHONE["height"]


def test_everything_is_there_without_script(visit: Callable[..., Page]) -> None:
    page = visit("", java_script_enabled=False)
    page.goto(f"/scorecards/{PAIR}/")
    fold = page.locator("details.property").first
    assert not fold.locator("table.readings").is_visible()
    fold.locator("summary").click()
    expect(fold.locator("table.readings")).to_be_visible()
    page.goto("/")
    page.get_by_label("Search").fill("rainmile")
    page.get_by_label("Kind of gear").select_option("jacket")
    page.get_by_role("button", name="Show").click()
    expect(page.get_by_role("status")).to_contain_text("1 scorecard")


def test_keys_open_a_property_and_read_its_chart(visit: Callable[..., Page]) -> None:
    page = visit("", viewport={"width": 1280, "height": 900})
    faults: list[str] = []
    page.on("console", lambda said: faults.append(said.text) if said.type == "error" else None)
    page.goto(f"/scorecards/{AGES}/")
    assert not page.evaluate("Boolean(window.Plotly)")  # nothing heavy before it is wanted
    fold = page.locator("details.property").first
    fold.locator("summary").focus()
    page.keyboard.press("Enter")
    chart = fold.locator("[data-plot]")
    chart.focus()
    expect(chart.locator(".main-svg").first).to_be_visible(timeout=20_000)
    page.keyboard.press("ArrowRight")
    told = fold.locator("[data-plot-words]")
    expect(told).to_contain_text("took up")
    first = told.text_content()
    page.keyboard.press("ArrowRight")
    expect(told).not_to_have_text(first or "")
    assert faults == []


def test_the_picture_leads_to_its_property_and_the_language_stays_on_the_page(
    visit: Callable[..., Page],
) -> None:
    page = visit("", viewport=PHONE)
    page.goto(f"/scorecards/{AGES}/")
    page.locator(".kept-name a").first.click()
    expect(page.locator("details.property").first).to_have_attribute("open", "")
    page.get_by_role("link", name="Deutsch").click()
    expect(page).to_have_url(re.compile(f"/de/scorecards/{AGES}/"))
    expect(page.locator("html")).to_have_attribute("lang", "de")
    page.get_by_role("link", name="Inhalt", exact=True).click()
    page.locator("#contents").get_by_role("link", name="Was zuerst geht").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Was zuerst geht")


def test_paper_shows_what_is_folded_on_the_screen(visit: Callable[..., Page]) -> None:
    page = visit("")
    page.goto(f"/scorecards/{PAIR}/")
    readings = page.locator("table.readings").first
    assert not readings.is_visible()
    page.emulate_media(media="print")
    box = readings.bounding_box()
    assert box is not None
    assert box["height"] > 40
    assert not page.locator(".frame-contents").is_visible()
