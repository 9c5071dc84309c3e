"""Takes in what waited on a tablet from a file, through the very addresses the tablet would use.

So a file can do nothing that its people could not have done themselves, and what had arrived
already is stored only once.
"""

import base64
import binascii
import hashlib
import io
import json
import uuid as uuids
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlencode, urlsplit

from django.core.handlers.wsgi import WSGIRequest
from django.db import IntegrityError, transaction
from django.http import Http404
from django.urls import Resolver404, resolve
from django.utils import timezone

from labsite import audit
from labsite.errors import Refused
from labsite.models import User
from labsite.roles import Deed, check_may, may
from trials.models import EntriesFile

FORMAT = "wornproof-waiting-entries"
VERSION = 1
LARGEST_FILE = 200 * 1024 * 1024
MOST_ENTRIES = 20_000
# The addresses that a tablet's queue sends to, by name; nothing else is called from a file.
ADDRESSES = frozenset(
    {
        "api-reading",
        "api-void",
        "api-checks",
        "api-runs",
        "api-held",
        "api-equipment",
        "api-watch",
        "api-photo",
        "api-photo-original",
        "api-mark",
        "api-specimen-check",
    }
)
ROUNDS = 3  # an entry may wait for another of the same file: a run for its reading


@dataclass(frozen=True)
class FileEntry:
    """One entry of the file, checked for its shape only."""

    id: uuids.UUID
    kind: str
    method: str
    address: str
    body: Mapping[str, Any]
    label: str
    by: int
    by_name: str
    made_at: str
    content_type: str = ""
    content: bytes = b""


@dataclass(frozen=True)
class Fate:
    """What becomes of an entry: stored, on record, kept beside another, follows, refused."""

    entry: FileEntry
    state: str
    sentences: tuple[str, ...] = ()
    waits_for: str = ""


@dataclass(frozen=True)
class Looked:
    """A file as it was understood. With a problem nothing is taken in."""

    fates: list[Fate] = field(default_factory=list)
    problem: str = ""

    @property
    def counts(self) -> dict[str, int]:
        """How many entries end in which way."""
        return dict(Counter(fate.state for fate in self.fates))


def receive_file(*, by: User, file_name: str, content: bytes) -> EntriesFile:
    """Keep the file as it came; the same bytes again are the same file."""
    check_may(by, Deed.UPLOAD_READINGS)
    if len(content) > LARGEST_FILE:
        raise Refused({"file": ["This file is larger than a tablet's entries can be."]})
    entries_of(content)  # refuses what is no such file
    digest = hashlib.sha256(content).hexdigest()
    row, _ = EntriesFile.objects.get_or_create(
        digest=digest,
        defaults={
            "file_name": file_name[:200] or "entries.json",
            "content": content,
            "by": by,
            "received_at": timezone.now(),
        },
    )
    return row


def entries_of(content: bytes) -> list[FileEntry]:
    """The entries of a file; raises `Refused` with the reason and the entry's place."""
    try:
        told = json.loads(content.decode("utf-8-sig"))
    except (UnicodeDecodeError, ValueError, RecursionError):
        raise Refused(
            {"file": ["This is not a file that a tablet saved: it is no JSON."]}
        ) from None
    if not isinstance(told, dict) or told.get("format") != FORMAT:
        raise Refused({"file": ["This is not a file that a tablet's waiting page saved."]})
    if told.get("version") != VERSION:
        raise Refused({"file": ["This file is of another version of the program."]})
    listed = told.get("entries")
    if not isinstance(listed, list) or len(listed) > MOST_ENTRIES:
        raise Refused({"file": [f"A file holds a list of up to {MOST_ENTRIES:,} entries."]})
    return [_entry_of(one, place) for place, one in enumerate(listed, start=1)]


def _entry_of(told: Any, place: int) -> FileEntry:
    try:
        found = told.get("bytes", {})
        texts = {
            name: told[name]
            for name in ("kind", "method", "address", "label", "by_name", "made_at")
        }
        is_sound = all(isinstance(text, str) and len(text) < 2000 for text in texts.values())
        body, by = told["body"], told["by"]
        if not (is_sound and isinstance(body, dict) and type(by) is int):
            raise TypeError
        return FileEntry(
            id=uuids.UUID(told["id"]),
            body=body,
            by=by,
            content_type=str(found.get("type", ""))[:100],
            content=base64.b64decode(found.get("base64", ""), validate=True),
            **texts,
        )
    except (KeyError, TypeError, ValueError, AttributeError, binascii.Error):
        raise Refused({"file": [f"Entry {place} of the file is damaged."]}) from None


def look_at(row: EntriesFile, *, by: User) -> Looked:
    """What taking the file in would do, found out by doing each entry and taking it back.

    One by one, because a single long transaction would keep every tablet waiting.
    """
    try:
        entries = entries_of(bytes(row.content))
    except Refused as refused:
        return Looked(problem=" ".join(refused.sentences))
    people = _makers(entries)
    kinds = {entry.kind for entry in entries}
    fates = [_deliver(e, maker=people.get(e.by), by=by, is_kept=False) for e in entries]
    return Looked(
        [
            Fate(
                fate.entry,
                "follows another" if fate.waits_for in kinds else "refused",
                fate.sentences,
            )
            if fate.state == "waits"
            else fate
            for fate in fates
        ]
    )


def take_in(*, by: User, row: EntriesFile) -> Looked:
    """Store what can be stored, each entry as if its tablet had sent it, in its maker's name."""
    check_may(by, Deed.UPLOAD_READINGS)
    entries = entries_of(bytes(row.content))
    looked = Looked(_deliver_all(entries, by=by))
    with transaction.atomic():
        row.taken_at = timezone.now()
        row.outcome = looked.counts
        row.save(update_fields=["taken_at", "outcome"])
        audit.record(
            by=by,
            verb="took in a tablet's entries from a file",
            subject=row,
            detail={"digest": row.digest, "outcome": looked.counts},
        )
    return looked


def _deliver_all(entries: list[FileEntry], *, by: User) -> list[Fate]:
    people = _makers(entries)
    fates: dict[uuids.UUID, Fate] = {}
    left = entries
    for _ in range(ROUNDS):
        for entry in left:
            maker = people.get(entry.by)
            fates[entry.id] = _deliver(entry, maker=maker, by=by, is_kept=True)
        waiting = [entry for entry in left if fates[entry.id].state == "waits"]
        if not waiting or len(waiting) == len(left):
            break
        left = waiting
    return [
        Fate(fate.entry, "refused", fate.sentences) if fate.state == "waits" else fate
        for fate in (fates[entry.id] for entry in entries)
    ]


def _makers(entries: list[FileEntry]) -> dict[int, User]:
    return User.objects.in_bulk({entry.by for entry in entries})


def _deliver(entry: FileEntry, *, maker: User | None, by: User, is_kept: bool) -> Fate:
    refusal = _refusal(entry, maker=maker, by=by)
    if maker is None or refusal:
        return Fate(entry, "refused", (refusal,))
    path = urlsplit(entry.address).path
    try:
        match = resolve(path)
    except Resolver404:
        return Fate(entry, "refused", ("There is no such address in this version.",))
    if match.url_name not in ADDRESSES:
        return Fate(entry, "refused", ("This is no address that entries are sent to.",))
    request = _request(entry, path, maker)
    try:
        with transaction.atomic():
            answer = match.func(request, *match.args, **match.kwargs)
            if not is_kept:
                transaction.set_rollback(True)
    except Http404:
        return Fate(entry, "refused", ("There is nothing at its address any more.",))
    except IntegrityError:
        return Fate(entry, "refused", ("The database would not take it.",))
    return _fate(entry, answer.status_code, answer.data)


def _refusal(entry: FileEntry, *, maker: User | None, by: User) -> str:
    if maker is None:
        return f"The lab has no person with the number {entry.by} ({entry.by_name})."
    if maker.pk != by.pk and not may(by, Deed.MANAGE_RECORDS):
        return f"This is an entry of {maker.display_name}: they or the lab lead take it in."
    return ""


def _request(entry: FileEntry, path: str, maker: User) -> WSGIRequest:
    """The request that the tablet would send, already known to be its maker's."""
    is_bytes = bool(entry.content)
    content = entry.content if is_bytes else json.dumps(entry.body).encode()
    given = {name: value for name, value in entry.body.items() if value is not None}
    request = WSGIRequest(
        {
            "REQUEST_METHOD": entry.method.upper(),
            "PATH_INFO": path,
            "QUERY_STRING": urlencode(given) if is_bytes else "",
            "CONTENT_TYPE": entry.content_type if is_bytes else "application/json",
            "CONTENT_LENGTH": str(len(content)),
            "SERVER_NAME": "localhost",
            "SERVER_PORT": "80",
            "HTTP_X_ENTERED_BY": str(maker.pk),
            "wsgi.input": io.BytesIO(content),
            "wsgi.url_scheme": "http",
        }
    )
    request.user = maker
    # nobody forged it: a person of this lab chose the file and confirmed what it holds
    request._dont_enforce_csrf_checks = True  # type: ignore[attr-defined]
    return request


def _fate(entry: FileEntry, status: int, data: Any) -> Fate:
    problems = data.get("problems", {}) if isinstance(data, Mapping) else {}
    sentences = tuple(str(s) for listed in problems.values() for s in listed)
    if status == 201:
        return Fate(entry, "stored")
    if status == 200:
        return Fate(entry, "on record")
    if status == 409 and data.get("both_kept"):
        return Fate(entry, "kept beside another", sentences)
    if data.get("code") == "waits":
        return Fate(entry, "waits", sentences, str(data.get("waits_for", "")))
    return Fate(entry, "refused", sentences or (f"It was answered with {status}.",))
