"""Pictures, photos and moments of films that an episode's shots name, frozen with it."""

from collections.abc import Mapping, Sequence
from typing import Any

from reports.models import Edition, Segment
from reports.picture_queries import pictures_of
from reports.pictures.canvas import WIDE
from reports.shots import evidence_of, shown_shots


def frozen_pictures(
    segments: Sequence[Segment], cards: Mapping[str, Edition]
) -> list[dict[str, Any]]:
    """Each picture once, as SVG with its text alternative, from the scorecards as published."""
    wanted = {shot["picture"] for s in segments for shot in s.shots if shot.get("picture")}
    found: dict[str, dict[str, Any]] = {}
    for card in cards.values():
        for one in pictures_of(card.content):
            if one.name in wanted and one.name not in found:
                found[one.name] = {
                    "name": one.name,
                    "title": one.title,
                    "alternative": one.alternative,
                    "svg": one.svg(WIDE),
                }
    return list(found.values())


def frozen_shots(segment: Segment, cards: Mapping[str, Edition]) -> list[dict[str, Any]]:
    """A segment's shots with the film, time and photo that they name.

    A photo is frozen by the digest under which the scorecard's own edition shows it to readers;
    one that the edition does not name is told in words only.
    """
    evidence = evidence_of(card.content for card in cards.values())
    numbers = {card.content["study"]["slug"]: card for card in cards.values()}
    frozen = []
    for typed, shot in zip(segment.shots, shown_shots(segment.shots, evidence), strict=True):
        kept: dict[str, Any] = {"what": shot.what, "video": shot.film, "at": shot.clock}
        kept |= {name: typed[name] for name in ("photo", "mark", "picture") if name in typed}
        for one in shot.seen:
            card = numbers[one.study]
            shown = (p for p in card.content.get("photos", []) if p["digest"] == one.photo_digest)
            if (photo := next(shown, None)) is not None:
                kept["shown"] = {
                    "study": one.study,
                    "number": card.number,
                    "digest": one.photo_digest,
                    "alternative": one.alternative,
                    "width_px": photo["width_px"],
                    "height_px": photo["height_px"],
                }
        frozen.append(kept)
    return frozen
