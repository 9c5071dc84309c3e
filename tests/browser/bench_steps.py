"""Steps at the bench that several browser tests take."""

from playwright.sync_api import Page, expect

RIG_DRAWN = """() => {
  const section = document.querySelector("[data-specimen]");
  return !section || [...section.querySelectorAll("[data-specimen-form], [data-specimen-passed]")]
    .some((part) => !part.hidden);
}"""


# The specimen of any run a page shows was looked at before, in this tab. For tests of other things,
# which count the entries that wait.
LOOKED_AT_BEFORE = """
const run = /\\/runs\\/([0-9]+)\\//.exec(window.location.pathname);
if (run && window.location.protocol.startsWith("http")) {
  const found = {code: "the labelled one", zone_words: "its zone", how: "typed", at: "09:00"};
  sessionStorage.setItem(`rig-${run[1]}`, JSON.stringify(found));
}
"""


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
