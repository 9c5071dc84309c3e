"""What a second pair of eyes adds to the record: specimen codes, confirmations, incidents."""

import uuid as uuids
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any, NoReturn

from django.db import IntegrityError, transaction
from django.utils import timezone

from labsite import audit
from labsite.errors import Conflict, Refused
from labsite.models import AuditEntry, Lab, User
from labsite.roles import Deed, may
from trials import policies
from trials.actions import (
    ReadingEntry,
    Recorded,
    checked_entry,
    reading_fields,
    record_reading,
)
from trials.models import (
    Incident,
    Reading,
    ReadingConfirmation,
    Run,
    RunVoid,
    SecondKeying,
    SpecimenCheck,
)
from trials.queries import wanted_code

WRONG_PASSWORD = "typed a wrong password to confirm"  # nosec B105  # the audit trail's words
MOST_WRONG = 5
WRONG_COUNTS_FOR = timedelta(minutes=15)


@dataclass(frozen=True)
class CheckEntry:
    """A code and a zone as somebody scanned or typed them at the rig."""

    uuid: uuids.UUID
    run: Run
    code: str
    zone: str
    how: str
    checked_at: datetime
    reason: str = ""
    clock_offset_s: float | None = None  # already in `checked_at`


@transaction.atomic
def keep_specimen_check(*, by: User, entry: CheckEntry) -> SpecimenCheck:
    """Keep what was found on the rig, right or wrong; the same id is the same check."""
    if entry.how not in SpecimenCheck.How.values:
        raise Refused({"how": ["Say scanned or typed."]})
    policies.check_measured_at(entry.checked_at, entry.run.study, field="checked_at")
    is_right = entry.code == wanted_code(entry.run) and entry.zone == entry.run.zone.code
    if is_right and not entry.reason.strip() and _was_wrong_before(entry):
        raise Refused({"reason": ["Say what was wrong on the rig, and what was swapped."]})
    check, is_new = SpecimenCheck.objects.get_or_create(
        uuid=entry.uuid,
        defaults={
            "run": entry.run,
            "code": entry.code,
            "zone": entry.zone,
            "how": entry.how,
            "is_right": is_right,
            "reason": entry.reason.strip(),
            "checked_at": entry.checked_at,
            "clock_offset_s": entry.clock_offset_s,
            "received_at": timezone.now(),
            "by": by,
        },
    )
    same = (check.run_id, check.code, check.zone, check.by_id)
    if same != (entry.run.pk, entry.code, entry.zone, by.pk):
        raise Conflict("Another check stands under this id. Load the page again.")
    if is_new:
        verb = "checked specimen" if check.is_right else "stopped at a wrong specimen"
        detail = {"code": entry.code, "zone": entry.zone, "reason": check.reason}
        audit.record(by=by, verb=verb, subject=entry.run, detail=detail)
    return check


def _was_wrong_before(entry: CheckEntry) -> bool:
    """The look before this one found a wrong specimen or zone, so something was swapped."""
    before = SpecimenCheck.objects.filter(run=entry.run, checked_at__lt=entry.checked_at)
    last = before.exclude(pk=entry.uuid).order_by("checked_at").last()
    return last is not None and not last.is_right


def record_bench_reading(
    *, by: User, entry: ReadingEntry, check: CheckEntry | None = None
) -> Recorded:
    """Store a reading from the bench; of a destructive method only with its specimen looked at.

    The reading carries the check with it, so that neither has to arrive first. One without it,
    as an older page sends, counts when a right check of the run is here already.
    """
    at_rig = replace(entry, is_at_rig=True)
    if check is None:
        return record_reading(by=by, entry=at_rig)
    with transaction.atomic():
        keep_specimen_check(by=by, entry=check)
        return record_reading(by=by, entry=at_rig)


# --- the second person -----------------------------------------------------------------------


def check_may_try(by: User) -> None:
    """Five wrong passwords on one person's tablet shut this door for a while."""
    since = timezone.now() - WRONG_COUNTS_FOR
    wrong = AuditEntry.objects.filter(by=by, verb=WRONG_PASSWORD, at__gte=since).count()
    if wrong >= MOST_WRONG:
        raise Refused(
            {"password": ["Too many wrong passwords here. Wait a quarter of an hour, or sign in."]}
        )


def refuse_password(*, by: User, reading: Reading, username: str) -> NoReturn:
    """Count a wrong password, and say so without telling which of the two was wrong."""
    audit.record(by=by, verb=WRONG_PASSWORD, subject=reading.run, detail={"name": username[:80]})
    raise Refused({"password": ["This name and password do not belong together."]})


@dataclass(frozen=True)
class Seen:
    """What became of a second person's look: a confirmation, or two entries that differ."""

    confirmation: ReadingConfirmation | None
    differs: str = ""


@transaction.atomic
def confirm_reading(
    *, by: User, reading: Reading, how: str, raw: Mapping[str, Any] | None = None
) -> Seen:
    """Somebody else than the one who entered it saw the same.

    Where the method has readings keyed twice, they type it themselves, and it is confirmed only
    when both are the same; what was typed stays on record either way.
    """
    if not may(by, Deed.ENTER_READINGS):
        raise Refused({"username": [f"{by.display_name} may not enter readings here."]})
    if by.pk == reading.by_id:
        raise Refused({"username": ["The second person is somebody else than the first."]})
    if Reading.objects.filter(supersedes=reading).exists():
        raise Refused("This reading was amended since: confirm the newer one.")
    if RunVoid.objects.filter(run=reading.run_id).exists():
        raise Refused("This run is void: there is nothing to confirm.")
    if reading.run.revision.keyed_twice:
        typed = _keyed_again(by, reading, raw)
        if not typed.agrees:
            first = f"{reading.by.display_name} typed: {reading.words}"
            return Seen(None, f"{first}. {by.display_name} typed: {typed.words}.")
    try:
        with transaction.atomic():
            confirmed = ReadingConfirmation.objects.create(
                reading=reading, by=by, at=timezone.now(), how=how
            )
    except IntegrityError:
        standing = ReadingConfirmation.objects.filter(reading=reading).select_related("by").get()
        if standing.by_id == by.pk:
            return Seen(standing)
        raise Conflict(f"{standing.by.display_name} confirmed this already.") from None
    audit.record(
        by=by, verb="confirmed reading", subject=reading.run, detail={"reading": str(reading.pk)}
    )
    return Seen(confirmed)


def _keyed_again(by: User, reading: Reading, raw: Mapping[str, Any] | None) -> SecondKeying:
    """Keep what the second person typed, the same as the first or not."""
    if not raw:
        raise Refused("Type the reading yourself, without looking at the first entry.")
    revision = reading.run.revision
    fields = reading_fields(checked_entry(raw, revision), revision)
    agrees = all(fields[name] == getattr(reading, name) for name in ("low", "high", "grade"))
    typed = SecondKeying.objects.create(
        reading=reading,
        raw=dict(raw),
        words=fields["words"],
        agrees=agrees,
        at=timezone.now(),
        by=by,
    )
    audit.record(
        by=by,
        verb="typed a reading again" if agrees else "typed a reading again and it differed",
        subject=reading.run,
        detail={"reading": str(reading.pk), "first": reading.words, "second": typed.words},
    )
    return typed


# --- emergencies -----------------------------------------------------------------------------


@transaction.atomic
def tell_incident(*, by: User, what: str, is_injury: bool, run: Run | None = None) -> Incident:
    """A near miss or an injury, in the words of whoever saw it."""
    if not what.strip():
        raise Refused({"what": ["Say in a sentence what happened."]})
    incident = Incident.objects.create(
        run=run, what=what.strip(), is_injury=is_injury, at=timezone.now(), by=by
    )
    audit.record(by=by, verb="told an incident", subject=incident, detail={"is_injury": is_injury})
    return incident


@transaction.atomic
def write_emergency_note(*, by: User, text: str) -> Lab:
    """What the bench shows at one tap: whom to call and where things are."""
    lab = Lab.objects.filter(pk=1).first()
    if lab is None:
        raise Refused("The lab has no name yet: give it one in the administration first.")
    lab.emergency = text.strip()
    lab.save(update_fields=["emergency"])
    audit.record(
        by=by, verb="wrote the emergency note", subject=lab, detail={"text": lab.emergency}
    )
    return lab
