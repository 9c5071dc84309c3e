"""Pictures that an episode's shots name, frozen with it."""

from collections.abc import Mapping, Sequence
from typing import Any

from reports.models import Edition, Segment


def frozen_pictures(
    segments: Sequence[Segment], cards: Mapping[str, Edition]
) -> list[dict[str, Any]]:
    """Each picture once, as SVG with its text alternative."""
    return []
