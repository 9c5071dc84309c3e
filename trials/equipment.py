"""What a run is made with, chosen at once at the bench."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import Exists, OuterRef

from labsite.errors import Refused
from labsite.models import User
from trials.consumables import use_consumable
from trials.instruments import use_instrument
from trials.models import ConsumableUnit, Instrument, Reading, Run


@dataclass(frozen=True)
class EquipmentChoice:
    """Instrument and consumable as chosen; `chosen_at` is when a tablet did so, else now."""

    instrument: Instrument | None = None
    consumable: ConsumableUnit | None = None
    reason: str = ""
    for_the_rest: bool = False
    chosen_at: datetime | None = None


@transaction.atomic
def choose_equipment(*, by: User, run: Run, choice: EquipmentChoice) -> int:
    """Instrument and consumable of a run: both are kept, or neither.

    `for_the_rest` names the instrument for the method's other runs of the study too that have no
    reading and no instrument yet; returns how many. A consumable is never named ahead: it counts.
    Readings made after the choice do not stand against it, in whatever order they arrive.
    """
    instrument, consumable = choice.instrument, choice.consumable
    how: dict[str, Any] = {"by": by, "reason": choice.reason, "chosen_at": choice.chosen_at}
    if instrument is None and consumable is None:
        raise Refused("Choose an instrument or a consumable.")
    if choice.for_the_rest and instrument is None:
        raise Refused({"instrument": ["Choose the instrument that is to count for the rest."]})
    if instrument is not None:
        use_instrument(run=run, instrument=instrument, **how)
    if consumable is not None:
        use_consumable(run=run, unit=consumable, **how)
    if not choice.for_the_rest or instrument is None:
        return 0
    read_before = Reading.objects.filter(run=OuterRef("pk"))
    if choice.chosen_at is not None:
        read_before = read_before.filter(measured_at__lt=choice.chosen_at)
    rest = (
        Run.objects.valid()
        .filter(study=run.study_id, revision=run.revision_id, instrument_uses__isnull=True)
        .exclude(Exists(read_before))
        .exclude(pk=run.pk)
        .select_related("revision__method", "study")
    )
    named = list(rest)
    for other in named:
        use_instrument(run=other, instrument=instrument, **how)
    return len(named)
