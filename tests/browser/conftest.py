"""One Chromium and one running demo for all browser tests."""

import os
import re
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

import pytest
from django.test import Client
from playwright.sync_api import (
    Browser,
    BrowserContext,
    ConsoleMessage,
    Page,
    ViewportSize,
    expect,
    sync_playwright,
)
from pytest_django.live_server_helper import LiveServer

from tests.browser.site import Site, chromium_path, running_demo

if TYPE_CHECKING:
    from labsite.models import User

DESK: ViewportSize = {"width": 1440, "height": 1000}

EXPECT_WITHIN_MS = 20_000  # the machine may be busy with other tests


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    path = chromium_path()
    if path is None:
        words = "NOT RUN: this machine has no Chromium (or say CHROMIUM=/path/to/it)."
        if os.environ.get("CI") == "true":
            pytest.fail(words)
        pytest.skip(words)
    # the browser's event loop lives in this thread, so Django takes each test for async code,
    # down to the emptying of tables after it
    with pytest.MonkeyPatch.context() as patch, sync_playwright() as playwright:
        patch.setenv("DJANGO_ALLOW_ASYNC_UNSAFE", "true")
        expect.set_options(timeout=EXPECT_WITHIN_MS)
        started = playwright.chromium.launch(
            executable_path=path, args=["--no-sandbox", "--disable-background-networking"]
        )
        yield started
        started.close()


@pytest.fixture(scope="session")
def site(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """The demo as `make demo` starts it: web and worker, three published scorecards."""
    with running_demo(tmp_path_factory.mktemp("site")) as running:
        yield running


def is_fault(told: ConsoleMessage) -> bool:
    """Scripts' errors and broken security rules; not the answers to what a test does wrong."""
    expected = re.compile(r"Failed to load resource: the server responded with a status of 40[034]")
    return told.type == "error" and not expected.match(told.text)


@pytest.fixture
def open_as(
    browser: Browser, live_server: LiveServer, transactional_db: None
) -> Iterator[Callable[["User | None"], Page]]:
    """Opens pages of the test's own lab as a person, or as a reader; none may meet an error."""
    contexts: list[BrowserContext] = []
    errors: list[str] = []

    def open_page(user: "User | None" = None, viewport: ViewportSize = DESK) -> Page:
        context = browser.new_context(viewport=viewport, base_url=live_server.url)
        if user is not None:
            client = Client()
            client.force_login(user)
            cookie = client.cookies["sessionid"].value
            context.add_cookies([{"name": "sessionid", "value": cookie, "url": live_server.url}])
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(15_000)
        page.on("pageerror", lambda error: errors.append(str(error)))
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert errors == []


@pytest.fixture
def visit(browser: Browser, site: Site) -> Iterator[Callable[..., Page]]:
    """Opens pages as a reader or a role; afterwards none of them may have met an error."""
    opened: list[Page] = []
    errors: list[str] = []

    def open_page(role: str = "", **options: object) -> Page:
        page = site.open(browser, role, **options)
        page.on("console", lambda told: errors.append(told.text) if is_fault(told) else None)
        page.on("pageerror", lambda error: errors.append(str(error)))
        opened.append(page)
        return page

    yield open_page
    for page in opened:
        page.context.close()
    assert errors == []
