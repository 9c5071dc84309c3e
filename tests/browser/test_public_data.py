"""What only a browser can say of data inside a page, and how heavy the first view is."""

import json
from collections.abc import Callable

import pytest
from playwright.sync_api import Page

pytestmark = pytest.mark.browser

CARD = "/scorecards/causeway-trousers-one-pair/1/"
MOST_BYTES = 100_000


def test_linked_data_is_read_and_never_run_or_refused(visit: Callable[..., Page]) -> None:
    page = visit()
    page.add_init_script(
        "window.refused = []; document.addEventListener('securitypolicyviolation', "
        "(told) => window.refused.push(told.violatedDirective))"
    )
    page.goto(CARD)
    text = page.locator('script[type="application/ld+json"]').text_content()
    assert [one["@type"] for one in json.loads(text or "")["@graph"]] == ["Dataset", "Article"]
    assert page.evaluate("window.refused") == []


def test_the_first_view_is_light_without_the_chart_library(visit: Callable[..., Page]) -> None:
    page = visit(viewport={"width": 390, "height": 844})
    session = page.context.new_cdp_session(page)
    session.send("Network.enable")
    names: dict[str, str] = {}
    received: dict[str, float] = {}
    session.on(
        "Network.responseReceived",
        lambda told: names.update({told["requestId"]: told["response"]["url"]}),
    )
    session.on(
        "Network.loadingFinished",
        lambda told: received.update({told["requestId"]: told["encodedDataLength"]}),
    )
    page.goto(CARD, wait_until="networkidle")
    heavy = {names[key]: size for key, size in received.items() if key in names}
    assert any(name.endswith(".css") for name in heavy)
    assert sum(size for name, size in heavy.items() if "plotly.min" not in name) < MOST_BYTES, heavy
