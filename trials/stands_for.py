"""What each reading of a study stands for: as read, with calibration and tolerance taken in.

The reading itself never changes. What stands behind it may: a calibration is recorded later, an
instrument is named later, a lot turns out to have another tolerance. So this is worked out anew
from the record whenever findings are, and shown beside the reading as read.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import NamedTuple
from uuid import UUID

from django.utils import timezone

from trials.intervals import ReadingKind, plain
from trials.models import (
    Calibration,
    ConsumableUse,
    InstrumentUse,
    MethodRevision,
    Reading,
    Study,
    TraceReading,
)
from trials.physics.calibration import (
    Shift,
    derived_shift,
    indicator_power,
    shift_in,
    shifted,
    widened_by_tolerance,
)
from trials.physics.trace_figures import FIGURES, offset_sensitivity
from trials.physics.units import written

# A turn is counted and a grade is seen; the difference of two weighings on one balance loses what
# both share. None of them is moved by a constant correction.
UNMOVED = {ReadingKind.TALLY.value, ReadingKind.GRADE.value, ReadingKind.MASS_GAIN.value}


class Behind(NamedTuple):
    """A calibration behind a reading: its name, and its standard uncertainty in the method's unit."""

    calibration: str
    standard_uncertainty: float


@dataclass(frozen=True)
class StandsFor:
    """A reading's ends as they go into findings, and why they are not the ends as read."""

    low: float
    high: float | None
    words: tuple[str, ...]
    behind: tuple[Behind, ...]
    is_moved: bool = False
    is_widened: bool = False


class _Row(NamedTuple):
    pk: UUID
    run: int
    low: float
    high: float | None
    day: date


def stands_for(study: Study) -> dict[UUID, StandsFor]:
    """Readings that stand for something else than their ends as read. Costs at most five queries."""
    instruments = _instruments(study)
    tolerances = _tolerances(study)
    if not instruments and not tolerances:
        return {}
    calibrations = _calibrations(study) if instruments else {}
    sensitivities = _sensitivities(study) if instruments else {}
    rows = (
        Reading.objects.filter(run__study=study, low__isnull=False)
        .filter(run__in={*instruments, *tolerances})
        .values_list("pk", "run", "low", "high", "measured_at")
    )
    found = {}
    for pk, run, low, high, at in rows:
        row = _Row(pk, run, low or 0.0, high, timezone.localdate(at))
        behind = [
            (use, newest_by(calibrations.get(use.instrument_id, []), row.day))
            for use in instruments.get(run, ())
        ]
        one = _one(row, behind, sensitivities.get(pk), tolerances.get(run))
        if one.words or one.behind:
            found[row.pk] = one
    return found


def _one(
    row: _Row,
    uses: Iterable[tuple[InstrumentUse, Calibration | None]],
    sensitivity: float | None,
    tolerance: "_Tolerance | None",
) -> StandsFor:
    low, high = row.low, row.high
    words: list[str] = []
    behind: list[Behind] = []
    is_shifted = False
    for use, newest in uses:
        if newest is None:
            continue
        revision = use.run.revision
        unit, off = revision.unit, _off(newest.correction, use.instrument.unit)
        shift = shift_of(newest, use.instrument.unit, unit)
        if shift is None:
            traced = _traced(newest, use.instrument.unit, revision)
            if traced is None:
                continue
            known = _known_sensitivity(revision) if sensitivity is None else sensitivity
            if known is None:
                words.append(
                    f"what the calibration of {use.instrument.code} found is not carried into a "
                    "figure that was typed and not read from a trace"
                )
                continue
            shift = derived_shift(
                traced.shift, sensitivity=known, figure_unit=traced.unit, unit=unit
            )
            if shift is None or shift.standard_uncertainty == 0.0:
                continue  # it cancels: both ends of a rise were read with the one thermometer
        behind.append(Behind(f"{use.instrument.code} {newest.pk}", shift.standard_uncertainty))
        if shift.amount:
            is_shifted = True
            low, high = shifted(low, high, shift.amount)
            words.append(
                f"{use.instrument.code} reads {off}: corrected by its "
                f"calibration of {newest.done_on:%d %B %Y}"
            )
    if tolerance is not None:
        low, high = widened_by_tolerance(
            low, high, tolerance=tolerance.share, power=tolerance.power
        )
        words.append(
            f"{tolerance.name} may trip {100 * tolerance.share:.3g} % off its mark: widened by that"
        )
    return StandsFor(
        low,
        high,
        tuple(words),
        tuple(behind),
        is_moved=is_shifted,
        is_widened=tolerance is not None,
    )


def _off(amount: float, unit: str) -> str:
    side = "too low" if amount > 0 else "too high"
    return f"{plain(float(f'{abs(amount):.3g}'))}\u00a0{written(unit)} {side}"


class _Traced(NamedTuple):
    """A correction in the unit of a method's trace, and the unit of the figure read from it."""

    shift: Shift
    unit: str


def _traced(
    calibration: Calibration, instrument_unit: str, revision: MethodRevision
) -> _Traced | None:
    kind = FIGURES.get(str(revision.trace.get("figure")))
    if kind is None:
        return None
    shift = shift_of(calibration, instrument_unit, kind.trace_unit)
    return None if shift is None else _Traced(shift, kind.unit)


def _known_sensitivity(revision: MethodRevision) -> float | None:
    return offset_sensitivity(
        str(revision.trace.get("figure")), seam_width_mm=revision.trace.get("seam_width_mm")
    )


def _sensitivities(study: Study) -> dict[UUID, float]:
    """How each figure that was read from a trace moves with the trace, where that is known."""
    found = TraceReading.objects.filter(
        reading__run__study=study, offset_sensitivity__isnull=False
    ).values_list("reading", "offset_sensitivity")
    return {pk: value for pk, value in found if value is not None}


def newest_by(calibrations: Iterable[Calibration], day: date) -> Calibration | None:
    """The newest calibration done by a day, overdue or not: the best that is known of it then."""
    done = [one for one in calibrations if one.done_on <= day]
    return max(done, key=lambda one: (one.done_on, one.pk), default=None)


def shift_of(calibration: Calibration, instrument_unit: str, unit: str) -> Shift | None:
    """What a calibration adds to readings in a unit; None when they are of another quantity."""
    return shift_in(
        unit,
        correction=calibration.correction,
        expanded_uncertainty=calibration.expanded_uncertainty,
        coverage_factor=calibration.coverage_factor,
        instrument_unit=instrument_unit,
    )


def is_moved(kind: str, *, corrects_by_control: bool) -> bool:
    """Whether readings of a kind are moved by the calibration of their instrument.

    Where control runs correct a method, they were read with the same instrument and take its error
    out with the machine's.
    """
    return kind not in UNMOVED and not corrects_by_control


def _instruments(study: Study) -> dict[int, list[InstrumentUse]]:
    uses = (
        InstrumentUse.objects.filter(run__study=study, instrument__calibrations__isnull=False)
        .select_related("instrument", "run__revision")
        .distinct()
        .order_by("pk")
    )
    by_run: dict[int, list[InstrumentUse]] = defaultdict(list)
    for use in uses:
        revision = use.run.revision
        if is_moved(revision.outcome_kind, corrects_by_control=revision.corrects_by_control):
            by_run[use.run_id].append(use)
    return by_run


def _calibrations(study: Study) -> dict[int, list[Calibration]]:
    by_instrument: dict[int, list[Calibration]] = defaultdict(list)
    for one in Calibration.objects.filter(instrument__uses__run__study=study).distinct():
        by_instrument[one.instrument_id].append(one)
    return by_instrument


class _Tolerance(NamedTuple):
    name: str
    share: float
    power: float


def _tolerances(study: Study) -> dict[int, _Tolerance]:
    uses = ConsumableUse.objects.filter(
        run__study=study,
        run__revision__corrects_by_control=False,
        unit__lot__trips_at__isnull=False,
        unit__lot__tolerance__isnull=False,
    ).select_related("unit__lot", "run__revision")
    found: dict[int, _Tolerance] = {}
    for use in uses.order_by("pk"):
        lot = use.unit.lot
        power = indicator_power(lot.trips_unit, use.run.revision.unit)
        if power is not None and lot.tolerance is not None:
            standing = found.get(use.run_id)
            if standing is None or lot.tolerance > standing.share:
                found[use.run_id] = _Tolerance(f"{lot}", lot.tolerance, power)
    return found
