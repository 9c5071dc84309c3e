"""What the pages of instruments, consumables, controls and the room show."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from django.db.models import Count, F, Max, Q
from django.utils import timezone

from labsite.models import Job, JobState
from specimens.words import HELD_SPACE
from trials.consumables import uses_left
from trials.instruments import calibration_on, is_passed
from trials.intervals import plain
from trials.models import (
    Calibration,
    Conditioning,
    ConsumableLot,
    ConsumableUnit,
    ConsumableUse,
    ControlRun,
    Instrument,
    InstrumentCheck,
    InstrumentUse,
    MethodRevision,
    OutOfTolerance,
    RoomReading,
    Run,
    TraceFile,
    TraceUpload,
)
from trials.physics.trace_figures import FIGURES
from trials.physics.units import written
from trials.queries import interval_words
from trials.stands_for import is_moved, newest_by, shift_of

SHOWN = 100
MOST_TO_TAKE = 3  # of one method on the sheet; the run's own page lists them all


@dataclass(frozen=True)
class InstrumentRow:
    """An instrument on the register."""

    instrument: Instrument
    status: str
    needs_care: bool

    @property
    def unit(self) -> str:
        """What it reads in."""
        return written(self.instrument.unit)


def status_of(instrument: Instrument, day: date) -> tuple[str, bool]:
    """Whether it may be used on a day, in words, and whether somebody has to do something."""
    if instrument.state != Instrument.State.IN_SERVICE:
        return instrument.get_state_display(), instrument.state != Instrument.State.RETIRED
    counts = calibration_on(instrument, day)
    if counts is not None:
        left = (counts.due_on - day).days
        soon = f", in {left} days" if left <= 30 else ""
        return f"calibrated, due {counts.due_on:%d %B %Y}{soon}", left <= 30
    newest = instrument.calibrations.first()
    if newest is None:
        return "never calibrated", True
    return f"overdue since {newest.due_on:%d %B %Y}", True


def instrument_rows(day: date) -> list[InstrumentRow]:
    """The register, those in service first."""
    rows = Instrument.objects.order_by("state", "code")
    return [InstrumentRow(one, *status_of(one, day)) for one in rows]


def open_findings() -> list[OutOfTolerance]:
    """Instruments found wrong whose readings are still looked at."""
    rows = OutOfTolerance.objects.filter(closed_at__isnull=True).select_related("instrument")
    return list(rows.annotate(open_count=Count("marks", filter=Q(marks__outcome="to review"))))


@dataclass(frozen=True)
class CheckRow:
    """A check before use with its verdict."""

    check: InstrumentCheck
    words: str


@dataclass(frozen=True)
class CalibrationRow:
    """A calibration in words."""

    calibration: Calibration
    found_words: str
    correction_words: str
    uncertainty_words: str


@dataclass(frozen=True)
class InstrumentPage:
    """One instrument with its history."""

    status: str
    needs_care: bool
    unit: str
    calibrations: tuple[CalibrationRow, ...]
    checks: tuple[CheckRow, ...]
    findings: tuple[tuple[OutOfTolerance, str], ...]
    run_count: int


def instrument_page(instrument: Instrument, day: date) -> InstrumentPage:
    """An instrument's page."""
    status, needs_care = status_of(instrument, day)
    unit = written(instrument.unit)
    return InstrumentPage(
        status=status,
        needs_care=needs_care,
        unit=unit,
        calibrations=tuple(
            CalibrationRow(
                one,
                "not told"
                if one.as_found_error is None
                else f"{signed(one.as_found_error)} {unit}"
                + ("" if one.tolerance is None else f", {plain(one.tolerance)} {unit} tolerated"),
                f"{signed(one.correction)} {unit}",
                f"{plain(one.expanded_uncertainty)} {unit} (k = {plain(one.coverage_factor)})",
            )
            for one in instrument.calibrations.all()
        ),
        checks=tuple(
            CheckRow(
                one,
                f"showed {plain(one.shown)} {unit} for {plain(one.expected)} {unit}: "
                + ("passed" if is_passed(one) else "did not pass"),
            )
            for one in instrument.checks.select_related("by")[:SHOWN]
        ),
        findings=tuple(
            (one, error_words(one)) for one in instrument.findings.select_related("instrument")
        ),
        run_count=instrument.uses.count(),
    )


def error_words(finding: OutOfTolerance) -> str:
    """By how much an instrument was off."""
    return f"{signed(finding.error)}{HELD_SPACE}{written(finding.instrument.unit)}"


def signed(number: float) -> str:
    """A number with its sign, as an error or a correction is written."""
    return f"+{plain(number)}" if number > 0 else plain(number)


def room_rows() -> list[RoomReading]:
    """The newest readings of rooms."""
    return list(RoomReading.objects.select_related("by", "instrument")[:SHOWN])


def stay_rows() -> list[Conditioning]:
    """The newest stays of specimens."""
    return list(Conditioning.objects.select_related("specimen", "by").order_by("-ended_at")[:SHOWN])


# --- consumables -------------------------------------------------------------------------------


@dataclass(frozen=True)
class UnitRow:
    """A piece with its count."""

    unit: ConsumableUnit
    use_count: int
    words: str
    is_spent: bool


@dataclass(frozen=True)
class LotRow:
    """A lot in short."""

    lot: ConsumableLot
    piece_count: int
    left_count: int
    level_words: str


def unit_rows(lot: ConsumableLot) -> list[UnitRow]:
    """The pieces of a lot with their counts; one query."""
    units = lot.units.annotate(
        run_uses=Count("uses", distinct=True), control_uses=Count("control_runs", distinct=True)
    )
    return [_unit_row(lot, unit, unit.run_uses + unit.control_uses) for unit in units]


def _unit_row(lot: ConsumableLot, unit: ConsumableUnit, count: int) -> UnitRow:
    used = f"used {count} of {lot.use_limit}" if lot.use_limit else f"used {count} times"
    is_full = lot.use_limit is not None and count >= lot.use_limit
    if unit.discarded_on is not None:
        return UnitRow(unit, count, f"{used}, thrown away on {unit.discarded_on:%d %B %Y}", True)
    return UnitRow(unit, count, f"{used}{', at its limit' if is_full else ''}", is_full)


def level_words(lot: ConsumableLot) -> str:
    """Where an indicator may trip, from its nominal level and tolerance."""
    if lot.trips_at is None:
        return ""
    if lot.tolerance is None:
        return f"trips at {plain(lot.trips_at)} {written(lot.trips_unit)}, tolerance not known"
    low, high = lot.trips_at * (1 - lot.tolerance), lot.trips_at * (1 + lot.tolerance)
    return f"trips between {plain(low)} and {plain(high)} {written(lot.trips_unit)}"


def lot_rows() -> list[LotRow]:
    """All lots, with how many pieces may still be used."""
    return [
        LotRow(
            lot,
            len(rows),
            sum(not row.is_spent for row in rows),
            level_words(lot),
        )
        for lot in ConsumableLot.objects.all()
        for rows in [unit_rows(lot)]
    ]


# --- controls ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class ControlledRow:
    """A method with its control runs in short."""

    revision: MethodRevision
    run_count: int
    last_at: datetime | None


def controlled_rows() -> list[ControlledRow]:
    """Methods in force that may have control runs."""
    revisions = (
        MethodRevision.objects.exclude(state="draft")
        .exclude(outcome_kind="grade")
        .select_related("method")
        .annotate(run_count=Count("control_runs"), last_at=Max("control_runs__ran_at"))
        .order_by("method__name", "-number")
    )
    return [ControlledRow(one, one.run_count, one.last_at) for one in revisions]


@dataclass(frozen=True)
class ControlRow:
    """A control run in words."""

    run: ControlRun
    words: str


def control_rows(runs: Iterable[ControlRun], unit: str) -> list[ControlRow]:
    """Control runs as a table shows them."""
    return [ControlRow(run, interval_words(run.low, run.high, unit)) for run in runs]


def figure_text(value: float, unit: str) -> str:
    """A figure to four significant digits with its unit."""
    return f"{plain(float(f'{value:.4g}'))}{HELD_SPACE}{written(unit)}"


# --- traces ------------------------------------------------------------------------------------


def runs_for_traces() -> list[Run]:
    """Runs of methods read from a trace that have no reading yet."""
    runs = (
        Run.objects.valid()
        .filter(readings__isnull=True, study__registered_at__isnull=False)
        .exclude(revision__trace={})
        .select_related("specimen", "zone", "revision__method", "study")
    )
    return list(runs[:SHOWN])


def trace_rows() -> list[TraceFile]:
    """The newest traces."""
    traces = TraceFile.objects.select_related(
        "run__specimen", "run__zone", "run__revision__method", "by"
    )
    return list(traces.order_by("-received_at")[:SHOWN])


@dataclass(frozen=True)
class WorkLine:
    """A piece of background work as the page that waits for it shows it."""

    pk: int
    words: str
    percent: int
    is_over: bool
    is_failed: bool


def work_line(job: Job | None) -> WorkLine:
    """Where a piece of work stands, in words."""
    if job is None:
        return WorkLine(0, "Not asked for yet.", 0, is_over=True, is_failed=True)
    percent = 100 * job.progress_done // job.progress_total if job.progress_total else 0
    words = {
        JobState.WAITING: "Waiting for a worker.",
        JobState.RUNNING: f"A worker is at it: {percent} % done.",
        JobState.DONE: "Done.",
        JobState.FAILED: job.error,
    }[JobState(job.state)]
    is_failed = job.state == JobState.FAILED
    return WorkLine(job.pk, words, percent, is_failed or job.state == JobState.DONE, is_failed)


def incoming_rows() -> list[TraceUpload]:
    """Large files that a worker has not read yet, or could not."""
    rows = TraceUpload.objects.filter(trace=None).exclude(digest="")
    return list(rows.select_related("run__specimen", "run__revision__method")[:SHOWN])


# --- the bench ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class RunEquipment:
    """What a run is made with, and what its method asks for."""

    instruments: tuple[str, ...]
    consumables: tuple[str, ...]
    wants_instrument: bool
    wants_consumable: bool
    trace_words: str
    lacks_instrument: bool = False  # one is asked for, the lab has one, and none is named

    @property
    def is_asked(self) -> bool:
        """True when there is something to choose or to show."""
        return bool(
            self.wants_instrument or self.wants_consumable or self.instruments or self.consumables
        )


def run_equipment(run: Run) -> RunEquipment:
    """The instruments and consumables of a run, with the correction that a reading needs."""
    day = timezone.localdate()
    instruments = []
    revision = run.revision
    moved = is_moved(revision.outcome_kind, corrects_by_control=revision.corrects_by_control)
    for use in run.instrument_uses.select_related("instrument"):
        counts = newest_by(use.instrument.calibrations.all(), day)
        told = f", {status_of(use.instrument, day)[0]}"
        shift = counts and shift_of(counts, use.instrument.unit, revision.unit)
        if moved and shift and shift.amount:
            told += (
                f". Type what it shows: {signed(float(f'{shift.amount:.3g}'))} "
                f"{written(revision.unit)} is added for you"
            )
        instruments.append(f"{use.instrument}{told}")
    units = []
    for piece in run.consumable_uses.select_related("unit__lot"):
        lot = piece.unit.lot
        told = ", ".join(words for words in (left_words(piece.unit), level_words(lot)) if words)
        units.append(f"{piece.unit}{f', {told}' if told else ''}")
    kind = FIGURES.get(str(run.revision.trace.get("figure")))
    return RunEquipment(
        instruments=tuple(instruments),
        consumables=tuple(units),
        wants_instrument=bool(run.revision.needs_instruments),
        wants_consumable=bool(run.revision.needs_consumables),
        trace_words=kind.words if kind else "",
        lacks_instrument=bool(revision.needs_instruments)
        and not instruments
        and Instrument.objects.filter(
            kind__in=revision.needs_instruments, state=Instrument.State.IN_SERVICE
        ).exists(),
    )


def left_words(unit: ConsumableUnit) -> str:
    """How much use is left in a piece: its uses and its date; empty when it has neither limit."""
    lot, left = unit.lot, uses_left(unit)
    told = []
    if lot.is_one_shot:
        told.append("works once, unused" if left else "used up")
    elif left is not None:
        told.append(f"{left} of {lot.use_limit} uses left")
    if lot.expires_on is not None:
        told.append(f"expires {lot.expires_on:%d %B %Y}")
    return ", ".join(told)


@dataclass(frozen=True)
class MadeWith:
    """One thing that the runs of a method are made with, as the sheet shows it."""

    words: str
    state: str
    is_named: bool  # for at least one of the runs; else it is what could be taken


def made_with(runs: Sequence[Run]) -> dict[int, tuple[MadeWith, ...]]:
    """Instruments and consumables of runs still to do, by method revision.

    What the runs name; for a kind that nobody named yet, what is in service and could be taken.
    """
    day = timezone.localdate()
    told: dict[int, dict[str, MadeWith]] = {}
    kinds: dict[int, set[str]] = {}

    def add(run: Run, kind: str, made: MadeWith) -> None:
        told.setdefault(run.revision_id, {})[made.words] = made
        kinds.setdefault(run.revision_id, set()).add(kind)

    for use in InstrumentUse.objects.filter(run__in=runs).select_related("run", "instrument"):
        state = status_of(use.instrument, day)[0]
        add(use.run, use.instrument.kind, MadeWith(str(use.instrument), state, is_named=True))
    for piece in ConsumableUse.objects.filter(run__in=runs).select_related("run", "unit__lot"):
        state = left_words(piece.unit)
        add(piece.run, piece.unit.lot.kind, MadeWith(str(piece.unit), state, is_named=True))
    for revision in {run.revision_id: run.revision for run in runs}.values():
        named = kinds.get(revision.pk, set())
        for could in _could_be_taken(revision, named, day):
            told.setdefault(revision.pk, {})[could.words] = could
    return {revision: tuple(found.values()) for revision, found in told.items()}


def _could_be_taken(revision: MethodRevision, named: set[str], day: date) -> list[MadeWith]:
    instruments = Instrument.objects.filter(
        kind__in=set(revision.needs_instruments) - named, state=Instrument.State.IN_SERVICE
    )
    units = (
        ConsumableUnit.objects.filter(
            lot__kind__in=set(revision.needs_consumables) - named, discarded_on__isnull=True
        )
        .exclude(pk__in=ConsumableUnit.objects.filter(uses__is_one_shot=True))
        .select_related("lot")
        .annotate(last=Max("uses__at"))
        # the piece in use before those that are still new
        .order_by(F("last").desc(nulls_last=True), "pk")
    )
    return [
        MadeWith(str(one), status_of(one, day)[0], is_named=False)
        for one in instruments[:MOST_TO_TAKE]
    ] + [MadeWith(str(one), left_words(one), is_named=False) for one in units[:MOST_TO_TAKE]]
