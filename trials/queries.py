"""What the bench and the API show of trials: rows turned into frozen dataclasses."""

import math
import uuid as uuids
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby
from typing import Any

from django.db.models import Count, Exists, F, OuterRef, Prefetch, Q, Subquery, Value
from django.db.models.functions import Coalesce

from labsite.models import User
from trials import policies
from trials.intervals import BadEntry, ReadingKind, entry_of, plain, with_unit
from trials.models import (
    ArmSpecimen,
    MethodRevision,
    Reading,
    ReadingConflict,
    Run,
    RunQuerySet,
    RunVoid,
    SafetyAcknowledgement,
    Study,
)
from trials.physics.derivations import PowerLaw, derivation, derive, power_law
from trials.physics.units import written

RUNS_A_PAGE = 200
LONGEST_NOTE = 2000  # characters
RATERS_SETTING = "raters"  # a graded method says with this setting how many people grade


# --- readings --------------------------------------------------------------------------------


@dataclass(frozen=True)
class ReadingLine:
    """A reading as people see it. `high` None means no upper end; unit is the method's."""

    id: uuids.UUID
    run: int
    kind: str
    raw: Mapping[str, Any]
    words: str
    interval_words: str
    low: float | None
    high: float | None
    grade: int | None
    unit: str
    rater: str
    note: str
    measured_at: datetime
    entered_at: datetime
    by: str
    supersedes: uuids.UUID | None
    reason: str
    state: str  # used, superseded or void

    @property
    def is_current(self) -> bool:
        """True when no newer record supersedes it."""
        return self.state != "superseded"


def interval_words(low: float | None, high: float | None, unit: str) -> str:
    """The interval as a sentence part; empty for a grade, which has none."""
    if low is None:
        return ""
    if high is None or math.isinf(high):
        return f"at least {with_unit(low, unit)}"
    if low == 0:
        return f"at most {with_unit(high, unit)}"
    if low == high:
        return f"exactly {with_unit(low, unit)}"
    return f"between {plain(low)} and {with_unit(high, unit)}"


def reading_line(reading: Reading, *, is_new: bool = False) -> ReadingLine:
    """One reading; three queries when nothing was fetched before. A new one is not amended yet."""
    run = reading.run
    is_void = RunVoid.objects.filter(run=run).exists()
    is_superseded = not is_new and Reading.objects.filter(supersedes=reading).exists()
    return _line(reading, run, is_void=is_void, is_superseded=is_superseded)


def _line(reading: Reading, run: Run, *, is_void: bool, is_superseded: bool) -> ReadingLine:
    unit = run.revision.unit
    return ReadingLine(
        id=reading.pk,
        run=run.pk,
        kind=reading.kind,
        raw=reading.raw,
        words=reading.words,
        interval_words=interval_words(reading.low, reading.high, unit),
        low=reading.low,
        high=reading.high,
        grade=reading.grade,
        unit=unit,
        rater=reading.rater,
        note=reading.note,
        measured_at=reading.measured_at,
        entered_at=reading.entered_at,
        by=reading.by.display_name,
        supersedes=reading.supersedes_id,
        reason=reading.reason,
        state="void" if is_void else "superseded" if is_superseded else "used",
    )


# --- runs ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class VoidLine:
    """Why a run is void."""

    reason: str
    reason_words: str
    note: str
    value_was_known: bool
    by: str
    at: datetime


@dataclass(frozen=True)
class ConflictLine:
    """A second entry for a place already taken, kept for a person to settle."""

    id: int
    words: str
    standing_words: str
    note: str
    by: str
    received_at: datetime
    measured_at: str
    settled_note: str

    @property
    def is_settled(self) -> bool:
        """True when a person has looked at both."""
        return bool(self.settled_note)


@dataclass(frozen=True)
class RunLine:
    """A run on the sheet. `state` is to do, done or void; `to_settle` comes on top."""

    id: int
    study: str
    method_key: str
    method_name: str
    method_number: int
    specimen: str
    product: str
    zone: str
    zone_name: str
    site: int
    position: int
    state: str
    to_settle: bool
    wanted: int
    readings: tuple[ReadingLine, ...]
    void: VoidLine | None

    @property
    def current(self) -> tuple[ReadingLine, ...]:
        """The readings no newer record supersedes."""
        return tuple(line for line in self.readings if line.is_current)

    @property
    def kept_count(self) -> int:
        """How many people's readings stand; more than one only for grades."""
        return len(self.current)


def readings_wanted(revision: MethodRevision) -> int:
    """How many readings complete a run: the raters of a graded method, else one."""
    if revision.outcome_kind != ReadingKind.GRADE:
        return 1
    for setting in revision.settings:
        if setting.get("key") == RATERS_SETTING:
            return max(1, int(setting["value"]))
    return 1


def run_line(run: Run) -> RunLine:
    """One run with its readings in the order they came; no query after `for_bench`."""
    void = _void_of(run)
    readings = list(run.readings.all())
    superseded = {reading.supersedes_id for reading in readings}
    lines = tuple(
        _line(reading, run, is_void=False, is_superseded=reading.pk in superseded)
        if void is None or reading.pk in superseded
        else _line(reading, run, is_void=True, is_superseded=False)
        for reading in readings
    )
    wanted = readings_wanted(run.revision)
    kept = sum(line.is_current for line in lines)
    return RunLine(
        id=run.pk,
        study=run.study.slug,
        method_key=run.revision.method.key,
        method_name=run.revision.method.name,
        method_number=run.revision.number,
        specimen=shown_code(run),
        product="" if run.study.is_blind else str(run.specimen.product),
        zone=run.zone.code,
        zone_name=run.zone.name,
        site=run.site,
        position=run.position,
        state="void" if void else "done" if kept >= wanted else "to do",
        to_settle=any(conflict.settled_at is None for conflict in run.conflicts.all()),
        wanted=wanted,
        readings=lines,
        void=void,
    )


def for_bench(runs: RunQuerySet) -> RunQuerySet:
    """Runs with everything `run_line` reads: four queries however many runs."""
    conflicts = ReadingConflict.objects.only("run", "settled_at")
    member = ArmSpecimen.objects.filter(study=OuterRef("study"), specimen=OuterRef("specimen"))
    return (
        runs.for_page()
        .annotate(blind_code=Subquery(member.values("blind_code")[:1]))
        .prefetch_related(Prefetch("conflicts", queryset=conflicts))
    )


def shown_code(run: Run) -> str:
    """What the bench calls the specimen of a run from `for_bench`.

    Its own code, or in a blind study the number that was drawn for it.
    """
    drawn = getattr(run, "blind_code", None)
    return f"Item {drawn}" if run.study.is_blind and drawn else run.specimen.code


def wanted_code(run: Run) -> str:
    """The same for a run from anywhere."""
    if run.study.is_blind:
        member = ArmSpecimen.objects.filter(study=run.study, specimen=run.specimen_id).first()
        if member is not None and member.blind_code:
            return f"Item {member.blind_code}"
    return run.specimen.code


def run_by_id(run_id: int) -> RunLine:
    """One run as it stands; raises `Run.DoesNotExist`."""
    return run_line(for_bench(Run.objects.filter(pk=run_id)).get())


def _void_of(run: Run) -> VoidLine | None:
    try:
        void = run.void
    except RunVoid.DoesNotExist:
        return None
    return VoidLine(
        reason=void.reason,
        reason_words=void.get_reason_display(),
        note=void.note,
        value_was_known=void.value_was_known,
        by=void.by.display_name,
        at=void.at,
    )


@dataclass(frozen=True)
class RunPage:
    """A stretch of a study's runs in sheet order."""

    runs: tuple[RunLine, ...]
    count: int
    start: int

    @property
    def next_start(self) -> int | None:
        """Where the next stretch begins, or None at the end."""
        end = self.start + len(self.runs)
        return end if end < self.count else None


def runs_page(study: Study, *, start: int = 0, length: int = RUNS_A_PAGE) -> RunPage:
    """A stretch of the runs of a study, from the one numbered `start`, counted from 0."""
    runs = Run.objects.filter(study=study)
    stretch = for_bench(runs)[start : start + length]
    return RunPage(tuple(run_line(run) for run in stretch), runs.count(), start)


# --- studies ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class RunCounts:
    """How a study's runs stand. Void runs are counted apart from those done."""

    to_do: int = 0
    done: int = 0
    void: int = 0
    to_settle: int = 0

    @property
    def all(self) -> int:
        """All runs on the sheet."""
        return self.to_do + self.done + self.void


@dataclass(frozen=True)
class StudyMethodLine:
    """A method of a study."""

    key: str
    number: int
    name: str
    property: str
    kind: str
    unit: str


@dataclass(frozen=True)
class StudyLine:
    """A study with how its runs stand."""

    slug: str
    title: str
    question: str
    kind_words: str
    registered_at: datetime | None
    is_invented: bool
    counts: RunCounts


@dataclass(frozen=True)
class StudyDetail:
    """A study with its methods and specimens. Arms are not named: the bench need not know."""

    study: StudyLine
    methods: tuple[StudyMethodLine, ...]
    specimens: tuple[str, ...]


def studies_with_counts(studies: Iterable[Study]) -> list[StudyLine]:
    """Studies with their counts: two queries for all of them together."""
    chosen = list(studies)
    counts = _counts([study.pk for study in chosen])
    return [
        StudyLine(
            slug=study.slug,
            title=study.title,
            question=study.question,
            kind_words=study.get_kind_display(),
            registered_at=study.registered_at,
            is_invented=study.is_invented,
            counts=counts.get(study.pk, RunCounts()),
        )
        for study in chosen
    ]


def study_detail(study: Study) -> StudyDetail:
    """One study with what may be run in it."""
    return StudyDetail(
        study=studies_with_counts([study])[0],
        methods=tuple(_methods_of(study)),
        specimens=_specimens_of(study),
    )


def _specimens_of(study: Study) -> tuple[str, ...]:
    """What the bench calls a study's specimens; a blind one by the drawn numbers only."""
    members = ArmSpecimen.objects.filter(study=study)
    if study.is_blind:
        drawn = members.exclude(blind_code="").values_list("blind_code", flat=True)
        return tuple(f"Item {code}" for code in sorted(drawn, key=int))
    return tuple(members.order_by("specimen__code").values_list("specimen__code", flat=True))


def _methods_of(study: Study) -> Iterable[StudyMethodLine]:
    for used in study.study_methods.select_related("revision__method"):
        revision = used.revision
        yield StudyMethodLine(
            key=revision.method.key,
            number=revision.number,
            name=revision.method.name,
            property=revision.method.property,
            kind=revision.outcome_kind,
            unit=revision.unit,
        )


def _counts(study_ids: list[int]) -> dict[int, RunCounts]:
    # An amendment keeps its rater, so raters count the first readings. To ask for those that
    # supersede nothing would make SQLite search all of them for every run.
    first = (
        Reading.objects.filter(run=OuterRef("pk"))
        .order_by()
        .values("run")
        .annotate(count=Count("rater", distinct=True))
        .values("count")
    )
    grouped = (
        Run.objects.filter(study__in=study_ids)
        .order_by()
        .annotate(
            kept=Coalesce(Subquery(first), Value(0)),
            is_void=Exists(RunVoid.objects.filter(run=OuterRef("pk"))),
            is_open=Exists(
                ReadingConflict.objects.filter(run=OuterRef("pk"), settled_at__isnull=True)
            ),
        )
        .values("study_id", "revision_id", "kept", "is_void", "is_open")
        .annotate(count=Count("pk"))
    )
    rows = list(grouped)
    wanted = {
        revision.pk: readings_wanted(revision)
        for revision in MethodRevision.objects.filter(pk__in={row["revision_id"] for row in rows})
    }
    tallies: dict[int, dict[str, int]] = {}
    for row in rows:
        tally = tallies.setdefault(row["study_id"], dict.fromkeys(_COUNTED, 0))
        is_done = row["kept"] >= wanted[row["revision_id"]]
        tally["void" if row["is_void"] else "done" if is_done else "to_do"] += row["count"]
        tally["to_settle"] += row["count"] if row["is_open"] else 0
    return {study: RunCounts(**tally) for study, tally in tallies.items()}


_COUNTED = ("to_do", "done", "void", "to_settle")


# --- the bench's sheet -----------------------------------------------------------------------


@dataclass(frozen=True)
class SheetPart:
    """The runs of one method, those to do first in sheet order."""

    key: str
    name: str
    to_do: tuple[RunLine, ...]
    other: tuple[RunLine, ...]
    left_out: int  # runs beyond what a page shows


@dataclass(frozen=True)
class Sheet:
    """A study's runs as the bench sees them."""

    study: StudyLine
    parts: tuple[SheetPart, ...]
    next_run: RunLine | None
    specimen: str


def sheet(study: Study, *, specimen: str = "") -> Sheet:
    """The run sheet, of one specimen when its code is given."""
    runs = Run.objects.filter(study=study)
    if specimen and study.is_blind:
        # by the drawn number only: finding a run by the specimen's own code would tell the two
        members = study.arms.filter(members__blind_code=specimen).values("members__specimen")
        runs = runs.filter(specimen__in=members)
    elif specimen:
        runs = runs.filter(specimen__code=specimen)
    names = {method.key: method.name for method in _methods_of(study)}
    parts = []
    for key, name in names.items():
        of_method = runs.filter(revision__method__key=key)
        shown = [run_line(run) for run in _to_do_first(of_method)[:RUNS_A_PAGE]]
        to_do = tuple(line for line in shown if line.state == "to do")
        other = tuple(line for line in shown if line.state != "to do")
        left_out = of_method.count() - len(shown)
        parts.append(SheetPart(key, name, to_do, other, left_out))
    return Sheet(
        study=studies_with_counts([study])[0],
        parts=tuple(part for part in parts if part.to_do or part.other),
        next_run=min(
            (line for part in parts for line in part.to_do),
            key=lambda line: (line.position, line.id),
            default=None,
        ),
        specimen=specimen,
    )


def _to_do_first(runs: RunQuerySet) -> RunQuerySet:
    """Sheet order, but runs without a reading or with a question open come first."""
    read = Reading.objects.filter(run=OuterRef("pk"))
    return for_bench(
        runs.annotate(
            is_read=Exists(read) | Q(void__isnull=False),
        ).order_by("is_read", "position", "pk")
    )


def next_run_id(run: Run) -> int | None:
    """The next run of the sheet without a reading: after this one, or the first left over."""
    waiting = (
        Run.objects.filter(study=run.study)
        .valid()
        .exclude(pk=run.pk)
        .filter(~Exists(Reading.objects.filter(run=OuterRef("pk"))))
    )
    later = waiting.filter(
        Q(position__gt=run.position) | Q(position=run.position, pk__gt=run.pk)
    ).first()
    found = later or waiting.first()
    return found.pk if found else None


# --- the entry page --------------------------------------------------------------------------


@dataclass(frozen=True)
class Level:
    """A level of the method with what is derived from it, both in words."""

    value: float
    words: str
    derived_words: str


@dataclass(frozen=True)
class Fact:
    """A label with what it says."""

    label: str
    words: str


@dataclass(frozen=True)
class Check:
    """A safety check of a method and its id on the page."""

    key: str
    text: str
    critical: bool


@dataclass(frozen=True)
class Acknowledged:
    """Who passed a method's checks, and until when that counts."""

    at: datetime
    until: datetime


@dataclass(frozen=True)
class BenchRun:
    """Everything the entry page shows of one run, and nothing of any other specimen."""

    line: RunLine
    study_title: str
    kind: str
    unit: str
    quantity: str
    range_words: str
    resolution_words: str
    limit_words: str
    decimals: int  # after the point, for a time read off a running clock
    facts: tuple[Fact, ...]
    settings: tuple[Fact, ...]
    derived_label: str
    derived_law: PowerLaw | None  # for what is typed; levels carry their own words
    levels: tuple[Level, ...]
    grades: tuple[Fact, ...]
    steps: tuple[str, ...]
    hazards: tuple[str, ...]
    checks: tuple[Check, ...]
    acknowledged: Acknowledged | None
    conflicts: tuple[ConflictLine, ...]
    next_run: int | None

    @property
    def may_start(self) -> bool:
        """True when the checks are passed, or there are none."""
        return not self.checks or self.acknowledged is not None

    @property
    def takes_entries(self) -> bool:
        """True when a first reading (or another rater's grade) is still awaited."""
        return self.line.void is None and (self.kind == "grade" or not self.line.readings)


def bench_run(run_id: int, *, slug: str, user: User) -> BenchRun:
    """The entry page's content; raises `Run.DoesNotExist`."""
    run = for_bench(Run.objects.filter(pk=run_id, study__slug=slug)).get()
    method = _method_content(run.revision, user)
    return BenchRun(
        line=run_line(run),
        study_title=run.study.title,
        facts=_facts(run),
        conflicts=conflicts_of(run),
        next_run=next_run_id(run),
        **method,
    )


def added_run(study: Study, revision: MethodRevision, user: User) -> BenchRun:
    """The entry page of a run that was added on a tablet and is not known here yet.

    The tablet fills in specimen, zone and site; everything of the method is here.
    """
    line = RunLine(
        id=0,
        study=study.slug,
        method_key=revision.method.key,
        method_name=revision.method.name,
        method_number=revision.number,
        specimen="",
        product="",
        zone="",
        zone_name="",
        site=0,
        position=0,
        state="to do",
        to_settle=False,
        wanted=readings_wanted(revision),
        readings=(),
        void=None,
    )
    method = _method_content(revision, user)
    return BenchRun(
        line=line, study_title=study.title, facts=(), conflicts=(), next_run=None, **method
    )


def _method_content(revision: MethodRevision, user: User) -> dict[str, Any]:
    """What an entry page shows of a method, whatever the run."""
    scale = revision.scale
    low, high = plain(scale.range_low), with_unit(scale.range_high, scale.unit)
    return {
        "kind": revision.outcome_kind,
        "unit": revision.unit,
        "quantity": revision.quantity,
        "range_words": f"{low} to {high}",
        "resolution_words": with_unit(scale.resolution, scale.unit),
        "limit_words": ""
        if scale.detection_limit is None
        else with_unit(scale.detection_limit, scale.unit),
        "decimals": max(0, math.ceil(-math.log10(scale.resolution))),
        "settings": tuple(setting_fact(setting) for setting in revision.settings),
        "derived_label": derivation(revision.derivation).output_words
        if revision.derivation
        else "",
        "derived_law": _derived_law(revision),
        "levels": tuple(_level(level, revision) for level in revision.levels),
        "grades": tuple(Fact(str(g["grade"]), g["words"]) for g in revision.grade_scale),
        "steps": tuple(revision.steps),
        "hazards": tuple(revision.hazards),
        "checks": tuple(
            Check(check["key"], check["text"], bool(check.get("critical")))
            for check in revision.checks
        ),
        "acknowledged": _acknowledged(revision, user),
    }


def _facts(run: Run) -> tuple[Fact, ...]:
    zone = run.zone
    side = "" if zone.side == zone.Side.NONE else f", {zone.get_side_display()}"
    is_blind = run.study.is_blind
    facts = [
        Fact("Specimen", shown_code(run)),
        *([] if is_blind else [Fact("Product", str(run.specimen.product))]),
        Fact("Zone", f"{zone.name} ({zone.code}){side}"),
        Fact("Site", str(run.site)),
    ]
    optional = [
        ("Size", "" if is_blind else run.specimen.size),
        ("Layers", zone.layers),
        ("Padding", zone.padding),
        ("Note on the sheet", run.note),
    ]
    return tuple(facts + [Fact(label, words) for label, words in optional if words])


def setting_fact(setting: Mapping[str, Any]) -> Fact:
    """A setting of a method with its value and unit in words."""
    value = setting["value"]
    number = plain(float(value)) if isinstance(value, int | float) else str(value)
    unit = setting.get("unit") or ""
    return Fact(setting["label"], f"{number}\u00a0{written(unit)}".rstrip("\u00a0"))


def _derived_law(revision: MethodRevision) -> PowerLaw | None:
    if not revision.derivation or revision.levels:
        return None
    law = power_law(revision.derivation, revision.derivation_settings, unit=revision.unit)
    return law._replace(unit=written(law.unit))


def _level(level: float, revision: MethodRevision) -> Level:
    derived = ""
    if revision.derivation:
        value, unit = derive(
            revision.derivation, level, revision.derivation_settings, unit=revision.unit
        )
        derived = f"{value:.3g}\u00a0{written(unit)}"
    return Level(float(level), with_unit(level, revision.unit), derived)


def _acknowledged(revision: MethodRevision, user: User) -> Acknowledged | None:
    if not revision.checks or not policies.safety_acknowledged(revision, user):
        return None
    latest = SafetyAcknowledgement.objects.filter(revision=revision, by=user).latest("at")
    return acknowledged_line(latest)


def acknowledged_line(latest: SafetyAcknowledgement) -> Acknowledged:
    """When the checks were passed and until when that counts."""
    lasts: timedelta = policies.SAFETY_LASTS
    return Acknowledged(latest.at, latest.at + lasts)


def conflicts_of(run: Run) -> tuple[ConflictLine, ...]:
    """The second readings of a run, those to settle first."""
    rows = (
        ReadingConflict.objects.filter(run=run)
        .select_related("standing", "by")
        .order_by(F("settled_at").asc(nulls_first=True), "received_at")
    )
    return tuple(
        ConflictLine(
            id=row.pk,
            words=_words_of(row.content, run.revision),
            standing_words=row.standing.words,
            note=str(row.content.get("note") or ""),
            by=row.by.display_name,
            received_at=row.received_at,
            measured_at=str(row.content.get("measured_at") or ""),
            settled_note=row.settled_note,
        )
        for row in rows
    )


def _words_of(content: Mapping[str, Any], revision: MethodRevision) -> str:
    """A kept entry in words; what cannot be read is shown as it was typed."""
    raw = content.get("raw") or {}
    try:
        return entry_of(raw, revision.scale).words
    except BadEntry:
        return ", ".join(f"{field}: {typed}" for field, typed in raw.items())[:200]


# --- adding a run ----------------------------------------------------------------------------


@dataclass(frozen=True)
class ZoneChoice:
    """A zone of a product in the study, with the methods it carries."""

    code: str
    words: str


def zone_choices(study: Study) -> list[ZoneChoice]:
    """Zones of the study's products that carry one of its methods, by product."""
    rows = (
        study.arms.filter(
            specimens__product__zones__capacities__method_key__in=study.study_methods.values(
                "revision__method__key"
            )
        )
        .order_by("specimens__product__name", "specimens__product__zones__code")
        .values_list(
            "specimens__product__name",
            "specimens__product__zones__code",
            "specimens__product__zones__name",
        )
        .distinct()
    )
    named: list[ZoneChoice] = []
    for code, group in groupby(sorted(rows, key=lambda row: row[1]), key=lambda row: row[1]):
        names = sorted({f"{zone} ({product})" for product, _, zone in group})
        named.append(ZoneChoice(code, ", ".join(names)))
    return named
