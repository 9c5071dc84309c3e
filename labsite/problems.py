"""One shape for every problem that the API reports."""

from http import HTTPStatus
from typing import Any

from django.core.exceptions import PermissionDenied, ValidationError
from django.http import Http404, HttpRequest, JsonResponse
from rest_framework import exceptions
from rest_framework.response import Response
from rest_framework.views import set_rollback

from labsite.errors import Conflict, Refused

PROBLEM_TYPE = "application/problem+json"
Problems = dict[str, list[str]]


def problem_response(error: Exception, context: dict[str, Any]) -> Response | None:
    """Turn what an API view raised into application/problem+json (RFC 9457).

    None leaves an unexpected error to Django, which logs it and answers 500.
    """
    known = _status_and_problems(error)
    if known is None:
        return None
    status, problems, headers = known
    set_rollback()
    told = getattr(error, "told", {})
    return Response(
        {**problem_body(status, problems), **told},
        status=status,
        headers=headers,
        content_type=PROBLEM_TYPE,
    )


def problem_body(status: int, problems: Problems) -> dict[str, Any]:
    return {
        "type": "about:blank",
        "title": HTTPStatus(status).phrase,
        "status": status,
        "problems": problems,
    }


def is_for_api(request: HttpRequest) -> bool:
    return request.path.startswith("/api/")


def problem_page(status: int, problems: Problems) -> JsonResponse:
    """Give the same shape outside an API view, such as for an address that does not exist."""
    return JsonResponse(problem_body(status, problems), status=status, content_type=PROBLEM_TYPE)


def _status_and_problems(
    error: Exception,
) -> tuple[int, Problems, dict[str, str]] | None:
    if isinstance(error, Refused):
        return (409 if isinstance(error, Conflict) else 400), error.problems, {}
    if isinstance(error, Http404):
        return 404, {"": ["There is nothing at this address."]}, {}
    if isinstance(error, PermissionDenied):
        return 403, {"": [str(error) or "You may not do this."]}, {}
    if isinstance(error, ValidationError):
        return 400, _of_validation(error), {}
    if isinstance(error, exceptions.APIException):
        return error.status_code, _of_rest_framework(error), _headers(error)
    return None


def _of_validation(error: ValidationError) -> Problems:
    if hasattr(error, "error_dict"):
        return {
            ("" if field == "__all__" else field): list(sentences)
            for field, sentences in error.message_dict.items()
        }
    return {"": list(error.messages)}


def _of_rest_framework(error: exceptions.APIException) -> Problems:
    if isinstance(error, exceptions.NotAuthenticated | exceptions.AuthenticationFailed):
        return {"": ["Sign in first."]}
    problems: Problems = {}
    _flatten(error.detail, "", problems)
    return problems


def _flatten(detail: Any, path: str, problems: Problems) -> None:
    """Name nested fields with dots, as in levels.0.value."""
    if isinstance(detail, dict):
        for field, inner in detail.items():
            name = "" if field == "non_field_errors" else str(field)
            _flatten(inner, ".".join(part for part in (path, name) if part), problems)
    elif isinstance(detail, list | tuple):
        for index, inner in enumerate(detail):
            is_branch = isinstance(inner, dict | list | tuple)
            _flatten(inner, f"{path}.{index}".strip(".") if is_branch else path, problems)
    else:
        problems.setdefault(path, []).append(str(detail))


def _headers(error: exceptions.APIException) -> dict[str, str]:
    headers: dict[str, str] = {}
    if challenge := getattr(error, "auth_header", None):
        headers["WWW-Authenticate"] = challenge
    if wait := getattr(error, "wait", None):
        headers["Retry-After"] = str(round(wait))
    return headers
