"""Steps at the bench that several browser tests take."""

from playwright.sync_api import Page, expect

RIG_DRAWN = """() => {
  const section = document.querySelector("[data-specimen]");
  return !section || [...section.querySelectorAll("[data-specimen-form], [data-specimen-passed]")]
    .some((part) => !part.hidden);
}"""


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
