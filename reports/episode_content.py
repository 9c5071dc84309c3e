"""Builds what a released episode freezes: its words with every figure tied to a scorecard."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.utils import timezone

from reports import speech
from reports.claims.figures import Book, Rendered, book_of, rendered
from reports.disclosure import disclosure
from reports.episode_pictures import frozen_pictures, frozen_shots
from reports.models import Edition, Episode, Segment
from reports.script_checks import episode_flags, typed_part

CONTENT_FORMAT = 1


def pieces_of(read: Rendered) -> list[dict[str, str]]:
    """A text in stretches; those with a key are figures."""
    return [
        {"text": piece.text}
        if piece.figure is None
        else {
            "text": piece.text,
            "key": piece.figure.key,
            "label": piece.figure.label,
            "study": piece.figure.study,
        }
        for piece in read.pieces
    ]


def paragraphs(text: str, book: Book) -> list[list[dict[str, str]]]:
    """A text's paragraphs, each in stretches."""
    parts = [part.strip() for part in text.split("\n\n")]
    return [pieces_of(rendered(part, book)) for part in parts if part]


def timing(episode: Episode, segments: Sequence[Segment], book: Book) -> list[dict[str, Any]]:
    """When each segment begins and how long it is, in seconds."""
    rows = []
    at = 0.0
    for segment in segments:
        text = rendered(segment.script, book).text
        said = speech.seconds(text, episode.words_per_minute)
        length = said + segment.pause_s
        rows.append(
            {
                "at": at,
                "seconds": length,
                "words": speech.spoken_words(text),
                "clock": speech.clock(at),
                "length": speech.clock(length),
            }
        )
        at += length
    return rows


def captions_file(episode: Episode, segments: Sequence[Segment], book: Book) -> str:
    """The whole script as WebVTT."""
    said = [speech.Said(s.title, rendered(s.script, book).text, s.pause_s) for s in segments]
    return speech.captions(said, episode.words_per_minute)


@dataclass(frozen=True)
class Going:
    """How an episode goes out: as which edition, when, on whose word, correcting what."""

    number: int
    at: datetime
    signed: str
    said: Mapping[str, str]


def episode_content(
    episode: Episode, segments: Sequence[Segment], cards: Mapping[str, Edition], going: Going
) -> dict[str, Any]:
    """Everything of a released episode as plain JSON. Figures come from published scorecards."""
    book = Book()
    for letter, card in cards.items():
        book += book_of(card.content, letter)
    when = timing(episode, segments, book)
    flags = episode_flags(episode, segments, book)
    contents = [card.content for card in cards.values()]
    return {
        "format": CONTENT_FORMAT,
        "slug": episode.slug,
        "number": going.number,
        "title": pieces_of(rendered(episode.title, book)),
        "question": episode.question,
        "invented": episode.is_invented,
        "released_at": going.at.isoformat(),
        "signed_off": going.signed,
        "length": speech.clock(sum(one["seconds"] for one in when)),
        "segments": [
            {
                "title": segment.title,
                "clock": row["clock"],
                "written": segment.script,
                "paragraphs": paragraphs(segment.script, book),
                "screen": paragraphs(segment.screen_text, book),
                "shots": frozen_shots(segment, cards),
            }
            for segment, row in zip(segments, when, strict=True)
        ],
        "pictures": frozen_pictures(segments, cards),
        "figures": {
            figure.key: {"words": figure.words, "label": figure.label, "study": figure.study}
            for segment in segments
            for text in (episode.title, segment.script, segment.screen_text)
            for figure in rendered(text, book).figures
        },
        "typed": [
            typed_part(one) for one in flags if one.flag.rule == "typed-number" and one.stand
        ],
        "stands": [
            {
                "quote": one.flag.quote,
                "rule": one.flag.name,
                "reason": one.stand.reason,
                "by": one.stand.by.display_name,
            }
            for one in flags
            if one.stand and one.flag.rule != "typed-number"
        ],
        "cautions": _cautions(contents),
        "disclosure": disclosure(contents, timezone.localdate(going.at)),
        "scorecards": [
            {
                "letter": letter,
                "slug": card.content["study"]["slug"],
                "title": card.content["study"]["title"],
                "number": card.number,
                "digest": card.digest,
            }
            for letter, card in cards.items()
        ],
        "captions": captions_file(episode, segments, book),
        "correction": dict(going.said),
    }


def _cautions(contents: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """The cautions of every scorecard used, each once; where they differ, by study."""
    found: dict[tuple[str, str], dict[str, list[str]]] = {}
    for content in contents:
        for one in content["cautions"]:
            texts = found.setdefault((one["key"], one["short"]), {})
            texts.setdefault(one["full"], []).append(content["study"]["title"])
    return [
        {
            "key": key,
            "short": short,
            "full": next(iter(texts))
            if len(texts) == 1
            else " ".join(f"{'; '.join(titles)}: {full}" for full, titles in texts.items()),
        }
        for (key, short), texts in found.items()
    ]
