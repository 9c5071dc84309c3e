"""The language of a page is that of its address."""

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import translation

from labsite.languages import language_of


@pytest.mark.parametrize(
    ("path", "language"),
    [
        ("/", "en-gb"),
        ("/de/", "de"),
        ("/de/scorecards/x/", "de"),
        ("/de", "en-gb"),
        ("/desk/", "en-gb"),
        ("/den/", "en-gb"),
        ("//de/", "en-gb"),
        ("/en-gb/", "en-gb"),
    ],
)
def test_only_a_whole_first_part_of_the_address_is_a_language(path: str, language: str) -> None:
    assert language_of(path) == language


@pytest.mark.django_db
def test_neither_header_nor_cookie_changes_the_language() -> None:
    client = Client(headers={"accept-language": "de"})
    client.cookies["django_language"] = "de"
    answer = client.get("/")
    assert answer["Content-Language"] == "en-gb"
    assert "Accept-Language" not in answer.get("Vary", "")
    assert '<html lang="en-GB"' in answer.content.decode()


@pytest.mark.django_db
def test_each_page_for_readers_names_itself_in_every_language() -> None:
    english = Client().get("/cautions/").content.decode()
    german = Client().get("/de/cautions/").content.decode()
    assert '<html lang="de"' in german
    assert 'hreflang="de"' in english
    assert 'href="/de/cautions/"' in english
    assert 'href="/cautions/"' in german
    # a page of the staff has one language and does not offer another
    assert "hreflang" not in Client().get("/sign-in/").content.decode()


def test_english_addresses_have_no_prefix() -> None:
    assert reverse("scorecards") == "/"
    with translation.override("de"):
        assert reverse("scorecards") == "/de/"
        assert reverse("edition-json", args=["x", 1]) == "/scorecards/x/1/card.json"
