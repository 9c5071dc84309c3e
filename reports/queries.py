"""Turns rows into what the analysis reads. Costs a fixed number of queries for a study."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field, replace
from datetime import date
from functools import cached_property
from types import MappingProxyType
from typing import Any
from uuid import UUID

from django.db.models import Count
from django.utils import timezone

from reports.calibrations import Calibrated, ReadWith, calibrated
from reports.corrections import Correction, ReadAt, correct, interval_of_control
from reports.degradation.drift import ControlPoint
from reports.models import Edition, Finding, Summary, SummaryHead
from specimens.models import Specimen
from specimens.queries import Exposure, exposure
from trials.actions import digest_of
from trials.intervals import ReadingKind
from trials.leaving_out import left_out_now
from trials.models import (
    ConsumableUse,
    ControlMaterial,
    ControlRun,
    MethodRevision,
    Reading,
    ReadingConflict,
    Study,
)
from trials.stands_for import StandsFor, stands_for


@dataclass(frozen=True)
class Bound:
    """A reading's ends in the method's unit; `high` None means no upper end."""

    low: float
    high: float | None

    @property
    def top(self) -> float:
        """The upper end as a number."""
        return math.inf if self.high is None else self.high


@dataclass(frozen=True)
class Service:
    """What a specimen had been through when it was first run; None is not known."""

    distance_km: float | None
    months: float
    wash_count: int | None


@dataclass(frozen=True)
class SpecimenInputs:
    """A specimen's current valid readings of one method, or its grades by rater."""

    code: str
    bounds: tuple[Bound, ...]
    grades: tuple[tuple[str, int], ...]
    days: tuple[str, ...]
    pair: str = ""
    service: Service | None = None  # only for studies over service ages


@dataclass(frozen=True)
class ArmInputs:
    """An arm with those of its specimens that were read."""

    pk: int
    key: str
    label: str
    is_baseline: bool
    specimens: tuple[SpecimenInputs, ...]


@dataclass(frozen=True)
class MethodInputs:
    """All arms' readings of one method revision, and its control runs by session."""

    revision_pk: int
    key: str
    number: int
    property: str
    quantity: str
    unit: str
    kind: str
    higher_is_better: bool
    margin: float
    arms: tuple[ArmInputs, ...]
    controls: tuple[tuple[str, tuple[Bound, ...]], ...]
    correction: Correction | None = None  # only for methods that correct by control runs
    calibrated: Calibrated | None = None  # only where a calibration or a tolerance is behind it


@dataclass(frozen=True)
class UsedEnds:
    """The ends of a reading as they went into findings, and why they are not those read."""

    low: float
    high: float | None
    words: str


@dataclass(frozen=True)
class NamedAnalysis:
    """Methods as they stand without the valid runs that one named analysis leaves out."""

    name: str
    methods: tuple[MethodInputs, ...]


@dataclass(frozen=True)
class StudyInputs:
    """Everything that can move a finding of a study, and nothing else."""

    slug: str
    level: float
    scope: str
    methods: tuple[MethodInputs, ...]
    is_simultaneous: bool = False
    # ends that are not those read, by reading; follows from the rest and is not part of the digest
    used: Mapping[UUID, UsedEnds] = field(default_factory=dict, compare=False)
    analyses: tuple[NamedAnalysis, ...] = ()  # that leave valid runs out

    @property
    def comparison_count(self) -> int:
        """Comparisons on the study's card, whether or not they were read yet."""
        return sum(len(method.arms) - 1 for method in self.methods)

    @property
    def plain(self) -> dict[str, Any]:
        """These inputs as plain JSON, without row numbers: what an edition freezes."""
        plain = asdict(replace(self, used={}))
        del plain["used"]
        for method in [*plain["methods"], *(m for a in plain["analyses"] for m in a["methods"])]:
            del method["revision_pk"]
            # so that studies from before there was such a thing keep their digest
            if method["calibrated"] is None:
                del method["calibrated"]
            elif not method["calibrated"]["by_specimen"]:
                del method["calibrated"]["by_specimen"]
            for arm in method["arms"]:
                del arm["pk"]
        if not self.analyses:
            # studies that never left a run out keep the digest from before that was possible
            del plain["analyses"]
        return plain

    @cached_property
    def digest(self) -> str:
        """SHA-256 of the canonical JSON of these inputs, without row numbers."""
        return digest_of(self.plain)


def study_inputs(
    study: Study, *, meanwhile: Mapping[UUID, StandsFor | None] | None = None
) -> StudyInputs:
    """The study's current readings that are not void, by method, arm and specimen.

    `meanwhile` asks what would be if some readings stood for other ends, or (None) were left out.
    """
    if meanwhile is not None:
        return _inputs(study, meanwhile)
    standing_for = stands_for(study)
    return replace(_inputs(study, standing_for), analyses=_analyses(study, standing_for))


def _analyses(
    study: Study, standing_for: Mapping[UUID, StandsFor | None]
) -> tuple[NamedAnalysis, ...]:
    """What each named analysis has to go on, for the methods it leaves runs out of."""
    runs: dict[str, dict[int, int]] = defaultdict(dict)
    for row in left_out_now(study):
        runs[row.analysis][row.run_id] = row.run.revision_id
    analyses = []
    for name, revision_of in runs.items():
        readings = Reading.objects.filter(run__in=revision_of).values_list("pk", flat=True)
        inputs = _inputs(study, {**standing_for, **dict.fromkeys(readings)})
        touched = set(revision_of.values())
        methods = tuple(m for m in inputs.methods if m.revision_pk in touched)
        analyses.append(NamedAnalysis(name, methods))
    return tuple(analyses)


def _inputs(study: Study, standing_for: Mapping[UUID, StandsFor | None]) -> StudyInputs:
    arms = list(study.arms.prefetch_related("members__specimen"))
    codes = {arm.pk: sorted(m.specimen.code for m in arm.members.all()) for arm in arms}
    pairs = {m.specimen.code: m.pair for arm in arms for m in arm.members.all()}
    service = _service(study)
    used = list(study.study_methods.select_related("revision__method"))
    raters = rater_labels(study)
    readings = (
        Reading.objects.current()
        .filter(run__study=study, run__void__isnull=True)
        .order_by("run__specimen__code", "run__zone__code", "run__site", "rater")
        .values_list(
            "pk",
            "run__revision",
            "run__specimen__code",
            "low",
            "high",
            "grade",
            "rater",
            "measured_at",
            named=True,
        )
    )
    bounds: dict[tuple[int, str], list[Bound]] = defaultdict(list)
    grades: dict[tuple[int, str], list[tuple[str, int]]] = defaultdict(list)
    days: dict[tuple[int, str], set[str]] = defaultdict(set)
    read_with: dict[int, list[tuple[str, Bound, StandsFor | None]]] = defaultdict(list)
    used_ends: dict[UUID, UsedEnds] = {}
    for reading in readings:
        place = (reading.run__revision, reading.run__specimen__code)
        stands = standing_for.get(reading.pk)
        if stands is None and reading.pk in standing_for:
            continue
        days[place].add(timezone.localdate(reading.measured_at).isoformat())
        if reading.grade is not None:
            grades[place].append((raters[reading.rater], reading.grade))
        elif reading.low is not None:
            bound = Bound(stands.low, stands.high) if stands else Bound(reading.low, reading.high)
            bounds[place].append(bound)
            read_with[place[0]].append((place[1], bound, stands))
            if stands is not None and stands.words:
                used_ends[reading.pk] = UsedEnds(bound.low, bound.high, "; ".join(stands.words))
    controls = _controls([u.revision_id for u in used])
    methods = []
    for study_method in used:
        revision = study_method.revision
        methods.append(
            MethodInputs(
                revision_pk=revision.pk,
                key=revision.method.key,
                number=revision.number,
                property=revision.method.property,
                quantity=revision.quantity,
                unit=revision.unit,
                kind=revision.outcome_kind,
                higher_is_better=revision.direction == revision.Direction.HIGHER,
                margin=study_method.margin,
                arms=tuple(
                    ArmInputs(
                        pk=arm.pk,
                        key=arm.key,
                        label=arm.label,
                        is_baseline=arm.is_baseline,
                        specimens=tuple(
                            SpecimenInputs(
                                code,
                                tuple(bounds[revision.pk, code]),
                                tuple(grades[revision.pk, code]),
                                tuple(sorted(days[revision.pk, code])),
                                pairs[code],
                                service.get(code),
                            )
                            for code in codes[arm.pk]
                            if bounds[revision.pk, code] or grades[revision.pk, code]
                        ),
                    )
                    for arm in arms
                ),
                controls=controls.get(revision.pk, ()),
            )
        )
    methods = [
        replace(method, calibrated=_calibrated(method, read_with[method.revision_pk]))
        for method in methods
    ]
    corrected = [
        _corrected(study, method, standing_for, used_ends)
        if study_method.revision.corrects_by_control and not is_graded(method)
        else method
        for study_method, method in zip(used, methods, strict=True)
    ]
    return StudyInputs(
        study.slug, study.level, study.scope, tuple(corrected), study.is_simultaneous, used_ends
    )


def _calibrated(
    method: MethodInputs, readings: list[tuple[str, Bound, StandsFor | None]]
) -> Calibrated | None:
    arm_of = {one.code: arm.key for arm in method.arms for one in arm.specimens}
    behind = [stands for _, _, stands in readings if stands is not None]
    return calibrated(
        [
            ReadWith(
                arm_of[code], code, bound.low, bound.high, tuple(stands.behind) if stands else ()
            )
            for code, bound, stands in readings
            if code in arm_of
        ],
        moved_count=sum(stands.is_moved for stands in behind),
        widened_count=sum(stands.is_widened for stands in behind),
        is_over_service=any(one.service for arm in method.arms for one in arm.specimens),
    )


def rater_labels(study: Study) -> dict[str, str]:
    """A label for each rater: readers see which grades are one person's, never whose."""
    names = (
        Reading.objects.filter(run__study=study)
        .exclude(rater="")
        .order_by("run__position", "run", "rater", "entered_at")
        .values_list("rater", flat=True)
    )
    return {name: f"rater {_letters(place)}" for place, name in enumerate(dict.fromkeys(names))} | {
        "": ""
    }


def _letters(place: int) -> str:
    """A to Z, then AA, AB and so on."""
    rest, letter = divmod(place, 26)
    return (_letters(rest - 1) if rest else "") + chr(ord("A") + letter)


def _service(study: Study) -> dict[str, Service]:
    if study.kind != Study.Kind.AGES:
        return {}
    return {member.specimen.code: _service_of(member.known) for member in study_members(study)}


def _service_of(known: Exposure) -> Service:
    if not known.is_worn:
        return Service(0.0, 0.0, 0)
    distance = known.distance_km.best if known.distance_km else None
    return Service(distance, round(known.months, 3), known.wash_count)


def _corrected(
    study: Study,
    method: MethodInputs,
    standing_for: Mapping[UUID, StandsFor | None],
    used_ends: dict[UUID, UsedEnds],
) -> MethodInputs:
    """The method with its readings turned to the control material's level. Costs five queries."""
    source = drift_source(study, method, standing_for)
    readings = source.readings
    correction, ends = correct(
        readings,
        source.controls,
        reference=source.reference,
        drift_limit=source.drift_limit,
    )
    if correction.problem:
        return replace(method, correction=correction)
    turned: dict[tuple[str, str], list[Bound]] = defaultdict(list)
    for position, (pk, reading) in enumerate(zip(source.keys, readings, strict=True)):
        bound = Bound(*ends[position])
        turned[reading.arm, reading.specimen].append(bound)
        used_ends[pk] = UsedEnds(
            bound.low, bound.high, "corrected by the control runs before and after it"
        )
    arms = tuple(
        replace(
            arm,
            specimens=tuple(
                replace(one, bounds=tuple(turned[arm.key, one.code])) for one in arm.specimens
            ),
        )
        for arm in method.arms
    )
    return replace(method, arms=arms, correction=correction)


@dataclass(frozen=True)
class DriftSource:
    """What a correction for machine drift is worked out from, as read."""

    readings: list[ReadAt]
    controls: list[ControlPoint]
    reference: float | None
    drift_limit: float | None
    keys: tuple[UUID, ...]  # of the readings, in their order


def drift_source(
    study: Study,
    method: MethodInputs,
    standing_for: Mapping[UUID, StandsFor | None] = MappingProxyType({}),
) -> DriftSource:
    """The readings and control runs of one method with their times. Costs five queries."""
    revision = MethodRevision.objects.get(pk=method.revision_pk)
    material = ControlMaterial.objects.filter(
        method=revision.method_id, name=revision.control_material
    ).first()
    timed = _timed_readings(study, method, standing_for)
    return DriftSource(
        readings=[reading for _, reading in timed],
        controls=_control_points(method),
        reference=material.reference_value if material else None,
        drift_limit=revision.control_drift_limit,
        keys=tuple(pk for pk, _ in timed),
    )


def _timed_readings(
    study: Study, method: MethodInputs, standing_for: Mapping[UUID, StandsFor | None]
) -> list[tuple[UUID, ReadAt]]:
    arm_of = {one.code: arm.key for arm in method.arms for one in arm.specimens}
    pieces = dict(
        ConsumableUse.objects.filter(run__study=study, run__revision=method.revision_pk)
        .order_by("-pk")
        .values_list("run", "unit")
    )
    readings = (
        Reading.objects.current()
        .filter(run__study=study, run__revision=method.revision_pk, run__void__isnull=True)
        .order_by("run__specimen__code", "run__zone__code", "run__site")
        .values_list("pk", "run", "run__specimen__code", "low", "high", "measured_at")
    )
    timed = []
    for pk, run, code, low, high, measured_at in readings:
        stands = standing_for.get(pk)
        if code not in arm_of or (stands is None and pk in standing_for):
            continue
        timed.append(
            (
                pk,
                ReadAt(
                    arm=arm_of[code],
                    specimen=code,
                    at_s=measured_at.timestamp(),
                    group=str(pieces.get(run, "")),
                    low=stands.low if stands else low or 0.0,
                    high=stands.high if stands else high,
                ),
            )
        )
    return timed


def _control_points(method: MethodInputs) -> list[ControlPoint]:
    runs = ControlRun.objects.filter(revision=method.revision_pk)
    wanted = MethodRevision.objects.values_list("control_material", flat=True).get(
        pk=method.revision_pk
    )
    if wanted:
        runs = runs.filter(material=wanted)
    return [
        ControlPoint(
            at_s=run.ran_at.timestamp(),
            reading=interval_of_control(run.low, run.high),
            group=str(run.consumable_id or ""),
        )
        for run in runs
    ]


def _controls(revisions: Iterable[int]) -> dict[int, tuple[tuple[str, tuple[Bound, ...]], ...]]:
    # one material at a time: different materials have different values
    found: dict[int, dict[str, list[Bound]]] = defaultdict(lambda: defaultdict(list))
    runs = ControlRun.objects.filter(revision__in=list(revisions)).order_by(
        "material", "session_label", "ran_at"
    )
    for run in runs:
        session = f"{run.material}, {run.session_label}"
        found[run.revision_id][session].append(Bound(run.low, run.high))
    return {
        revision: tuple((session, tuple(bounds)) for session, bounds in sorted(sessions.items()))
        for revision, sessions in found.items()
    }


@dataclass(frozen=True)
class Member:
    """A specimen in an arm, with what it had been through when it was first run."""

    specimen: Specimen
    arm_pk: int
    known: Exposure


def study_members(study: Study) -> list[Member]:
    """Every specimen of the study, arm by arm. Costs two queries and three an arm."""
    first_run: dict[int, date] = {}
    measured = Reading.objects.filter(run__study=study).order_by("measured_at")
    for specimen_pk, at in measured.values_list("run__specimen", "measured_at"):
        first_run.setdefault(specimen_pk, timezone.localdate(at))
    found = []
    for arm in study.arms.all():
        specimens = arm.specimens.select_related("product").prefetch_related("service_entries")
        for specimen in specimens.order_by("code"):
            on = first_run.get(specimen.pk, specimen.acquired_on)
            found.append(Member(specimen, arm.pk, exposure(specimen, on)))
    return found


@dataclass(frozen=True)
class Standing:
    """Where a study's findings stand."""

    summary: Summary | None
    is_current: bool

    @property
    def words(self) -> str:
        """For a page: what a person can expect."""
        if self.summary is None:
            return "not yet computed"
        return "up to date" if self.is_current else "being computed again"


def standing(study: Study) -> Standing:
    """The summary that speaks for the study, and whether it has seen every reading."""
    head = SummaryHead.objects.select_related("summary").filter(study=study).first()
    if head is None:
        return Standing(None, is_current=False)
    return Standing(head.summary, head.inputs_version >= study.inputs_version)


def findings_for_page(summary: Summary) -> list[Finding]:
    """Findings as registered in the study's order, without a query for each."""
    return [finding for finding in _findings_in_order(summary) if not finding.analysis]


def findings_without(summary: Summary) -> list[Finding]:
    """Findings of analyses that leave valid runs out, by analysis."""
    return [finding for finding in _findings_in_order(summary) if finding.analysis]


def _findings_in_order(summary: Summary) -> list[Finding]:
    return list(
        summary.findings.select_related("revision__method", "arm", "baseline").order_by("position")
    )


def latest_editions() -> list[Edition]:
    """The newest edition of every published study, newest first."""
    newest: dict[int, Edition] = {}
    for edition in Edition.objects.select_related("study").order_by("study", "-number"):
        newest.setdefault(edition.study_id, edition)
    return sorted(newest.values(), key=lambda e: e.published_at, reverse=True)


@dataclass(frozen=True)
class MatchedPairs:
    """Pairs of which both sides were read, by their labels, and specimens without their partner."""

    names: tuple[str, ...]
    sides: tuple[tuple[tuple[Bound, ...], tuple[Bound, ...]], ...]
    incomplete: tuple[str, ...]


def matched_pairs(baseline: ArmInputs, arm: ArmInputs) -> MatchedPairs | None:
    """The two sides of each pair, when every specimen read of both arms is in one; else None.

    A pair that lost a side drops out, as long as two whole ones are left: what is gone must not
    turn a paired study into an unpaired one.
    """
    first = {s.pair: s for s in baseline.specimens}
    second = {s.pair: s for s in arm.specimens}
    if "" in first or "" in second or not first or not second:
        return None
    whole = sorted(first.keys() & second.keys())
    alone = sorted(first.keys() ^ second.keys())
    if alone and len(whole) < 2:
        return None
    return MatchedPairs(
        tuple(whole),
        tuple((first[pair].bounds, second[pair].bounds) for pair in whole),
        tuple((first.get(pair) or second[pair]).code for pair in alone),
    )


def same_session(*arms: ArmInputs) -> bool:
    """True when every specimen was read on the same days, so that what a day shares cancels."""
    return len({specimen.days for arm in arms for specimen in arm.specimens}) <= 1


def is_graded(method: MethodInputs) -> bool:
    """True for methods whose readings are grades by raters."""
    return method.kind == ReadingKind.GRADE


@dataclass(frozen=True)
class DeskRow:
    """A study on the desk's list."""

    study: Study
    standing: Standing
    edition: Edition | None
    reading_count: int


def desk_rows() -> list[DeskRow]:
    """Registered studies with where they stand. Costs five queries whatever their number."""
    heads = {h.study_id: h for h in SummaryHead.objects.select_related("summary")}
    newest = {e.study_id: e for e in Edition.objects.defer("content").order_by("number")}
    studies = Study.objects.registered().order_by("-registered_at")
    counts = dict(studies.order_by().annotate(n=Count("runs__readings")).values_list("pk", "n"))
    rows = []
    for study in studies:
        head = heads.get(study.pk)
        current = head is not None and head.inputs_version >= study.inputs_version
        where = Standing(head.summary if head else None, is_current=current)
        rows.append(DeskRow(study, where, newest.get(study.pk), counts[study.pk]))
    return rows


def waiting_conflicts(study: Study) -> int:
    """Second readings that no person has settled."""
    return ReadingConflict.objects.filter(run__study=study, settled_at__isnull=True).count()
