"""Steps at the bench that several browser tests take."""

import json
import uuid
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from typing import Any

from playwright.sync_api import Page, expect

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
