"""Makes the pictures of the README: `python -m tests.browser.screenshots [FOLDER]`."""

import re
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import Browser, Page, sync_playwright

from tests.browser.bench_steps import put_on_rig
from tests.browser.site import ROOT, Site, chromium_path, running_demo

FOLDER = ROOT / "docs" / "screenshots"
PHONE = {"width": 390, "height": 844}
TABLET = {"width": 820, "height": 1180}
DESK = {"width": 1280, "height": 900}
PAIR = "causeway-trousers-one-pair"
PRICES = "back-protectors-two-prices"
AGES = "rainmile-jackets-three-ages"


def scorecard(site: Site, browser: Browser) -> Page:
    page = site.open(browser, viewport=PHONE, device_scale_factor=2)
    page.goto(f"/scorecards/{PAIR}/")
    # the strips are the image of a card; the cautions stand just above them
    page.locator("#kept").evaluate("part => window.scrollTo(0, part.offsetTop - 24)")
    return page


def bench(site: Site, browser: Browser) -> Page:
    lead = site.open(browser, "lead")
    address = planned_run(lead, study=PRICES, specimen="KPFR-5", method="contact-heat")
    lead.context.close()
    page = site.open(browser, "technician", viewport=TABLET, device_scale_factor=1.5)
    page.goto(address)
    for box in page.locator("[data-checks-form] input[type=checkbox]").all():
        box.check()
    if page.locator("[name=watcher]").count():
        page.locator("[name=watcher]").fill("A. Second")
    page.get_by_role("button", name=re.compile("All checks")).click()
    put_on_rig(page)
    page.locator("[name=seconds]").click()
    for key in "61.5":
        page.locator(f'[data-keypad] button[value="{key}"]').click()
    page.locator("label.big-button", has_text=re.compile(r"^\s*Failed")).click()
    page.locator("#entry-head").evaluate("part => part.scrollIntoView({block: 'start'})")
    page.evaluate("window.scrollBy(0, -96)")
    return page


def planned_run(page: Page, *, study: str, specimen: str, method: str) -> str:
    """Add a run in the first zone that still has a site; returns its address."""
    page.goto(f"/bench/{study}/")
    page.locator("summary", has_text="Add a run").click()
    page.locator("#add-specimen").fill(specimen)
    page.locator("#add-method").select_option(method)
    for index in range(1, page.locator("#add-zone option").count()):
        page.locator("#add-zone").select_option(index=index)
        page.get_by_role("button", name="Add this run").click()
        page.wait_for_load_state()
        if "/runs/" in page.url:
            return page.url
    raise RuntimeError(f"{specimen} has no site left for {method}.")


def desk(site: Site, browser: Browser) -> Page:
    page = site.open(browser, "editor", viewport=DESK, device_scale_factor=1.5)
    page.goto(f"/desk/{AGES}/")
    return page


def main(folder: Path) -> None:
    path = chromium_path()
    if path is None:
        sys.exit("The pictures need Chromium; this machine has none (or say CHROMIUM=/path/to/it).")
    folder.mkdir(parents=True, exist_ok=True)
    with (
        tempfile.TemporaryDirectory() as var,
        running_demo(Path(var)) as site,
        sync_playwright() as playwright,
    ):
        browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
        for take in (scorecard, bench, desk):
            page = take(site, browser)
            # text in its own font, nothing half faded in
            page.evaluate("document.fonts.ready")
            page.wait_for_timeout(300)
            target = folder / f"{take.__name__}.png"
            page.screenshot(path=target)
            print(f"Made {target.relative_to(ROOT) if target.is_relative_to(ROOT) else target}")
            page.context.close()
        browser.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER)
