"""A specimen's service as a picture: bars over months, incidents as marks, in per cent of the width."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

from specimens.models import ServiceEntry, Specimen
from specimens.queries import Exposure, exposure, exposure_words
from specimens.words import HELD_SPACE, INCIDENT_WORDS, date_words, number_words


@dataclass(frozen=True)
class Bar:
    """A service entry: where it lies, how far it went and whether a document supports it."""

    x: float
    width: float
    words: str
    distance_words: str
    is_documented: bool


@dataclass(frozen=True)
class Mark:
    """Something on one day: an incident, or the day the specimen came or was retired."""

    x: float
    words: str
    kind: str


MOST_NAMES = 4  # of years in the picture: more would meet on a phone 320 px wide
EDGE = 7.0  # nearer to an end of the picture than this a centred name would leave it


@dataclass(frozen=True)
class Year:
    """The start of a calendar year. In the picture its name stands below its line."""

    x: float
    label: str
    is_named: bool

    @property
    def anchor(self) -> str:
        """The part of the name that stands below the line, as SVG calls it."""
        if self.x < EDGE:
            return "start"
        return "end" if self.x > 100 - EDGE else "middle"


@dataclass(frozen=True)
class Timeline:
    """The whole picture, left to right."""

    first: str
    last: str
    bars: tuple[Bar, ...]
    marks: tuple[Mark, ...]
    years: tuple[Year, ...]


def timeline(specimen: Specimen, today: date) -> Timeline | None:
    """The picture of a specimen's service; None when none is on record."""
    entries = sorted(specimen.service_entries.all(), key=lambda one: (one.started_on, one.pk))
    if not entries:
        return None
    end = max(
        [today if specimen.retired_on is None else specimen.retired_on]
        + [one.ended_on for one in entries]
        + [specimen.acquired_on]
    )
    begin = min(entries[0].started_on, specimen.acquired_on)
    days = max(1, (end - begin).days + 1)

    def at(day: date) -> float:
        return round(100 * (day - begin).days / days, 2)

    marks = [
        Mark(at(day), f"{INCIDENT_WORDS[incident['kind']]} on {date_words(day)}", incident["kind"])
        for one in entries
        for incident in one.incidents
        if incident.get("on") and begin <= (day := date.fromisoformat(incident["on"])) <= end
    ]
    marks.append(
        Mark(
            at(specimen.acquired_on),
            f"Came to the lab on {date_words(specimen.acquired_on)}",
            "came",
        )
    )
    if specimen.retired_on:
        marks.append(
            Mark(
                at(specimen.retired_on), f"Used up on {date_words(specimen.retired_on)}", "retired"
            )
        )
    return Timeline(
        first=date_words(begin),
        last=date_words(end),
        bars=tuple(
            Bar(
                x=at(one.started_on),
                width=max(0.5, round(100 * ((one.ended_on - one.started_on).days + 1) / days, 2)),
                words=f"{date_words(one.started_on)} to {date_words(one.ended_on)}",
                distance_words=_distance_words(one),
                is_documented=one.evidence in ServiceEntry.DOCUMENTED,
            )
            for one in entries
        ),
        marks=tuple(sorted(marks, key=lambda mark: mark.x)),
        years=_years(begin.year + 1, end.year, at),
    )


def _years(first: int, last: int, at: Callable[[date], float]) -> tuple[Year, ...]:
    """Every year from first to last; so many of them named as fit."""
    every = -(-(last - first + 1) // MOST_NAMES) or 1
    return tuple(
        Year(at(date(year, 1, 1)), str(year), (last - year) % every == 0)
        for year in range(first, last + 1)
    )


def _distance_words(entry: ServiceEntry) -> str:
    if entry.distance_km_best is None:
        return "distance not known"
    return f"{number_words(entry.distance_km_best)}{HELD_SPACE}km"


@dataclass(frozen=True)
class ExposureOn:
    """What a specimen had been through by a day that somebody asked for."""

    on: date
    known: Exposure
    words: str


def exposure_on(specimen: Specimen, day: date) -> ExposureOn:
    """Exposure at any date, in words as well."""
    known = exposure(specimen, day)
    return ExposureOn(day, known, exposure_words(known))
