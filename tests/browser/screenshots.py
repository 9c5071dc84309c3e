"""Makes the pictures of the README: `python -m tests.browser.screenshots [FOLDER]`."""

import re
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import Browser, Page, sync_playwright

from tests.browser.site import ROOT, Site, chromium_path, running_demo

FOLDER = ROOT / "docs" / "screenshots"
PHONE = {"width": 390, "height": 844}
TABLET = {"width": 820, "height": 1180}
DESK = {"width": 1280, "height": 900}
PAIR = "causeway-trousers-one-pair"
AGES = "rainmile-jackets-three-ages"


def scorecard(site: Site, browser: Browser) -> Page:
    page = site.open(browser, viewport=PHONE, device_scale_factor=2)
    page.goto(f"/scorecards/{PAIR}/")
    # the strips are the image of a card; the cautions stand just above them
    page.locator("#kept").evaluate("part => window.scrollTo(0, part.offsetTop - 24)")
    return page


def bench(site: Site, browser: Browser) -> Page:
    lead = site.open(browser, "lead")
    for zone in ("left-knee", "right-knee", "left-thigh", "right-thigh", "seat", "left-shin"):
        lead.goto(f"/bench/{PAIR}/")
        lead.locator("summary", has_text="Add a run").click()
        lead.locator("#add-specimen").fill("F5UG-C")
        lead.locator("#add-method").select_option("padding-drop")
        if not lead.locator(f'#add-zone option[value="{zone}"]').count():
            continue
        lead.locator("#add-zone").select_option(zone)
        lead.get_by_role("button", name="Add this run").click()
        lead.wait_for_load_state()
        if "/runs/" in lead.url:
            break
    address = lead.url
    lead.context.close()
    page = site.open(browser, "technician", viewport=TABLET, device_scale_factor=1.5)
    page.goto(address)
    for box in page.locator("[data-checks-form] input[type=checkbox]").all():
        box.check()
    page.get_by_role("button", name=re.compile("All checks")).click()
    page.get_by_role("button", name=re.compile(r"^0\.5 m")).click()
    page.get_by_role("button", name=re.compile(r"^Held at 0\.5 m")).click()
    page.locator("[data-bracket]").evaluate(
        "part => part.closest('section').scrollIntoView({block: 'start'})"
    )
    return page


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
