"""Builds a small invented study and feeds it as a lab does: by a file of readings."""

import csv
import io
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from itertools import product as pairs_of
from typing import Any

from labsite.models import User
from labsite.roles import Role
from specimens.codes import check_character
from specimens.models import Product, Specimen, Zone, ZoneCapacity
from tests.reports.demo_site import person_with, run_waiting_jobs
from trials import actions
from trials.library import load_methods
from trials.models import MethodRevision, Study
from trials.uploads import preview, receive_upload, store_upload

READ_AT = datetime(2026, 3, 2, 10, 0, tzinfo=UTC)
ZONES = ("left", "right")


@dataclass(frozen=True)
class Story:
    """A registered study with its specimens by arm."""

    study: Study
    arms: Mapping[str, list[Specimen]]
    lead: User
    revision: MethodRevision


def _codes() -> Iterable[str]:
    for letters in pairs_of("ABCDEFGH", "JKMN", "PQ", "2345"):
        body = "".join(letters)
        yield f"{body}-{check_character(body)}"


def build_story(
    *,
    method: str,
    arms: Mapping[str, int],
    gear: str = "Reed waders",
    kind: str = "trousers",
    study_kind: str = Study.Kind.WORN_NEW,
    scope: str = Study.Scope.AUTO,
    margin: float | None = None,
    change: Mapping[str, Any] | None = None,
) -> Story:
    """A study of one method; `change` makes a revision of its own from the shipped one."""
    lead = person_with(Role.LEAD)
    load_methods(by=lead)
    revision = MethodRevision.objects.select_related("method").get(method__key=method)
    if change:
        fields = {
            field.attname: getattr(revision, field.attname)
            for field in MethodRevision._meta.concrete_fields
            if field.attname not in ("id", "number")
        }
        revision = MethodRevision.objects.create(
            **fields | dict(change), number=revision.number + 1
        )
    gear_line = Product.objects.create(maker="Quillfen", name=gear, kind=kind)
    for code in ZONES:
        zone = Zone.objects.create(product=gear_line, code=code, name=f"{code} side")
        ZoneCapacity.objects.create(zone=zone, method_key=method, site_count=4)
    codes = iter(_codes())
    specimens = {
        label: [
            Specimen.objects.create(
                code=next(codes),
                product=gear_line,
                acquired=Specimen.Acquired.BOUGHT,
                acquired_on=date(2026, 1, 5),
                paid_by="the lab",
            )
            for _ in range(count)
        ]
        for label, count in arms.items()
    }
    study = actions.create_study(
        by=lead,
        fields={
            "slug": f"story-{method}",
            "title": f"A story about {gear}",
            "question": "What is left?",
            "kind": study_kind,
            "scope": scope,
            "is_invented": True,
        },
        arms=[
            actions.ArmPlan(label.lower(), label, position == 0, specimens[label])
            for position, label in enumerate(arms)
        ],
        methods=[actions.MethodPlan(revision, margin)],
    )
    actions.register_study(by=lead, study=study, at=datetime(2026, 3, 1, 9, 0, tzinfo=UTC))
    return Story(study, specimens, lead, revision)


def upload(story: Story, rows: list[dict[str, Any]]) -> int:
    """Store the rows as a file of readings and let the worker compute; returns the lines."""
    columns = ["specimen", "method", "zone", "site", "measured_at", "unit"]
    columns += sorted({name for row in rows for name in row} - set(columns))
    common = {
        "method": story.revision.method.key,
        "zone": "left",
        "site": 1,
        "measured_at": READ_AT.isoformat(),
        "unit": story.revision.unit,
    }
    out = io.StringIO()
    writer = csv.DictWriter(out, columns)
    writer.writeheader()
    writer.writerows(common | row for row in rows)
    received = receive_upload(
        by=story.lead, study=story.study, file_name="story.csv", content=out.getvalue().encode()
    )
    looked_at = preview(received)
    assert not looked_at.problems, looked_at.problems
    assert not looked_at.file_problem
    stored = store_upload(by=story.lead, upload=received)
    story.study.refresh_from_db()
    run_waiting_jobs()
    return stored
