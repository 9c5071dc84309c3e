"""What may be done with instruments: register, calibrate, check, use, and find wrong."""

from datetime import UTC, date, datetime, time, timedelta
from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import QuerySet
from django.utils import timezone

from labsite import audit
from labsite.errors import Refused
from labsite.models import User
from trials.actions import mark_changed
from trials.models import (
    Calibration,
    Instrument,
    InstrumentCheck,
    InstrumentUse,
    MethodRevision,
    OutOfTolerance,
    Reading,
    ReviewMark,
    Run,
    RunVoid,
    Study,
)
from trials.physics.errors import PhysicsError
from trials.physics.units import unit_of

CLOCK_SLACK = timedelta(minutes=10)


def calibration_on(instrument: Instrument, day: date) -> Calibration | None:
    """The calibration that counts on a day: the newest done by then, if it was not yet due."""
    newest = instrument.calibrations.filter(done_on__lte=day).order_by("-done_on", "-pk").first()
    return newest if newest is not None and newest.due_on >= day else None


@transaction.atomic
def add_instrument(*, by: User, fields: dict[str, Any]) -> Instrument:
    """Put an instrument into the register."""
    problems: dict[str, list[str]] = {}
    try:
        unit = unit_of(fields["unit"]).name
    except PhysicsError as why:
        problems["unit"] = [str(why)]
        unit = ""
    if Instrument.objects.filter(code=fields["code"]).exists():
        problems["code"] = [f"There is an instrument {fields['code']} already."]
    if problems:
        raise Refused(problems)
    instrument = Instrument.objects.create(**(fields | {"unit": unit}))
    audit.record(by=by, verb="added instrument", subject=instrument)
    return instrument


@transaction.atomic
def set_aside(*, by: User, instrument: Instrument, reason: str) -> Instrument:
    """Nobody measures with it until somebody puts it back."""
    if not reason.strip():
        raise Refused({"reason": ["Say why it is set aside."]})
    return _set_state(by, instrument, Instrument.State.QUARANTINED, "set instrument aside", reason)


@transaction.atomic
def put_back(*, by: User, instrument: Instrument, reason: str) -> Instrument:
    """Back into service, once a calibration shows that it is right again."""
    if not reason.strip():
        raise Refused({"reason": ["Say why it may be used again."]})
    wrong = instrument.findings.order_by("-found_at").first()
    if wrong is not None:
        newest = instrument.calibrations.first()
        checked = instrument.checks.filter(at__gt=wrong.found_at).first()
        is_shown_right = newest is not None and newest.recorded_at > wrong.recorded_at
        if not is_shown_right and not (checked is not None and is_passed(checked)):
            raise Refused(
                {"reason": ["Record a calibration or a passed check first: it was found wrong."]}
            )
    return _set_state(by, instrument, Instrument.State.IN_SERVICE, "put instrument back", reason)


@transaction.atomic
def retire_instrument(*, by: User, instrument: Instrument, reason: str) -> Instrument:
    """Out of use for good; its history stays."""
    if not reason.strip():
        raise Refused({"reason": ["Say why it is retired."]})
    return _set_state(by, instrument, Instrument.State.RETIRED, "retired instrument", reason)


def _set_state(
    by: User, instrument: Instrument, state: Instrument.State, verb: str, reason: str
) -> Instrument:
    detail = audit.changes({"state": instrument.state}, {"state": state.value})
    instrument.state = state
    instrument.save(update_fields=["state"])
    audit.record(by=by, verb=verb, subject=instrument, detail=detail | {"reason": reason.strip()})
    return instrument


@transaction.atomic
def record_calibration(*, by: User, instrument: Instrument, fields: dict[str, Any]) -> Calibration:
    """Keep what a calibration found. Out of tolerance as found, it is also a finding."""
    problems: dict[str, list[str]] = {}
    if fields["done_on"] > timezone.localdate():
        problems["done_on"] = ["A calibration cannot be done in the future."]
    if fields["due_on"] < fields["done_on"]:
        problems["due_on"] = ["It is due before it was done."]
    error, tolerance = fields.get("as_found_error"), fields.get("tolerance")
    if error is not None and tolerance is None:
        problems["tolerance"] = ["Say how much error is tolerated, to judge what was found."]
    if problems:
        raise Refused(problems)
    made = Calibration.objects.create(
        instrument=instrument, recorded_at=timezone.now(), by=by, **fields
    )
    audit.record(by=by, verb="recorded calibration", subject=made)
    if error is not None and tolerance is not None and abs(error) > tolerance:
        found_at = datetime.combine(made.done_on, time(23, 59, 59), tzinfo=UTC)
        report_wrong(
            by=by,
            instrument=instrument,
            error=error,
            found_at=min(found_at, timezone.now()),
            what_happened=f"Found by the calibration of {made.done_on:%d %B %Y}, before adjustment.",
            apart_from=made,
        )
    for study in Study.objects.filter(runs__instrument_uses__instrument=instrument).distinct():
        mark_changed(study)
    return made


def is_passed(check: InstrumentCheck) -> bool:
    """True when what was shown lay within the limit, up to rounding in the last digits."""
    return abs(check.shown - check.expected) <= check.limit * (1 + 1e-9)


@transaction.atomic
def record_check(*, by: User, instrument: Instrument, fields: dict[str, Any]) -> InstrumentCheck:
    """Keep a check before use. One that fails sets the instrument aside."""
    if fields["at"] > timezone.now() + CLOCK_SLACK:
        raise Refused({"at": ["A check cannot be in the future."]})
    check = InstrumentCheck.objects.create(instrument=instrument, by=by, **fields)
    audit.record(
        by=by,
        verb="checked instrument",
        subject=instrument,
        detail={"expected": check.expected, "shown": check.shown, "passed": is_passed(check)},
    )
    if not is_passed(check) and instrument.state == Instrument.State.IN_SERVICE:
        set_aside(by=by, instrument=instrument, reason="It failed a check before use.")
    return check


@transaction.atomic
def use_instrument(
    *,
    by: User,
    run: Run,
    instrument: Instrument,
    reason: str = "",
    chosen_at: datetime | None = None,
) -> InstrumentUse:
    """Say that a run is made with this instrument.

    Overdue needs a reason and leads to a caution; set aside or retired is refused. `chosen_at` is
    when a tablet chose it, which may reach us only after the reading.
    """
    instrument = Instrument.objects.get(pk=instrument.pk)
    problems = _use_problems(run, instrument, reason, chosen_at)
    if problems:
        raise Refused(problems)
    standing = InstrumentUse.objects.filter(run=run, instrument=instrument).first()
    if standing is not None:
        return standing
    try:
        with transaction.atomic():
            use = InstrumentUse.objects.create(
                run=run, instrument=instrument, reason=reason.strip(), at=timezone.now(), by=by
            )
    except IntegrityError:
        return InstrumentUse.objects.get(run=run, instrument=instrument)
    audit.record(
        by=by,
        verb="chose instrument",
        subject=run,
        detail={"instrument": instrument.code, "reason": reason.strip()},
    )
    mark_changed(run.study)
    return use


def _use_problems(
    run: Run, instrument: Instrument, reason: str, chosen_at: datetime | None
) -> dict[str, list[str]]:
    wanted = run.revision.needs_instruments
    if wanted and instrument.kind not in wanted:
        return {"instrument": [f"This method is read with: {', '.join(wanted)}."]}
    measured_at = run.readings.values_list("measured_at", flat=True).first()
    if chosen_at is not None and measured_at is not None and chosen_at <= measured_at:
        measured_at = None  # it was chosen first and only arrived later
    if measured_at is None and instrument.state != Instrument.State.IN_SERVICE:
        return {"instrument": [f"{instrument} is {instrument.get_state_display()}."]}
    if measured_at is not None and not reason.strip():
        return {"reason": ["The run has a reading: say how you know what it was read with."]}
    day = timezone.localdate(measured_at or chosen_at)
    if calibration_on(instrument, day) is None and not reason.strip():
        why = (
            f"{instrument} is not in calibration on {day:%d %B %Y}. Take another, or say why it "
            "is used; the scorecard will carry a caution."
        )
        return {"reason": [why]}
    return {}


@transaction.atomic
def use_for_all(
    *, by: User, study: Study, revision: MethodRevision, instrument: Instrument, reason: str
) -> int:
    """Say what all runs of a method in a study were made with, where nothing is recorded yet."""
    runs = Run.objects.filter(
        study=study, revision=revision, instrument_uses__isnull=True
    ).select_related("revision__method", "study")
    uses = [use_instrument(by=by, run=run, instrument=instrument, reason=reason) for run in runs]
    if not uses:
        raise Refused("Every run of this method already has an instrument.")
    return len(uses)


# --- found wrong -----------------------------------------------------------------------------


def last_shown_right(
    instrument: Instrument, before: datetime, *, apart_from: Calibration | None = None
) -> tuple[datetime | None, str]:
    """When something last showed before this time that the instrument was right, and what."""
    proofs: list[tuple[datetime, str]] = []
    calibrations = instrument.calibrations.filter(done_on__lte=timezone.localdate(before))
    if apart_from is not None:
        calibrations = calibrations.exclude(pk=apart_from.pk)
    for calibration in calibrations:
        # the hour is not known, so the day counts as suspect
        at = datetime.combine(calibration.done_on, time(0), tzinfo=UTC)
        proofs.append((at, f"calibration of {calibration.done_on:%d %B %Y}"))
    for check in instrument.checks.filter(at__lt=before):
        if is_passed(check):
            proofs.append(
                (check.at, f"check of {timezone.localtime(check.at):%d %B %Y, %H:%M}, passed")
            )
    return max(proofs, default=(None, ""))


def reached_readings(
    instrument: Instrument, since: datetime | None, until: datetime
) -> QuerySet[Reading]:
    """Current readings of runs made with the instrument in a stretch of time; void runs not."""
    reached = Reading.objects.current().filter(
        run__instrument_uses__instrument=instrument,
        run__void__isnull=True,
        measured_at__lte=until,
    )
    return reached if since is None else reached.filter(measured_at__gte=since)


@transaction.atomic
def report_wrong(
    *,
    by: User,
    instrument: Instrument,
    error: float,
    found_at: datetime,
    what_happened: str,
    apart_from: Calibration | None = None,
) -> OutOfTolerance:
    """Set it aside and mark every reading since it was last shown to be right for review."""
    problems: dict[str, list[str]] = {}
    if found_at > timezone.now() + CLOCK_SLACK:
        problems["found_at"] = ["It cannot have been found in the future."]
    if not what_happened.strip():
        problems["what_happened"] = ["Say what was found, and how."]
    if error == 0:
        problems["error"] = ["An error of nothing is no finding."]
    if problems:
        raise Refused(problems)
    since, words = last_shown_right(instrument, found_at, apart_from=apart_from)
    finding = OutOfTolerance.objects.create(
        instrument=instrument,
        found_at=found_at,
        error=error,
        last_right_at=since,
        last_right_words=words,
        what_happened=what_happened.strip(),
        by=by,
        recorded_at=timezone.now(),
    )
    readings = list(reached_readings(instrument, since, found_at).select_related("run__study"))
    ReviewMark.objects.bulk_create(
        ReviewMark(finding=finding, reading=reading) for reading in readings
    )
    if instrument.state == Instrument.State.IN_SERVICE:
        set_aside(by=by, instrument=instrument, reason="It was found wrong.")
    audit.record(
        by=by,
        verb="found instrument wrong",
        subject=instrument,
        detail={"error": error, "since": since and since.isoformat(), "readings": len(readings)},
    )
    for study in {reading.run.study for reading in readings}:
        mark_changed(study)
    return finding


@transaction.atomic
def settle_mark(*, by: User, mark: ReviewMark, outcome: str, note: str) -> ReviewMark:
    """Say what became of a reading. 'Amended' and 'voided' are believed only when they are so."""
    problems: dict[str, list[str]] = {}
    if outcome not in ReviewMark.Outcome.values or outcome == ReviewMark.Outcome.TO_REVIEW:
        problems["outcome"] = ["Choose what became of it."]
    if not note.strip():
        problems["note"] = ["Say in a sentence how you know."]
    is_amended = Reading.objects.filter(supersedes=mark.reading).exists()
    if outcome == ReviewMark.Outcome.CORRECTED and not is_amended:
        problems["outcome"] = ["This reading has not been amended. Amend it first, at the bench."]
    is_void = RunVoid.objects.filter(run=mark.reading.run_id).exists()
    if outcome == ReviewMark.Outcome.VOIDED and not is_void:
        problems["outcome"] = ["This run is not void. Void it first, at the bench."]
    if problems:
        raise Refused(problems)
    mark.outcome, mark.note, mark.by, mark.at = outcome, note.strip(), by, timezone.now()
    mark.save(update_fields=["outcome", "note", "by", "at"])
    audit.record(
        by=by,
        verb="reviewed reading",
        subject=mark.reading.run,
        detail={"reading": str(mark.reading_id), "outcome": outcome, "note": note.strip()},
    )
    mark_changed(mark.reading.run.study)
    return mark


@transaction.atomic
def settle_open_marks(*, by: User, finding: OutOfTolerance, outcome: str, note: str) -> int:
    """The same answer for every reading still to be looked at."""
    marks = list(
        finding.marks.filter(outcome=ReviewMark.Outcome.TO_REVIEW).select_related(
            "reading__run__study"
        )
    )
    if not marks:
        raise Refused("No reading is left to be looked at.")
    for mark in marks:
        settle_mark(by=by, mark=mark, outcome=outcome, note=note)
    return len(marks)


@transaction.atomic
def close_finding(*, by: User, finding: OutOfTolerance, cause: str) -> OutOfTolerance:
    """Closed when every reading was looked at and the cause is written down."""
    if finding.closed_at is not None:
        raise Refused("This was closed already.")
    left = finding.marks.filter(outcome=ReviewMark.Outcome.TO_REVIEW).count()
    if left:
        raise Refused(f"{left} readings are still to be looked at.")
    if not cause.strip():
        raise Refused({"cause": ["Write down the cause, or that it was not found."]})
    finding.cause, finding.closed_at, finding.closed_by = cause.strip(), timezone.now(), by
    finding.save(update_fields=["cause", "closed_at", "closed_by"])
    audit.record(by=by, verb="closed finding", subject=finding, detail={"cause": cause.strip()})
    return finding
