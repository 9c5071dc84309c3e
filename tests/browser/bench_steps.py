"""Steps at the bench that several browser tests take."""

import json
import os
import uuid
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from typing import Any

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

PORTRAIT = {"width": 820, "height": 1180}
LANDSCAPE = {"width": 1180, "height": 820}
PHONE = {"width": 390, "height": 844}
HALF = {"width": 410, "height": 590}  # 200 % zoom halves the width in CSS pixels
LEAST_TARGET_PX = 48
SMALL = """(least) => [...document.querySelectorAll(
    "main button, main .big-button, main summary, main .choice, main select, main textarea, "
    + "main input:not([type=radio], [type=checkbox], [type=hidden]), .bench-link")]
  .filter((part) => part.checkVisibility() && !part.closest(".queue, .field-hint"))
  .map((part) => ({part, box: part.getBoundingClientRect()}))
  .filter(({box}) => box.height < least || box.width < least)
  .map(({part, box}) => `${part.outerHTML.slice(0, 90)} ${box.width} x ${box.height}`)"""
SIDEWAYS = "document.documentElement.scrollWidth - document.documentElement.clientWidth"


def look(page: Page, name: str) -> None:
    """Nothing to scroll sideways; with LOOK_AT, a picture at each width for a person to look at."""
    before = page.viewport_size
    for width in (390, 820, 1440):
        page.set_viewport_size({"width": width, "height": 900})
        page.wait_for_timeout(200)  # drawings take a new width a moment later
        if folder := os.environ.get("LOOK_AT"):
            page.screenshot(path=f"{folder}/{name}-{width}.png", full_page=True)
        assert page.evaluate(SIDEWAYS) == 0, f"{page.url} at {width} px"
    page.set_viewport_size(before or PORTRAIT)


def assert_usable(page: Page) -> None:
    """No fault that a program finds, no target under 48 px, nothing to scroll sideways."""
    before = page.viewport_size
    for size in (PORTRAIT, LANDSCAPE, PHONE, HALF):
        page.set_viewport_size(size)
        assert page.evaluate(SIDEWAYS) == 0, f"{page.url} at {size}"
        assert page.evaluate(SMALL, LEAST_TARGET_PX) == [], f"{page.url} at {size}"
    page.set_viewport_size(before or PORTRAIT)
    found = Axe().run(page).response["violations"]
    assert [(one["id"], one["nodes"][0]["html"][:120]) for one in found] == [], page.url


RIG_DRAWN = """() => {
  const section = document.querySelector("[data-specimen]");
  return !section || [...section.querySelectorAll("[data-specimen-form], [data-specimen-passed]")]
    .some((part) => !part.hidden);
}"""


# The specimen of a run was looked at before, in this tab, as its own page would remember it: readings
# carry that check. For tests of other things, which count the entries that wait.
LOOKED_AT_BEFORE = """
const run = /\\/runs\\/([0-9]+)\\//.exec(window.location.pathname)?.[1];
const found = run && window.location.protocol.startsWith("http") && LOOKS.runs[run];
const memory = `rig-${LOOKS.by}-${run}`;
if (found && sessionStorage.getItem(memory) === null) {
  const check = {id: found.id, code: found.code, zone: found.zone, how: "typed", reason: "", checked_at: LOOKS.at};
  sessionStorage.setItem(memory, JSON.stringify({check, zone_words: "its zone", at: "09:00"}));
}
"""


def looked_at_before(by: int, runs: Iterable[Mapping[str, Any]]) -> str:
    """A script for a page's start; `runs` have `id`, `code` and `zone`."""
    looks = {
        run["id"]: {"id": str(uuid.uuid4()), "code": run["code"], "zone": run["zone"]}
        for run in runs
    }
    at = datetime.now(UTC).isoformat()
    told = json.dumps({"by": by, "runs": looks, "at": at})
    return f"{{const LOOKS = {told};{LOOKED_AT_BEFORE}}}"


def put_on_rig(page: Page) -> None:
    """Give the code and zone that this run wants, as its own page tells them, unless given before."""
    page.wait_for_function(RIG_DRAWN)
    form = page.locator("[data-specimen-form]")
    if form.count() == 0 or not form.is_visible():
        return
    wanted = page.evaluate("JSON.parse(document.getElementById('bench-data').textContent).specimen")
    form.locator("[name=code]").fill(wanted["code"])
    form.locator("label", has=page.locator(f"[name=zone][value='{wanted['zone']}']")).click()
    form.get_by_role("button", name="This is on the rig").click()
    expect(page.locator("[data-specimen-passed]")).to_be_visible()
