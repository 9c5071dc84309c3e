"""Service history in files: what its lines are."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from datetime import date
from typing import Any

from labsite.errors import Refused
from labsite.models import User
from specimens.actions import checked_service, keep_service_entries, telling_distance
from specimens.codes import BadCode, clean_code
from specimens.imports import Checked, Kind, Lines, Row, problems_of
from specimens.models import ServiceEntry, Specimen
from specimens.odometer import from_odometer
from specimens.policies import check_distance_told_once
from specimens.words import INCIDENT_WORDS

INCIDENTS = ("", "_2", "_3")  # as many as the form has
COLUMNS = {
    "specimen": "Its code, such as K7M2-H.",
    "started_on": "First day, such as 2025-03-01.",
    "ended_on": "Last day.",
    "distance_km_low": "At least so many kilometres.",
    "distance_km_best": "Best guess.",
    "distance_km_high": "At most.",
    "odometer_start_km": "Reading at the start, in place of a distance.",
    "odometer_end_km": "Reading at the end.",
    "wash_count": "How often it was washed.",
    "proofing_count": "How often it was proofed.",
    "conditions": "In words.",
    **{
        f"incident_{part}{which}": words
        for which in INCIDENTS
        for part, words in (
            ("kind", f"{', '.join(INCIDENT_WORDS)}."),
            ("on", "Its day."),
            ("note", "What happened."),
        )
    },
    "evidence": f"How it is known: {', '.join(ServiceEntry.Evidence.values)}.",
    "note": "",
}
NEEDED = ("specimen", "started_on", "ended_on", "evidence")


def check(rows: Sequence[Row]) -> Checked:
    """The entries of all lines; `mark` is how many their specimens have now."""
    shelf = {one.code: one for one in Specimen.objects.filter(code__in=_codes(rows))}
    known = list(shelf.values())
    standing = list(ServiceEntry.objects.filter(specimen__in=known))
    there = {_says(one) for one in standing}
    telling: dict[int, list[ServiceEntry]] = defaultdict(list)
    for one in telling_distance(known):
        telling[one.specimen_id].append(one)
    found = Lines()
    for row in rows:
        try:
            fields = _fields(row.cells, shelf)
            # first without the others: what is there already tells its distance once more
            entry = checked_service(standing=[], **fields)
            if _says(entry) in there:
                found.same_count += 1
                continue
            check_distance_told_once(
                telling[entry.specimen_id],
                entry.started_on,
                entry.ended_on,
                entry.distance_km_best,
            )
        except Refused as refused:
            found.problems += problems_of(row.line, refused.problems)
            continue
        found.things.append(entry)
        there.add(_says(entry))
        if entry.distance_km_best is not None:
            telling[entry.specimen_id].append(entry)
    return found.checked(mark=len(standing))


def keep(by: User, found: Checked) -> bool:
    """Write the entries, unless their specimens' history moved meanwhile."""
    return keep_service_entries(by=by, entries=found.things, standing_count=found.mark)


SAID = (
    "specimen_id",
    "started_on",
    "ended_on",
    "distance_km_low",
    "distance_km_best",
    "distance_km_high",
    "wash_count",
    "proofing_count",
    "conditions",
    "evidence",
    "note",
)


def _says(entry: ServiceEntry) -> tuple[Any, ...]:
    """What an entry says, to know it again; distances to the metre, as databases differ beyond."""
    said = [getattr(entry, name) for name in SAID]
    incidents = [sorted((k, str(v)) for k, v in one.items()) for one in entry.incidents]
    return (
        *(round(value, 3) if isinstance(value, float) else value for value in said),
        str(incidents),
    )


def records() -> Iterator[dict[str, Any]]:
    """Every entry of the record."""
    entries = ServiceEntry.objects.select_related("specimen").order_by("specimen", "started_on")
    for entry in entries:
        incidents = {
            f"incident_{part}{which}": incident.get(part)
            for which, incident in zip(INCIDENTS, entry.incidents, strict=False)
            for part in ("kind", "on", "note")
        }
        own = {name: getattr(entry, name, None) for name in COLUMNS}
        yield own | {"specimen": entry.specimen.code} | incidents


SERVICE = Kind(
    key="service",
    words=("service entry", "service entries"),
    about="One line for each stretch of use. Give a distance (lowest, best guess, highest) or the "
    "two readings of an odometer, from which the distance follows with two per cent of doubt on "
    "either side. Empty means not known.",
    columns=COLUMNS,
    needed=frozenset(NEEDED),
    example={
        "specimen": "K7M2-H",
        "started_on": "2025-03-01",
        "ended_on": "2026-02-28",
        "odometer_start_km": 12400,
        "odometer_end_km": 21800,
        "wash_count": 9,
        "proofing_count": 1,
        "conditions": "rain on half the days",
        "evidence": "odometer",
    },
    check=check,
    keep=keep,
    records=records,
    home=("Specimens", "lab-specimens"),
)


def _codes(rows: Iterable[Row]) -> set[str]:
    codes = set()
    for row in rows:
        with suppress(BadCode):  # told beside its line later
            codes.add(clean_code(row.cells["specimen"][:20]))
    return codes


def _fields(row: Mapping[str, str], shelf: Mapping[str, Specimen]) -> dict[str, Any]:
    problems: dict[str, list[str]] = {}

    def read(name: str, how: Any, words: str) -> Any:
        text = row.get(name, "")
        if not text:
            return None
        try:
            return how(text)
        except ValueError:
            problems[name] = [words.format(text[:40])]
            return None

    numbers = {
        name: read(name, _number, "'{}' is not a number.")
        for name in COLUMNS
        if name.endswith("_km") or name.startswith("distance")
    }
    counts = {
        name: read(name, int, "'{}' is not a whole number.")
        for name in ("wash_count", "proofing_count")
    }
    days = {
        name: read(name, date.fromisoformat, "'{}' is not a date like 2026-03-14.")
        for name in ("started_on", "ended_on", *(f"incident_on{which}" for which in INCIDENTS))
    }
    specimen = _specimen(row["specimen"], shelf, problems)
    for name in ("started_on", "ended_on"):
        if days[name] is None and name not in problems:
            problems[name] = ["Fill this in."]
    if row["evidence"] not in ServiceEntry.Evidence.values:
        named = ", ".join(ServiceEntry.Evidence.values)
        problems["evidence"] = [f"'{row['evidence'][:40]}' is none of: {named}."]
    distance = _distance(numbers, problems)
    incidents = [_incident(row, which, days, problems) for which in INCIDENTS]
    if problems:
        raise Refused(problems)
    return {
        "specimen": specimen,
        "started_on": days["started_on"],
        "ended_on": days["ended_on"],
        "evidence": row["evidence"],
        **dict(
            zip(("distance_km_low", "distance_km_best", "distance_km_high"), distance, strict=True)
        ),
        **counts,
        "conditions": row.get("conditions", ""),
        "incidents": [incident for incident in incidents if incident["kind"]],
        "note": row.get("note", ""),
    }


def _incident(
    row: Mapping[str, str], which: str, days: Mapping[str, Any], problems: dict[str, list[str]]
) -> dict[str, Any]:
    kind, note = row[f"incident_kind{which}"], row[f"incident_note{which}"]
    if not kind and (row[f"incident_on{which}"] or note):
        problems[f"incident_kind{which}"] = ["Say what kind of incident this was."]
    return {"kind": kind, "on": days[f"incident_on{which}"], "note": note}


def _number(text: str) -> float:
    number = float(text.replace(",", "."))
    if not abs(number) < 1e7:
        raise ValueError(text)
    return number


def _specimen(
    text: str, shelf: Mapping[str, Specimen], problems: dict[str, list[str]]
) -> Specimen | None:
    try:
        found = shelf.get(clean_code(text[:20]))
    except BadCode as why:
        problems["specimen"] = [str(why)]
        return None
    if found is None:
        problems["specimen"] = [f"The lab has no specimen {text[:20]}."]
    return found


def _distance(
    numbers: Mapping[str, float | None], problems: dict[str, list[str]]
) -> tuple[float | None, float | None, float | None]:
    typed = tuple(numbers[f"distance_km_{part}"] for part in ("low", "best", "high"))
    try:
        measured = from_odometer(
            numbers["odometer_start_km"],
            numbers["odometer_end_km"],
            is_told=any(one is not None for one in typed),
        )
    except Refused as refused:
        for name, sentences in refused.problems.items():
            problems.setdefault(name, sentences)
        return None, None, None
    return measured or (typed[0], typed[1], typed[2])
