"""The language of a page is part of its address and of nothing else.

No cookie and no browser header decides, so an address means the same to every reader, cache and
archive. English has no prefix, for ever; every other language has its code: `/de/`.
"""

from collections.abc import Callable
from typing import TypedDict

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.urls import translate_url
from django.utils import translation

GetResponse = Callable[[HttpRequest], HttpResponse]


class Language(TypedDict):
    """A language that the page at hand can be read in."""

    code: str
    name: str
    url: str
    is_current: bool


def language_of(path: str) -> str:
    """The language that an address asks for."""
    first = path.lstrip("/").partition("/")[0]
    known = {code for code, _ in settings.LANGUAGES} - {settings.LANGUAGE_CODE}
    return first if first in known and path.startswith(f"/{first}/") else settings.LANGUAGE_CODE


class AddressLanguageMiddleware:
    """Speak the language of the address while a request is answered."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        language = language_of(request.path_info)
        request.LANGUAGE_CODE = language
        with translation.override(language):
            response = self.get_response(request)
        response.headers.setdefault("Content-Language", language)
        return response


def same_page(request: HttpRequest) -> list[Language]:
    """The page at hand in every language; nothing for pages that have only one."""
    here = request.get_full_path()
    current = translation.get_language() or settings.LANGUAGE_CODE
    urls = {code: translate_url(here, code) for code, _ in settings.LANGUAGES}
    if len(set(urls.values())) < len(urls):
        return []
    return [
        Language(code=code, name=name, url=urls[code], is_current=code == current)
        for code, name in settings.LANGUAGES
    ]
