"""Reads a script sentence by sentence against the rules and says what the findings do not carry."""

import re
import tomllib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from reports.claims.figures import GAINS, Book, Figure, FindingFacts, Rendered, rendered
from reports.claims.numbers import typed_numbers

RULES_FILE = Path(__file__).with_name("rules.toml")
_SINGLE = frozenset({"kept", "lost", "times"})
_WITH_RANGE = frozenset({"range", "lost-range", "times-range", "figure", "sentence"})


@dataclass(frozen=True)
class Rule:
    """A rule as rules.toml states it."""

    key: str
    name: str
    why: str
    instead: str
    patterns: tuple[re.Pattern[str], ...] = ()
    unless: tuple[re.Pattern[str], ...] = ()
    when: tuple[str, ...] = ()
    on: str = "read"
    check: str = ""


@dataclass(frozen=True)
class Flag:
    """Something a person has to change or to stand for.

    `start` and `end` are places in the text as written; both 0 for the script as a whole.
    """

    rule: str
    name: str
    text: int  # which of the texts
    start: int
    end: int
    quote: str
    sentence: str
    why: str
    instead: str
    offers: tuple[str, ...] = ()  # keys of figures to put in


@dataclass(frozen=True)
class Sentence:
    """A sentence of one text, with the findings it speaks of."""

    text: str
    start: int  # in the read text
    end: int
    written: str
    figures: tuple[Figure, ...]
    findings: tuple[FindingFacts, ...]
    following: tuple[Figure, ...]  # figures of the next sentence
    cited: bool  # by its own figures or the property's name, not only by the segment


@cache
def rules() -> tuple[Rule, ...]:
    """The rules, in the order of the file."""
    with RULES_FILE.open("rb") as file:
        told = tomllib.load(file)["rule"]
    return tuple(
        Rule(
            **{k: v for k, v in one.items() if isinstance(v, str)},
            patterns=_compiled(one.get("patterns", ())),
            unless=_compiled(one.get("unless", ())),
            when=tuple(one.get("when", ())),
        )
        for one in told
    )


def _compiled(patterns: Sequence[str]) -> tuple[re.Pattern[str], ...]:
    return tuple(re.compile(pattern, re.IGNORECASE) for pattern in patterns)


def check_script(texts: Sequence[str], book: Book, *, is_whole: bool = True) -> list[Flag]:
    """Every flag in the texts of a script, in reading order.

    `is_whole` says that the texts are all that is said, so that what is nowhere said is missed.
    """
    flags: list[Flag] = []
    read = [rendered(text, book) for text in texts]
    for place, one in enumerate(read):
        found = list(_in_text(place, one, book))
        flags += sorted(found, key=lambda flag: (flag.start, flag.end))
    if is_whole:
        flags += _in_whole(read, book)
    return flags


def sentences_of(read: Rendered, book: Book) -> list[Sentence]:
    """The sentences of a text. A figure is never cut, whatever stops it has."""
    spans = list(_spans(read))
    figures = [tuple(read.figures_in(start, end)) for start, end in spans]
    everything = tuple(read.figures)
    made = []
    for place, (start, end) in enumerate(spans):
        text = read.text[start:end]
        written = "".join(
            p.raw if p.figure or p.missing else p.text[max(start - p.at, 0) : end - p.at]
            for p in read.pieces
            if p.at < end and p.at + len(p.text) > start
        )
        own = _findings(figures[place], book) or _named(text, book)
        made.append(
            Sentence(
                text,
                start,
                end,
                written,
                figures[place],
                own or _findings(everything, book),
                figures[place + 1] if place + 1 < len(spans) else (),
                bool(own),
            )
        )
    return made


_STOP = re.compile(r"[.!?…]+[\"'’”)\]]*(?=\s|$)|\n+")
_SHORT = re.compile(r"\b(?:e\.g|i\.e|approx|no|Dr|Mr|Mrs|Ms|vs|St|c)\.$", re.IGNORECASE)


def _spans(read: Rendered) -> Iterator[tuple[int, int]]:
    text = read.text
    start = 0
    for stop in _STOP.finditer(text):
        if read.is_figure_at(stop.start()) or (
            _SHORT.search(text[start : stop.end()]) and stop.end() < len(text)
        ):
            continue
        yield from _trimmed(text, start, stop.end())
        start = stop.end()
    yield from _trimmed(text, start, len(text))


def _trimmed(text: str, start: int, end: int) -> Iterator[tuple[int, int]]:
    inside = text[start:end]
    if inside.strip():
        yield start + len(inside) - len(inside.lstrip()), end - len(inside) + len(inside.rstrip())


def _findings(figures: Sequence[Figure], book: Book) -> tuple[FindingFacts, ...]:
    keys = dict.fromkeys(figure.source for figure in figures)
    return tuple(book.findings[key] for key in keys if key in book.findings)


def _named(text: str, book: Book) -> tuple[FindingFacts, ...]:
    """Findings whose property the sentence names."""
    low = text.lower()
    return tuple(f for f in book.findings.values() if f.property_name.lower() in low)


def _in_text(place: int, read: Rendered, book: Book) -> Iterator[Flag]:
    for sentence in sentences_of(read, book):
        for rule in rules():
            if rule.check:
                found = _CHECKS.get(rule.check, _nothing)(sentence, book)
                for start, end, filled in found:
                    yield _flag(rule, place, read, sentence, (start, end), filled)
            elif _holds(rule, sentence, book):
                span = _matched(rule, sentence)
                if span:
                    yield _flag(rule, place, read, sentence, span, {})
    yield from _numbers(place, read, book)
    yield from _unknown(place, read, book)


def _matched(rule: Rule, sentence: Sentence) -> tuple[int, int] | None:
    """Where a rule is broken, in the sentence as read."""
    if any(pattern.search(sentence.text) for pattern in rule.unless):
        return None
    text = sentence.written if rule.on == "written" else sentence.text
    for pattern in rule.patterns:
        if match := pattern.search(text):
            # a match in what was typed has no place of its own in what is read
            return (0, len(sentence.text)) if rule.on == "written" else match.span()
    return None


def _flag(
    rule: Rule,
    place: int,
    read: Rendered,
    sentence: Sentence,
    span: tuple[int, int],
    filled: dict[str, str],
) -> Flag:
    start, end = sentence.start + span[0], sentence.start + span[1]
    offers = tuple(filter(None, filled.get("offers", "").split("|")))
    words = _filling(sentence) | filled
    return Flag(
        rule.key,
        rule.name,
        place,
        read.raw_place(start),
        read.raw_place(end, is_end=True),
        read.text[start:end],
        sentence.text,
        _fill(rule.why, words),
        _fill(rule.instead, words),
        offers,
    )


def _fill(text: str, words: dict[str, str]) -> str:
    return re.sub(r"\{(\w+)\}", lambda m: words.get(m[1], ""), text)


def _filling(sentence: Sentence) -> dict[str, str]:
    first = sentence.findings[0] if sentence.findings else None
    if first is None:
        return {"unseen": "the smallest loss this test could see", "range": "its 'range' figure"}
    return {
        "unseen": first.unseen or "any size",
        "property": first.property_name,
        "verdict": first.verdict or "not resolved",
        "range": f"{{{first.key} range}}",
    }


# --- conditions ------------------------------------------------------------------------------


def _holds(rule: Rule, sentence: Sentence, book: Book) -> bool:
    return all(_CONDITIONS[name](sentence, book) for name in rule.when)


def _all_held(sentence: Sentence) -> bool:
    return bool(sentence.findings) and all(f.verdict == "held" for f in sentence.findings)


def _one_item(sentence: Sentence, book: Book) -> bool:
    if sentence.findings:
        return any(f.n_other == 1 for f in sentence.findings)
    return book.has_one_item


_CONDITIONS: dict[str, Callable[[Sentence, Book], bool]] = {
    "not-held": lambda sentence, book: not _all_held(sentence),
    "one-owner": lambda sentence, book: book.has_one_owner,
    "several-owners": lambda sentence, book: not book.has_one_owner,
    "one-item": _one_item,
    "undirected": lambda sentence, book: (
        sentence.cited and not any(f.is_directed for f in sentence.findings)
    ),
    "only-gains": lambda sentence, book: (
        sentence.cited and all(f.verdict in GAINS for f in sentence.findings)
    ),
    "no-trend-cited": lambda sentence, book: (
        not any(figure.part in ("change", "limit", "fit") for figure in sentence.figures)
    ),
}


# --- checks by computation -------------------------------------------------------------------

_Found = Iterator[tuple[int, int, dict[str, str]]]


def _nothing(sentence: Sentence, book: Book) -> _Found:
    yield from ()


_FROM_TO = re.compile(
    r"from (?P<a>\d[\d.]*)\s?(?:%|per ?cent)?[^.]{0,25}? to (?P<b>\d[\d.]*)\s?(?:%|per ?cent)", re.I
)
_BY = re.compile(r"(?P<x>\d[\d.]*)\s?(?:%|per ?cent\b)(?! points?)(?! to)", re.I)


def _points(sentence: Sentence, book: Book) -> _Found:
    """'From 90 % to 81 %, so 9 % less' is 9 points, and 10 per cent of 90."""
    for pair in _FROM_TO.finditer(sentence.text):
        a, b = float(pair["a"].rstrip(".")), float(pair["b"].rstrip("."))
        for one in _BY.finditer(sentence.text):
            outside = one.end() <= pair.start() or one.start() >= pair.end()
            told = float(one["x"].rstrip("."))
            if outside and abs(told - abs(a - b)) < 0.51 and abs(told - abs(a - b) / a * 100) > 0.5:
                yield one.start(), one.end(), {}


def _uncertainty(sentence: Sentence, book: Book) -> _Found:
    told = {f.source for f in (*sentence.figures, *sentence.following) if f.part in _WITH_RANGE}
    for figure in sentence.figures:
        if figure.part in _SINGLE and figure.source not in told:
            at = sentence.text.find(figure.words)
            part = f"{figure.part}-range" if figure.part != "kept" else "range"
            key = f"{figure.source} {part}"
            key = key if key in book.figures else f"{figure.source} range"
            yield at, at + len(figure.words), {"range": f"{{{key}}}", "offers": key}


_FRACTIONS: dict[str, tuple[float, float, float]] = {
    # the share, and the nearest simple shares on either side
    "half": (1 / 2, 1 / 3, 2 / 3),
    "halved": (1 / 2, 1 / 3, 2 / 3),
    "a third": (1 / 3, 1 / 4, 1 / 2),
    "one third": (1 / 3, 1 / 4, 1 / 2),
    "two thirds": (2 / 3, 1 / 2, 3 / 4),
    "a quarter": (1 / 4, 1 / 5, 1 / 3),
    "three quarters": (3 / 4, 2 / 3, 4 / 5),
    "twice": (2.0, 1.5, 3.0),
    "double": (2.0, 1.5, 3.0),
    "doubled": (2.0, 1.5, 3.0),
    "three times": (3.0, 2.0, 4.0),
    "four times": (4.0, 3.0, 5.0),
}
_FRACTION = re.compile(r"\b(" + "|".join(sorted(_FRACTIONS, key=len, reverse=True)) + r")\b", re.I)
_OF_SOMETHING_ELSE = re.compile(r"\b(price|cost|money|minute|hour|way through|year|size)\b", re.I)


def _fraction(sentence: Sentence, book: Book) -> _Found:
    for match in _FRACTION.finditer(sentence.text):
        if _OF_SOMETHING_ELSE.search(sentence.text[match.start() : match.end() + 25]):
            continue
        if not any(
            _carries(finding, *_FRACTIONS[match[1].lower()]) for finding in sentence.findings
        ):
            yield match.start(), match.end(), {}


def _carries(found: FindingFacts, share: float, below: float, above: float) -> bool:
    if found.low is None or found.high is None or found.low <= 0:
        return False
    for low, high in (
        (found.low, found.high),
        (1 - found.high, 1 - found.low),
        (1 / found.high, 1 / found.low),
    ):
        if below < low <= share <= high < above:
            return True
    return False


_CHECKS: dict[str, Callable[[Sentence, Book], _Found]] = {
    "points": _points,
    "uncertainty": _uncertainty,
    "fraction": _fraction,
}


def _rule(key: str) -> Rule:
    return next(rule for rule in rules() if rule.key == key)


def _numbers(place: int, read: Rendered, book: Book) -> Iterator[Flag]:
    sentences = sentences_of(read, book)
    for number in typed_numbers(read, book):
        # every place that is not blank lies in a sentence
        within = next(s for s in sentences if s.start <= number.start < s.end)
        near = number.nearest
        if near is None:
            told = "No figure of the record is near. Leave it out, or say why it may stand."
        elif number.is_same:
            told = f"It is what {{{near.key}}} gives ({near.label}): put that in."
        else:
            told = f"Nearest: {near.words} ({near.label}), as {{{near.key}}}."
        span = (number.start - within.start, number.start - within.start + len(number.text))
        filled = {"nearest": told, "offers": near.key if near else ""}
        yield _flag(_rule("typed-number"), place, read, within, span, filled)


def _unknown(place: int, read: Rendered, book: Book) -> Iterator[Flag]:
    for piece in read.pieces:
        if piece.missing:
            close = book.close_to(piece.missing)
            rule = _rule("unknown-figure")
            told = f"; close to it: {', '.join(close)}" if close else ""
            yield Flag(
                rule.key,
                rule.name,
                place,
                piece.start,
                piece.start + len(piece.raw),
                piece.raw,
                piece.raw,
                rule.why,
                _fill(rule.instead, {"close": told}),
                tuple(close),
            )


_DEAR_OR_CHEAP = re.compile(
    r"\b(cheap(er|est)?|dear(er|est)?|expensive|pric(e|es|ey|ier)|budget|bargain|costs?|money)\b",
    re.I,
)
_PAID = re.compile(r"\b(bought|paid for|lent|loaned|given to us|gifts?|sponsor\w*|donated)\b", re.I)


def _in_whole(read: Sequence[Rendered], book: Book) -> Iterator[Flag]:
    """What a script as a whole must say and does not."""
    text = "\n".join(one.text for one in read)
    if not text.strip():
        return
    parts = {figure.part for one in read for figure in one.figures}
    asks = book.is_price or _DEAR_OR_CHEAP.search(text)
    if (
        asks
        and not any(part.startswith("price") for part in parts)
        and not re.search("[£€$]", text)
    ):
        yield _missed("price")
    if "paid" not in parts and not _PAID.search(text):
        yield _missed("paid")


def _missed(key: str) -> Flag:
    rule = _rule(key)
    return Flag(rule.key, rule.name, 0, 0, 0, "", "", rule.why, rule.instead)
