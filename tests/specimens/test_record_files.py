"""Specimens, service and methods from files and in files, as a browser sends them.

What lines must become is worked out by hand; XLSX files are made with openpyxl.
"""

import io

import openpyxl
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from labsite.models import AuditEntry
from labsite.roles import Role
from specimens import imports
from specimens.models import Product, RecordFile, ServiceEntry, Specimen
from tests.trials.bench_lab import person_with
from tests.trials.study_lab import made_specimen
from trials.library import load_methods
from trials.models import Method, MethodRevision

pytestmark = pytest.mark.django_db


@pytest.fixture
def lead() -> Client:
    client = Client()
    client.force_login(person_with(Role.LEAD))
    return client


@pytest.fixture
def product() -> Product:
    return Product.objects.create(maker="Invented", name="Fell jacket", kind="jacket")


def xlsx(*rows) -> bytes:
    made = openpyxl.Workbook()
    for row in rows:
        made.active.append(row)
    out = io.BytesIO()
    made.save(out)
    return out.getvalue()


def send(client, key, content, name="records.xlsx"):
    return client.post(
        reverse("lab-record-add", args=[key]),
        {"file": SimpleUploadedFile(name, content)},
        follow=True,
    )


def words(response) -> str:
    return " ".join(response.content.decode().replace("&#x27;", "'").split())


def press_store(client, key):
    file = RecordFile.objects.filter(kind=key).first()
    return client.post(reverse("lab-record-store", args=[key, file.pk]), follow=True)


HEAD = ["code", "maker", "product", "acquired", "acquired_on", "size", "price_paid", "currency"]


def specimen_row(code="", **cells):
    base = dict(zip(HEAD, [code, "Invented", "Fell jacket", "bought", "2026-03-14"], strict=False))
    return [(base | cells).get(name) for name in HEAD]


def test_specimens_come_from_a_spreadsheet_once(lead, product):
    twin = made_specimen(product, "K7M2")
    Specimen.objects.filter(pk=twin.pk).update(acquired="bought", acquired_on="2026-03-14")
    rows = [
        HEAD,
        specimen_row("AAQX-" + made_code("AAQX"), size="M", price_paid=189.5, currency="gbp"),
        specimen_row(),
    ]

    page = send(lead, "specimens", xlsx(*rows))
    assert "2 specimens, nothing wrong. Nothing is stored yet." in words(page)
    assert Specimen.objects.count() == 1
    assert "2 specimens stored from records.xlsx." in words(press_store(lead, "specimens"))

    came = Specimen.objects.get(size="M")
    assert (came.code, str(came.price_paid), came.currency) == (rows[1][0], "189.50", "GBP")
    assert Specimen.objects.count() == 3
    assert AuditEntry.objects.filter(verb="added specimen").count() == 2
    # the very file, the same lines in another file, and what the site itself writes
    assert "These very lines have been stored already." in words(
        send(lead, "specimens", xlsx(*rows))
    )
    again = words(send(lead, "specimens", xlsx(*rows[:2])))
    assert "Nothing new: the record has 1 line of this file already." in again
    whole = lead.get(reverse("lab-record-export", args=["specimens", "xlsx"])).content
    assert "the record has 3 lines of this file" in words(send(lead, "specimens", whole))
    press_store(lead, "specimens")
    assert Specimen.objects.count() == 3


def made_code(stem: str) -> str:
    from specimens.codes import check_character

    return check_character(stem)


def test_one_wrong_line_keeps_all_out_and_names_line_and_column(lead, product):
    taken = made_specimen(product, "K7M2")
    page = words(
        send(
            lead,
            "specimens",
            xlsx(
                HEAD,
                specimen_row(),
                specimen_row(taken.code, size="XXL"),
                specimen_row(acquired="stolen", acquired_on="soon"),
                specimen_row(product="Nothing"),
                specimen_row(price_paid="=1+2", currency="GBP"),
            ),
        )
    )
    # a formula is told before anything else, because the value behind it is not known
    assert "<td><code>price_paid</code></td> <td>This cell holds a formula" in page
    wrong = [
        specimen_row(taken.code, size="XXL"),
        specimen_row(acquired="stolen", acquired_on="soon"),
        specimen_row(product="Nothing"),
    ]
    send(lead, "specimens", xlsx(HEAD, specimen_row(), *wrong), name="second.xlsx")
    file = RecordFile.objects.get(file_name="second.xlsx")
    table = lead.get(reverse("lab-record-problems", args=["specimens", file.pk]))
    told = table.content.decode("utf-8-sig").splitlines()
    assert {tuple(line.split(",")[:2]) for line in told[1:]} >= {
        ("3", "size"),
        ("4", "acquired"),
        ("4", "acquired_on"),
        ("5", "product"),
    }
    assert not [line for line in told[1:] if line.startswith("2,")]
    press = lead.post(reverse("lab-record-store", args=["specimens", file.pk]))
    assert press.status_code == 409
    assert Specimen.objects.count() == 1


def test_other_names_of_columns_are_matched_by_a_person(lead, product):
    header = ["Label", "Brand", "Product", "How it came", "Acquired on", "mood"]
    page = send(
        lead, "specimens", xlsx(header, ["", "Invented", "Fell jacket", "lent", "2026-03-14", "x"])
    )
    assert "Which column is which" in words(page)
    file = RecordFile.objects.get()
    address = reverse("lab-record-columns", args=["specimens", file.pk])
    # one column taken for two, and a needed one left out
    twice = lead.post(address, {"maker": "1", "product": "1", "acquired": "3"})
    assert twice.status_code == 400
    assert "This column is read as maker already." in words(twice)
    assert "Needed: choose the column." in words(twice)
    chosen = {"code": "0", "maker": "1", "product": "2", "acquired": "3", "acquired_on": "4"}
    page = words(lead.post(address, chosen, follow=True))
    assert "1 specimen, nothing wrong." in page
    assert "Not read: mood." in page
    press_store(lead, "specimens")
    assert Specimen.objects.get().acquired == "lent"


def test_service_goes_out_and_comes_back_as_nothing_new(lead, product):
    jacket = made_specimen(product, "K7M2")
    head = [
        "specimen",
        "started_on",
        "ended_on",
        "distance_km_low",
        "distance_km_best",
        "distance_km_high",
        "evidence",
        "incident_kind",
        "incident_kind_2",
        "incident_note_2",
        "note",
    ]
    row = [
        jacket.code,
        "2024-03-01",
        "2025-02-28",
        5000,
        6000.5,
        7000,
        "diary",
        "fall",
        "soak",
        "a ford",
        "=risky",
    ]
    text = ",".join(head) + "\r\n" + ",".join(map(str, row)).replace("=risky", "'=risky")
    send(lead, "service", text.encode(), name="service.csv")
    assert "1 service entry stored" in words(press_store(lead, "service"))
    entry = ServiceEntry.objects.get()
    assert [one["kind"] for one in entry.incidents] == ["fall", "soak"]
    assert entry.note == "=risky"
    for ending in ("csv", "xlsx"):
        address = reverse("lab-record-export", args=["service", ending])
        whole = lead.get(address).content
        page = send(lead, "service", whole, name=f"again.{ending}")
        assert "the record has 1 line of this file already" in words(page)
    assert ServiceEntry.objects.count() == 1


def test_methods_come_as_drafts_and_go_out_as_they_came(lead):
    load_methods(by=None)
    count = MethodRevision.objects.count()
    rows = imports.rows_out(imports.kinds["methods"], filled=False)
    send(lead, "methods", xlsx(*rows), name="one.xlsx")
    assert "1 draft stored" in words(press_store(lead, "methods"))
    draft = MethodRevision.objects.get(method__key="example-hem-pull")
    assert (draft.state, draft.number, draft.margin, len(draft.steps)) == ("draft", 1, 0.1, 2)
    assert draft.checks[0] == {"key": "guard-closed", "text": "guard closed", "critical": True}
    assert AuditEntry.objects.filter(verb="drafted method").count() == 1
    whole = lead.get(reverse("lab-record-export", args=["methods", "xlsx"])).content
    page = words(send(lead, "methods", whole, name="all.xlsx"))
    assert f"the record has {Method.objects.count() - 1} lines of this file already" in page
    assert MethodRevision.objects.count() == count + 1


@pytest.mark.parametrize(
    ("cells", "column"),
    [
        ({"key": "../Up"}, "key"),
        ({"name": ""}, "name"),
        ({"destructive": "perhaps"}, "destructive"),
        ({"margin": "200"}, "margin"),
        ({"unit": "furlongs"}, "unit"),
        ({"outcome_kind": "guess"}, "outcome_kind"),
        ({"range_high": "-1"}, "range_high"),
    ],
)
def test_a_method_that_makes_no_sense_is_refused_by_column(cells, column):
    kind = imports.kinds["methods"]
    example = dict(zip(*imports.rows_out(kind, filled=False), strict=True))
    row = imports.Row(2, {name: str(cell) for name, cell in (example | cells).items()})
    found = kind.check([row])
    assert column in {one.column for one in found.problems}
    assert not found.may_be_stored


def test_only_leads_bring_files_and_unknown_kinds_are_not_there(lead):
    technician = Client()
    technician.force_login(person_with(Role.TECHNICIAN))
    assert send(technician, "specimens", xlsx(HEAD)).status_code == 403
    assert technician.get(reverse("lab-record-export", args=["service", "csv"])).status_code == 200
    assert lead.get(reverse("lab-record-add", args=["users"])).status_code == 404
    assert lead.get(reverse("lab-record-export", args=["service", "exe"])).status_code == 404
