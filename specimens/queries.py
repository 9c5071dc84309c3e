"""What the records of a specimen add up to."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta

from specimens.models import ServiceEntry, Specimen
from specimens.words import (
    HELD_SPACE,
    INCIDENT_WORDS,
    count_words,
    date_words,
    joined,
    number_words,
)

DAYS_IN_A_MONTH = 365.25 / 12

Evidence = ServiceEntry.Evidence

# from the weakest to the strongest, with the words that follow "from"
EVIDENCE_WORDS: dict[str, str] = {
    Evidence.UNKNOWN: "a source that is not known",
    Evidence.MEMORY: "the owner's memory",
    Evidence.DIARY: "a diary",
    Evidence.RECEIPTS: "receipts",
    Evidence.ODOMETER: "a logged odometer",
    Evidence.LOGGER: "a data logger",
}


@dataclass(frozen=True)
class Distance:
    """A distance in km: the lowest it can be, the best guess and the highest it can be."""

    low: float
    best: float
    high: float


@dataclass(frozen=True)
class Incident:
    """Something that happened in use; `on` is None when nobody knows the day."""

    kind: str
    on: date | None
    note: str

    @property
    def words(self) -> str:
        when = "date not known" if self.on is None else f"on {date_words(self.on)}"
        joint = ", " if self.on is None else " "
        return f"{INCIDENT_WORDS[self.kind]} was reported{joint}{when}."


@dataclass(frozen=True)
class Exposure:
    """What a specimen had been through by a day.

    A total is None when no entry states it. `distance_is_whole` and `wash_is_whole` are False
    when some entries state it and others do not: the total is then a least value.
    `has_shared_entry` is True when an entry was still running on that day: it counts by the share
    of its days that had passed, which supposes even use and is not known from the record.
    """

    distance_km: Distance | None
    distance_is_whole: bool
    months: float
    wash_count: int | None
    wash_is_whole: bool
    proofing_count: int | None
    evidence: tuple[str, ...]
    incidents: tuple[Incident, ...]
    entry_count: int
    has_shared_entry: bool

    @property
    def is_worn(self) -> bool:
        """True when any use is on record."""
        return self.entry_count > 0

    @property
    def has_crash(self) -> bool:
        """True when a crash is on record."""
        return any(incident.kind == "crash" for incident in self.incidents)

    @property
    def is_documented(self) -> bool:
        """True when no part of the history rests on memory alone or on nothing."""
        return all(kind in ServiceEntry.DOCUMENTED for kind in self.evidence)


def exposure(specimen: Specimen, on: date) -> Exposure:
    """What the specimen had been through at the end of the day `on`.

    Derived from its service entries every time, so that it is never typed twice. Entries that
    begin later do not count. Costs one query, none where the entries are prefetched.
    """
    begun = [entry for entry in specimen.service_entries.all() if entry.started_on <= on]
    begun.sort(key=lambda entry: (entry.started_on, entry.pk))
    distances = [d for entry in begun if (d := _distance(entry, on)) is not None]
    washes = [n for entry in begun if (n := _share_of(entry.wash_count, entry, on)) is not None]
    proofings = [
        n for entry in begun if (n := _share_of(entry.proofing_count, entry, on)) is not None
    ]
    kinds = {entry.evidence for entry in begun}
    return Exposure(
        distance_km=_sum(distances),
        distance_is_whole=len(distances) == len(begun),
        months=_days_worn(begun, on) / DAYS_IN_A_MONTH,
        wash_count=sum(washes) if washes else None,
        wash_is_whole=len(washes) == len(begun),
        proofing_count=sum(proofings) if proofings else None,
        evidence=tuple(kind for kind in EVIDENCE_WORDS if kind in kinds),
        incidents=_incidents(begun, on),
        entry_count=len(begun),
        has_shared_entry=any(entry.ended_on > on for entry in begun),
    )


def service_words(specimen: Specimen, on: date) -> str:
    """The service history by a day in a sentence or two, as a scorecard tells it."""
    return exposure_words(exposure(specimen, on))


def exposure_words(known: Exposure) -> str:
    """The same for an exposure at hand."""
    if not known.is_worn:
        return "Never worn."
    told = [
        _distance_words(known),
        _months_words(known.months),
        _count_words(known.wash_count, "wash", "washes", is_whole=known.wash_is_whole),
    ]
    if known.proofing_count:
        told.append(count_words(known.proofing_count, "proofing", "proofings"))
    sources = joined([EVIDENCE_WORDS[kind] for kind in known.evidence])
    summary = f"{', '.join(told)}, from {sources}."
    sentences = [summary[0].upper() + summary[1:]]
    if not known.has_crash:
        sentences.append("No crash reported.")
    sentences += [incident.words for incident in known.incidents]
    if known.has_shared_entry:
        sentences.append("Use that went on after this day is counted by its share of days.")
    return " ".join(sentences)


@dataclass(frozen=True)
class ServiceLine:
    """A service entry with its distance as people write it; empty where it is not known."""

    entry: ServiceEntry
    best_words: str
    range_words: str


def service_lines(specimen: Specimen) -> list[ServiceLine]:
    """The service entries behind the exposure, oldest first."""
    return [
        ServiceLine(
            entry=entry,
            best_words=_km_words(entry.distance_km_best),
            range_words=f"{_km_words(entry.distance_km_low)} to {_km_words(entry.distance_km_high)}",
        )
        for entry in specimen.service_entries.all()
    ]


def _km_words(distance: float | None) -> str:
    return "" if distance is None else number_words(distance)


def _share_passed(entry: ServiceEntry, on: date) -> float:
    if entry.ended_on <= on:
        return 1.0
    return ((on - entry.started_on).days + 1) / ((entry.ended_on - entry.started_on).days + 1)


def _distance(entry: ServiceEntry, on: date) -> Distance | None:
    low, best, high = entry.distance_km_low, entry.distance_km_best, entry.distance_km_high
    if low is None or best is None or high is None:
        return None
    share = _share_passed(entry, on)
    return Distance(low * share, best * share, high * share)


def _share_of(count: int | None, entry: ServiceEntry, on: date) -> int | None:
    return None if count is None else round(count * _share_passed(entry, on))


def _sum(distances: list[Distance]) -> Distance | None:
    # ends are added to ends: owners who guess low once tend to guess low again, so that errors of
    # several entries must not be taken to cancel
    if not distances:
        return None
    return Distance(
        sum(d.low for d in distances),
        sum(d.best for d in distances),
        sum(d.high for d in distances),
    )


def _days_worn(begun: Iterable[ServiceEntry], on: date) -> int:
    # entries may overlap, such as a diary beside an odometer; a day counts once
    days = 0
    counted_until = date.min
    for entry in begun:
        first = max(entry.started_on, counted_until + timedelta(days=1))
        last = min(entry.ended_on, on)
        days += max(0, (last - first).days + 1)
        counted_until = max(counted_until, last)
    return days


def _incidents(begun: Iterable[ServiceEntry], on: date) -> tuple[Incident, ...]:
    order = list(INCIDENT_WORDS)
    told = [
        Incident(item["kind"], _day_of(item.get("on")), item.get("note") or "")
        for entry in begun
        for item in entry.incidents
    ]
    # an incident without a date may have happened by then: it is told rather than left out
    counted = [incident for incident in told if incident.on is None or incident.on <= on]
    return tuple(sorted(counted, key=lambda i: (order.index(i.kind), i.on or date.min)))


def _day_of(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None


def _distance_words(known: Exposure) -> str:
    distance = known.distance_km
    if distance is None:
        return "distance not known"
    best, low, high = map(number_words, (distance.best, distance.low, distance.high))
    least = "" if known.distance_is_whole else "at least "
    if low == high:
        return f"{least}{best}{HELD_SPACE}km"
    return f"{least or 'about '}{best}{HELD_SPACE}km ({low} to {high})"


def _months_words(months: float) -> str:
    whole = round(months)
    return count_words(whole, "month", "months") if whole else "less than a month"


def _count_words(count: int | None, one: str, many: str, *, is_whole: bool) -> str:
    if count is None:
        return f"{many} not known"
    return (
        count_words(count, one, many) if is_whole else f"at least {count_words(count, one, many)}"
    )
