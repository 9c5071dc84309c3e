"""Every figure a script may use, by its key, from the content of a scorecard."""

import hashlib
import json
import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import Any

from reports import words
from reports.claims.evidence import Evidence
from reports.words import NBSP

REFERENCE = re.compile(r"\{([^{}\n]{1,120})\}")
LOSSES = frozenset({"clear loss", "some loss", "graded worse"})
GAINS = frozenset({"clear gain", "some gain", "graded better"})
_DRIVERS = {"distance_km": "distance", "months": "months", "wash_count": "washes"}


@dataclass(frozen=True)
class Figure:
    """A figure in words. `digest` changes with anything of the finding behind it."""

    key: str
    words: str
    label: str
    part: str
    source: str  # the finding's or arm's key, without the part
    digest: str
    study: str
    value: float | None = None
    unit: str = ""


@dataclass(frozen=True)
class FindingFacts:
    """What a rule may ask of a finding."""

    key: str
    property_name: str
    verdict: str
    retention: float | None
    low: float | None
    high: float | None
    n_baseline: int
    n_other: int
    unseen: str

    @property
    def is_directed(self) -> bool:
        """Whether the verdict says better or worse at all."""
        return self.verdict in LOSSES | GAINS


@dataclass(frozen=True)
class Book:
    """All figures and facts that one script may draw on, and what its shots may show."""

    figures: dict[str, Figure] = field(default_factory=dict)
    findings: dict[str, FindingFacts] = field(default_factory=dict)
    is_worn: bool = False
    has_one_owner: bool = False
    has_one_item: bool = False
    is_price: bool = False
    names: tuple[str, ...] = ()
    shots: dict[str, Evidence] = field(default_factory=dict)  # what shots may show

    def __add__(self, other: "Book") -> "Book":
        if not self.findings:
            return other
        # what holds of one study alone is no fact of the whole script
        return Book(
            self.figures | other.figures,
            self.findings | other.findings,
            self.is_worn or other.is_worn,
            self.has_one_owner and other.has_one_owner,
            self.has_one_item and other.has_one_item,
            self.is_price or other.is_price,
            tuple(sorted({*self.names, *other.names})),
            other.shots | self.shots,
        )

    def find(self, key: str) -> Figure | None:
        """The figure a reference names, however it is spaced."""
        return self.figures.get(normal_key(key))

    def close_to(self, key: str) -> list[str]:
        """Keys that look like a mistyped one."""
        return get_close_matches(normal_key(key), self.figures, n=3, cutoff=0.5)


def normal_key(key: str) -> str:
    """A key in small letters with single spaces."""
    key = " ".join(key.lower().split())
    return re.sub(r"\s*:\s*", ": ", key)


def book_of(content: dict[str, Any], letter: str = "") -> Book:
    """Every figure of one study. `letter` is put before the keys where a script uses several."""
    prefix = f"{letter.lower()}: " if letter else ""
    slug = content["study"]["slug"]
    figures: list[Figure] = []
    findings: dict[str, FindingFacts] = {}
    keys: dict[str, str] = {}
    for found in content["findings"]:
        source = f"{prefix}{found['method']['key']} {found['arm']}"
        keys.setdefault(found["property"], found["method"]["key"])
        findings[source] = _facts(found, source)
        figures += _finding_figures(found, source, slug)
    for trend in content.get("trends", []):
        if trend["property"] in keys:
            source = f"{prefix}{keys[trend['property']]} {_DRIVERS[trend['driver']]}"
            figures += _trend_figures(trend, source, slug)
    for arm in content["arms"]:
        figures += _arm_figures(arm, f"{prefix}item {arm['key']}", slug)
    cautions = {(c["key"], c["short"]) for c in content["cautions"]}
    products = {s["product"] for arm in content["arms"] for s in arm["specimens"]}
    return Book(
        {figure.key: figure for figure in figures},
        findings,
        is_worn=content["study"]["kind"] in ("worn-new", "ages"),
        has_one_owner=("E7", "One owner.") in cautions,
        has_one_item=("E6", "One of each: an illustration.") in cautions,
        is_price=content["study"]["kind"] == "price",
        names=tuple(sorted(products)),
    )


def _facts(found: dict[str, Any], key: str) -> FindingFacts:
    smallest = found["smallest_visible_loss"]
    return FindingFacts(
        key=key,
        property_name=found["property"],
        verdict=found["verdict"],
        retention=found["retention"],
        low=found["low"],
        high=found["high"],
        n_baseline=found["n_baseline"],
        n_other=found["n_other"],
        unseen="" if smallest is None else words.percent(smallest),
    )


def _digest(found: dict[str, Any], names: Iterable[str]) -> str:
    text = json.dumps({name: found[name] for name in names}, sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


_WATCHED = (
    "retention_words",
    "interval_words",
    "verdict",
    "n_baseline",
    "n_other",
    "sentence",
    "refusal",
    "cautions",
)
# part, words, what it says, value, unit
_Part = tuple[str, str, str, float | None, str]


def _finding_figures(found: dict[str, Any], source: str, slug: str) -> list[Figure]:
    name = f"{words.capital(found['property'])}, {found['arm_label']}"
    level, margin = found["level"], found["margin"]
    parts: list[_Part] = [
        ("sentence", found["sentence"], "in one sentence", None, ""),
        ("verdict", found["verdict_words"].lower(), "verdict", None, ""),
        ("count", str(found["n_other"]), "items read", found["n_other"], ""),
        ("against", str(found["n_baseline"]), "items of the baseline", found["n_baseline"], ""),
        ("level", words.level_words(level), "level of its interval", None, "%"),
        ("margin", words.percent(margin), "change that matters", margin * 100, "%"),
    ]
    if found["kind"] == "ratio":
        parts += [*_kept_parts(found), *_range_parts(found), *_times_parts(found)]
    return _figures(parts, source, name, _digest(found, _WATCHED), slug)


def _kept_parts(found: dict[str, Any]) -> Iterable[_Part]:
    kept, smallest = found["retention"], found["smallest_visible_loss"]
    if kept is not None:
        yield "kept", words.percent(kept), "kept", kept * 100, "%"
        if kept < 1:
            yield "lost", words.percent(1 - kept), "lost", 100 - kept * 100, "%"
    if smallest is not None:
        yield "unseen", words.percent(smallest), "smallest loss seen", smallest * 100, "%"


def _range_parts(found: dict[str, Any]) -> Iterable[_Part]:
    kept, low, high = found["retention"], found["low"], found["high"]
    if low is None and high is None:
        return
    interval = words.percent_range(low, high)
    level = words.level_words(found["level"])
    about = f"about {words.percent(kept)} ({level} interval {interval})" if kept else interval
    yield "range", interval, "range of what was kept", None, ""
    yield "figure", about, "kept, with its interval", None, ""
    if low is not None:
        yield "low", words.percent(low), "low end", low * 100, "%"
    if high is not None:
        yield "high", words.percent(high), "high end", high * 100, "%"
    if low is not None and high is not None and high < 1:
        lost = words.percent_range(1 - high, 1 - low)
        yield "lost-range", lost, "range of what was lost", None, ""


def _times_parts(found: dict[str, Any]) -> Iterable[_Part]:
    kept, low, high = found["retention"], found["low"], found["high"]
    if not found["times_sentence"]:
        return
    if kept:
        times = f"{words.figures(1 / kept)}{NBSP}times"
        yield "times", times, "times as much", 1 / kept, "times"
    if high:
        span = f"at least {words.figures(1 / high)}{NBSP}times"
        if low:
            span = f"{words.figures(1 / high)} to {words.figures(1 / low)}{NBSP}times"
        yield "times-range", span, "range of times as much", None, ""


def _figures(
    parts: Iterable[_Part], source: str, name: str, digest: str, slug: str
) -> list[Figure]:
    return [
        Figure(f"{source} {part}", text, f"{name}: {says}", part, source, digest, slug, value, unit)
        for part, text, says, value, unit in parts
        if text
    ]


def _trend_figures(trend: dict[str, Any], source: str, slug: str) -> list[Figure]:
    digest = _digest(trend, ("sentence", "limit_sentence", "fit_sentence", "refusal"))
    name = f"{words.capital(trend['property'])} over {trend['driver_words']}"
    parts = (("change", "sentence"), ("limit", "limit_sentence"), ("fit", "fit_sentence"))
    told: list[_Part] = [(part, trend[kept], part, None, "") for part, kept in parts]
    return _figures(told, source, name, digest, slug)


def _arm_figures(arm: dict[str, Any], source: str, slug: str) -> list[Figure]:
    items = arm["specimens"]
    digest = _digest(arm, ("label", "specimens"))
    number = float(len(items))
    told: list[_Part] = [("number", str(len(items)), "items", number, "")]
    prices = [one["price"] for one in items if one["price"]]
    if prices:
        ordered = sorted(set(prices), key=_amount)
        text = ordered[0] if len(ordered) == 1 else f"{ordered[0]} to {ordered[-1]}"
        unit = ordered[0].strip("0123456789.,\u00a0 ")
        told.append(("price", text, "price paid", _amount(ordered[0]), unit))
        for place, price in enumerate(ordered if len(ordered) > 1 else [], start=1):
            told.append((f"price-{place}", price, "a price paid", _amount(price), unit))
    sources = sorted({one["source_words"] for one in items})
    told.append(("paid", words.joined(sources), "who paid", None, ""))
    service = sorted({one["service_words"] for one in items})
    told.append(("service", "; ".join(service), "what they had been through", None, ""))
    return _figures(told, source, arm["label"], digest, slug)


def _amount(price: str) -> float:
    return float(re.sub(r"[^\d.]", "", price) or 0)


# --- setting figures into a text -------------------------------------------------------------


@dataclass(frozen=True)
class Piece:
    """A stretch of text as written and as read; `figure` is None for plain words.

    `missing` holds the key of a reference that names no figure.
    """

    raw: str
    text: str
    start: int  # in the text as written
    at: int  # in the text as read
    figure: Figure | None = None
    missing: str = ""


@dataclass(frozen=True)
class Rendered:
    """A text with its figures set in."""

    pieces: tuple[Piece, ...]

    @property
    def text(self) -> str:
        """As it is read."""
        return "".join(piece.text for piece in self.pieces)

    @property
    def missing(self) -> tuple[str, ...]:
        """References that name no figure."""
        return tuple(piece.missing for piece in self.pieces if piece.missing)

    @property
    def figures(self) -> tuple[Figure, ...]:
        """The figures used, in order."""
        return tuple(piece.figure for piece in self.pieces if piece.figure)

    def raw_place(self, at: int, *, is_end: bool = False) -> int:
        """Where a place of the read text is in the written one; a figure counts as a whole."""
        for piece in self.pieces:
            inside = piece.at <= at < piece.at + len(piece.text)
            if inside or (is_end and at == piece.at + len(piece.text)):
                if piece.figure or piece.missing:
                    return piece.start + (len(piece.raw) if is_end else 0)
                return piece.start + at - piece.at
        return sum(len(piece.raw) for piece in self.pieces)

    def is_figure_at(self, at: int) -> bool:
        """Whether a place of the read text lies in a figure."""
        return any(
            piece.at <= at < piece.at + len(piece.text)
            for piece in self.pieces
            if piece.figure or piece.missing
        )

    def is_in_one_figure(self, start: int, end: int) -> bool:
        """Whether a stretch of the read text lies in one figure: two side by side are neither."""
        return any(
            piece.at <= start and end <= piece.at + len(piece.text)
            for piece in self.pieces
            if piece.figure or piece.missing
        )

    def figures_in(self, start: int, end: int) -> list[Figure]:
        """Figures that begin between two places of the read text."""
        return [p.figure for p in self.pieces if p.figure and start <= p.at < end]


def rendered(text: str, book: Book) -> Rendered:
    """Set the figures into a text; a reference that names none stays as written."""
    pieces: list[Piece] = []
    start = at = 0

    def add(raw: str, read: str, figure: Figure | None = None, missing: str = "") -> None:
        nonlocal start, at
        if raw:
            pieces.append(Piece(raw, read, start, at, figure, missing))
            start += len(raw)
            at += len(read)

    for match in REFERENCE.finditer(text):
        add(text[start : match.start()], text[start : match.start()])
        figure = book.find(match[1])
        if figure is None:
            add(match[0], match[0], missing=normal_key(match[1]))
        else:
            add(match[0], figure.words, figure)
    add(text[start:], text[start:])
    return Rendered(tuple(pieces))
