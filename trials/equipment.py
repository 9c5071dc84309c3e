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
) -> None:
    """Instrument and consumable of a run: both are kept, or neither."""
    if instrument is None and consumable is None:
        raise Refused("Choose an instrument or a consumable.")
    if instrument is not None:
        use_instrument(by=by, run=run, instrument=instrument, reason=reason)
    if consumable is not None:
        use_consumable(by=by, run=run, unit=consumable, reason=reason)
