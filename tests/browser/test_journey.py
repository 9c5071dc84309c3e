"""From a phone in a reader's hand to a second edition, through the site as it is started."""

import re
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from tests.browser.bench_steps import put_on_rig
from tests.browser.screenshots import planned_run
from tests.browser.site import Site

pytestmark = pytest.mark.browser

PAIR = "causeway-trousers-one-pair"
AGES = "rainmile-jackets-three-ages"
PRICES = "back-protectors-two-prices"
WORN = "F5UG-C"
PHONE = {"width": 390, "height": 844}
TABLET = {"width": 820, "height": 1180}
DESK = {"width": 1440, "height": 900}
WIDTHS = (320, 390, 820, 1440)
SIDEWAYS = "document.documentElement.scrollWidth - document.documentElement.clientWidth"

Visit = Callable[..., Page]


def expect_no_sideways_scroll(page: Page) -> None:
    """At every width, once drawings have taken the new one, which they do a moment later."""
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 900})
        give_up_at = time.monotonic() + 3
        while (beyond := page.evaluate(SIDEWAYS)) and time.monotonic() < give_up_at:
            page.wait_for_timeout(50)
        assert beyond == 0, f"{page.url} at {width} px"


def row_of(page: Page, name: str):
    """A row of the table of findings, on the card or on the desk."""
    return page.locator("table.ruled tbody tr", has=page.get_by_role("rowheader", name=name)).first


def wait_for_drawing(page: Page) -> None:
    page.locator("details.property:has([data-plot]) > summary").first.click()
    box = page.locator("[data-plot]").first
    box.scroll_into_view_if_needed()
    expect(box.locator("svg.main-svg").first).to_be_visible()


# --- the reader ---------------------------------------------------------------------------------


def test_reader_on_a_phone_finds_cautions_figures_and_the_drawing(visit: Visit) -> None:
    page = visit(viewport=PHONE, has_touch=True)
    page.goto("/")
    expect(page.get_by_text("Invented data.").first).to_be_visible()
    page.get_by_role("link", name=re.compile("riding trousers")).click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("riding trousers")
    caution = page.get_by_text("Not a certification.").first
    figure = page.locator(".kept-figure").first
    assert caution.bounding_box()["y"] < figure.bounding_box()["y"]
    expect(page.locator(".kept-arm")).to_have_count(7)
    expect(page.get_by_text("Not resolved").first).to_be_visible()
    wait_for_drawing(page)
    assert page.evaluate("typeof window.Plotly") == "object"
    dots = page.locator("[data-plot] .scatterlayer .trace")
    assert dots.count() >= 2  # one for each arm


@pytest.mark.parametrize("slug", [PAIR, AGES, PRICES])
def test_a_card_never_scrolls_sideways(visit: Visit, slug: str) -> None:
    page = visit(viewport=PHONE)
    page.goto(f"/scorecards/{slug}/")
    wait_for_drawing(page)
    expect_no_sideways_scroll(page)


def test_public_pages_never_scroll_sideways(visit: Visit) -> None:
    page = visit()
    for path in ("/", "/cautions/", "/methods/padding-drop/1/", "/sign-in/"):
        page.goto(path)
        expect_no_sideways_scroll(page)


def test_a_card_is_complete_without_javascript(visit: Visit) -> None:
    with_script, without = visit(viewport=PHONE), visit(viewport=PHONE, java_script_enabled=False)
    for page in (with_script, without):
        page.goto(f"/scorecards/{PAIR}/1/")
    words = "main :is(h1, h2, h3, p, dd, dt, th, td, li, caption)"
    texts = "parts => parts.map(part => part.textContent.replace(/\\s+/g, ' ').trim())"
    said = without.locator(words).evaluate_all(texts)
    assert len(said) > 200
    assert said == with_script.locator(words).evaluate_all(texts)
    for part in ("#table", "#each", "#cautions", "#methods", "#cite"):
        expect(without.locator(part)).to_be_visible()
    strips = without.locator(".kept-strip")
    assert strips.count() == 7
    assert strips.first.bounding_box()["width"] > 200
    without.locator("details summary").first.click()
    expect(without.locator("details[open]").first).to_be_visible()


def test_paper_and_ink_change_places_in_the_dark(visit: Visit) -> None:
    shades = []
    for scheme in ("light", "dark"):
        page = visit(viewport=PHONE, color_scheme=scheme)
        page.goto(f"/scorecards/{PRICES}/")
        wait_for_drawing(page)
        colours = page.evaluate(
            "[getComputedStyle(document.body).backgroundColor,"
            " getComputedStyle(document.querySelector('[data-plot] .xtick text')).fill]"
        )
        shades.append([sum(map(int, re.findall(r"\d+", c)[:3])) for c in colours])
    (light_paper, light_ink), (dark_paper, dark_ink) = shades
    assert light_paper > 600 > 300 > light_ink
    assert dark_paper < 200 < 400 < dark_ink


def test_printing_keeps_words_and_figures(visit: Visit) -> None:
    page = visit(viewport=DESK)
    page.goto(f"/scorecards/{PAIR}/1/")
    page.emulate_media(media="print")
    expect(page.locator("#table")).to_be_visible()
    expect(page.get_by_text("Not a certification.").first).to_be_visible()
    expect(page.locator(".only-on-screen").first).to_be_hidden()


# --- a reading that changes a finding, and the edition after it ----------------------------------


def test_a_reading_changes_a_finding_and_leads_to_a_new_edition(visit: Visit) -> None:
    reader = visit(viewport=PHONE)
    reader.goto(f"/scorecards/{PAIR}/")
    before = row_of(reader, "Abrasion resistance").inner_text()
    first_edition = reader.locator("main").inner_text()

    bench = visit("technician", viewport=TABLET, has_touch=True)
    bench.goto("/bench/")
    bench.get_by_role("link", name=re.compile("Causeway trousers")).first.click()
    bench.get_by_label("Find runs by specimen code").fill(WORN)
    bench.get_by_role("button", name="Find").click()
    part = bench.locator("section", has=bench.get_by_role("heading", name=re.compile("abrasion")))
    part.get_by_role("link").first.click()
    pass_checks(bench)
    bench.get_by_role("button", name="Amend this reading").click()
    bench.locator("[name=seconds]").fill("4,6")
    bench.locator("label.big-button", has_text=re.compile(r"^\s*Failed")).click()
    bench.locator("#field-reason").fill("The lap timer was read instead of the total.")
    bench.get_by_role("button", name="Keep", exact=True).click()
    # seen back at once, in words
    expect(bench.locator("[data-kept-words]")).to_have_text("Failed at 4.6 s")
    expect(bench.locator("[data-kept-interval]")).to_have_text("Between 4.55 and 4.65 s.")

    desk = visit("editor", viewport=DESK)
    desk.goto("/desk/")
    desk.get_by_role("link", name=re.compile("Causeway trousers")).first.click()
    expect(desk.locator("[data-state-words]")).to_have_text("up to date", timeout=30_000)
    row = row_of(desk, "Abrasion resistance")
    expect(row).to_contain_text("%")
    figure = row.locator("td").nth(1).inner_text()
    assert figure not in before

    # an old edition does not move while the next one is written
    reader.goto(f"/scorecards/{PAIR}/1/")
    assert row_of(reader, "Abrasion resistance").inner_text() == before

    desk.get_by_role("button", name="Publish this edition").click()
    note = desk.locator("#id_note")
    expect(desk.get_by_text("Say what is new since edition 1.").first).to_be_visible()
    note.fill("One abrasion reading was amended.")
    desk.get_by_role("button", name="Keep the words").click()
    expect(desk.get_by_text("Words kept.")).to_be_visible()

    # the editor wrote the note, so the lead is the second person
    second = visit("lead")
    second.goto(f"/desk/{PAIR}/review/")
    second.get_by_label("Why it may go out").fill("The makers were told of the amendment.")
    second.get_by_role("button", name="Sign it off as it stands").click()
    expect(second.get_by_text("Signed off by Isolde Carrowby").first).to_be_visible()

    desk.get_by_role("button", name="Publish this edition").click()
    desk.wait_for_url(f"**/scorecards/{PAIR}/2/")
    expect(desk.get_by_text("Edition 2 is published.")).to_be_visible()
    assert figure in row_of(desk, "Abrasion resistance").inner_text()
    expect(desk.get_by_text("Readings amended.").first).to_be_visible()
    # folded away with the readings until somebody wants them
    expect(desk.get_by_text("The lap timer was read instead of the total.")).to_be_attached()

    reader.goto(f"/scorecards/{PAIR}/1/")
    expect(reader.get_by_text("A newer edition exists.")).to_be_visible()
    assert row_of(reader, "Abrasion resistance").inner_text() == before
    again = reader.locator("main").inner_text()
    for line in first_edition[: first_edition.index("Editions and corrections")].splitlines():
        assert line in again
    reader.get_by_role("link", name="Read the newest edition").click()
    assert figure in row_of(reader, "Abrasion resistance").inner_text()


def pass_checks(page: Page) -> None:
    form = page.locator("[data-checks-form]")
    if form.count() and form.is_visible():
        for box in form.locator("input[type=checkbox]").all():
            box.check()
        if form.locator("[name=watcher]").count():
            form.locator("[name=watcher]").fill("A. Second")
        form.get_by_role("button", name=re.compile("All checks")).click()
    put_on_rig(page)


def test_desk_waits_for_new_findings_by_itself_and_keeps_half_typed_words(visit: Visit) -> None:
    desk = visit("lead", viewport=DESK)
    states = iter(["no", "no", "yes"])

    def answer(route) -> None:
        is_current = next(states, "yes") == "yes"
        route.fulfill(json={"is_current": is_current, "words": "told by the test"})

    desk.route("**/state.json", answer)
    # a page that was drawn while findings were computed
    desk.route(
        f"**/desk/{PRICES}/",
        lambda route: route.fulfill(
            response=(real := route.fetch()),
            body=real.text().replace('data-is-current="yes"', 'data-is-current="no"'),
        ),
    )
    desk.goto(f"/desk/{PRICES}/")
    desk.locator("#id_headline").fill("Half typed")
    link = desk.get_by_role("link", name=re.compile("Load the new findings"))
    expect(link).to_be_visible(timeout=15_000)
    expect(desk.locator("#id_headline")).to_have_value("Half typed")


# --- planning, entering, voiding -----------------------------------------------------------------


def test_lead_plans_a_run_technician_enters_it_and_voids_it(visit: Visit) -> None:
    lead = visit("lead", viewport=DESK)
    lead.goto(f"/bench/{PRICES}/")
    lead.locator("summary", has_text="Add a run").click()
    lead.get_by_label("Specimen code").last.fill("KPFR-X")
    lead.locator("#add-method").select_option("contact-heat")
    lead.locator("#add-zone").select_option(index=1)
    lead.get_by_role("button", name="Add this run").click()
    expect(lead.locator("#add-specimen-problem")).to_be_visible()
    expect(lead.locator("#add-specimen")).to_have_value("KPFR-X")
    expect(lead.locator("#add-method")).to_have_value("contact-heat")
    address = planned_run(lead, study=PRICES, specimen="KPFR-5", method="contact-heat")

    bench = visit("technician", viewport=TABLET, has_touch=True)
    bench.goto(address)
    pass_checks(bench)
    bench.locator("[name=seconds]").fill("a while")
    bench.locator("label.big-button", has_text=re.compile(r"^\s*Failed")).click()
    bench.get_by_role("button", name="Keep", exact=True).click()
    expect(bench.locator("#field-seconds-problem")).to_be_visible()
    expect(bench.locator("[name=seconds]")).to_have_value("a while")
    bench.locator("[name=seconds]").fill("61")
    bench.get_by_role("button", name="Keep", exact=True).click()
    expect(bench.locator("[data-kept-words]")).to_have_text("Failed at 61 s")

    bench.reload()
    bench.locator("summary", has_text="Void this run").click()
    void = bench.locator("[data-void]")
    void.locator("label", has_text="Instrument").first.click()
    void.locator("textarea").fill("The plate had not settled.")
    void.locator("label", has_text="Yes").last.click()
    void.get_by_role("button", name="Void this run").click()
    expect(bench.get_by_role("heading", name="This run is void")).to_be_visible()
    expect(bench.get_by_text("The plate had not settled.").first).to_be_visible()


# --- files ---------------------------------------------------------------------------------------


def test_a_broken_file_is_told_by_line_and_column_and_stores_nothing(
    visit: Visit, tmp_path: Path
) -> None:
    page = visit("lead", viewport=DESK)
    page.goto(f"/lab/studies/{PRICES}/")
    page.get_by_role("link", name="Readings from a file").click()
    broken = tmp_path / "broken.csv"
    broken.write_text(
        "specimen;method;zone;site;measured_at;unit;value;ended\n"
        "KPFR-5;contact-heat;middle;1;2025-03-18T08:53:00+00:00;s;sixty;failed\n"
        "NOPE-1;contact-heat;middle;1;2025-03-18T08:53:00+00:00;s;60,5;failed\n"
        "KPFR-5;contact-heat;middle;99;2025-03-18T08:53:00+00:00;kg;60,5;failed\n",
        encoding="utf-8",
    )
    page.locator("input[type=file]").set_input_files(broken)
    page.get_by_role("button", name="Look at this file").click()
    table = page.get_by_role("table", name=re.compile("What is wrong, and where"))
    expect(table).to_be_visible()
    told = [
        [cell.strip() for cell in row.split("\t")]
        for row in table.locator("tbody").inner_text().splitlines()
        if row.strip()
    ]
    places = {(line, column) for line, column, *_ in told}
    assert ("2", "value") in places
    assert ("3", "specimen") in places
    assert ("4", "unit") in places
    expect(page.get_by_role("button", name=re.compile("^Store"))).to_have_count(0)


# --- everybody -----------------------------------------------------------------------------------


def test_a_wrong_password_keeps_the_name_and_says_so(visit: Visit, site: Site) -> None:
    page = visit(viewport=PHONE)
    page.goto("/sign-in/")
    page.get_by_label("Username").fill(site.logins["editor"][0])
    page.get_by_label("Password").fill("wrong")
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("heading", name="Not signed in")).to_be_visible()
    expect(page.get_by_label("Username")).to_have_value(site.logins["editor"][0])


def test_a_deep_address_comes_back_after_the_sign_in(visit: Visit, site: Site) -> None:
    page = visit(viewport=DESK)
    page.goto(f"/desk/{AGES}/")
    assert "/sign-in/" in page.url
    name, password = site.logins["editor"]
    page.get_by_label("Username").fill(name)
    page.get_by_label("Password").fill(password)
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile(rf"^[^?]+/desk/{AGES}/$"))


def test_keyboard_alone_signs_in_and_reaches_the_desks_buttons(visit: Visit, site: Site) -> None:
    page = visit(viewport=DESK)
    page.goto("/")
    page.keyboard.press("Tab")
    skip = page.locator(":focus")
    expect(skip).to_have_text("Skip to the page")
    expect(skip).to_be_in_viewport()
    page.goto(f"/sign-in/?next=/desk/{PAIR}/")
    expect(page.locator("#id_username")).to_be_focused()
    page.keyboard.type(site.logins["editor"][0])
    reach(page, "#id_password")
    page.keyboard.type(site.logins["editor"][1])
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile(rf"^[^?]+/desk/{PAIR}/$"))
    reach(page, "#id_headline")
    reach(page, "button[type=submit]")
    page.keyboard.press("Enter")
    expect(page.get_by_text("Words kept.")).to_be_visible()


def reach(page: Page, selector: str, *, within: int = 80) -> None:
    """Press Tab until the element has the focus; every stop on the way must be seen."""
    for _ in range(within):
        page.keyboard.press("Tab")
        place = page.evaluate(
            """(wanted) => { const at = document.activeElement; const box = at.getBoundingClientRect();
            return [at.matches(wanted), box.width > 0 && box.height > 0, at.outerHTML.slice(0, 80)]; }""",
            selector,
        )
        assert place[1], f"the focus is on something unseen: {place[2]}"
        if place[0]:
            return
    raise AssertionError(f"{selector} was not reached by {within} presses of Tab")


def test_pages_answer_within_a_second(visit: Visit) -> None:
    page = visit("lead")
    slow = {}
    for path in ("/", f"/scorecards/{AGES}/", "/desk/", f"/desk/{AGES}/", f"/bench/{AGES}/"):
        started = time.monotonic()
        page.goto(path, wait_until="domcontentloaded")
        slow[path] = time.monotonic() - started
    assert max(slow.values()) < 3, slow  # a busy machine gets three times the time
