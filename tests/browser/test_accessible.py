"""What a program can find of the web content guidelines, on every kind of page, light and dark."""

from collections.abc import Callable

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

pytestmark = pytest.mark.browser

PAIR = "causeway-trousers-one-pair"
AGES = "rainmile-jackets-three-ages"
PRICES = "back-protectors-two-prices"
EPISODE = "what-the-letter-rounds-take-out-of-riding-gear"
PAGES = {
    "": [
        "/",
        "/cautions/",
        "/sign-in/",
        f"/scorecards/{AGES}/",
        f"/scorecards/{PAIR}/1/",
        "/?q=rainmile&gear=jacket",
        "/?q=nothing+like+this",
        "/compare/?property=water+uptake",
        "/what-goes-first/",
        "/products/",
        "/products/1/",
        "/methods/",
        "/about/",
        "/corrections/",
        "/report-an-error/",
        "/de/",
        f"/de/scorecards/{PRICES}/",
        "/methods/flame-grade/1/",
        "/corrections/",
        f"/scorecards/{PAIR}/1/package/",
        "/scorecards/not-there/",
    ],
    "technician": [
        "/bench/",
        f"/bench/{AGES}/",
        f"/bench/{PAIR}/",
        "/lab/",
    ],
    "lead": [
        "/lab/",
        "/lab/specimens/",
        "/lab/specimens/F5UG-C/",
        "/lab/products/",
        "/lab/products/add/",
        "/lab/specimens/add/",
        "/lab/methods/",
        "/lab/methods/belt-abrasion/1/",
        "/lab/studies/",
        "/lab/studies/add/",
        f"/lab/studies/{AGES}/",
        f"/lab/studies/{AGES}/plan/",
        f"/lab/studies/{AGES}/files/add/",
        f"/lab/studies/{AGES}/how-many/",
        f"/lab/studies/{AGES}/progress/",
        "/lab/conflicts/",
        "/lab/instruments/",
        "/lab/consumables/",
        "/lab/controls/",
        "/lab/room/",
        "/lab/traces/",
        "/lab/traces/1/",
        "/lab/instruments/th-1/",
        "/lab/instruments/findings/1/",
        "/lab/instruments/findings/1/preview/",
        "/lab/controls/reference-abrasion/1/",
        "/lab/methods/reference-abrasion/1/budget/",
        "/lab/methods/headform-drop/",
        "/lab/files/service/",
        "/lab/files/methods/",
        "/lab/pairs/",
        "/audit/",
    ],
    "administrator": [
        "/account/",
        "/account/password/",
        "/account/second-factor/",
        "/account/pin/",
        "/account/tokens/add/",
        "/people/",
        "/people/invite/",
        "/people/1/",
        "/jobs/",
        "/audit/",
        "/api/v1/",
    ],
    "editor": [
        "/desk/",
        f"/desk/{AGES}/",
        f"/desk/{PAIR}/preview/",
        "/across/",
        "/desk/episodes/",
        f"/desk/episodes/{EPISODE}/",
        f"/desk/episodes/{EPISODE}/review/",
        f"/desk/episodes/{EPISODE}/presenter/",
        f"/desk/episodes/{EPISODE}/shots/",
        f"/desk/{PRICES}/correction/",
        f"/desk/{PRICES}/words/de/",
        f"/desk/{PRICES}/review/",
        f"/desk/{PRICES}/makers/",
        f"/desk/{PRICES}/pictures/",
        "/desk/interests/",
        f"/episodes/{EPISODE}/",
    ],
}


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("role", PAGES)
def test_no_page_has_a_fault_that_a_program_finds(
    visit: Callable[..., Page], role: str, scheme: str
) -> None:
    page = visit(role, viewport={"width": 820, "height": 1180}, color_scheme=scheme)
    axe = Axe()
    faults = {}
    for path in PAGES[role]:
        answer = page.goto(path)
        assert answer is not None
        # what is folded away is looked at too
        page.evaluate(
            "document.querySelectorAll('details').forEach((fold) => { fold.open = true; })"
        )
        assert answer.status == (404 if "not-there" in path else 200), path
        found = axe.run(page).response
        assert len(found["passes"]) > 10, f"{path} was not looked at"
        if found["violations"]:
            faults[path] = [
                (fault["id"], [node["html"][:120] for node in fault["nodes"][:3]])
                for fault in found["violations"]
            ]
    assert faults == {}
