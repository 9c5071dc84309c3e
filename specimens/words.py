"""How numbers, dates and incidents are written. No Django here."""

import math
from datetime import date

THIN_SPACE = "\u202f"  # narrow and without a break, for groups of thousands
HELD_SPACE = "\u00a0"  # keeps a number and its unit on one line

# what can happen to a specimen in use and how it is told, worst first
INCIDENT_WORDS = {
    "crash": "A crash",
    "fall": "A fall",
    "heat": "Exposure to heat",
    "soak": "A soaking",
}


def number_words(number: float) -> str:
    """A number to three significant figures, thousands set apart by a thin space."""
    if number == 0:
        return "0"
    places = 2 - math.floor(math.log10(abs(number)))
    text = f"{round(number, places):,.{max(places, 0)}f}"
    whole, point, part = text.replace(",", THIN_SPACE).partition(".")
    part = part.rstrip("0")
    return f"{whole}{point}{part}" if part else whole


def date_words(day: date) -> str:
    """A date as people say it: 4 May 2026."""
    return f"{day.day} {day:%B %Y}"


def count_words(count: int, one: str, many: str) -> str:
    """A count with its noun: no washes, 1 wash, 9 washes."""
    if not count:
        return f"no {many}"
    return f"{count:,} {one if count == 1 else many}".replace(",", THIN_SPACE)


def joined(words: list[str]) -> str:
    """Words as a list in a sentence: a, b and c."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
