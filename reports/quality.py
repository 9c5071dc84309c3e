"""What the lab's own quality records say of a study: what its cautions and its reach need."""

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.utils import timezone

from reports.cautions import QualityFacts
from reports.degradation.control_chart import control_chart
from reports.degradation.intervals import CannotCompare, Interval
from reports.errata_queries import Use, uses_of
from reports.models import Edition
from trials.environment import Climate, conditioned_hours, outside_words
from trials.models import (
    Calibration,
    Conditioning,
    ConsumableUse,
    ControlRun,
    InstrumentUse,
    MethodRevision,
    OutOfTolerance,
    Reading,
    ReviewMark,
    RoomReading,
    Run,
    Study,
    TraceReading,
)
from trials.quality_queries import error_words

CHART_POINTS = 10  # with fewer control runs a signal says little


def quality_facts(
    study: Study,
    correction_words: Iterable[str] = (),
    calibration_words: Iterable[str] = (),
) -> QualityFacts:
    """The facts, each as sentences that name what they are about."""
    revisions = [used.revision for used in study.study_methods.select_related("revision__method")]
    return QualityFacts(
        out_of_calibration=tuple(_out_of_calibration(study)),
        past_limit=tuple(_past_limit(study)),
        drifted=tuple(_drifted(study, revisions)),
        corrected=tuple(correction_words),
        found_wrong=tuple(_found_wrong(study)),
        outside_conditions=tuple(_outside(study, revisions)),
        flawed_traces=TraceReading.objects.filter(
            reading__run__study=study, reading__run__void__isnull=True
        )
        .exclude(flaws=[])
        .count(),
        calibrated=tuple(calibration_words),
        unnamed_instruments=tuple(_unnamed(study, revisions)),
    )


def _unnamed(study: Study, revisions: Iterable[MethodRevision]) -> Iterable[str]:
    asking = {revision.pk: revision for revision in revisions if revision.needs_instruments}
    if not asking:
        return
    runs = (
        Run.objects.filter(study=study, revision__in=asking, instrument_uses__isnull=True)
        .filter(void__isnull=True, readings__isnull=False)
        .distinct()
        .values_list("pk", "revision")
    )
    counts = Counter(revision for _, revision in runs)
    for pk, revision in asking.items():
        if counts[pk]:
            yield f"{revision.method.name}: {_runs(counts[pk])}."


def _measured(study: Study) -> dict[int, datetime]:
    """When each run with a current valid reading was measured."""
    readings = Reading.objects.current().filter(run__study=study, run__void__isnull=True)
    return dict(readings.order_by("measured_at").values_list("run", "measured_at"))


def _out_of_calibration(study: Study) -> Iterable[str]:
    measured = _measured(study)
    uses = InstrumentUse.objects.filter(run__study=study).select_related("instrument")
    calibrations: dict[int, list[Calibration]] = defaultdict(list)
    for one in Calibration.objects.filter(instrument__uses__run__study=study).distinct():
        calibrations[one.instrument_id].append(one)
    counts: dict[str, int] = defaultdict(int)
    for use in uses:
        if use.run_id in measured:
            day = timezone.localdate(measured[use.run_id])
            if not _was_calibrated(calibrations[use.instrument_id], day):
                counts[str(use.instrument)] += 1
    for name, count in sorted(counts.items()):
        yield f"{name}: {_runs(count)}."


def _was_calibrated(calibrations: Iterable[Calibration], day: date) -> bool:
    done = [one for one in calibrations if one.done_on <= day]
    return bool(done) and max(done, key=lambda one: (one.done_on, one.pk)).due_on >= day


def _past_limit(study: Study) -> Iterable[str]:
    measured = _measured(study)
    counts: dict[str, int] = defaultdict(int)
    past = ConsumableUse.objects.filter(run__study=study, is_past_limit=True)
    for use in past.select_related("unit__lot"):
        if use.run_id in measured:
            counts[str(use.unit)] += 1
    for name, count in sorted(counts.items()):
        yield f"{name}: {_runs(count)}."


def _drifted(study: Study, revisions: Iterable[MethodRevision]) -> Iterable[str]:
    days: dict[int, set[date]] = defaultdict(set)
    readings = Reading.objects.current().filter(run__study=study, run__void__isnull=True)
    for revision_pk, at in readings.values_list("run__revision", "measured_at"):
        days[revision_pk].add(timezone.localdate(at))
    for revision in revisions:
        by_material: dict[str, list[ControlRun]] = defaultdict(list)
        for run in ControlRun.objects.filter(revision=revision).order_by("ran_at"):
            by_material[run.material].append(run)
        for material, runs in sorted(by_material.items()):
            signalled = signal_days(runs) & days[revision.pk]
            if signalled:
                told = ", ".join(f"{day:%d %B %Y}" for day in sorted(signalled))
                yield f"{revision.method.name}, on {material}: {told}."


def signal_days(runs: list[ControlRun]) -> set[date]:
    """Days on which the control chart of one material gives a signal; none with few points."""
    closed = [run for run in runs if run.low > 0 and run.high is not None]
    if len(closed) < CHART_POINTS:
        return set()
    try:
        chart = control_chart([Interval(run.low, run.high or run.low) for run in closed])
    except CannotCompare:
        return set()
    return {timezone.localdate(closed[signal.at].ran_at) for signal in chart.signals}


def _found_wrong(study: Study) -> Iterable[str]:
    findings = OutOfTolerance.objects.filter(marks__reading__run__study=study).distinct()
    for finding in findings.select_related("instrument").order_by("found_at"):
        marks = finding.marks.filter(reading__run__study=study)
        counts = [
            (marks.filter(outcome=outcome).count(), words)
            for outcome, words in ReviewMark.Outcome.choices
        ]
        told = ", ".join(f"{count} {words}" for count, words in counts if count)
        yield (
            f"{finding.instrument} was found on {timezone.localtime(finding.found_at):%d %B %Y} to be off by "
            f"{error_words(finding)}. Readings it reaches: {told}."
        )


def _outside(study: Study, revisions: Iterable[MethodRevision]) -> Iterable[str]:
    asking = [revision for revision in revisions if revision.conditions]
    if not asking:
        return
    climates = [
        Climate(room.at, room.temperature_degc, room.humidity_percent)
        for room in RoomReading.objects.order_by("at")
    ]
    stays: dict[int, list[tuple[datetime, datetime]]] = defaultdict(list)
    for stay in Conditioning.objects.filter(specimen__memberships__study=study):
        stays[stay.specimen_id].append((stay.started_at, stay.ended_at))
    for revision in asking:
        reasons: dict[str, int] = defaultdict(int)
        readings = (
            Reading.objects.current()
            .filter(run__study=study, run__void__isnull=True, run__revision=revision)
            .values_list("run__specimen", "measured_at")
        )
        for specimen, at in readings:
            reason = outside_words(revision.conditions, at, climates) or _unconditioned(
                revision, stays[specimen], at
            )
            if reason:
                reasons[reason] += 1
        for reason, count in sorted(reasons.items()):
            yield f"{revision.method.name}, {_runs(count)}: {reason}."


def _unconditioned(
    revision: MethodRevision, stays: list[tuple[datetime, datetime]], at: datetime
) -> str:
    wanted = revision.conditions.get("conditioning_hours")
    if not wanted:
        return ""
    within = timedelta(minutes=revision.conditions.get("minutes_out", 60))
    hours = conditioned_hours(stays, at, within)
    return "" if hours >= wanted else f"conditioned for {hours:.3g} of {wanted:g} hours"


def _runs(count: int) -> str:
    return f"{count} run{'' if count == 1 else 's'}"


# --- the reach of a finding --------------------------------------------------------------------


@dataclass(frozen=True)
class ReachedStudy:
    """A study that a finding reaches, with its editions published since the first such reading."""

    study: Study
    reading_count: int
    open_count: int
    editions: tuple[Edition, ...]
    uses: tuple[Use, ...]  # what was made from those editions: episodes, out or being written


def reached_studies(finding: OutOfTolerance) -> list[ReachedStudy]:
    """Studies and published editions that rest on the readings a finding marks."""
    by_study: dict[int, list[ReviewMark]] = defaultdict(list)
    marks = finding.marks.select_related("reading__run__study")
    for mark in marks:
        by_study[mark.reading.run.study_id].append(mark)
    reached = []
    for mine in by_study.values():
        study = mine[0].reading.run.study
        first = min(mark.reading.entered_at for mark in mine)
        editions = tuple(
            study.editions.defer("content")
            .filter(published_at__gte=first)
            .order_by("number")
            .select_related("study")
        )
        uses = {use.url: use for one in editions for use in uses_of(one) if use.kind != "edition"}
        reached.append(
            ReachedStudy(
                study=study,
                reading_count=len(mine),
                open_count=sum(mark.outcome == ReviewMark.Outcome.TO_REVIEW for mark in mine),
                editions=editions,
                uses=tuple(uses.values()),
            )
        )
    return sorted(reached, key=lambda one: one.study.title)
