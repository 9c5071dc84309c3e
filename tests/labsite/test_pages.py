"""Sign-in, error pages, headers and health, as a browser sees them."""

import json

import pytest
from django.db import connection
from django.http import HttpResponse
from django.test import Client
from django.urls import path

from labsite import views
from labsite.errors import Conflict, NotAllowed, Refused
from labsite.models import Lab, User
from labsite.roles import Role, give_role
from labsite.urls import urlpatterns as site_patterns


def raises(error):
    def view(request):
        raise error

    return views.login_not_required(view)


def private(request):
    return HttpResponse("private")


urlpatterns = [
    path("test/private/", private),
    path("test/broken/", raises(ZeroDivisionError("inner words"))),
    path("test/refused/", raises(Refused({"mass": ["A mass cannot be negative."]}))),
    path("test/conflict/", raises(Conflict("This reading is already there with other content."))),
    path("test/forbidden/", raises(NotAllowed("You may not publish scorecards."))),
    path("api/v1/test/broken/", raises(ZeroDivisionError("inner words"))),
    *site_patterns,
]
handler400 = "labsite.views.bad_request"
handler403 = "labsite.views.permission_denied"
handler404 = "labsite.views.not_found"
handler500 = "labsite.views.server_error"

pytestmark = [pytest.mark.django_db, pytest.mark.urls("tests.labsite.test_pages")]


@pytest.fixture
def browser():
    return Client(raise_request_exception=False)


def signed_in(browser, *roles):
    user = User.objects.create_user("ann", password="word of ann 3")
    for role in roles:
        give_role(user=user, role=role, by=None)
    browser.force_login(user)
    return user


def test_a_page_that_does_not_say_it_is_public_asks_for_sign_in(browser):
    answer = browser.get("/test/private/")
    assert (answer.status_code, answer["Location"]) == (302, "/sign-in/?next=/test/private/")
    signed_in(browser)
    assert browser.get("/test/private/").content == b"private"


@pytest.mark.parametrize(
    ("role", "home"),
    [
        (Role.TECHNICIAN, "/bench/"),
        (Role.LEAD, "/lab/"),
        (Role.EDITOR, "/desk/"),
        (Role.ADMINISTRATOR, "/admin/"),
    ],
)
def test_everybody_starts_where_their_work_is(browser, role, home):
    user = User.objects.create_user("bob", password="word of bob 3")
    give_role(user=user, role=role, by=None)
    form = {"username": "bob", "password": "word of bob 3"}
    assert browser.post("/sign-in/", form)["Location"] == home


def test_sign_in_goes_back_only_to_this_site(browser):
    User.objects.create_user("bob", password="word of bob 3")
    form = {"username": "bob", "password": "word of bob 3", "next": "https://elsewhere.example/"}
    assert browser.post("/sign-in/", form)["Location"] == "/"


def test_a_wrong_password_says_so_and_signs_nobody_in(browser):
    User.objects.create_user("bob", password="word of bob 3")
    answer = browser.post("/sign-in/", {"username": "bob", "password": "no"})
    assert answer.status_code == 200
    assert "correct username and password" in answer.content.decode()
    assert "_auth_user_id" not in browser.session


def test_signing_out_needs_a_form(browser):
    signed_in(browser)
    assert browser.get("/sign-out/").status_code == 405
    assert browser.post("/sign-out/").status_code == 302
    assert browser.get("/test/private/").status_code == 302


@pytest.mark.parametrize(
    ("address", "status", "words"),
    [
        ("/test/no-such-page/", 404, "nothing at this address|not here|no page"),
        ("/test/refused/", 400, "A mass cannot be negative."),
        ("/test/conflict/", 409, "already there with other content"),
        ("/test/forbidden/", 403, ""),
        ("/test/broken/", 500, "Something broke"),
    ],
)
def test_error_pages_are_whole_pages_without_inner_words(browser, address, status, words):
    answer = browser.get(address)
    page = answer.content.decode()
    assert answer.status_code == status
    assert "<main" in page
    assert any(word in page for word in words.split("|"))
    assert "Traceback" not in page
    assert "inner words" not in page


def test_the_500_page_needs_no_database(browser, django_assert_num_queries):
    with django_assert_num_queries(0):
        answer = browser.get("/test/broken/")
    assert answer.status_code == 500
    assert answer["X-Request-ID"] in answer.content.decode()


def test_a_form_without_its_token_is_refused_in_words():
    answer = Client(enforce_csrf_checks=True).post("/sign-in/", {"username": "a", "password": "b"})
    assert answer.status_code == 403
    assert "Nothing was saved" in answer.content.decode()


@pytest.mark.parametrize(
    ("address", "status"), [("/api/v1/no-such/", 404), ("/api/v1/test/broken/", 500)]
)
def test_the_api_tells_problems_in_one_shape(browser, address, status):
    answer = browser.get(address)
    assert answer["Content-Type"] == "application/problem+json"
    body = json.loads(answer.content)
    assert (answer.status_code, body["status"]) == (status, status)
    assert body["type"] == "about:blank"
    assert body["problems"][""][0].endswith(".")


def test_headers_keep_strangers_scripts_out(browser):
    headers = browser.get("/sign-in/").headers
    policy = {
        name: value
        for name, _, value in (
            part.strip().partition(" ") for part in headers["Content-Security-Policy"].split(";")
        )
    }
    assert policy["script-src"] == policy["style-src"] == policy["default-src"] == "'self'"
    assert policy["img-src"] == "'self' data: blob:"
    assert policy["object-src"] == policy["frame-ancestors"] == policy["base-uri"] == "'none'"
    assert "unsafe" not in headers["Content-Security-Policy"]
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["X-Frame-Options"] == "DENY"
    assert headers["Referrer-Policy"] == "same-origin"
    assert headers["Cross-Origin-Opener-Policy"] == "same-origin"
    assert "camera=(self)" in headers["Permissions-Policy"]


def test_every_answer_carries_the_id_that_the_log_has(browser, caplog):
    answer = browser.get("/test/broken/", headers={"X-Request-ID": "tablet-0001"})
    assert answer["X-Request-ID"] == "tablet-0001"
    forged = browser.get("/healthz", headers={"X-Request-ID": "x\nERROR forged"})
    assert len(forged["X-Request-ID"]) == 16
    assert browser.get("/healthz")["X-Request-ID"] != forged["X-Request-ID"]


def test_log_lines_name_their_request(browser, settings):
    from logging import LogRecord

    from labsite import logs

    record = LogRecord("name", 20, "file", 1, "words", None, None)
    token = logs.origin.set("tablet-0001")
    logs.OriginFilter().filter(record)
    logs.origin.reset(token)
    assert record.origin == "tablet-0001"


def test_healthz_asks_the_database_nothing(browser, django_assert_num_queries):
    with django_assert_num_queries(0):
        answer = browser.get("/healthz")
    assert (answer.status_code, answer.json()) == (200, {"status": "ok"})


def test_readyz_tells_what_it_saw(browser):
    answer = browser.get("/readyz")
    assert answer.status_code == 200
    assert answer.json() == {
        "status": "ok",
        "database": "ok",
        "migrations": "ok",
        "broker": "ok",
        "jobs": "ok",
        "oldest_waiting_job_s": None,
        "last_sweep_s": None,
    }
    assert "no-cache" in answer["Cache-Control"]


def test_readyz_refuses_people_while_a_migration_is_missing(browser):
    with connection.cursor() as cursor:
        cursor.execute("DELETE FROM django_migrations WHERE app = 'labsite' AND name > '0002'")
    answer = browser.get("/readyz")
    assert (answer.status_code, answer.json()["migrations"]) == (503, "not all applied")


def test_readyz_serves_people_without_a_broker(browser):
    from celery import current_app

    before = current_app.conf.broker_url, current_app.conf.broker_write_url
    # Port 1 refuses.
    current_app.conf.broker_url = current_app.conf.broker_write_url = "redis://127.0.0.1:1/0"
    try:
        answer = browser.get("/readyz")
    finally:
        current_app.conf.broker_url, current_app.conf.broker_write_url = before
    assert answer.status_code == 200
    assert (answer.json()["status"], answer.json()["broker"]) == ("degraded", "degraded")


def test_every_page_names_the_lab_and_says_what_is_invented(browser):
    Lab.objects.create(pk=1, name="Saltmarsh bench", note="All invented.", is_invented=True)
    page = browser.get("/sign-in/").content.decode()
    assert "Saltmarsh bench" in page
    assert "All invented." in page


def test_navigation_shows_only_the_rooms_of_a_role(browser):
    signed_in(browser, Role.EDITOR)
    page = browser.get("/test/no-such-page/").content.decode()
    assert 'href="/desk/"' in page
    assert 'href="/bench/"' not in page
    assert 'href="/admin/"' not in page
