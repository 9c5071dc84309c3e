"""Every public page in German, crawled: none of our own English words are left on it.

What people wrote (a question, a script, a reason) stays in the lab's language and is marked so;
everything else must not be a text of the catalogue, nor read like an English sentence.
"""

import re
from collections import deque
from collections.abc import Iterator
from pathlib import Path
from xml.etree import ElementTree as ET

import html5lib
import pytest
from django.test import Client

from labsite import catalogue
from tests.reports.test_public_pages import ENOUGH_OF_A_KIND, links_of, pattern_of

pytestmark = pytest.mark.usefixtures("demo")

PO = Path(__file__).parents[2] / "labsite/locale/de/LC_MESSAGES/django.po"
SPOKEN = ("alt", "aria-label", "placeholder", "title", "data-label")
NO_WORDS = {"script", "style", "template"}
# episodes are scripts in the lab's own language and have one address
KINDS = {"", "scorecards", "products", "methods", "corrections", "about", "cautions"}
KINDS |= {"compare", "what-goes-first", "report-an-error"}
# words of English that German has not, nor its numbers, units and names
ENGLISH = re.compile(
    r"\b(the|of|and|was|were|with|which|that|this|not|from|are|is|by|their|its|how|what|to)\b", re.I
)


def texts_of(page: str) -> Iterator[str]:
    """Every text on a German page that is not marked as being in another language."""
    tree = html5lib.parse(page, namespaceHTMLElements=False)
    assert tree.get("lang") == "de"
    yield from _texts_in(tree, is_german=True)


def _texts_in(element: ET.Element, *, is_german: bool) -> Iterator[str]:
    if not isinstance(element.tag, str) or element.tag in NO_WORDS:
        return
    is_german = element.get("lang", "de" if is_german else "en") == "de"
    if is_german:
        yield from (element.get(name, "") for name in SPOKEN)
        yield element.text or ""
    for child in element:
        yield from _texts_in(child, is_german=is_german)
        if is_german:
            yield child.tail or ""


def said_otherwise() -> set[str]:
    """Texts of the catalogue that German says in other words."""
    entries = catalogue.read(PO.read_text(encoding="utf-8"))
    return {
        one.singular.strip()
        for one, said in entries.items()
        if said and said[0] != one.singular and "{" not in one.singular and "%(" not in one.singular
    }


def left_in_english(page: str, ours: set[str]) -> set[str]:
    """What of ours a German page still says in English."""
    plain = {" ".join(text.split()) for text in texts_of(page)}
    return {
        text
        for text in plain
        if text in ours or text.rstrip(":.,") in ours or len(ENGLISH.findall(text)) >= 3
    }


@pytest.fixture(scope="module")
def ours() -> set[str]:
    """Texts of the catalogue that German says in other words, but for German words."""
    found = said_otherwise()
    assert {"Readings", "Not resolved"} <= found, "the catalogue was not read"
    return found - {
        said[0].strip() for said in catalogue.read(PO.read_text(encoding="utf-8")).values()
    }


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/de/?q=nichts+davon", 200),
        ("/de/scorecards/not-there/", 404),
        ("/de/preview/not-a-token/", 404),
        ("/de/compare/?property=no+such+thing", 200),
    ],
)
def test_pages_that_find_nothing_say_so_in_german(path: str, status: int, ours: set[str]) -> None:
    answer = Client().get(path)
    assert answer.status_code == status
    assert left_in_english(answer.content.decode(), ours) == set()


def test_a_refused_form_says_why_in_german(ours: set[str]) -> None:
    answer = Client().post("/de/report-an-error/", {"what": "", "page": "x" * 400})
    assert answer.status_code == 400
    assert left_in_english(answer.content.decode(), ours) == set()


def test_no_word_of_ours_is_left_in_english(ours: set[str]) -> None:
    client = Client()
    waiting, seen = deque(["/de/"]), {"/de/"}
    looked: dict[str, int] = {}
    left: dict[str, set[str]] = {}
    while waiting:
        path = waiting.popleft()
        pattern = pattern_of(path.split("?")[0].removeprefix("/de"))
        if looked.get(pattern, 0) >= ENOUGH_OF_A_KIND:
            continue
        answer = client.get(path)
        if answer.status_code != 200 or not answer["Content-Type"].startswith("text/html"):
            continue
        looked[pattern] = looked.get(pattern, 0) + 1
        page = answer.content.decode()
        for text in left_in_english(page, ours):
            left.setdefault(text, set()).add(path)
        for href in sorted(one for one in links_of(page) if one.startswith("/de/")):
            if href not in seen:
                seen.add(href)
                waiting.append(href)
    kinds = {pattern.strip("/").split("/")[0] for pattern in looked}
    assert kinds >= KINDS, looked
    assert {text: sorted(paths)[0] for text, paths in left.items()} == {}
