"""Says in another language what an edition froze in English.

An edition holds its sentences in English for ever. Each was made from a pattern with values in it,
so it is translated by finding that pattern again: the catalogue holds the pattern with its
placeholders, the values are taken out of the sentence, turned (a decimal comma, a month's name, a
property's name) and put into the translation. Editions stay untouched, better translations reach
old editions too, and a sentence that fits no pattern is shown in English and marked as English.

Placeholders, by the first letter of their name:

=====  =================================================================================
``n``  a number; its decimal point becomes the language's
``d``  a day such as 4 May 2026
``t``  text that is translated the same way (a property, a label), or left as it is
``s``  the same, but the pattern fits only where the text can be translated
``u``  a unit, one word
``x``  text that is left as it is (a code, a person, a sum of money)
=====  =================================================================================
"""

import re
from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache

from django.conf import settings
from django.utils import formats, translation
from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString

from reports.phrase_list import PHRASES

NUMBER = r"[+−-]?\d+(?:[\u2009\u202f]\d{3})*(?:\.\d+)?"
DAY = r"\d{1,2}[ \u00a0][A-Z][a-z]+[ \u00a0]\d{4}"
# a text within one sentence, so that a pattern never swallows the sentence after
_WITHIN = r"(?:(?![.!?][ \u00a0][A-ZÀ-Þ0-9'‘“]).)+?"
_KINDS = {"n": NUMBER, "d": DAY, "t": _WITHIN, "s": _WITHIN, "x": _WITHIN, "u": r"[^\s\d]{1,14}"}
_PLACE = re.compile(r"\{(([ndtsxu])\w*)\}")
_SENTENCE_END = re.compile(r"(?<=[.!?])[ \n]+(?=[A-ZÀ-Þ0-9'‘“£€$−])")
_PLAIN_NUMBER = re.compile(NUMBER)


# patterns and units that are written alike in more than one language
_ALIKE = frozenset(text for text in PHRASES if len(_PLACE.sub("", text)) <= 4)


@dataclass(frozen=True)
class Phrase:
    """A pattern of the catalogue and the expression that finds it in a sentence."""

    template: str
    expression: re.Pattern[str]


def _phrase(template: str) -> Phrase:
    parts, at = [], 0
    for place in _PLACE.finditer(template):
        parts += [_literal(template[at : place.start()]), f"(?P<{place[1]}>{_KINDS[place[2]]})"]
        at = place.end()
    return Phrase(template, re.compile("".join([*parts, _literal(template[at:])]), re.DOTALL))


def _literal(text: str) -> str:
    # a frozen text keeps numbers and units together with spaces that do not break
    return re.sub(r"(\\ | )", "[ \u00a0]", re.escape(text.replace("\u00a0", " ")))


@lru_cache(maxsize=1)
def _by_first_word() -> dict[str, list[Phrase]]:
    """Patterns by the word they begin with; those that begin with a placeholder under ''."""
    found: dict[str, list[Phrase]] = defaultdict(list)
    # the pattern with most words of its own speaks first
    for template in sorted(PHRASES, key=lambda t: -len(_PLACE.sub("", t))):
        first = template.split(" ")[0]
        found["" if "{" in first else first].append(_phrase(template))
    return dict(found)


def is_frozen_language() -> bool:
    """True while pages are shown in the language that editions are frozen in."""
    return (translation.get_language() or settings.LANGUAGE_CODE) == settings.LANGUAGE_CODE


def turned(text: str) -> str | None:
    """The text in the page's language; None when no pattern fits the whole of it."""
    if is_frozen_language() or not text.strip():
        return text
    return _turned(text, translation.get_language() or settings.LANGUAGE_CODE)


@lru_cache(maxsize=20_000)
def _turned(text: str, language: str) -> str | None:
    direct = translation.gettext(text)
    if direct != text or text in _ALIKE:
        return direct
    if _PLAIN_NUMBER.fullmatch(text):
        return _number(text)
    first = re.split("[ \u00a0]", text, maxsplit=1)[0]
    known = _by_first_word()
    for phrase in (*known.get(first, ()), *known[""]):
        if phrase.expression.fullmatch(text):
            whole = _filled(phrase, text, language)
            if whole is not None:
                return whole
    lowered = text[:1].lower() + text[1:]
    if lowered != text and (found := translation.gettext(lowered)) != lowered:
        return found[:1].upper() + found[1:]
    return None


def _filled(phrase: Phrase, text: str, language: str) -> str | None:
    template = translation.gettext(phrase.template)
    match = phrase.expression.fullmatch(text)
    if match is None or (template == phrase.template and template not in _ALIKE):
        return None
    found = match.groupdict()
    if any(name[0] == "s" and _turned(value, language) is None for name, value in found.items()):
        return None
    values = {name: _value(name, value, language) for name, value in found.items()}
    return _kept_together(_PLACE.sub(lambda place: values[place[1]], template))


def _value(name: str, value: str, language: str) -> str:
    if name[0] == "n":
        return _number(value)
    if name[0] == "d":
        return _day(value)
    if name[0] in "tsu":
        return _turned(value, language) or value
    return value


def _number(text: str) -> str:
    return text.replace(".", formats.get_format("DECIMAL_SEPARATOR"))


def _day(text: str) -> str:
    # a month's English name, whatever the server's own locale
    day, month, year = re.split("[ \u00a0]", text)
    number = _MONTHS.index(month) + 1 if month in _MONTHS else 0
    if not number:
        return text
    on = datetime(int(year), number, int(day))  # noqa: DTZ001 - a day, not a moment
    return formats.date_format(on, "DATE_FORMAT")


_MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)


def _kept_together(text: str) -> str:
    return re.sub(r"(?<=\d) (?=%|km\b|mm\b|kg\b|g\b|N\b|kN\b|J\b|s\b|min\b|h\b)", "\u00a0", text)


def sentences(text: str) -> list[str]:
    """The text cut after its sentences."""
    return _SENTENCE_END.split(text)


def pieces(text: str) -> list[tuple[str, bool]]:
    """The text in the page's language, piece by piece; False where it had to stay in English."""
    whole = turned(text)
    if whole is not None:
        return [(whole, True)]
    parts = [(part, turned(part)) for part in sentences(text)]
    return [(part if found is None else found, found is not None) for part, found in parts]


def said_plainly(text: str) -> str:
    """The text for an attribute or a picture, where no language can be marked."""
    return " ".join(piece for piece, _ in pieces(text))


def said(text: str) -> SafeString:
    """The text for a page; what had to stay in English is marked as English for screen readers."""
    return format_html_join(
        " ",
        "{}",
        (
            (piece if is_said else format_html('<span lang="en">{}</span>', piece),)
            for piece, is_said in pieces(text)
        ),
    )


def in_english(text: str) -> SafeString:
    """Text that an editor wrote in English: marked on pages of another language."""
    if is_frozen_language():
        return format_html("{}", text)
    return format_html('<span lang="en">{}</span>', text) if text else SafeString("")
