"""The bench methods that ship with the program, as data beside this file."""

import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from django.db import transaction
from django.utils import timezone

from labsite import audit
from labsite.models import User
from trials.models import Method, MethodRevision, PublishedLimit
from trials.physics.published_tables import table_named

FOLDER = Path(__file__).parent / "methods"
OF_METHOD = ("key", "name", "property", "published")


def shipped_methods() -> list[dict[str, Any]]:
    """Every shipped method as written in its file."""
    return [json.loads(path.read_text(encoding="utf-8")) for path in sorted(FOLDER.glob("*.json"))]


@transaction.atomic
def load_methods(*, by: User | None) -> list[MethodRevision]:
    """Put into force every shipped revision the lab does not have; returns the new ones."""
    fresh = []
    for shipped in shipped_methods():
        method, _ = Method.objects.get_or_create(
            key=shipped["key"],
            defaults={"name": shipped["name"], "property": shipped["property"]},
        )
        _load_tables(method, shipped.get("published", ()))
        if method.revisions.filter(number=shipped["number"]).exists():
            continue
        fields = {name: value for name, value in shipped.items() if name not in OF_METHOD}
        revision = MethodRevision.objects.create(
            method=method, state=MethodRevision.State.IN_FORCE, **fields
        )
        audit.record(by=by, verb="put method into force", subject=revision)
        fresh.append(revision)
    return fresh


def _load_tables(method: Method, shipped: Iterable[Mapping[str, str]]) -> None:
    """Published tables that come nearest to a shipped method; none of them may be read from it."""
    for one in shipped:
        table = table_named(one["table"])
        PublishedLimit.objects.get_or_create(
            method=method,
            standard=table.standard,
            edition=table.edition_words,
            clause=table.known_from,
            words=table.what,
            is_comparable=False,
            defaults={
                "table": table.key,
                "why": one["why"],
                "entered_at": timezone.now(),
                "by": None,
            },
        )
