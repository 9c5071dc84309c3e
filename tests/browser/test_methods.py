"""What stands behind a reading, as a lead and a technician meet it on the page."""

import re
from collections.abc import Callable

import pytest
from playwright.sync_api import Page, expect

from tests.browser.bench_steps import look, put_on_rig
from tests.browser.screenshots import planned_run

pytestmark = pytest.mark.browser

AGES = "rainmile-jackets-three-ages"
Visit = Callable[..., Page]


def test_a_thermometer_found_wrong_shows_what_it_spoiled(visit: Visit) -> None:
    page = visit("lead", viewport={"width": 390, "height": 844})
    page.goto("/lab/instruments/")
    page.get_by_role("link", name=re.compile("found wrong on 20 October 2025")).first.click()
    expect(page.get_by_text("check of 02 June 2025")).to_be_visible()
    expect(page.get_by_role("link", name=re.compile("^One worn pair of Causeway"))).to_be_visible()
    expect(page.get_by_role("link", name=re.compile("^To be looked at: F5UG-C"))).to_have_count(2)
    beyond = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
    assert page.evaluate(beyond) == 0
    look(page, "thermometer-spoiled")
    page.get_by_role("link", name="What was published, and what it would be").click()
    look(page, "thermometer-preview")
    row = page.get_by_role("row", name=re.compile("Contact heat resistance"))
    expect(row).to_contain_text("Some loss")
    expect(row).to_contain_text("Nothing could be said any more")
    assert page.evaluate(beyond) == 0


def test_a_trace_is_read_again_with_other_settings(visit: Visit) -> None:
    page = visit("technician", viewport={"width": 820, "height": 1180})
    page.goto("/lab/traces/")
    page.get_by_role("link", name=re.compile(r"^drop-")).first.click()
    expect(page.get_by_text("Worked out again just now: the same.")).to_be_visible()
    expect(page.get_by_role("img", name=re.compile("^The event: times gravity"))).to_be_visible()
    page.get_by_label("Baseline to, in s").fill("0.00001")
    page.get_by_role("button", name="Read it like this").click()
    expect(page.get_by_text(re.compile("samples lie in the quiet stretch"))).to_be_visible()


def test_distance_shows_while_seconds_are_typed_and_a_film_gives_the_time(visit: Visit) -> None:
    lead = visit("lead")
    address = planned_run(lead, study=AGES, specimen="W2XD-S", method="belt-abrasion")
    page = visit("technician", viewport={"width": 820, "height": 1180})
    page.goto(address)
    for box in page.locator("[data-checks-form] input[type=checkbox]").all():
        box.check()
    if page.locator("#check-watcher").count():
        page.locator("#check-watcher").fill("Isolde Carrowby")
    page.get_by_role("button", name=re.compile("All checks")).click()
    put_on_rig(page)
    shown = page.locator("[data-derived]")
    expect(shown).to_have_text("Sliding distance: shown as you type.")
    page.locator("[name=seconds]").fill("4,2")
    # 4.2 s at 3 m/s
    expect(shown).to_have_text("Sliding distance: 12.6\u00a0m")
    # without the network too: nothing is asked of the server
    page.context.set_offline(True)
    page.locator("[name=seconds]").fill("5")
    expect(shown).to_have_text("Sliding distance: 15.0\u00a0m")
    page.context.set_offline(False)
    page = visit("technician", viewport={"width": 820, "height": 1180})
    page.goto(f"/lab/runs/{address.rstrip('/').rsplit('/', 1)[1]}/film/")
    page.get_by_label("Film", exact=True).fill("clip 7")
    page.get_by_label(re.compile("^First mark, in s")).fill("12.48")
    page.get_by_label(re.compile("^Second mark, in s")).fill("16,68")
    page.get_by_role("button", name="Work the time out").click()
    expect(page.get_by_role("status").first).to_contain_text("Ended at 4.2\u00a0s")
    expect(page.get_by_role("status").first).to_contain_text("4.16 and 4.24")
    page.get_by_role("button", name="Keep it as the reading of this run").click()
    expect(page.get_by_text("Kept: ended at 4.2").first).to_be_visible()


def test_what_stands_behind_readings_fits_every_screen(visit: Visit) -> None:
    page = visit("lead")
    for name, path in (
        ("budget", "/lab/methods/reference-abrasion/1/budget/"),
        ("control", "/lab/controls/reference-abrasion/1/"),
        ("controls", "/lab/controls/"),
        ("consumables", "/lab/consumables/"),
        ("method", "/lab/methods/contact-heat/1/"),
        ("instrument", "/lab/instruments/th-1/"),
    ):
        page.goto(path)
        look(page, name)
        expect(page.get_by_text("degC")).to_have_count(0)
