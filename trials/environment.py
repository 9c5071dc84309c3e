"""What may be done about the room and about conditioning, and what the record says of both."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction
from django.utils import timezone

from labsite import audit
from labsite.errors import Refused
from labsite.models import User
from specimens.models import Specimen
from trials.actions import mark_changed
from trials.models import Conditioning, RoomReading, Study

NEAR = timedelta(hours=4)  # a room reading speaks for this long before and after it
CLOCK_SLACK = timedelta(minutes=10)


@transaction.atomic
def record_room(*, by: User, fields: dict[str, Any]) -> RoomReading:
    """Keep the climate of a room at one time."""
    if fields["at"] > timezone.now() + CLOCK_SLACK:
        raise Refused({"at": ["This is in the future."]})
    if RoomReading.objects.filter(place=fields["place"], at=fields["at"]).exists():
        raise Refused({"at": ["This room has a reading of this time already."]})
    made = RoomReading.objects.create(by=by, **fields)
    audit.record(by=by, verb="read room", subject=made)
    near = Study.objects.filter(
        runs__readings__measured_at__range=(made.at - NEAR, made.at + NEAR)
    ).distinct()
    for study in near:
        mark_changed(study)
    return made


@transaction.atomic
def record_conditioning(*, by: User, specimen: Specimen, fields: dict[str, Any]) -> Conditioning:
    """Keep a specimen's stay in a conditioned place."""
    problems: dict[str, list[str]] = {}
    if fields["ended_at"] <= fields["started_at"]:
        problems["ended_at"] = ["It ended before it started."]
    if fields["ended_at"] > timezone.now() + CLOCK_SLACK:
        problems["ended_at"] = ["This is in the future: enter it when it is over."]
    overlap = Conditioning.objects.filter(
        specimen=specimen,
        started_at__lt=fields["ended_at"],
        ended_at__gt=fields["started_at"],
    )
    if not problems and overlap.exists():
        problems["started_at"] = ["This overlaps another stay of the same specimen."]
    if problems:
        raise Refused(problems)
    made = Conditioning.objects.create(specimen=specimen, by=by, **fields)
    audit.record(by=by, verb="conditioned specimen", subject=specimen)
    for study in Study.objects.filter(runs__specimen=specimen).distinct():
        mark_changed(study)
    return made


@dataclass(frozen=True)
class Climate:
    """A reading of a room. Humidity may not have been read."""

    at: datetime
    temperature_degc: float
    humidity_percent: float | None


def outside_words(
    conditions: Mapping[str, Any], measured_at: datetime, climates: Sequence[Climate]
) -> str:
    """How the room lay outside a method's limits around a time; empty when it did not.

    The nearest reading before and the nearest after count, each within four hours.
    """
    temperature = conditions.get("temperature_degc")
    humidity = conditions.get("humidity_percent")
    if not temperature and not humidity:
        return ""
    before = [c for c in climates if timedelta(0) <= measured_at - c.at <= NEAR]
    after = [c for c in climates if timedelta(0) < c.at - measured_at <= NEAR]
    near = [max(before, key=lambda c: c.at)] if before else []
    near += [min(after, key=lambda c: c.at)] if after else []
    if not near:
        return "the room was not read within four hours"
    for climate in near:
        if temperature and not temperature[0] <= climate.temperature_degc <= temperature[1]:
            return f"the room was at {climate.temperature_degc:g} °C"
        if humidity and climate.humidity_percent is None:
            return "humidity was not read"
        if humidity and not humidity[0] <= (climate.humidity_percent or 0) <= humidity[1]:
            return f"the room was at {climate.humidity_percent:g} % relative humidity"
    return ""


def conditioned_hours(
    stays: Sequence[tuple[datetime, datetime]], measured_at: datetime, within: timedelta
) -> float:
    """Hours of conditioning that ended at most `within` before a time, joined stays added up."""
    edge = measured_at
    hours = 0.0
    for started_at, ended_at in sorted(stays, reverse=True):
        if started_at >= edge:
            continue
        if edge - ended_at > within:
            break
        hours += (min(ended_at, edge) - started_at).total_seconds() / 3600
        edge = started_at
    return hours
