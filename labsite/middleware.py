"""What happens around every request: its id, its headers, and refusals nobody caught."""

import re
import uuid
from collections.abc import Callable

from django.conf import settings
from django.http import HttpRequest, HttpResponse

from labsite import audit, logs, views
from labsite.errors import Refused

GetResponse = Callable[[HttpRequest], HttpResponse]
# A proxy may hand its own id on; anything else would let a stranger write into our log.
REQUEST_ID = re.compile(r"[A-Za-z0-9-]{8,64}")


def address_of(request: HttpRequest) -> str:
    """Return the network address of whoever sent this request.

    HTTPS=true says that a proxy of ours stands in front; it puts the address it saw at the end of
    X-Forwarded-For. Without one the header is a stranger's claim and worth nothing.
    """
    if settings.HTTPS:
        seen = request.headers.get("X-Forwarded-For", "").rsplit(",", 1)[-1].strip()
        if seen:
            return seen
    return str(request.META.get("REMOTE_ADDR", ""))


class RequestIdMiddleware:
    """Put one id on the request, its log lines, its error page and its response."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        given = request.headers.get("X-Request-ID", "")
        request_id = given if REQUEST_ID.fullmatch(given) else uuid.uuid4().hex[:16]
        request.META["wornproof.request_id"] = request_id
        token = logs.origin.set(request_id)
        address_token = audit.came_from.set(address_of(request))
        try:
            response = self.get_response(request)
        finally:
            audit.came_from.reset(address_token)
            logs.origin.reset(token)
        response.headers["X-Request-ID"] = request_id
        return response


class PermissionsPolicyMiddleware:
    """Only the camera is ever asked for, and only by our own pages."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        response.headers.setdefault(
            "Permissions-Policy",
            "camera=(self), geolocation=(), microphone=(), payment=(), usb=()",
        )
        return response


class RefusalMiddleware:
    """Turn a refusal that a view did not show beside a field into a page with its sentences."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_exception(self, request: HttpRequest, exception: Exception) -> HttpResponse | None:
        if isinstance(exception, Refused):
            return views.refused(request, exception)
        return None
