"""Numbers typed by hand: found, and the figure of the record that comes nearest."""

import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby

from reports.claims.figures import Book, Figure, Rendered

# thin, narrow and non-breaking spaces, and commas, may part thousands
_GROUPED = r"\d{1,3}(?:[\u2009\u202f\u00a0, ]\d{3})+(?!\d)(?:\.\d+)?"
NUMBER = re.compile(
    rf"(?<![\w.])(?P<sign>[−-](?=[£€$\d]))?(?P<money>[£€$])?"
    rf"(?P<digits>{_GROUPED}|\d+(?:\.\d+)?)"
    r"(?:[ \u00a0]?(?P<unit>%|per ?cent\b|times\b|km\b|kilometres\b|months?\b|years?\b|washes\b|"
    r"items?\b|mm\b|cm\b|m\b|kg\b|g\b|kn\b|n\b|j\b|joules?\b|seconds?\b|s\b|°c\b))?",
    re.IGNORECASE,
)
# the name of a standard is not a figure: 'EN 17092-2:2020'
STANDARD = re.compile(
    r"\b(?:BS EN ISO|EN ISO|BS EN|BS|EN|ISO|IEC|ASTM|ECE|SAE)[ \u00a0]?[A-Z]?[ \u00a0]?\d+"
    r"(?:[-–.]\d+)*(?::\d{4})?"
)
_TOKEN = re.compile(r"[^\s{}]+")
_UNITS = {"per cent": "%", "percent": "%", "kilometres": "km", "month": "months", "item": "items"}


@dataclass(frozen=True)
class TypedNumber:
    """A number typed by hand, its place in the read text, and the nearest figure."""

    text: str
    start: int
    end: int
    value: float
    unit: str
    nearest: Figure | None
    is_same: bool


def typed_numbers(read: Rendered, book: Book) -> list[TypedNumber]:
    """Every number of a text that is not a figure, nor part of a standard's or product's name."""
    text = read.text
    named = [m.span() for m in STANDARD.finditer(text)]
    for name in book.names:
        named += [m.span() for m in re.finditer(re.escape(name), text)]
    # a figure set against a name would become a part of it
    named = [span for span in named if not any(map(read.is_figure_at, range(*span)))]
    found = []
    covered: set[int] = set()
    for match in NUMBER.finditer(text):
        start = match.start()
        if read.is_in_one_figure(*match.span("digits")):
            continue
        if any(left <= start and match.end("digits") <= right for left, right in named):
            continue
        value = float(re.sub(r"[^\d.]", "", match["digits"]))
        unit = match["money"] or (match["unit"] or "").lower()
        unit = _UNITS.get(unit, unit)
        nearest = _nearest(value, unit, book)
        same = nearest is not None and _says(nearest) == (match["money"] or "") + match["digits"]
        found.append(TypedNumber(match[0].strip(), start, match.end(), value, unit, nearest, same))
        covered.update(range(start, match.end()))
    for start, end in _other_numerals(text, covered):
        is_named = any(left <= start and end <= right for left, right in named)
        if not is_named and not read.is_in_one_figure(start, end):
            written = text[start:end]
            value = float(written) if written.isdecimal() else unicodedata.numeric(written[0])
            found.append(TypedNumber(written, start, end, value, "", None, False))
    return sorted(found, key=lambda one: one.start)


def _other_numerals(text: str, covered: set[int]) -> Iterator[tuple[int, int]]:
    """Numerals that the pattern leaves: ½, ², Ⅳ, those glued to a word. Not those of 'A4'."""
    for token in _TOKEN.finditer(text):
        if token[0][0].isupper() and not token[0][0].isnumeric():
            continue
        left = [
            place
            for place, char in enumerate(token[0], start=token.start())
            if char.isnumeric() and place not in covered
        ]
        # neighbours are one numeral
        for _, run in groupby(enumerate(left), lambda one: one[1] - one[0]):
            places = [place for _, place in run]
            yield places[0], places[-1] + 1


def _says(figure: Figure) -> str:
    return re.sub(r"[\u00a0 ](%|times)$", "", figure.words)


def _nearest(value: float, unit: str, book: Book) -> Figure | None:
    """The figure of the same unit that lies closest; none where nothing is within a factor of 2."""
    unit = "" if unit == "items" else unit
    alike = [f for f in book.figures.values() if f.value is not None and f.unit == unit]
    if not alike:
        return None

    def distance(figure: Figure) -> tuple[float, int, str]:
        rank = _PARTS.index(figure.part) if figure.part in _PARTS else len(_PARTS)
        return abs(round(figure.value or 0.0, 6) - value), rank, figure.key

    best = min(alike, key=distance)
    gap = abs((best.value or 0.0) - value)
    return best if gap <= max(abs(value), 1e-9) * 0.5 else None


# of figures equally near, the one most likely meant
_PARTS = ("kept", "lost", "times", "price", "number", "count", "low", "high", "unseen", "margin")
