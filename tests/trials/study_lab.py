"""A lab with a study of three service ages, for tests of plans. Everything in it is invented."""

from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any
from uuid import uuid4

from django.utils import timezone

from labsite.models import User
from labsite.roles import Role
from specimens.codes import check_character
from specimens.models import Product, Specimen, Zone, ZoneCapacity
from tests.trials.bench_lab import person_with
from trials import actions
from trials.library import load_methods
from trials.models import MethodRevision, Run, Study
from trials.planning import Wants

CARRIES = {
    "back": ("none", {"water-uptake": 1}),
    "left-sleeve": ("left", {"belt-abrasion": 2}),
    "right-sleeve": ("right", {"belt-abrasion": 2}),
    "left-seam": ("left", {"seam-opening": 1}),
    "right-seam": ("right", {"seam-opening": 1}),
    "left-elbow": ("left", {"padding-drop": 1}),
    "right-elbow": ("right", {"padding-drop": 1}),
}
KEYS = ("water-uptake", "seam-opening", "padding-drop", "belt-abrasion")
WANTS = Wants(
    runs_each={"water-uptake": 1, "seam-opening": 1, "padding-drop": 1, "belt-abrasion": 2}
)
RAW: dict[str, dict[str, Any]] = {
    "water-uptake": {"before_g": 812.1, "after_g": 815.6},
    "seam-opening": {"turns": 7, "ended": "failed"},
    "padding-drop": {"held_at": 1.25, "failed_at": 1.6},
    "belt-abrasion": {"seconds": 4.2, "ended": "failed"},
}


@dataclass
class StudyLab:
    """Nine jackets in three arms, and one spare in no arm."""

    study: Study
    product: Product
    specimens: list[Specimen]
    spare: Specimen
    lead: User
    technician: User
    fields: dict[str, Any] = field(default_factory=dict)

    def read(self, run: Run) -> None:
        key = run.revision.method.key
        actions.record_reading(
            by=self.technician,
            entry=actions.ReadingEntry(
                uuid=uuid4(), run=run, raw=RAW[key], measured_at=timezone.now()
            ),
        )


def made_specimen(product: Product, body: str, **fields: Any) -> Specimen:
    return Specimen.objects.create(
        code=f"{body}-{check_character(body)}",
        product=product,
        acquired=Specimen.Acquired.BOUGHT,
        acquired_on=date(2026, 1, 5),
        **fields,
    )


def build_study_lab(*, is_blind: bool = False, is_registered: bool = True) -> StudyLab:
    lead, technician = person_with(Role.LEAD), person_with(Role.TECHNICIAN)
    load_methods(by=lead)
    product = Product.objects.create(maker="Invented", name="Tarn jacket", kind="jacket")
    for code, (side, sites) in CARRIES.items():
        zone = Zone.objects.create(
            product=product, code=code, name=code.replace("-", " ").capitalize(), side=side
        )
        ZoneCapacity.objects.bulk_create(
            ZoneCapacity(zone=zone, method_key=key, site_count=n) for key, n in sites.items()
        )
    specimens = [made_specimen(product, f"{a}{b}QX") for a in "ABC" for b in "EFG"]
    spare = made_specimen(product, "DDQX")
    labels = ("Unworn", "One year", "Two years")
    study = actions.create_study(
        by=lead,
        fields={
            "slug": "three-ages",
            "title": "Three ages",
            "question": "What does a year on the round cost?",
            "kind": Study.Kind.AGES,
            "is_blind": is_blind,
        },
        arms=[
            actions.ArmPlan(f"arm-{k}", label, k == 0, specimens[3 * k : 3 * k + 3])
            for k, label in enumerate(labels)
        ],
        methods=[
            actions.MethodPlan(revision)
            for revision in MethodRevision.objects.filter(method__key__in=KEYS)
        ],
    )
    if is_registered:
        actions.register_study(by=lead, study=study, at=timezone.now() - timedelta(days=2))
    for revision in MethodRevision.objects.filter(method__key__in=KEYS):
        actions.acknowledge_safety(
            by=technician,
            revision=revision,
            answers={check["key"]: True for check in revision.checks},
        )
    return StudyLab(study, product, specimens, spare, lead, technician)
