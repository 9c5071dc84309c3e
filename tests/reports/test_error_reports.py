"""Readers report errors without saying who they are, and see what became of it."""

import pytest
from django.test import Client

from labsite.roles import Role
from reports import error_reports
from reports.models import ErrorReport
from tests.reports.demo_site import person_with

pytestmark = pytest.mark.django_db

TOLD = {"page": "/scorecards/x/1/", "what": "It says 3 g where the table has 5 g.", "source": ""}


def tell(client: Client, **changes: str) -> str:
    answer = client.post("/report-an-error/", TOLD | changes)
    assert answer.status_code == 302, answer.content.decode()
    return str(answer["Location"])


def test_a_reader_tells_an_error_and_finds_it_again(reader: Client) -> None:
    form = reader.get("/report-an-error/", {"page": "/scorecards/x/1/"}).content.decode()
    assert 'value="/scorecards/x/1/"' in form
    mine = tell(reader)
    page = reader.get(mine).content.decode()
    assert "It says 3 g where the table has 5 g." in page
    assert "Not looked at yet" in page
    assert 'content="noindex"' in page
    assert "Noch nicht angesehen" in reader.get(f"/de{mine}").content.decode()


def test_nothing_about_the_reader_is_kept(reader: Client) -> None:
    reader.post("/report-an-error/", TOLD, REMOTE_ADDR="203.0.113.9")
    kept = ErrorReport.objects.values().get()
    assert "203.0.113.9" not in str(kept)
    assert not any("name" in column or "mail" in column for column in kept)


def test_one_sender_is_limited_and_loses_no_words(reader: Client) -> None:
    for _ in range(error_reports.MOST_OF_ONE_SENDER):
        tell(reader)
    refused = reader.post("/report-an-error/", TOLD)
    assert refused.status_code == 400
    assert TOLD["what"] in refused.content.decode()
    assert ErrorReport.objects.count() == error_reports.MOST_OF_ONE_SENDER
    # somebody else is not
    other = reader.post("/report-an-error/", TOLD, REMOTE_ADDR="203.0.113.10")
    assert other.status_code == 302


@pytest.mark.parametrize("what", ["", "   ", "x" * 4001])
def test_nothing_and_too_much_are_refused_beside_the_box(reader: Client, what: str) -> None:
    refused = reader.post("/report-an-error/", TOLD | {"what": what})
    assert refused.status_code == 400
    assert ErrorReport.objects.count() == 0
    assert 'aria-invalid="true"' in refused.content.decode()


def test_what_a_reader_types_is_never_markup(reader: Client) -> None:
    mine = tell(reader, what="<script>alert(1)</script>", page='"><img src=x>')
    page = reader.get(mine).content.decode()
    assert "<script>alert" not in page
    assert "<img src=x" not in page


def test_lead_and_editor_answer_and_the_reader_sees_it(reader: Client) -> None:
    mine = tell(reader)
    code = ErrorReport.objects.get().code
    client = Client()
    client.force_login(person_with(Role.EDITOR))
    assert code in client.get("/desk/error-reports/").content.decode()
    path = f"/desk/error-reports/{code}/"
    refused = client.post(path, {"state": "put right", "answer": ""})
    assert refused.status_code == 400
    assert "Say what was found" in refused.content.decode()
    assert (
        client.post(path, {"state": "put right", "answer": "Edition 2 says 5 g."}).status_code
        == 302
    )
    page = reader.get(mine).content.decode()
    assert "Edition 2 says 5 g." in page
    assert "Put right" in page


def test_an_auditor_reads_reports_and_does_not_answer(reader: Client) -> None:
    tell(reader)
    code = ErrorReport.objects.get().code
    client = Client()
    client.force_login(person_with(Role.AUDITOR))
    path = f"/desk/error-reports/{code}/"
    assert client.get(path).status_code == 200
    answered = client.post(path, {"state": "looking", "answer": ""})
    assert answered.status_code == 403


def test_codes_cannot_be_guessed_one_after_another(reader: Client) -> None:
    codes = {tell(reader, what=str(n)) for n in range(4)}
    assert len(codes) == 4
    assert all(len(code.strip("/").split("/")[-1]) == 10 for code in codes)
    assert reader.get("/report-an-error/AAAAAAAAAA/").status_code == 404
