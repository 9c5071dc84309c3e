"""What people do to the record of specimens. Each writes its audit row in the same transaction."""

import secrets
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from django.db import IntegrityError, transaction

from labsite import audit, jobs
from labsite.errors import Conflict, Refused
from labsite.models import User
from specimens import policies
from specimens.codes import BadCode, clean_code, new_code
from specimens.models import (
    CustodyEvent,
    Product,
    ServiceEntry,
    Specimen,
    Zone,
    ZoneCapacity,
)
from specimens.words import date_words

SERVICE_CHANGED = "specimens.service_changed"

CODE_TRIES = 20  # of 923,521 codes; a second try is rare, twenty in a row mean something is broken
MOST_SITES = 999


@transaction.atomic
def add_product(  # noqa: PLR0913 one argument for each field of the record
    *,
    by: User,
    maker: str,
    name: str,
    kind: str,
    size_range: str = "",
    colourway: str = "",
    list_price: Decimal | None = None,
    currency: str = "",
    certification_claims: str = "",
    padded: bool = False,
) -> Product:
    """A product as sold, once."""
    _check_filled(maker=maker, name=name)
    if kind not in Product.Kind.values:
        raise Refused({"kind": ["Choose a kind from the list."]})
    currency = currency.strip().upper()
    policies.check_price(list_price, currency, "list_price")
    if list_price is not None and list_price < 0:
        raise Refused({"list_price": ["A price cannot be below zero."]})
    twin = Product.objects.filter(maker__iexact=maker.strip(), name__iexact=name.strip()).first()
    if twin is not None:
        raise Conflict({"name": [f"{twin} is in the record already."]})
    product = Product.objects.create(
        maker=maker.strip(),
        name=name.strip(),
        kind=kind,
        size_range=size_range.strip(),
        colourway=colourway.strip(),
        list_price=list_price,
        currency=currency,
        certification_claims=certification_claims.strip(),
        padded=padded,
    )
    audit.record(by=by, verb="added product", subject=product)
    return product


@transaction.atomic
def add_zone(  # noqa: PLR0913 one argument for each field of the record
    *,
    by: User,
    product: Product,
    code: str,
    name: str,
    side: str = Zone.Side.NONE,
    layers: str = "",
    padding: str = "",
    capacities: Mapping[str, int],
) -> Zone:
    """A part of a product, and how many sites of each method it can carry.

    `capacities` maps a method's key to its number of sites.
    """
    _check_filled(code=code, name=name)
    if side not in Zone.Side.values:
        raise Refused({"side": ["Choose a side from the list."]})
    if not capacities:
        raise Refused({"": ["Say for at least one method how many sites this zone carries."]})
    wrong = [key for key, sites in capacities.items() if not 1 <= sites <= MOST_SITES]
    if wrong:
        raise Refused({key: [f"Between 1 and {MOST_SITES} sites."] for key in wrong})
    if product.zones.filter(code=code).exists():
        raise Conflict({"code": [f"{product} has a zone '{code}' already."]})
    zone = Zone.objects.create(
        product=product,
        code=code,
        name=name.strip(),
        side=side,
        layers=layers.strip(),
        padding=padding.strip(),
    )
    ZoneCapacity.objects.bulk_create(
        ZoneCapacity(zone=zone, method_key=key, site_count=sites)
        for key, sites in capacities.items()
    )
    audit.record(
        by=by, verb="added zone", subject=zone, detail={"product": str(product), **capacities}
    )
    return zone


@transaction.atomic
def add_specimen(*, by: User, **told: Any) -> Specimen:
    """One physical item. Without a code, a fresh one is made.

    `told` is what `checked_specimen` takes.
    """
    specimen = checked_specimen(**told)
    if specimen.code:
        _save_with_its_code(specimen)
    else:
        _save_with_fresh_code(specimen)
    _record_specimen(by, specimen)
    return specimen


def checked_specimen(  # noqa: PLR0913 one argument for each field of the record
    *,
    product: Product,
    acquired: str,
    acquired_on: date,
    code: str = "",
    size: str = "",
    lot: str = "",
    price_paid: Decimal | None = None,
    currency: str = "",
    paid_by: str = "",
    condition_at_intake: str = "",
    owner_alias: str = "",
) -> Specimen:
    """The specimen as it would be kept, not yet kept."""
    if acquired not in Specimen.Acquired.values:
        raise Refused({"acquired": ["Choose from the list."]})
    policies.check_not_in_future(acquired_on, "acquired_on")
    currency = currency.strip().upper()
    policies.check_price(price_paid, currency, "price_paid")
    if price_paid is not None and price_paid < 0:
        raise Refused({"price_paid": ["A price cannot be below zero."]})
    try:
        code = clean_code(code) if code.strip() else ""
    except BadCode as why:
        raise Refused({"code": [str(why)]}) from why
    return Specimen(
        code=code,
        product=product,
        acquired=acquired,
        acquired_on=acquired_on,
        size=size.strip(),
        lot=lot.strip(),
        price_paid=price_paid,
        currency=currency,
        paid_by=paid_by.strip(),
        condition_at_intake=condition_at_intake.strip(),
        owner_alias=owner_alias.strip(),
    )


def _record_specimen(by: User, specimen: Specimen) -> None:
    detail = {"product": str(specimen.product)}
    audit.record(by=by, verb="added specimen", subject=specimen, detail=detail)


def _save_with_its_code(specimen: Specimen) -> None:
    try:
        with transaction.atomic():
            specimen.save(force_insert=True)
    except IntegrityError:
        raise Conflict({"code": [f"Another specimen has the code {specimen.code}."]}) from None


def _save_with_fresh_code(specimen: Specimen) -> None:
    for _ in range(CODE_TRIES):
        specimen.code = new_code(secrets.choice)
        try:
            with transaction.atomic():
                specimen.save(force_insert=True)
        except IntegrityError:
            continue
        return
    raise Refused({"code": ["No free code was found. Type one from the label."]})


def keep_specimens(*, by: User, specimens: Sequence[Specimen]) -> bool:
    """Keep checked specimens, all or none; False when one of their codes was taken meanwhile."""
    taken = set(Specimen.objects.values_list("code", flat=True))
    taken.update(specimen.code for specimen in specimens)
    for specimen in specimens:
        while not specimen.code:
            code = new_code(secrets.choice)
            if code not in taken:
                specimen.code = code
                taken.add(code)
    try:
        with transaction.atomic():
            Specimen.objects.bulk_create(specimens, batch_size=500)
    except IntegrityError:
        return False
    kept = Specimen.objects.select_related("product")
    for specimen in kept.filter(code__in=[specimen.code for specimen in specimens]):
        _record_specimen(by, specimen)
    return True


@transaction.atomic
def add_custody_event(  # noqa: PLR0913 one argument for each field of the record
    *,
    by: User,
    specimen: Specimen,
    at: datetime,
    from_place: str,
    to_place: str,
    by_name: str,
    note: str = "",
) -> CustodyEvent:
    """The specimen changed hands or place."""
    _check_filled(from_place=from_place, to_place=to_place, by_name=by_name)
    policies.check_moment_not_in_future(at, "at")
    event = CustodyEvent.objects.create(
        specimen=specimen,
        at=at,
        from_place=from_place.strip(),
        to_place=to_place.strip(),
        by_name=by_name.strip(),
        note=note.strip(),
    )
    audit.record(by=by, verb="moved specimen", subject=specimen, detail={"to": event.to_place})
    return event


@transaction.atomic
def add_service_entry(*, by: User, specimen: Specimen, **told: Any) -> ServiceEntry:
    """A stretch of use, with how it is known. What is not known stays empty, never zero.

    `told` is what `checked_service` takes.
    """
    entry = checked_service(specimen=specimen, standing=telling_distance([specimen]), **told)
    entry.save()
    told_by = audit.record(
        by=by,
        verb="added service entry",
        subject=specimen,
        detail={
            "from": entry.started_on.isoformat(),
            "to": entry.ended_on.isoformat(),
            "evidence": entry.evidence,
        },
    )
    _service_changed(specimen, str(told_by.pk))
    return entry


def telling_distance(specimens: Sequence[Specimen]) -> list[ServiceEntry]:
    """The entries of these specimens that state a distance, earliest first."""
    return list(
        ServiceEntry.objects.filter(
            specimen__in=specimens, distance_km_best__isnull=False
        ).order_by("started_on")
    )


def checked_service(  # noqa: PLR0913 one argument for each field of the record
    *,
    specimen: Specimen,
    standing: Sequence[ServiceEntry],
    started_on: date,
    ended_on: date,
    evidence: str,
    distance_km_low: float | None = None,
    distance_km_best: float | None = None,
    distance_km_high: float | None = None,
    wash_count: int | None = None,
    proofing_count: int | None = None,
    conditions: str = "",
    incidents: Sequence[Mapping[str, Any]] = (),
    note: str = "",
) -> ServiceEntry:
    """The entry as it would be kept, not yet kept; `standing` are those that state a distance."""
    policies.check_period(started_on, ended_on)
    policies.check_distance(distance_km_low, distance_km_best, distance_km_high)
    for field, count in (("wash_count", wash_count), ("proofing_count", proofing_count)):
        if count is not None and not 0 <= count <= 9999:
            raise Refused({field: ["A count between 0 and 9999, or nothing when not known."]})
    if evidence not in ServiceEntry.Evidence.values:
        raise Refused({"evidence": ["Choose from the list."]})
    told = policies.checked_incidents(incidents, started_on, ended_on)
    policies.check_distance_told_once(standing, started_on, ended_on, distance_km_best)
    return ServiceEntry(
        specimen=specimen,
        started_on=started_on,
        ended_on=ended_on,
        distance_km_low=distance_km_low,
        distance_km_best=distance_km_best,
        distance_km_high=distance_km_high,
        wash_count=wash_count,
        proofing_count=proofing_count,
        conditions=conditions.strip(),
        incidents=told,
        evidence=evidence,
        note=note.strip(),
    )


@transaction.atomic
def keep_service_entries(*, by: User, entries: Sequence[ServiceEntry], standing_count: int) -> bool:
    """Keep checked entries, all or none: one row of the trail for each specimen.

    False, and nothing kept, when the history of these specimens has other than the
    `standing_count` entries it had when they were checked.
    """
    by_specimen: dict[Specimen, list[ServiceEntry]] = {}
    for entry in entries:
        by_specimen.setdefault(entry.specimen, []).append(entry)
    if ServiceEntry.objects.filter(specimen__in=by_specimen).count() != standing_count:
        return False
    ServiceEntry.objects.bulk_create(entries, batch_size=500)
    for specimen, own in by_specimen.items():
        told_by = audit.record(
            by=by,
            verb="added service entries",
            subject=specimen,
            detail={
                "entries": len(own),
                "from": min(one.started_on for one in own).isoformat(),
                "to": max(one.ended_on for one in own).isoformat(),
                "evidence": sorted({one.evidence for one in own}),
            },
        )
        _service_changed(specimen, str(told_by.pk))
    return True


def _service_changed(specimen: Specimen, told_by: str) -> None:
    # trends over service rest on it; this app does not know who asks, only that somebody may
    jobs.request_job(
        kind=SERVICE_CHANGED,
        key=f"{specimen.code}:{told_by}",
        payload={"specimen": specimen.pk},
    )


@transaction.atomic
def retire_specimen(*, by: User, specimen: Specimen, on: date) -> Specimen:
    """The specimen is used up: no more runs are planned on it. What was read stands."""
    specimen = Specimen.objects.select_for_update().get(pk=specimen.pk)
    if specimen.retired_on is not None:
        raise Refused(
            {"": [f"{specimen.code} was retired on {date_words(specimen.retired_on)} already."]}
        )
    policies.check_not_in_future(on, "retired_on")
    if on < specimen.acquired_on:
        came = date_words(specimen.acquired_on)
        raise Refused(
            {"retired_on": [f"It came to the lab on {came}: it cannot be retired earlier."]}
        )
    specimen.retired_on = on
    specimen.save(update_fields=["retired_on"])
    audit.record(by=by, verb="retired specimen", subject=specimen, detail={"on": on.isoformat()})
    return specimen


def _check_filled(**texts: str) -> None:
    empty = [field for field, text in texts.items() if not text.strip()]
    if empty:
        raise Refused({field: ["Fill this in."] for field in empty})
