"""What a lab lead does from an idea to a run sheet, step by step, by the pages."""

import re
from dataclasses import dataclass, field
from datetime import UTC, datetime

from playwright.sync_api import Page, expect

PRODUCT = "Skerry jacket"
TITLE = "Skerry jackets after one and two winters"
BLIND = "Skerry jackets of two lots, blind"
ZONES = (
    ("Back", "back", "no side", {"Water uptake under spray": 1}),
    ("Left sleeve", "left-sleeve", "left", {"Belt abrasion, time to hole": 2}),
    ("Right sleeve", "right-sleeve", "right", {"Belt abrasion, time to hole": 2}),
    ("Left seam", "left-seam", "left", {"Seam opening by turns": 1}),
    ("Right seam", "right-seam", "right", {"Seam opening by turns": 1}),
)
METHODS = ("Water uptake under spray", "Seam opening by turns", "Belt abrasion, time to hole")
AGES = (("Unworn", 0), ("One winter", 6000), ("Two winters", 12000))


TODAY = datetime.now(UTC).date().isoformat()


@dataclass
class Gear:
    """Codes of the specimens by arm, and one spare of the last."""

    arms: list[list[str]] = field(default_factory=list)
    spare: str = ""


def add_gear(page: Page) -> Gear:
    """A product with its zones and ten specimens; service comes from a file."""
    page.goto("/lab/products/")
    page.get_by_role("link", name="Add a product").first.click()
    page.get_by_label("Maker").fill("Holm Outfitters (invented)")
    page.get_by_label("Name", exact=True).fill(PRODUCT)
    page.get_by_label("Kind").select_option("jacket")
    page.get_by_role("button", name="Keep this product").click()
    for name, code, side, carries in ZONES:
        page.get_by_role("link", name=re.compile("Add a zone")).first.click()
        page.get_by_label("Name", exact=False).first.fill(name)
        page.get_by_label("Code").fill(code)
        page.get_by_label("Side").select_option(label=side)
        for method, count in carries.items():
            page.get_by_label(method).fill(str(count))
        page.get_by_role("button", name="Keep this zone").click()
    gear = Gear()
    for k, (_, km) in enumerate(AGES):
        own = [add_specimen(page, f"carrier {k}{n}" if km else "") for n in range(3)]
        gear.arms.append(own)
    gear.spare = add_specimen(page, "carrier 29")
    return gear


def add_specimen(page: Page, owner: str) -> str:
    """One specimen; gives the code that the site made for it."""
    page.goto("/lab/specimens/add/")
    product = page.get_by_label("Product")
    product.select_option(label=product.get_by_text(PRODUCT).inner_text())
    page.get_by_label("Size", exact=False).first.fill("M")
    page.get_by_label("Lot", exact=False).first.fill("S24")
    page.get_by_label("bought").check()
    page.get_by_label("Came on").fill("2026-01-12")
    page.get_by_label(re.compile("^Price paid")).fill("120")
    page.get_by_label(re.compile("^Currency")).fill("GBP")
    page.get_by_label(re.compile("^Owner")).fill(owner)
    page.get_by_role("button", name="Keep this specimen").click()
    page.wait_for_url(re.compile(r"/lab/specimens/[A-Z0-9]{4}-"))
    found = re.search(r"/lab/specimens/([A-Z0-9]{4}-[A-Z0-9])/", page.url)
    assert found, page.url
    return found[1]


def send_service(page: Page, gear: Gear) -> None:
    """The winters of every worn one, as odometers of the rounds' motorcycles tell them."""
    lines = ["specimen,started_on,ended_on,odometer_start_km,odometer_end_km,wash_count,evidence"]
    for k, (_, km) in enumerate(AGES):
        for code in gear.arms[k] if km else []:
            lines.append(f"{code},2023-11-01,2025-03-31,1000,{1000 + km},3,odometer")
    lines.append(f"{gear.spare},2023-11-01,2025-03-31,500,12900,4,odometer")
    page.goto("/lab/files/service/")
    page.get_by_label("CSV or XLSX file").set_input_files(
        {"name": "service.csv", "mimeType": "text/csv", "buffer": "\n".join(lines).encode()}
    )
    page.get_by_role("button", name="Look at this file").click()
    page.get_by_role("button", name="Store 7 service entries").click()
    expect(page.get_by_text("7 service entries stored")).to_be_visible()


def write_study(page: Page, gear: Gear) -> None:
    """The question, three arms found by their service, three methods."""
    page.goto("/lab/studies/")
    page.get_by_role("link", name="Add a study").click()
    page.get_by_label("Title").fill(TITLE)
    page.get_by_label("Question", exact=True).fill("What do one and two winters on the round cost?")
    page.get_by_label("Kind").select_option("ages")
    page.get_by_label(re.compile("^What would change our mind")).fill("A loss below a tenth.")
    for n, (label, _) in enumerate(AGES, 1):
        page.get_by_label(f"Arm {n}, label").fill(label)
    for method in METHODS:
        page.get_by_role("checkbox", name=re.compile(f"^{re.escape(method)}")).check()
    ranges = ((0, 0), (5000, 8000), (10000, 13000))
    for n, (low, high) in enumerate(ranges, 1):
        find(page, low, high)
        for code in gear.arms[n - 1]:
            page.get_by_role("checkbox", name=code).check()
        page.get_by_label("Put the ticked ones in").select_option(str(n))
        page.get_by_role("button", name="Put the ticked ones there").click()
        expect(page.get_by_text(f"3 put in arm {n}.")).to_be_visible()


def find(page: Page, low: int, high: int) -> None:
    """Specimens of the product within a range of distance."""
    finder = page.locator("#finder")
    product = finder.get_by_label(re.compile("^Product"))
    product.select_option(label=product.get_by_text(PRODUCT).inner_text())
    finder.get_by_label(re.compile("^Distance from")).fill(str(low))
    finder.get_by_label(re.compile("^Distance to")).fill(str(high))
    finder.get_by_role("button", name="Find").click()


def keep_study(page: Page) -> None:
    """Kept, and still open."""
    page.get_by_role("button", name="Keep this study").click()
    expect(page.get_by_text("Not registered. No reading can be entered yet.")).to_be_visible()


def ask_how_many(page: Page, budget: str) -> None:
    """What the budget buys, and what that could see."""
    page.get_by_role("link", name="How many specimens").click()
    page.get_by_label(re.compile("^Budget for specimens")).fill(budget)
    page.get_by_label(re.compile("^Scatter where")).fill("8")
    page.get_by_role("button", name="Work it out").click()


def register(page: Page, title: str = TITLE) -> None:
    """The question is fixed."""
    open_study(page, title)
    page.get_by_role("link", name="Register this study").click()
    page.get_by_role("button", name=re.compile("Register")).click()
    expect(page.get_by_text("Digest of what was fixed")).to_be_visible()


def open_study(page: Page, title: str = TITLE) -> None:
    """The study's own page."""
    page.goto("/lab/studies/")
    page.get_by_role("link", name=title).first.click()


def open_progress(page: Page, title: str = TITLE) -> None:
    """How far it is."""
    open_study(page, title)
    page.get_by_role("link", name="Progress, plans and run sheets").click()


def draw(page: Page, *, minutes: int, reason: str = "", title: str = TITLE) -> None:
    """A plan by lot, with two patches of abrasion on each."""
    open_study(page, title)
    page.get_by_role("link", name="Draw a plan by lot").click()
    page.get_by_label("Longest session").fill(str(minutes))
    page.get_by_label("Belt abrasion, time to hole, runs on each specimen").fill("2")
    if reason:  # asked only where a plan is in force
        page.get_by_label(re.compile("^Why another plan")).fill(reason)
    page.get_by_role("button", name=re.compile("Draw")).click()


def accept(page: Page) -> None:
    """On the sheet."""
    page.get_by_role("button", name=re.compile("on the sheet")).click()
    expect(page.get_by_role("heading", level=1, name="Progress")).to_be_visible()


def lose(page: Page, code: str) -> None:
    """A specimen that will not be seen again."""
    page.goto(f"/lab/specimens/{code}/")
    page.get_by_role("link", name=re.compile("used up|Retire", re.IGNORECASE)).click()
    page.get_by_label("Retired on").fill(TODAY)
    page.locator("main form").get_by_role("button").first.click()


def substitute(page: Page, *, arm: str, code: str, reason: str) -> None:
    """Another takes its place; the scorecard will say so."""
    page.get_by_role("link", name="Add a specimen for a lost one").click()
    page.get_by_label("Arm").select_option(label=arm)
    page.get_by_label("Specimen").fill(code)
    page.get_by_label("Why").fill(reason)
    page.locator("main form").get_by_role("button").first.click()
    expect(page.get_by_role("heading", level=1, name="Progress")).to_be_visible()


def spare_gear(page: Page) -> list[str]:
    """Four more specimens of the product, whose zones are there."""
    return [add_specimen(page, "") for _ in range(4)]


def write_blind_study(page: Page, gear: list[str]) -> None:
    """Two arms of two; the bench is to see numbers only."""
    page.goto("/lab/studies/add/")
    page.get_by_label("Title").fill(BLIND)
    page.get_by_label("Question", exact=True).fill("Do two lots differ?")
    page.get_by_label("Kind").select_option("price")
    page.get_by_role("checkbox", name=re.compile("^Blind")).check()
    for n in (1, 2):
        page.get_by_label(f"Arm {n}, label").fill(f"Lot {n}")
        page.get_by_label(f"Arm {n}, specimens").fill(" ".join(gear[2 * n - 2 : 2 * n]))
    page.get_by_role("checkbox", name=re.compile(f"^{re.escape(METHODS[2])}")).check()
    keep_study(page)
