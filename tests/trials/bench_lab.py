"""A small lab for tests of the record and the bench. Everything in it is invented."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from django.utils import timezone

from labsite.models import User
from labsite.roles import Role, give_role
from specimens.codes import check_character
from specimens.models import Product, Specimen, Zone, ZoneCapacity
from trials import actions
from trials.library import load_methods
from trials.models import MethodRevision, Run, SafetyAcknowledgement, SpecimenCheck, Study

SITES = 12


@dataclass
class BenchLab:
    """One product, two specimens in two arms, one zone that carries every shipped method."""

    study: Study
    revisions: dict[str, MethodRevision]
    specimens: list[Specimen]
    zone: Zone
    lead: User

    def run_of(self, key: str, specimen: int = 0, *, is_looked_at: bool = True) -> Run:
        """A run on the sheet; the right specimen was on the rig unless the test is about that."""
        run = actions.plan_run(
            by=self.lead,
            study=self.study,
            specimen=self.specimens[specimen],
            revision=self.revisions[key],
            zone=self.zone,
        )
        if is_looked_at:
            now = timezone.now()
            SpecimenCheck.objects.create(
                run=run,
                code=run.specimen.code,
                zone=run.zone.code,
                how="typed",
                is_right=True,
                checked_at=now - timedelta(days=2),
                received_at=now,
                by=self.lead,
            )
        return run


def person_with(role: Role) -> User:
    user, is_new = User.objects.get_or_create(
        username=f"a-{role.value}", defaults={"first_name": role.value.capitalize()}
    )
    if is_new:
        give_role(user=user, role=role, by=None)
    return user


def build_bench_lab(*, sites: int = SITES) -> BenchLab:
    lead = person_with(Role.LEAD)
    load_methods(by=lead)
    revisions = {
        revision.method.key: revision
        for revision in MethodRevision.objects.select_related("method")
    }
    product = Product.objects.create(maker="Invented", name="Testwear", kind=Product.Kind.JACKET)
    zone = Zone.objects.create(product=product, code="left-sleeve", name="Left sleeve")
    ZoneCapacity.objects.bulk_create(
        ZoneCapacity(zone=zone, method_key=key, site_count=sites) for key in revisions
    )
    specimens = [
        Specimen.objects.create(
            code=f"{body}-{check_character(body)}",
            product=product,
            acquired=Specimen.Acquired.BOUGHT,
            acquired_on=date(2026, 1, 5),
        )
        for body in ("ABCD", "EFGH")
    ]
    study = actions.create_study(
        by=lead,
        fields={
            "slug": "worn-against-new",
            "title": "Worn against new",
            "question": "What did two seasons cost?",
            "kind": Study.Kind.WORN_NEW,
        },
        arms=[
            actions.ArmPlan("new", "New", True, specimens[:1]),
            actions.ArmPlan("worn", "Worn", False, specimens[1:]),
        ],
        methods=[actions.MethodPlan(revision) for revision in revisions.values()],
    )
    actions.register_study(by=lead, study=study, at=timezone.now() - timedelta(days=2))
    return BenchLab(study, revisions, specimens, zone, lead)


def bench_day() -> datetime:
    """When a day's work of six hours began that is over and did not run past midnight."""
    now = timezone.now()
    start = now - timedelta(hours=6)
    if start.date() == now.date():
        return start
    return (now - timedelta(days=1)).replace(hour=12)


def hours_since(moment: datetime) -> float:
    return (timezone.now() - moment).total_seconds() / 3600


def pass_checks(lab: BenchLab, by: User, *, hours_ago: float = 8) -> None:
    """Every method's checks, passed that morning, before runs that a test dates back."""
    at = timezone.now() - timedelta(hours=hours_ago)
    SafetyAcknowledgement.objects.bulk_create(
        SafetyAcknowledgement(revision=revision, by=by, at=at, answers={})
        for revision in lab.revisions.values()
    )


# What is typed for each shipped method, and the interval and words it must give. Worked out by
# hand from the table of intervals and each method's resolution and detection limit.
TYPED: dict[str, tuple[dict[str, Any], str, float | None, float | None]] = {
    "belt-abrasion": ({"seconds": "4,2", "ended": "failed"}, "failed at 4.2 s", 4.15, 4.25),
    "contact-heat": (
        {"seconds": 21, "ended": "stopped"},
        "had not failed when stopped at 21 s",
        21.0,
        None,
    ),
    "seam-opening": ({"turns": 7, "ended": "failed"}, "failed during turn 7", 6.0, 7.0),
    "padding-drop": (
        {"held_at": 1.25, "failed_at": 1.6},
        "held at 1.25 m, failed at 1.6 m",
        1.25,
        1.6,
    ),
    "point-challenge": ({"level": 5, "outcome": "failed"}, "failed at 5 J", 0.0, 5.0),
    "water-uptake": (
        {"before_g": 812.1, "after_g": "815.6"},
        "took up 3.5 g",
        3.4,
        3.6,
    ),
    "flame-grade": (
        {"grade": 3},
        "grade 3, charred or melted at the surface, no hole",
        None,
        None,
    ),
}
