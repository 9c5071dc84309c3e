"""An auditor reads everything of the lab and changes nothing, with the real records there."""

import re

import pytest
from django.apps import apps
from django.test import Client

from labsite.models import AuditEntry
from labsite.roles import MAY, Role
from specimens.models import Product, Specimen
from tests.labsite.test_every_address import ALL, policy
from tests.reports.demo_site import AGES, person_with
from trials.models import MethodRevision, Run, StudyLook

pytestmark = pytest.mark.usefixtures("demo")


def open_to_auditors() -> list[str]:
    return [
        route
        for route, pattern in ALL
        if any(Role.AUDITOR in MAY.get(need, ()) for need in (policy(pattern) or {}).values())
    ]


def filled(route: str) -> str:
    """Put a record of the demo into each hole of an address."""
    revision = MethodRevision.objects.select_related("method").get(method__key="belt-abrasion")
    run = Run.objects.filter(study__slug=AGES).earliest("pk")
    product = Product.objects.earliest("pk")
    known = {
        "slug": AGES,
        "key": revision.method.key,
        "number": revision.number,
        "run_id": run.pk,
        "code": Specimen.objects.earliest("pk").code,
        "pk": product.pk,
    }
    return re.sub(r"<\w+:(\w+)>", lambda hole: str(known.get(hole[1], 1)), route)


@pytest.fixture
def auditor() -> Client:
    client = Client()
    client.force_login(person_with(Role.AUDITOR))
    return client


def test_an_auditor_reads_the_lab_the_desk_and_the_trail(auditor: Client) -> None:
    read = {
        path for path in map(filled, open_to_auditors()) if auditor.get(path).status_code == 200
    }
    assert {"/lab/", "/desk/", "/audit/", f"/lab/studies/{AGES}/", "/lab/specimens/"} <= read
    assert len(read) > 25


def rows() -> dict[str, int]:
    """Count every table of the house; sessions and looks at findings are not its records."""
    return {
        model._meta.label: model._base_manager.count()
        for app in ("labsite", "specimens", "trials", "reports")
        for model in apps.get_app_config(app).get_models()
        if model is not StudyLook
    }


def test_an_auditor_changes_nothing_wherever_they_come_in(auditor: Client) -> None:
    paths = [filled(route) for route in open_to_auditors()]
    before = rows()
    for path in paths:
        for method in ("post", "put", "delete"):
            answer = getattr(auditor, method)(path, {"reason": "x", "state": "x"})
            assert answer.status_code in (200, 400, 403, 404, 405), (path, answer.status_code)
    after = rows()
    looks = AuditEntry.objects.filter(verb__startswith="saw ").count()
    assert after.pop("labsite.AuditEntry") - before.pop("labsite.AuditEntry") <= looks
    assert after == before
