"""What may be done with consumables: take in a lot, use a piece, throw it away."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import Count
from django.utils import timezone

from labsite import audit
from labsite.errors import Refused
from labsite.models import User
from trials.actions import mark_changed
from trials.models import ConsumableLot, ConsumableUnit, ConsumableUse, ControlRun, Run

MOST_PIECES = 500


@transaction.atomic
def add_lot(*, by: User, fields: dict[str, Any], piece_count: int) -> ConsumableLot:
    """Take in a lot with its pieces, numbered from 1."""
    problems: dict[str, list[str]] = {}
    if not 1 <= piece_count <= MOST_PIECES:
        problems["piece_count"] = [f"From 1 to {MOST_PIECES} pieces."]
    if fields.get("is_one_shot"):
        fields = fields | {"use_limit": 1}
    if fields.get("expires_on") and fields["expires_on"] < fields["received_on"]:
        problems["expires_on"] = ["It would have expired before it came."]
    same = ConsumableLot.objects.filter(
        kind=fields["kind"], name=fields["name"], lot=fields["lot"]
    ).exists()
    if same:
        problems["lot"] = ["This lot is in the record already."]
    if fields.get("trips_at") and not fields.get("trips_unit"):
        problems["trips_unit"] = ["Say the unit of the level."]
    if problems:
        raise Refused(problems)
    lot = ConsumableLot.objects.create(**fields)
    ConsumableUnit.objects.bulk_create(
        ConsumableUnit(lot=lot, label=str(number)) for number in range(1, piece_count + 1)
    )
    audit.record(by=by, verb="took in lot", subject=lot, detail={"pieces": piece_count})
    return lot


def use_count(unit: ConsumableUnit) -> int:
    """Runs and control runs made with this piece."""
    return (
        ConsumableUse.objects.filter(unit=unit).count()
        + ControlRun.objects.filter(consumable=unit).count()
    )


@transaction.atomic
def use_consumable(
    *,
    by: User,
    run: Run,
    unit: ConsumableUnit,
    reason: str = "",
    chosen_at: datetime | None = None,
) -> ConsumableUse:
    """Say that a run uses this piece.

    Past its limit or its date it needs a reason and leads to a caution. A one-shot piece is used
    once, whatever the reason. `chosen_at` is when a tablet chose it, which may reach us late.
    """
    standing = ConsumableUse.objects.filter(run=run, unit=unit).first()
    if standing is not None:
        return standing
    # the lock makes two tablets take turns, so that neither counts past the other
    unit = (
        ConsumableUnit.objects.select_for_update(of=("self",)).select_related("lot").get(pk=unit.pk)
    )
    past = past_limit(unit)
    problems = _use_problems(run, unit, past, reason, chosen_at)
    if problems:
        raise Refused(problems)
    try:
        with transaction.atomic():
            use = ConsumableUse.objects.create(
                run=run,
                unit=unit,
                is_one_shot=unit.lot.is_one_shot,
                is_past_limit=bool(past),
                reason=reason.strip(),
                at=timezone.now(),
                by=by,
            )
    except IntegrityError:
        raise Refused({"consumable": [f"{unit} was used just now by somebody else."]}) from None
    audit.record(
        by=by,
        verb="used consumable",
        subject=run,
        detail={"unit": str(unit), "reason": reason.strip()},
    )
    mark_changed(run.study)
    return use


def past_limit(unit: ConsumableUnit) -> str:
    """Why the next use would be past a limit, in words; empty when it would not."""
    lot, day = unit.lot, timezone.localdate()
    if lot.use_limit is not None and use_count(unit) >= lot.use_limit:
        times = "once" if lot.use_limit == 1 else f"{lot.use_limit} times"
        return f"{unit} has been used {times}, which is its limit."
    if lot.expires_on is not None and lot.expires_on < day:
        return f"{unit} expired on {lot.expires_on:%d %B %Y}."
    return ""


def uses_left(unit: ConsumableUnit) -> int | None:
    """How often it may still be used; None when it has no limit."""
    limit = unit.lot.use_limit
    return None if limit is None else max(0, limit - use_count(unit))


@dataclass(frozen=True)
class Stock:
    """What the lab has of one kind that may still be used; no `uses_left` where some never wears."""

    pieces: int
    uses_left: int | None


def stock_of(kind: str) -> Stock:
    """Pieces of this kind that are neither thrown away, nor expired, nor used up."""
    units = (
        ConsumableUnit.objects.filter(lot__kind=kind, discarded_on__isnull=True)
        .exclude(lot__expires_on__lt=timezone.localdate())
        .annotate(used=Count("uses"))
        .select_related("lot")
    )
    left = [None if (most := one.lot.use_limit) is None else most - one.used for one in units]
    usable = [one for one in left if one is None or one > 0]
    counted = [one for one in usable if one is not None]
    return Stock(len(usable), None if len(counted) < len(usable) else sum(counted))


def _use_problems(
    run: Run, unit: ConsumableUnit, past: str, reason: str, chosen_at: datetime | None
) -> dict[str, list[str]]:
    wanted = run.revision.needs_consumables
    if wanted and unit.lot.kind not in wanted:
        return {"consumable": [f"This method uses: {', '.join(wanted)}."]}
    if unit.discarded_on is not None:
        return {"consumable": [f"{unit} was thrown away on {unit.discarded_on:%d %B %Y}."]}
    if unit.lot.is_one_shot and use_count(unit):
        return {"consumable": [f"{unit} has been used. It works once: take a new one."]}
    if past and not reason.strip():
        return {
            "reason": [
                f"{past} Take another, or say why it is used; the scorecard will carry a caution."
            ]
        }
    read_before = run.readings.all()
    if chosen_at is not None:
        read_before = read_before.filter(measured_at__lt=chosen_at)
    if read_before.exists() and not reason.strip():
        return {"reason": ["The run has a reading: say how you know what it used."]}
    return {}


@transaction.atomic
def discard(*, by: User, unit: ConsumableUnit, reason: str) -> ConsumableUnit:
    """Thrown away: nobody is offered it again."""
    if not reason.strip():
        raise Refused({"reason": ["Say why it is thrown away."]})
    if unit.discarded_on is not None:
        raise Refused(f"{unit} was thrown away already.")
    unit.discarded_on = timezone.localdate()
    unit.save(update_fields=["discarded_on"])
    audit.record(by=by, verb="threw away", subject=unit, detail={"reason": reason.strip()})
    return unit
