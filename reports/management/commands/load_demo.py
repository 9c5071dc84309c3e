"""Load the invented demo lab's raw records. Nothing computed is loaded."""

import csv
import json
import secrets
from collections.abc import Iterable
from datetime import date, datetime, timedelta
from decimal import Decimal
from itertools import groupby
from pathlib import Path
from typing import Any
from uuid import NAMESPACE_URL, UUID, uuid5

from django.conf import settings
from django.core.management.base import BaseCommand
from django.db import transaction

from labsite.models import Lab, User
from labsite.roles import Role, give_role
from reports.actions import save_draft
from reports.translations import save_translation
from specimens.actions import (
    add_custody_event,
    add_product,
    add_service_entry,
    add_specimen,
    add_zone,
)
from specimens.models import Product, Specimen
from trials.actions import ArmPlan, MethodPlan, create_study, register_study
from trials.controls import take_over_control_run
from trials.library import load_methods
from trials.models import MethodRevision, Reading, Run, Study
from trials.photos import MarkEntry, PhotoEntry, keep_mark, keep_photo
from trials.uploads import receive_upload, store_upload

FOLDER = Path(settings.BASE_DIR) / "fixtures" / "demo"
EVIDENCE = FOLDER.with_name("demo-photos")
LOGINS = "demo-logins.txt"


class Command(BaseCommand):
    """`manage.py load_demo`: people, gear, methods and raw readings; safe to call again."""

    help = "Load the invented demo lab (raw records only). Does nothing where it is loaded."

    def handle(self, **_: Any) -> None:
        """Load what is not there yet, one study a transaction."""
        lab = json.loads((FOLDER / "lab.json").read_text(encoding="utf-8"))
        with transaction.atomic():
            Lab.objects.get_or_create(
                pk=1, defaults={"name": lab["name"], "note": lab["note"], "is_invented": True}
            )
            people = load_people(lab["people"])
        lead = next(u for u in people.values() if u.groups.filter(name=Role.LEAD).exists())
        technician = next(
            u for u in people.values() if u.groups.filter(name=Role.TECHNICIAN).exists()
        )
        if not Product.objects.exists():
            with transaction.atomic():
                load_methods(by=lead)
                load_gear(lead=lead, people=people)
                _controls(technician=technician)
        for plan in json.loads((FOLDER / "studies.json").read_text(encoding="utf-8")):
            if Study.objects.filter(slug=plan["slug"]).exists():
                continue
            self.stdout.write(f"Loading readings: {plan['title']}")
            with transaction.atomic():
                load_study(plan, people=people, technician=technician)


def rows(name: str, folder: Path = FOLDER) -> Iterable[dict[str, str]]:
    with (folder / name).open(encoding="utf-8", newline="") as file:
        yield from csv.DictReader(file)


def load_people(people: list[dict[str, Any]]) -> dict[str, User]:
    found: dict[str, User] = {}
    lines = []
    for person in people:
        user = User.objects.filter(username=person["username"]).first()
        if user is None:
            first, _, last = person["display_name"].partition(" ")
            # fresh for every installation, so that no copy of the demo shares a password
            password = secrets.token_urlsafe(9)
            user = User.objects.create_user(
                person["username"], password=password, first_name=first, last_name=last
            )
            for role in person["roles"]:
                give_role(user=user, role=Role(role), by=None)
            lines.append(f"  {', '.join(person['roles']):<14} {user.username:<8} {password}")
        found[user.username] = user
    if lines:
        path = settings.VAR_DIR / LOGINS
        path.touch(mode=0o600)
        path.write_text("Logins of the demo:\n" + "\n".join(lines) + "\n", encoding="utf-8")
    return found


def load_gear(*, lead: User, people: dict[str, User], folder: Path = FOLDER) -> None:
    """Products, zones, specimens and what is known of them, as a person would enter them."""
    zones = list(rows("zones.csv", folder))
    padded = {row["product"] for row in zones if row["padding"]}
    products = {
        row["product"]: add_product(
            by=lead,
            maker=row["maker"],
            name=row["product"],
            kind=row["kind"],
            size_range=row["size_range"],
            colourway=row["colourway"],
            list_price=Decimal(row["list_price"]) if row["list_price"] else None,
            currency=row["currency"],
            certification_claims=row["certification_claims"],
            padded=row["product"] in padded,
        )
        for row in rows("products.csv", folder)
    }
    # one line for each method that a zone carries
    for (product, code), lines in groupby(zones, key=lambda row: (row["product"], row["zone"])):
        carries = list(lines)
        add_zone(
            by=lead,
            product=products[product],
            code=code,
            name=carries[0]["name"],
            side=carries[0]["side"],
            layers=carries[0]["layers"],
            padding=carries[0]["padding"],
            capacities={row["method"]: int(row["sites"]) for row in carries},
        )
    specimens = {
        row["code"]: add_specimen(
            by=lead,
            code=row["code"],
            product=products[row["product"]],
            size=row["size"],
            lot=row["lot"],
            price_paid=Decimal(row["price_paid"]) if row["price_paid"] else None,
            currency=row["currency"],
            acquired=row["acquired"],
            paid_by=row["paid_by"],
            acquired_on=date.fromisoformat(row["acquired_on"]),
            condition_at_intake=row["condition_at_intake"],
            owner_alias=row["owner_alias"],
        )
        for row in rows("specimens.csv", folder)
    }
    by_name = {person.display_name: person for person in people.values()}
    for row in rows("custody.csv", folder):
        add_custody_event(
            by=by_name.get(row["by_name"], lead),
            specimen=specimens[row["specimen"]],
            at=datetime.fromisoformat(row["at"]),
            from_place=row["from_place"],
            to_place=row["to_place"],
            by_name=row["by_name"],
            note=row["note"],
        )
    for row in rows("service.csv", folder):
        add_service_entry(by=lead, specimen=specimens[row["specimen"]], **_service(row))


def _service(row: dict[str, str]) -> dict[str, Any]:
    incidents = []
    if row["incident_kind"]:
        incidents.append(
            {
                "kind": row["incident_kind"],
                "on": row["incident_on"] or None,
                "note": row["incident_note"],
            }
        )
    return {
        "started_on": date.fromisoformat(row["started_on"]),
        "ended_on": date.fromisoformat(row["ended_on"]),
        "distance_km_low": _float(row["distance_km_low"]),
        "distance_km_best": _float(row["distance_km_best"]),
        "distance_km_high": _float(row["distance_km_high"]),
        "wash_count": _int(row["wash_count"]),
        "proofing_count": _int(row["proofing_count"]),
        "conditions": row["conditions"],
        "incidents": incidents,
        "evidence": row["evidence"],
        "note": row["note"],
    }


def _float(text: str) -> float | None:
    return float(text) if text else None


def _int(text: str) -> int | None:
    return int(text) if text else None


def _controls(*, technician: User) -> None:
    revisions = newest_revisions()
    for row in rows("controls.csv"):
        take_over_control_run(
            by=technician,
            revision=revisions[row["method"]],
            material=row["material"],
            session_label=row["session"],
            ran_at=datetime.fromisoformat(row["ran_at"]),
            low=float(row["low"]),
            high=_float(row["high"]),
        )


def newest_revisions() -> dict[str, MethodRevision]:
    newest: dict[str, MethodRevision] = {}
    for revision in MethodRevision.objects.select_related("method").order_by("number"):
        newest[revision.method.key] = revision
    return newest


def load_study(
    plan: dict[str, Any], *, people: dict[str, User], technician: User, folder: Path = FOLDER
) -> Study:
    """A study with its readings; words for a first edition only where the plan has them."""
    lead = people[plan["registered_by"]]
    by_code = {s.code: s for s in Specimen.objects.all()}
    revisions = newest_revisions()
    study = create_study(
        by=lead,
        fields={
            "slug": plan["slug"],
            "title": plan["title"],
            "question": plan["question"],
            "kind": plan["kind"],
            "level": plan["level"],
            "margin": plan["margin"],
            "exclusion_rules": plan["exclusion_rules"],
            "population": plan.get("population", ""),
            "not_claimed": plan.get("not_claimed", ""),
            "is_invented": True,
        },
        arms=[
            ArmPlan(
                key=arm["key"],
                label=arm["label"],
                is_baseline=arm["is_baseline"],
                specimens=[by_code[code] for code in arm["specimens"]],
            )
            for arm in plan["arms"]
        ],
        methods=[
            MethodPlan(revisions[m["key"]], m["margin"], is_primary=m.get("is_primary", False))
            for m in plan["methods"]
        ],
    )
    register_study(by=lead, study=study, at=datetime.fromisoformat(plan["registered_at"]))
    name = f"readings-{study.slug}.csv"
    if (folder / name).exists():
        upload = receive_upload(
            by=technician, study=study, file_name=name, content=(folder / name).read_bytes()
        )
        store_upload(by=technician, upload=upload)
        _evidence(study, by=technician)
    if "headline" in plan:
        save_draft(
            by=lead,
            study=study,
            fields={"headline": plan["headline"], "summary_text": plan["summary"]},
        )
        for language, words in plan["translations"].items():
            save_translation(by=lead, study=study, language=language, fields=words)
    return study


def _evidence(study: Study, *, by: User) -> None:
    """Pictures and moments of films of the study's runs, where the lab took any."""
    runs = {
        (
            run.revision.method.key,
            run.specimen.code,
            run.zone.code,
            run.site,
        ): run
        for run in Run.objects.filter(study=study).select_related(
            "revision__method", "specimen", "zone"
        )
    }
    for name, keep in (("photos.csv", _keep_photo), ("marks.csv", _keep_mark)):
        for row in rows(name, EVIDENCE):
            if row["study"] == study.slug:
                run = runs[row["method"], row["specimen"], row["zone"], int(row["site"])]
                read = Reading.objects.filter(run=run).earliest("measured_at")
                # one id for ever, so that addresses of the demo stay
                uuid = uuid5(NAMESPACE_URL, "/".join(row.values()))
                keep(row, run, uuid, read.measured_at + timedelta(minutes=4), by)


def _keep_photo(row: dict[str, str], run: Run, uuid: UUID, at: datetime, by: User) -> None:
    entry = PhotoEntry(
        uuid=uuid,
        run=run,
        content=(EVIDENCE / row["file"]).read_bytes(),
        taken_at=at,
        shows=row["shows"],
        caption=row["caption"],
        zone=row["zone"],
    )
    keep_photo(by=by, entry=entry)


def _keep_mark(row: dict[str, str], run: Run, uuid: UUID, at: datetime, by: User) -> None:
    entry = MarkEntry(
        uuid=uuid,
        run=run,
        video=row["video"],
        seconds=float(row["seconds"]),
        caption=row["caption"],
        marked_at=at,
    )
    keep_mark(by=by, entry=entry)
