"""What a run is made with, chosen at once at the bench."""

from django.db import transaction

from labsite.errors import Refused
from labsite.models import User
from trials.consumables import use_consumable
from trials.instruments import use_instrument
from trials.models import ConsumableUnit, Instrument, Run


@transaction.atomic
def choose_equipment(
    *,
    by: User,
    run: Run,
    instrument: Instrument | None,
    consumable: ConsumableUnit | None,
    reason: str = "",
    for_the_rest: bool = False,
) -> int:
    """Instrument and consumable of a run: both are kept, or neither.

    `for_the_rest` names the instrument for the method's other runs of the study too that have no
    reading and no instrument yet; returns how many. A consumable is never named ahead: it counts.
    """
    if instrument is None and consumable is None:
        raise Refused("Choose an instrument or a consumable.")
    if for_the_rest and instrument is None:
        raise Refused({"instrument": ["Choose the instrument that is to count for the rest."]})
    if instrument is not None:
        use_instrument(by=by, run=run, instrument=instrument, reason=reason)
    if consumable is not None:
        use_consumable(by=by, run=run, unit=consumable, reason=reason)
    if not for_the_rest or instrument is None:
        return 0
    rest = (
        Run.objects.valid()
        .filter(study=run.study_id, revision=run.revision_id)
        .filter(readings__isnull=True, instrument_uses__isnull=True)
        .exclude(pk=run.pk)
        .select_related("revision__method", "study")
    )
    named = list(rest)
    for other in named:
        use_instrument(by=by, run=other, instrument=instrument, reason=reason)
    return len(named)
