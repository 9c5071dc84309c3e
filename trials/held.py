"""Entries that could not be taken as they are and went to the lab lead instead."""

import uuid as uuids
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db import IntegrityError, transaction
from django.utils import timezone

from labsite import audit
from labsite.errors import Conflict, Refused
from labsite.models import User
from trials.actions import digest_of
from trials.models import HeldEntry


@dataclass(frozen=True)
class Handed:
    """An entry as it was meant for the record, and why it did not get there."""

    uuid: uuids.UUID
    kind: str
    label: str
    address: str
    content: Mapping[str, Any]
    why: str
    made_at: datetime


@transaction.atomic
def hold_entry(*, by: User, handed: Handed) -> HeldEntry:
    """Keep it for the lab lead. The same entry again is the same one."""
    digest = digest_of({"address": handed.address, "content": dict(handed.content), "by": by.pk})
    try:
        with transaction.atomic():
            held = HeldEntry.objects.create(
                uuid=handed.uuid,
                kind=handed.kind,
                label=handed.label,
                address=handed.address,
                content=dict(handed.content),
                why=handed.why,
                made_at=handed.made_at,
                by=by,
                received_at=timezone.now(),
                digest=digest,
            )
    except IntegrityError:
        standing = HeldEntry.objects.filter(pk=handed.uuid).first()
        if standing is None:
            raise
        if standing.digest != digest:
            raise Conflict("Another entry was handed over under this id.") from None
        return standing
    audit.record(
        by=by,
        verb="handed an entry to the lab lead",
        subject=held,
        detail={"kind": held.kind, "label": held.label, "why": held.why},
    )
    return held


@transaction.atomic
def settle_held(*, by: User, held: HeldEntry, note: str) -> HeldEntry:
    """The lead says what was done about it; the entry stays readable."""
    if not note.strip():
        raise Refused({"note": ["Say what was done about it."]})
    row = HeldEntry.objects.select_for_update(of=("self",)).get(pk=held.pk)
    if row.settled_at is not None:
        raise Conflict("This was settled already.")
    row.settled_at = timezone.now()
    row.settled_by = by
    row.settled_note = note.strip()
    row.save(update_fields=["settled_at", "settled_by", "settled_note"])
    audit.record(by=by, verb="settled a handed-over entry", subject=row, detail={"note": note})
    return row
