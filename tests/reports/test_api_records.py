"""The record in lists, many readings at once, and the API held against its own description."""

from collections.abc import Iterator
from urllib.parse import urlsplit

import pytest
import schemathesis
import schemathesis.checks
from django.core.signals import request_finished, request_started
from django.core.wsgi import get_wsgi_application
from django.db import close_old_connections
from django.test import Client
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis.core.failures import FailureGroup
from schemathesis.specs.openapi import checks as openapi_checks

from labsite import access
from labsite.models import User
from labsite.roles import MAY, Deed, Role
from specimens.models import Specimen
from tests.labsite.test_every_address import ALL
from tests.reports.demo_site import AGES, person_with
from trials.models import Reading

pytestmark = pytest.mark.usefixtures("demo")


def token_of(user: User, *deeds: Deed) -> dict[str, str]:
    _, secret = access.make_token(by=user, name="test", deeds=deeds, days=1)
    return {"Authorization": f"Bearer {secret}"}


@pytest.fixture
def reading_program() -> Client:
    """A program with a token that may only read."""
    return Client(headers=token_of(person_with(Role.LEAD), Deed.SEE_LAB))


def walked(client: Client, address: str) -> list[dict]:
    rows: list[dict] = []
    while address:
        answer = client.get(address)
        assert answer.status_code == 200, answer.content
        page = answer.json()
        rows += page["results"]
        parts = urlsplit(page["next"] or "")
        address = f"{parts.path}?{parts.query}" if page["next"] else ""
    return rows


def test_pages_by_cursor_give_every_reading_once(reading_program) -> None:
    rows = walked(reading_program, f"/api/v1/readings/?study={AGES}&size=7")
    wanted = Reading.objects.filter(run__study__slug=AGES)
    assert len(rows) == wanted.count() > 20
    assert {row["id"] for row in rows} == {str(pk) for pk in wanted.values_list("pk", flat=True)}


@pytest.mark.parametrize("path", ["products", "specimens", "service", "methods", "readings"])
def test_every_list_answers_and_is_not_sent_again_unchanged(reading_program, path) -> None:
    first = reading_program.get(f"/api/v1/{path}/")
    assert first.json()["results"]
    again = reading_program.get(f"/api/v1/{path}/", headers={"If-None-Match": first["ETag"]})
    assert (again.status_code, again.content) == (304, b"")


def test_filters_narrow_and_unknown_ones_are_told(reading_program) -> None:
    code = Specimen.objects.filter(runs__readings__isnull=False).earliest("pk").code
    rows = walked(reading_program, f"/api/v1/readings/?specimen={code}")
    assert {row["specimen"] for row in rows} == {code}
    answer = reading_program.get("/api/v1/readings/?speciment=x")
    assert answer.status_code == 400
    assert "There is no such filter" in answer.json()["problems"]["speciment"][0]
    answer = reading_program.get("/api/v1/readings/?entered_since=yesterday")
    assert "Give a time with its zone" in answer.json()["problems"]["entered_since"][0]


# --- the API against its description -----------------------------------------------------------


def test_the_description_is_openapi_31_and_complete() -> None:
    description = Client().get("/api/v1/schema.json").json()
    assert description["openapi"].startswith("3.1")
    described = {path.replace("{", "<").replace("}", ">") for path in description["paths"]}
    missing = []
    for route, _ in ALL:
        if route.startswith("/api/v1/") and route not in ("/api/v1/", "/api/v1/schema.json"):
            bare = route
            for kind in ("slug:", "str:", "int:", "uuid:"):
                bare = bare.replace(f"<{kind}", "<")
            if bare not in described:
                missing.append(bare)
    assert missing == []


def test_the_page_for_people_names_every_address() -> None:
    page = Client().get("/api/v1/").content.decode()
    for path in Client().get("/api/v1/schema.json").json()["paths"]:
        assert path in page


CHECKS = [
    schemathesis.checks.not_a_server_error,
    openapi_checks.response_schema_conformance,
    openapi_checks.content_type_conformance,
]


def faults_of(operation, headers: dict[str, str], examples: int) -> list[str]:
    """Send requests drawn from the description of one operation, right and wrong ones."""
    faults: list[str] = []
    sent = []

    @settings(
        max_examples=examples,
        phases=[Phase.explicit, Phase.generate],
        deadline=None,
        derandomize=True,
        database=None,
        suppress_health_check=list(HealthCheck),
    )
    @given(case=operation.as_strategy())
    def attack(case) -> None:
        sent.append(case)
        try:
            case.call_and_validate(headers=headers, checks=CHECKS)
        except FailureGroup as group:
            faults.extend(f"{operation.label}: {str(e)[:400]}" for e in group.exceptions)

    attack()
    assert sent
    return faults


@pytest.fixture
def one_connection() -> Iterator[None]:
    """Keep the test's connection open when a request of the real application ends."""
    for signal in (request_started, request_finished):
        signal.disconnect(close_old_connections)
    yield
    for signal in (request_started, request_finished):
        signal.connect(close_old_connections)


@pytest.mark.usefixtures("one_connection")
@pytest.mark.parametrize("role", [*Role, None])
def test_no_request_breaks_the_description_or_the_server(role: Role | None) -> None:
    """By every role; the lead, who may do most, tries hardest."""
    headers = {}
    if role is not None:
        headers = token_of(person_with(role), *(deed for deed in Deed if role in MAY[deed]))
    schema = schemathesis.openapi.from_wsgi("/api/v1/schema.json", get_wsgi_application())
    operations = [found.ok() for found in schema.get_all_operations()]
    assert len(operations) > 25
    examples = 8 if role is Role.LEAD else 2
    faults = [fault for one in operations for fault in faults_of(one, headers, examples)]
    assert faults == []
