"""Rules of the specimens' record: each raises `Refused` with the reason, beside its field."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from typing import Any

from django.utils import timezone

from labsite.errors import Refused
from specimens.models import ServiceEntry
from specimens.words import INCIDENT_WORDS, date_words

Problems = dict[str, list[str]]


def check_not_in_future(day: date, field: str) -> None:
    """A record tells what has happened."""
    today = timezone.localdate()
    if day > today:
        raise Refused(
            {field: [f"{date_words(day)} is in the future: today is {date_words(today)}."]}
        )


def by_lab_clock(at: datetime) -> datetime:
    """The moment as the lab's clock shows it; as it came, at the ends of the calendar."""
    try:
        return timezone.localtime(at)
    except OverflowError:
        return at


def check_moment_not_in_future(at: datetime, field: str) -> None:
    """The same for a date with a time."""
    if at > timezone.now():
        here = by_lab_clock(at)
        raise Refused(
            {
                field: [
                    f"{here:%H:%M} on {date_words(here.date())} is in the future: check the clock."
                ]
            }
        )


def check_period(started_on: date, ended_on: date) -> None:
    """Use begins before it ends, and has ended by today."""
    check_not_in_future(started_on, "started_on")
    check_not_in_future(ended_on, "ended_on")
    if ended_on < started_on:
        ended, started = date_words(ended_on), date_words(started_on)
        raise Refused({"ended_on": [f"It cannot end on {ended}, before it began on {started}."]})


def check_distance(low: float | None, best: float | None, high: float | None) -> None:
    """All three or none, none below zero, and in order."""
    named = {"distance_km_low": low, "distance_km_best": best, "distance_km_high": high}
    problems: Problems = {}
    for field, number in named.items():
        if number is not None and number < 0:
            problems[field] = ["A distance cannot be below zero."]
    if problems:
        raise Refused(problems)
    missing = [field for field, number in named.items() if number is None]
    if missing and len(missing) < len(named):
        sentence = "Give the lowest, the best guess and the highest, or leave all three empty."
        raise Refused({field: [sentence] for field in missing})
    if low is None or best is None or high is None:
        return
    if low > best:
        problems["distance_km_low"] = ["The lowest distance cannot be above the best guess."]
    if high < best:
        problems["distance_km_high"] = ["The highest distance cannot be below the best guess."]
    if problems:
        raise Refused(problems)


def check_distance_told_once(
    standing: Iterable[ServiceEntry], started_on: date, ended_on: date, distance: float | None
) -> None:
    """Two entries of the same days must not both count a distance.

    `standing` are the specimen's other entries that state one, earliest first.
    """
    if distance is None:
        return
    for other in standing:
        if other.started_on <= ended_on and other.ended_on >= started_on:
            sentence = (
                f"The entry of {date_words(other.started_on)} to {date_words(other.ended_on)} "
                "states a distance for some of these days already: it would count twice."
            )
            raise Refused({"distance_km_best": [sentence]})


def checked_incidents(
    incidents: Sequence[Mapping[str, Any]], started_on: date, ended_on: date
) -> list[dict[str, str | None]]:
    """Incidents as stored: a known kind, a date within the entry or none, and a note."""
    stored: list[dict[str, str | None]] = []
    problems: list[str] = []
    for incident in incidents:
        kind, on, note = incident.get("kind"), incident.get("on"), incident.get("note") or ""
        if kind not in INCIDENT_WORDS:
            problems.append(f"'{kind}' is no kind of incident: use {', '.join(INCIDENT_WORDS)}.")
            continue
        if isinstance(on, str):
            try:
                on = date.fromisoformat(on)
            except ValueError:
                problems.append(f"'{str(on)[:40]}' is not a date like 2026-03-14.")
                continue
        if on is not None and not started_on <= on <= ended_on:
            problems.append(
                f"The {kind} of {date_words(on)} is outside this entry "
                f"({date_words(started_on)} to {date_words(ended_on)})."
            )
            continue
        stored.append({"kind": kind, "on": on.isoformat() if on else None, "note": str(note)})
    if problems:
        raise Refused({"incidents": problems})
    return stored


def check_price(price: object, currency: str, field: str) -> None:
    """A price needs its currency."""
    if price is not None and not currency:
        raise Refused({"currency": ["Say the currency, such as GBP."]})
    if currency and not (len(currency) == 3 and currency.isascii() and currency.isalpha()):
        raise Refused({"currency": ["Use the three letters of the currency, such as GBP."]})
    if price is None and currency:
        raise Refused({field: ["There is a currency but no price: give both or neither."]})
