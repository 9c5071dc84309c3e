"""Products, specimens, custody and service through the pages of the lab.

What must be refused follows from what the words mean (a day that has not come, a lowest above a
highest); no source. The check character of codes is worked out by hand in one case below.
"""

from datetime import date, timedelta

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from labsite.models import AuditEntry, User
from labsite.roles import Role, give_role
from specimens import actions
from specimens.codes import ALPHABET, clean_code
from specimens.models import CustodyEvent, Product, ServiceEntry, Specimen

pytestmark = pytest.mark.django_db


@pytest.fixture
def lead():
    user = User.objects.create_user("isolde")
    give_role(user=user, role=Role.LEAD, by=None)
    return user


@pytest.fixture
def office(lead):
    client = Client()
    client.force_login(lead)
    return client


@pytest.fixture
def product(lead):
    return actions.add_product(by=lead, maker="Dunmarl", name="Rainmile jacket", kind="jacket")


@pytest.fixture
def specimen(lead, product):
    return actions.add_specimen(
        by=lead, product=product, acquired="lent", acquired_on=date(2025, 9, 1)
    )


def errors_of(response):
    assert response.status_code == 400
    return {name: " ".join(told) for name, told in response.context["form"].errors.items()}


# --- products ---------------------------------------------------------------------------------

PRODUCT = {"maker": "Osterfell", "name": "Keel", "kind": "back protector"}


def test_a_product_is_kept_with_its_audit_row(office, lead):
    fields = PRODUCT | {"list_price": "94,00", "currency": "gbp"}

    response = office.post(reverse("lab-product-add"), fields, follow=True)

    product = Product.objects.get()
    assert (str(product.list_price), product.currency) == ("94.00", "GBP")
    assert product.absorbs_impact is True
    row = AuditEntry.objects.get(verb="added product")
    assert (row.by, row.subject_id) == (lead, str(product.pk))
    assert "Osterfell Keel" in response.content.decode()


@pytest.mark.parametrize(
    ("fields", "field", "told"),
    [
        ({"maker": ""}, "maker", "required"),
        ({"maker": "  "}, "maker", "required"),
        ({"kind": "hat"}, "kind", "Select a valid choice"),
        ({"list_price": "94"}, "currency", "Say the currency"),
        ({"currency": "GBP"}, "list_price", "There is a currency but no price"),
        ({"list_price": "94", "currency": "€"}, "currency", "three letters"),
        ({"list_price": "-1", "currency": "GBP"}, "list_price", "cannot be below zero"),
        ({"list_price": "1,234", "currency": "GBP"}, "list_price", "could be read in two ways"),
        ({"list_price": "NaN", "currency": "GBP"}, "list_price", "not an amount"),
        ({"name": "x\x00y"}, "name", "Null characters"),
        ({"maker": "dunmarl", "name": "rainmile JACKET"}, "name", "is in the record already"),
    ],
)
def test_a_product_that_makes_no_sense_is_told(office, product, fields, field, told):
    errors = errors_of(office.post(reverse("lab-product-add"), PRODUCT | fields))

    assert told in errors[field]
    assert Product.objects.count() == 1


# --- specimens --------------------------------------------------------------------------------


def specimen_fields(of, **changes):
    return {"product": of.pk, "acquired": "bought", "acquired_on": "2026-01-12"} | changes


def test_a_specimen_gets_a_fresh_code_that_checks(office, product):
    response = office.post(reverse("lab-specimen-add"), specimen_fields(product))

    code = Specimen.objects.get().code
    assert clean_code(code) == code
    assert response.url == reverse("lab-specimen", args=[code])


def test_a_code_from_a_label_is_taken_in_any_spelling(office, product):
    # A is 8, B is 9, C is 10, D is 11 in the alphabet that starts with 2 and leaves out look-alikes:
    # 2 x 8 + 3 x 9 + 5 x 10 + 7 x 11 = 170 = 5 x 31 + 15, and character 15 (from 0) is H
    assert ALPHABET[15] == "H"

    office.post(reverse("lab-specimen-add"), specimen_fields(product, code=" abcdh "))

    assert Specimen.objects.get().code == "ABCD-H"


def test_a_taken_fresh_code_is_tried_again(lead, product, monkeypatch):
    taken = actions.add_specimen(
        by=lead, product=product, acquired="bought", acquired_on=date(2026, 1, 1), code="ABCD-H"
    )
    # the same dice twice, then others
    throws = iter("ABCDABCDEFGH")
    monkeypatch.setattr(actions.secrets, "choice", lambda alphabet: next(throws))

    other = actions.add_specimen(
        by=lead, product=product, acquired="bought", acquired_on=date(2026, 1, 1)
    )

    assert taken.code == "ABCD-H"
    assert other.code.startswith("EFGH-")


@pytest.mark.parametrize(
    ("fields", "field", "told"),
    [
        ({"code": "ABCD-3"}, "code", "check each character"),
        ({"code": "ABC"}, "code", "five characters"),
        ({"code": "ABCD-H"}, "code", "Another specimen has the code ABCD-H."),
        ({"acquired": "found"}, "acquired", "Select a valid choice"),
        ({"acquired_on": "2126-01-01"}, "acquired_on", "is in the future"),
        ({"acquired_on": "1 May"}, "acquired_on", "not a date like"),
        ({"product": "999"}, "product", "Select a valid choice"),
        ({"price_paid": "10"}, "currency", "Say the currency"),
    ],
)
def test_a_specimen_that_makes_no_sense_is_told(office, lead, product, fields, field, told):
    actions.add_specimen(
        by=lead, product=product, acquired="bought", acquired_on=date(2026, 1, 1), code="ABCD-H"
    )

    errors = errors_of(office.post(reverse("lab-specimen-add"), specimen_fields(product, **fields)))

    assert told in errors[field]
    assert Specimen.objects.count() == 1


def test_a_specimen_is_retired_once(office, specimen):
    address = reverse("lab-specimen-retire", args=[specimen.code])

    assert (
        "cannot be retired earlier"
        in errors_of(office.post(address, {"retired_on": "2025-08-31"}))["retired_on"]
    )
    assert (
        "is in the future"
        in errors_of(office.post(address, {"retired_on": "2126-01-01"}))["retired_on"]
    )

    office.post(address, {"retired_on": "2026-02-01"})
    specimen.refresh_from_db()
    assert specimen.retired_on == date(2026, 2, 1)

    assert "already" in errors_of(office.post(address, {"retired_on": "2026-02-02"}))["__all__"]


# --- custody ----------------------------------------------------------------------------------


def test_a_step_of_the_trail_is_kept(office, specimen):
    office.post(
        reverse("lab-custody-add", args=[specimen.code]),
        {
            "at": "2025-09-01T11:15",
            "from_place": "owner",
            "to_place": "intake shelf",
            "by_name": "Isolde Carrowby",
        },
    )

    event = CustodyEvent.objects.get()
    assert (event.to_place, event.at.isoformat()) == ("intake shelf", "2025-09-01T11:15:00+00:00")


@pytest.mark.parametrize(
    ("fields", "field"),
    [({"at": "2126-01-01T00:00"}, "at"), ({"at": "soon"}, "at"), ({"to_place": " "}, "to_place")],
)
def test_a_step_that_makes_no_sense_is_told(office, specimen, fields, field):
    base = {"at": "2025-09-01T11:15", "from_place": "a", "to_place": "b", "by_name": "c"}

    errors = errors_of(office.post(reverse("lab-custody-add", args=[specimen.code]), base | fields))

    assert field in errors
    assert CustodyEvent.objects.count() == 0


# --- service ----------------------------------------------------------------------------------

SERVICE = {
    "started_on": "2023-01-01",
    "ended_on": "2025-02-28",
    "evidence": "owner's memory",
    "distance_km_low": "18 000",
    "distance_km_best": "21000",
    "distance_km_high": "24000",
    "wash_count": "9",
}


def test_service_is_kept_with_its_incidents(office, specimen):
    office.post(
        reverse("lab-service-add", args=[specimen.code]),
        SERVICE
        | {
            "incident_1_kind": "crash",
            "incident_1_on": "2024-05-14",
            "incident_1_note": "low side",
            "incident_3_kind": "soak",
        },
    )

    entry = ServiceEntry.objects.get()
    assert (entry.distance_km_low, entry.wash_count, entry.proofing_count) == (18_000, 9, None)
    assert entry.incidents == [
        {"kind": "crash", "on": "2024-05-14", "note": "low side"},
        {"kind": "soak", "on": None, "note": ""},
    ]


@pytest.mark.parametrize(
    ("fields", "field", "told"),
    [
        ({"started_on": "2025-03-01"}, "ended_on", "before it began on 1 March 2025"),
        ({"ended_on": "2126-01-01"}, "ended_on", "is in the future"),
        ({"evidence": "hearsay"}, "evidence", "Select a valid choice"),
        ({"evidence": ""}, "evidence", "required"),
        ({"distance_km_low": "22000"}, "distance_km_low", "cannot be above the best guess"),
        ({"distance_km_high": "20000"}, "distance_km_high", "cannot be below the best guess"),
        ({"distance_km_high": ""}, "distance_km_high", "leave all three empty"),
        ({"distance_km_low": "-1"}, "distance_km_low", "cannot be below zero"),
        ({"distance_km_low": "far"}, "distance_km_low", "not a number"),
        ({"distance_km_best": "21,000"}, "distance_km_best", "could be read in two ways"),
        ({"distance_km_high": "inf"}, "distance_km_high", "not a number"),
        ({"wash_count": "-1"}, "wash_count", "greater than or equal to 0"),
        ({"wash_count": "9.5"}, "wash_count", "whole number"),
        (
            {"incident_1_kind": "crash", "incident_1_on": "2022-12-31"},
            "incident_1_kind",
            "is outside this entry",
        ),
        ({"incident_2_note": "slid"}, "incident_2_kind", "what kind of incident"),
        ({"incident_1_kind": "theft"}, "incident_1_kind", "Select a valid choice"),
    ],
)
def test_service_that_makes_no_sense_is_told(office, specimen, fields, field, told):
    address = reverse("lab-service-add", args=[specimen.code])

    errors = errors_of(office.post(address, SERVICE | fields))

    assert told in errors[field], errors
    assert ServiceEntry.objects.count() == 0


def test_the_distance_of_the_same_days_is_not_counted_twice(office, specimen):
    address = reverse("lab-service-add", args=[specimen.code])
    office.post(address, SERVICE)

    again = errors_of(
        office.post(address, SERVICE | {"started_on": "2025-02-01", "ended_on": "2025-04-01"})
    )
    without = SERVICE | {
        "started_on": "2025-02-01",
        "ended_on": "2025-04-01",
        "distance_km_low": "",
        "distance_km_best": "",
        "distance_km_high": "",
    }

    assert "it would count twice" in again["distance_km_best"]
    assert office.post(address, without).status_code == 302


@pytest.mark.parametrize(
    ("incidents", "told"),
    [
        ([{"kind": "theft"}], "'theft' is no kind of incident"),
        ([{"kind": "crash", "on": "yesterday"}], "'yesterday' is not a date"),
        ([{"kind": "crash", "on": "2024-06-01"}], "is outside this entry"),
    ],
)
def test_incidents_are_checked_for_every_caller(lead, specimen, incidents, told):
    yesterday = timezone.localdate() - timedelta(days=1)

    with pytest.raises(actions.Refused) as refused:
        actions.add_service_entry(
            by=lead,
            specimen=specimen,
            started_on=yesterday,
            ended_on=yesterday,
            evidence="unknown",
            incidents=incidents,
        )

    assert told in refused.value.problems["incidents"][0]


def test_the_page_of_a_specimen_tells_its_history(office, specimen):
    office.post(reverse("lab-service-add", args=[specimen.code]), SERVICE)

    page = office.get(reverse("lab-specimen", args=[specimen.code])).content.decode()
    plain = page.replace("\u202f", " ").replace("\u00a0", " ").replace("&#x27;", "'")

    assert (
        "About 21 000 km (18 000 to 24 000), 26 months, 9 washes, from the owner's memory." in plain
    )
    assert "No crash reported." in plain
    assert "the lab did not witness it" in plain


def test_a_code_that_nobody_has_is_not_found(office):
    assert office.get(reverse("lab-specimen", args=["ABCD-H"])).status_code == 404
