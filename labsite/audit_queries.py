"""What the page of the trail shows."""

import json
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db.models import Q

from labsite import audit
from labsite.forms import TrailForm
from labsite.models import AuditEntry, Pulse

ROWS_A_PAGE = 100


@dataclass(frozen=True, kw_only=True)
class TrailRow:
    """One entry in words."""

    id: int
    at: datetime
    who: str
    verb: str
    subject: str
    kind: str
    subject_id: str
    changed: tuple[tuple[str, str, str], ...]
    detail: tuple[tuple[str, str], ...]
    origin: str
    address: str
    seal: str


@dataclass(frozen=True, kw_only=True)
class Trail:
    """A page of the trail, newest first. `older_than` continues it."""

    rows: tuple[TrailRow, ...]
    older_than: int | None
    head: audit.Anchor
    sealed_at: datetime | None


def trail(form: TrailForm) -> Trail:
    """Return one page for a valid form. The numbers of entries are the page's cursor."""
    wanted, shut = form.cleaned_data, audit.veils()
    entries = AuditEntry.objects.select_related("by", "seal").order_by("-pk")
    if wanted.get("before"):
        entries = entries.filter(pk__lt=wanted["before"])
    if wanted.get("person"):
        entries = entries.filter(by=wanted["person"])
    if wanted.get("kind"):
        entries = entries.filter(subject_kind=wanted["kind"])
    if wanted.get("since"):
        entries = entries.filter(at__date__gte=wanted["since"])
    if wanted.get("until"):
        entries = entries.filter(at__date__lt=wanted["until"] + timedelta(days=1))
    if wanted.get("words"):
        words = wanted["words"]
        open_words = Q(subject_words__icontains=words)
        for kind, veil in shut.items():
            # nor are they found by what is not shown of them
            open_words &= ~Q(subject_kind=kind, subject_id__in=veil.ids)
        entries = entries.filter(
            Q(verb__icontains=words) | open_words | Q(subject_id=words) | Q(origin=words)
        )
    found = list(entries[: ROWS_A_PAGE + 1])
    rows = found[:ROWS_A_PAGE]
    pulse = Pulse.objects.filter(name="audit seal").first()
    return Trail(
        rows=tuple(_row(entry, shut.get(entry.subject_kind)) for entry in rows),
        older_than=rows[-1].pk if len(found) > ROWS_A_PAGE else None,
        head=audit.head(),
        sealed_at=pulse.at if pulse else None,
    )


def _row(entry: AuditEntry, veil: audit.Veil | None) -> TrailRow:
    shown, said = entry.subject_words, entry.detail
    if veil is not None and entry.subject_id in veil.ids:
        shown, said = veil.shown, {}
    changed = said.get("changed")
    changed = changed if isinstance(changed, dict) else {}
    seal = getattr(entry, "seal", None)
    return TrailRow(
        id=entry.pk,
        at=entry.at,
        who=entry.by.display_name if entry.by else "the site",
        verb=entry.verb,
        subject=shown,
        kind=entry.subject_kind.rpartition(".")[2],
        subject_id=entry.subject_id,
        changed=tuple(
            (_spoken(name), _told(pair.get("from")), _told(pair.get("to")))
            for name, pair in changed.items()
            if isinstance(pair, dict)
        ),
        detail=tuple(
            (_spoken(name), _told(value))
            for name, value in said.items()
            if name != "changed" and value not in ("", None, [], {})
        ),
        origin="" if entry.origin == "-" else entry.origin,
        address=entry.address,
        seal=str(audit.Anchor(seal.sequence, seal.seal)) if seal else "",
    )


def _spoken(name: str) -> str:
    return str(name).replace("_", " ")


def _told(value: object) -> str:
    if value in ("", None):
        return "nothing"
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
