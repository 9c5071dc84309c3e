"""What stands behind a reading, as a lead and a technician meet it on the page."""

import re
from collections.abc import Callable

import pytest
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser

Visit = Callable[..., Page]


def test_a_thermometer_found_wrong_shows_what_it_spoiled(visit: Visit) -> None:
    page = visit("lead", viewport={"width": 390, "height": 844})
    page.goto("/lab/instruments/")
    page.get_by_role("link", name=re.compile("found wrong on 20 October 2025")).first.click()
    expect(page.get_by_text("check of 02 June 2025")).to_be_visible()
    expect(page.get_by_role("link", name=re.compile("Causeway trousers"))).to_be_visible()
    expect(page.get_by_role("link", name=re.compile("^To be looked at: F5UG-C"))).to_have_count(2)
    beyond = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
    assert page.evaluate(beyond) == 0
    page.get_by_role("link", name="What was published, and what it would be").click()
    row = page.get_by_role("row", name=re.compile("Contact heat resistance"))
    expect(row).to_contain_text("Some loss")
    expect(row).to_contain_text("Nothing could be said any more")
    assert page.evaluate(beyond) == 0


def test_a_trace_is_read_again_with_other_settings(visit: Visit) -> None:
    page = visit("technician", viewport={"width": 820, "height": 1180})
    page.goto("/lab/traces/")
    page.get_by_role("link", name=re.compile(r"^drop-")).first.click()
    expect(page.get_by_text("Worked out again just now: the same.")).to_be_visible()
    expect(page.get_by_role("img", name=re.compile("^The event: g_n"))).to_be_visible()
    page.get_by_label("Baseline to, in s").fill("0.00001")
    page.get_by_role("button", name="Read it like this").click()
    expect(page.get_by_text(re.compile("samples lie in the quiet stretch"))).to_be_visible()
