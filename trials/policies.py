"""Rules of the record: each raises `Refused` with the reason, beside the field it concerns."""

from datetime import datetime, timedelta

from django.utils import timezone

from labsite.errors import NotYet, Refused
from labsite.models import User
from specimens.models import Specimen, Zone
from specimens.policies import by_lab_clock
from trials.models import (
    ArmSpecimen,
    MethodRevision,
    Run,
    SafetyAcknowledgement,
    SpecimenCheck,
    Study,
)

SAFETY_LASTS = timedelta(hours=12)  # one working day: a new session asks again
SAFETY_SLACK = timedelta(minutes=1)  # two measurements of one tablet's clock differ by seconds
CLOCK_SLACK = timedelta(minutes=10)  # a tablet's clock may be a little ahead of the server's


def check_study_takes_readings(study: Study) -> None:
    """A study takes readings once its question is fixed."""
    if study.registered_at is None:
        raise Refused(
            {
                "study": [
                    "Register this study first: its question is fixed before the first reading."
                ]
            }
        )


def check_study_may_change(study: Study) -> None:
    """A registered study's question, arms and methods stand."""
    if study.registered_at is not None:
        raise Refused(
            {
                "": [
                    f"{study.title} is registered: its question, arms and methods stand as they are."
                ]
            }
        )


def check_clock(at: datetime, *, field: str) -> None:
    """Refuse a moment that lies further ahead than a tablet's clock may be."""
    now = timezone.now()
    if at > now + CLOCK_SLACK:
        raise Refused(
            {
                field: [
                    f"{_moment(at)} is in the future by the server's clock, which shows {_moment(now)}."
                ]
            }
        )


def check_measured_at(measured_at: datetime, study: Study, *, field: str = "measured_at") -> None:
    """A reading is taken after the study was registered and not in the future."""
    check_clock(measured_at, field=field)
    if study.registered_at is not None and measured_at < study.registered_at - CLOCK_SLACK:
        raise Refused(
            {
                field: [
                    (
                        f"{_moment(measured_at)} is before this study was registered, "
                        f"{_moment(study.registered_at)}."
                    )
                ]
            }
        )


def _moment(at: datetime) -> str:
    """By the lab's clock, which need not be the sender's."""
    return f"{by_lab_clock(at):%d %B %Y %H:%M %Z}"


def check_specimen_in_study(specimen: Specimen, study: Study) -> None:
    """Only specimens in an arm of the study are run for it."""
    if not ArmSpecimen.objects.filter(study=study, specimen=specimen).exists():
        raise Refused({"specimen": [f"{specimen.code} is in no arm of this study."]})


def check_specimen_usable(specimen: Specimen) -> None:
    """A retired specimen is run no more."""
    if specimen.retired_on is not None:
        raise Refused(
            {"specimen": [f"{specimen.code} is used up: it was retired on {specimen.retired_on}."]}
        )


def check_zone_carries(zone: Zone, specimen: Specimen, revision: MethodRevision) -> int:
    """The zone belongs to the specimen's product and carries the method; returns its sites."""
    if zone.product_id != specimen.product_id:
        raise Refused({"zone": [f"{specimen.product} has no zone '{zone.code}'."]})
    sites = (
        zone.capacities.filter(method_key=revision.method.key)
        .values_list("site_count", flat=True)
        .first()
    )
    if sites is None:
        carrying = sorted(
            specimen.product.zones.filter(capacities__method_key=revision.method.key).values_list(
                "code", flat=True
            )
        )
        where = f" Zones that do: {', '.join(carrying)}." if carrying else ""
        raise Refused(
            {"zone": [f"{zone.name} does not carry {revision.method.name.lower()}.{where}"]}
        )
    return sites


def check_site_free(
    *, specimen: Specimen, zone: Zone, revision: MethodRevision, site: int, sites: int
) -> None:
    """The site exists and no run of this method has used it."""
    if not 1 <= site <= sites:
        raise Refused(
            {"site": [f"{zone.name} has {sites} site(s) for this method; there is no site {site}."]}
        )
    used = Run.objects.filter(
        specimen=specimen, zone=zone, revision__method=revision.method, site=site
    )
    if used.exists():
        raise Refused({"site": [f"Site {site} of {zone.name} on {specimen.code} is used up."]})


def check_specimen_looked_at(run: Run, *, at: datetime) -> None:
    """The right specimen and zone were on the rig before the run destroyed them."""
    right = SpecimenCheck.objects.filter(run=run, is_right=True, checked_at__lte=at + SAFETY_SLACK)
    if not right.exists():
        raise NotYet(
            "Nothing shows which specimen was on the rig: scan or type its code under "
            "'What lies on the rig', then keep the reading again.",
            waits_for="specimen check",
        )


def check_safety_acknowledged(
    revision: MethodRevision, by: User, *, at: datetime | None = None
) -> None:
    """The person had passed this method's checks when it was run, which may be hours ago.

    The passing may itself still be on its way from the same tablet.
    """
    if revision.checks and not safety_acknowledged(revision, by, at=at):
        raise NotYet(
            {"": [f"Pass the checks for {revision.method.name.lower()} before you run it."]},
            waits_for="checks",
        )


def safety_acknowledged(revision: MethodRevision, by: User, *, at: datetime | None = None) -> bool:
    """True when this person passed this revision's checks within `SAFETY_LASTS` before then."""
    then = timezone.now() if at is None else at
    return SafetyAcknowledgement.objects.filter(
        revision=revision, by=by, at__gte=then - SAFETY_LASTS, at__lte=then + SAFETY_SLACK
    ).exists()
