"""Pictures that an episode's shots name, frozen with it."""

from collections.abc import Mapping, Sequence
from typing import Any

from reports.models import Edition, Segment
from reports.picture_queries import pictures_of
from reports.pictures.canvas import WIDE


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
