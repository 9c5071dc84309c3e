"""Which pictures a study's content can give."""

from collections.abc import Sequence
from typing import Any


def picture_choices(contents: Sequence[tuple[str, dict[str, Any]]]) -> list[dict[str, str]]:
    """Names and titles of every picture."""
    return []
