"""Whatever an API view raises becomes application/problem+json (RFC 9457)."""

import pytest
from django.core.exceptions import ValidationError
from django.http import Http404
from django.test import Client
from django.urls import path
from rest_framework import exceptions, serializers
from rest_framework.response import Response
from rest_framework.views import APIView

from labsite.errors import Conflict, NotAllowed, Refused
from labsite.models import User


class Level(serializers.Serializer):
    value = serializers.FloatField()


class Sheet(serializers.Serializer):
    levels = Level(many=True)


ERRORS = {
    "refused": Refused({"mass": ["A mass cannot be negative."], "": ["Nothing was saved."]}),
    "conflict": Conflict("Already there with other content."),
    "not-allowed": NotAllowed("You may not void runs."),
    "missing": Http404(),
    "model": ValidationError({"low": ["Low is above high."], "__all__": ["Both at once."]}),
    "model-whole": ValidationError("Only one lab."),
    "throttled": exceptions.Throttled(wait=7.6),
}


class Raising(APIView):
    def get(self, request, name):
        raise ERRORS[name]


class Echo(APIView):
    def post(self, request):
        sheet = Sheet(data=request.data)
        sheet.is_valid(raise_exception=True)
        return Response(sheet.validated_data)


urlpatterns = [
    path("api/v1/raising/<str:name>/", Raising.as_view()),
    path("api/v1/echo/", Echo.as_view()),
]

pytestmark = [pytest.mark.django_db, pytest.mark.urls("tests.labsite.test_problems")]


@pytest.fixture
def tablet():
    client = Client()
    client.force_login(User.objects.create_user("ann"))
    return client


@pytest.mark.parametrize(
    ("name", "status", "title", "problems"),
    [
        (
            "refused",
            400,
            "Bad Request",
            {"mass": ["A mass cannot be negative."], "": ["Nothing was saved."]},
        ),
        ("conflict", 409, "Conflict", {"": ["Already there with other content."]}),
        ("not-allowed", 403, "Forbidden", {"": ["You may not void runs."]}),
        ("missing", 404, "Not Found", {"": ["There is nothing at this address."]}),
        ("model", 400, "Bad Request", {"low": ["Low is above high."], "": ["Both at once."]}),
        ("model-whole", 400, "Bad Request", {"": ["Only one lab."]}),
    ],
)
def test_each_error_has_its_status_and_sentences(tablet, name, status, title, problems):
    answer = tablet.get(f"/api/v1/raising/{name}/")
    assert answer.status_code == status
    assert answer["Content-Type"] == "application/problem+json"
    assert answer.json() == {
        "type": "about:blank",
        "title": title,
        "status": status,
        "problems": problems,
    }


def test_a_stranger_gets_401_and_not_a_page(client):
    answer = client.get("/api/v1/raising/missing/")
    assert answer.status_code == 401
    assert answer["WWW-Authenticate"] == "Session"
    assert answer.json()["problems"] == {"": ["Sign in first."]}


def test_nested_fields_are_named_with_dots(tablet):
    body = {"levels": [{"value": 1}, {"value": "high"}]}
    answer = tablet.post("/api/v1/echo/", body, content_type="application/json")
    assert answer.status_code == 400
    assert answer.json()["problems"] == {"levels.1.value": ["A valid number is required."]}


@pytest.mark.parametrize("body", ["{", '{"levels": [{"value": NaN}]}', '{"levels": Infinity}'])
def test_json_that_is_not_json_is_a_problem(tablet, body):
    answer = tablet.post("/api/v1/echo/", body, content_type="application/json")
    assert answer.status_code == 400
    assert answer["Content-Type"] == "application/problem+json"


def test_only_json_is_understood(tablet):
    assert tablet.post("/api/v1/echo/", {"levels": "1"}).status_code == 415


def test_a_write_without_the_safety_token_is_refused():
    strict = Client(enforce_csrf_checks=True)
    strict.force_login(User.objects.create_user("ann"))
    answer = strict.post("/api/v1/echo/", {"levels": []}, content_type="application/json")
    assert answer.status_code == 403
    assert "CSRF" in answer.json()["problems"][""][0]


def test_whoever_is_too_quick_is_told_when_to_come_back(tablet):
    assert tablet.get("/api/v1/raising/throttled/")["Retry-After"] == "8"
