"""The trail of who did what: written by actions, never changed, sealed into a chain.

Rows are added inside the transaction that makes the change. A sweep a few seconds later seals
them: each seal is the hash of the seal before it and of what its entry says. Sealing apart from
writing means that no two people wait for one another at the end of the chain, and that a
transaction which locks other rows in another order cannot lock itself out.

What the chain proves: an entry that was changed, removed or slipped in between makes every later
seal wrong. Whoever can write to the database could compute the whole chain anew; then its head
differs from every head that was noted elsewhere (`Anchor`), such as in a published edition or
in the log of the server.
"""

import hashlib
import json
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import UTC, timedelta
from typing import TYPE_CHECKING, Any

from django.db import transaction
from django.db.models import Max, Model
from django.utils import timezone

from labsite import logs

if TYPE_CHECKING:
    from labsite.models import AuditEntry, AuditSeal, User

# The network address a request came from; set by labsite.middleware, empty outside a request.
came_from: ContextVar[str] = ContextVar("came_from", default="")

# Entries of transactions that overlap can become visible in another order than their numbers,
# so sealing looks back this far. Verifying looks at everything.
LOOK_BACK = 5_000
SEALS_AT_ONCE = 2_000
# The sweep comes every few seconds; an entry that waits longer means that no worker is there.
SEALED_WITHIN = timedelta(minutes=10)
FIRST_HASH = "0" * 64


def record(
    *,
    by: "User | None",
    verb: str,
    subject: Model,
    detail: dict[str, Any] | None = None,
) -> "AuditEntry":
    """Add one row; call it inside the transaction that makes the change.

    `by` is None for what the site did by itself. The subject's words are kept as they were at
    the time, so that the trail stays readable when the subject is renamed.
    """
    from labsite.models import AuditEntry

    return AuditEntry.objects.create(
        by=by,
        verb=verb,
        subject_kind=subject._meta.label_lower,
        subject_id=str(subject.pk),
        subject_words=str(subject)[:200],
        detail=detail or {},
        origin=logs.origin.get()[:64],
        address=came_from.get()[:45],
    )


def changes(before: Mapping[str, Any], after: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    """Return what differs, as {"field": {"from": old, "to": new}}, for an entry's detail."""
    return {
        "changed": {
            name: {"from": before.get(name), "to": after.get(name)}
            for name in sorted({*before, *after})
            if before.get(name) != after.get(name)
        }
    }


# --- what the page keeps shut ----------------------------------------------------------------

_veils: dict[str, tuple[Callable[[], Collection[str]], str]] = {}


@dataclass(frozen=True)
class Veil:
    """Subjects of one kind whose entries are there and sealed, and what is shown for their words."""

    ids: Collection[str]
    shown: str


def register_veil(subject_kind: str, ids: Callable[[], Collection[str]], *, shown: str) -> None:
    """Let an app name the subjects whose words the page keeps shut for now."""
    _veils[subject_kind] = (ids, shown)


def veils() -> dict[str, Veil]:
    """What is shut now, by kind of subject."""
    return {kind: Veil(ids(), shown) for kind, (ids, shown) in _veils.items()}


# --- sealing ---------------------------------------------------------------------------------


@dataclass(frozen=True, order=True)
class Anchor:
    """One point of the chain as it was known somewhere at some time."""

    sequence: int
    seal: str
    where: str = ""

    def __str__(self) -> str:
        return f"{self.sequence}:{self.seal}"

    @classmethod
    def parsed(cls, text: str, *, where: str = "") -> "Anchor":
        """Read back what `str` gives; ValueError with a sentence for anything else."""
        number, _, seal = text.strip().partition(":")
        is_hash = len(seal) == 64 and set(seal) <= set("0123456789abcdef")
        if not (number.isascii() and number.isdigit() and is_hash):
            raise ValueError(
                f"{text!r} is not an anchor: a number, a colon and 64 digits or letters a to f."
            )
        return cls(int(number), seal, where)


def seal_of(before: str, entry: "AuditEntry") -> str:
    """Return the hash that binds an entry to the seal before it."""
    says = {
        "id": entry.pk,
        "at": entry.at.astimezone(UTC).isoformat(timespec="microseconds"),
        "by": entry.by_id,
        "verb": entry.verb,
        "subject": [entry.subject_kind, entry.subject_id, entry.subject_words],
        "detail": _plain(entry.detail),
        "origin": entry.origin,
        "address": entry.address,
    }
    text = json.dumps(says, sort_keys=True, ensure_ascii=True, separators=(",", ":"))
    return hashlib.sha256(f"{before}\n{text}".encode()).hexdigest()


def _plain(value: Any) -> Any:
    """Write numbers so that both databases give the same text back (1.0 and 1, 1e22)."""
    if isinstance(value, float) and value.is_integer():
        return int(value)
    if isinstance(value, dict):
        return {key: _plain(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [_plain(inner) for inner in value]
    return value


def seal() -> int:
    """Seal what is not sealed yet, and return how many entries that were."""
    from labsite.models import AuditEntry, AuditSeal, Pulse

    sealed = 0
    while True:
        with transaction.atomic():
            # One row to lock, so that two workers do not build two ends.
            Pulse.objects.get_or_create(name="audit seal", defaults={"at": timezone.now()})
            Pulse.objects.select_for_update().get(name="audit seal")
            newest = AuditSeal.objects.aggregate(newest=Max("entry_id"))["newest"] or 0
            last = AuditSeal.objects.order_by("-sequence").first()
            waiting = list(
                AuditEntry.objects.filter(pk__gt=newest - LOOK_BACK, seal=None).order_by("pk")[
                    :SEALS_AT_ONCE
                ]
            )
            AuditSeal.objects.bulk_create(_next_seals(last, waiting))
            Pulse.objects.filter(name="audit seal").update(at=timezone.now())
        sealed += len(waiting)
        if len(waiting) < SEALS_AT_ONCE:
            return sealed


def _next_seals(last: "AuditSeal | None", entries: Iterable["AuditEntry"]) -> Iterator["AuditSeal"]:
    from labsite.models import AuditSeal

    sequence, before = (last.sequence, last.seal) if last else (0, FIRST_HASH)
    for entry in entries:
        sequence, before = sequence + 1, seal_of(before, entry)
        yield AuditSeal(sequence=sequence, entry=entry, seal=before)


def head() -> Anchor:
    """Return the end of the chain; number 0 when nothing is sealed yet."""
    from labsite.models import AuditSeal

    last = AuditSeal.objects.order_by("-sequence").first()
    return Anchor(last.sequence, last.seal) if last else Anchor(0, FIRST_HASH)


# --- verifying -------------------------------------------------------------------------------

_anchors: dict[str, Callable[[], Iterable[Anchor]]] = {}


def register_anchors(name: str, known: Callable[[], Iterable[Anchor]]) -> None:
    """Let an app say which heads it has noted; called in AppConfig.ready()."""
    _anchors[name] = known


@dataclass(frozen=True, kw_only=True)
class Verification:
    """What a walk along the whole chain found."""

    entry_count: int
    sealed_count: int
    waiting_count: int
    anchor_count: int
    head: Anchor
    faults: tuple[str, ...]

    @property
    def is_whole(self) -> bool:
        return not self.faults


def verify(anchors: Iterable[Anchor] = (), *, faults_at_most: int = 50) -> Verification:
    """Walk the chain from its first seal and compare it with every known anchor.

    Reads one row at a time, so memory does not grow with the trail.
    """
    from labsite.models import AuditEntry, AuditSeal

    known = [*anchors, *(anchor for give in _anchors.values() for anchor in give())]
    walk = _Walk(known)
    for row in AuditSeal.objects.select_related("entry").order_by("sequence").iterator():
        walk.step(row)
    walk.end()
    unsealed = AuditEntry.objects.filter(seal=None)
    late = unsealed.filter(at__lt=timezone.now() - SEALED_WITHIN).count()
    if late:
        walk.faults.append(
            f"{late} entries are older than {SEALED_WITHIN.seconds // 60} minutes and not "
            "sealed: slipped in with an old date, or no worker runs."
        )
    more = len(walk.faults) - faults_at_most
    told = [*walk.faults[:faults_at_most], *([f"And {more} more."] if more > 0 else [])]
    return Verification(
        entry_count=AuditEntry.objects.count(),
        sealed_count=AuditSeal.objects.count(),
        waiting_count=unsealed.count(),
        anchor_count=len(known),
        head=Anchor(walk.sequence, walk.before),
        faults=tuple(told),
    )


class _Walk:
    """Where a walk along the chain stands, and what it found wrong so far."""

    def __init__(self, anchors: Iterable[Anchor]) -> None:
        self.sequence, self.before = 0, FIRST_HASH
        self.faults: list[str] = []
        self.known: dict[int, list[Anchor]] = {}
        for anchor in anchors:
            if anchor.sequence > 0:  # a head of the empty chain says nothing
                self.known.setdefault(anchor.sequence, []).append(anchor)

    def step(self, row: "AuditSeal") -> None:
        if row.sequence != self.sequence + 1:
            self.faults.append(f"Seals {self.sequence + 1} to {row.sequence - 1} are missing.")
        if seal_of(self.before, row.entry) != row.seal:
            self.faults.append(
                f"Seal {row.sequence} does not fit entry {row.entry_id} "
                f"({row.entry.at:%Y-%m-%d %H:%M} UTC, {row.entry}): the entry, or what came "
                "before it, is not what was sealed."
            )
        # Go on from what is stored, so that one change is told once and not for every later row.
        self.sequence, self.before = row.sequence, row.seal
        self.faults.extend(
            f"Seal {row.sequence} is not the one noted in {anchor.where or 'the anchor'}: "
            "the chain was written anew."
            for anchor in self.known.pop(row.sequence, [])
            if anchor.seal != row.seal
        )

    def end(self) -> None:
        self.faults.extend(
            f"The chain ends at {self.sequence}, but {anchor.where or 'the anchor'} noted seal "
            f"{anchor.sequence}: the chain's end is missing."
            for sequence in sorted(self.known)
            for anchor in self.known[sequence]
        )
