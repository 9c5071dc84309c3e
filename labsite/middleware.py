"""What happens around every request: its id, its headers, and refusals nobody caught."""

import logging
import re
import uuid
from collections.abc import Callable
from time import perf_counter
from typing import Any, TypeVar

from django.conf import settings
from django.http import HttpRequest, HttpResponse

from labsite import audit, logs, views
from labsite.access import BY_PIN
from labsite.errors import Refused
from labsite.roles import PIN_DEEDS

log = logging.getLogger(__name__)
GetResponse = Callable[[HttpRequest], HttpResponse]
View = TypeVar("View", bound=Callable[..., Any])
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
        started = perf_counter()
        try:
            response = self.get_response(request)
            _log(request, response, perf_counter() - started)
        finally:
            audit.came_from.reset(address_token)
            logs.origin.reset(token)
        response.headers["X-Request-ID"] = request_id
        return response


def _log(request: HttpRequest, response: HttpResponse, took_s: float) -> None:
    """Write one line a request. No query string: it may hold what somebody searched for."""
    took_ms = round(took_s * 1000, 1)
    log.info(
        "%s %s %s in %s ms",
        request.method,
        request.path,
        response.status_code,
        took_ms,
        extra={
            "told": {
                "method": request.method,
                "path": request.path,
                "status": response.status_code,
                "took_ms": took_ms,
            }
        },
    )


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


def takes_body_up_to(most_bytes: int) -> Callable[[View], View]:
    """Say that a view takes more than the site's usual largest request."""

    def mark(view: View) -> View:
        view.most_body_bytes = most_bytes  # type: ignore[attr-defined]
        return view

    return mark


class BodyLimitMiddleware:
    """Refuse a request by the length it declares, before a byte of it is read or put on the disk.

    It stands before the check of the form's token, which reads the whole form. A request that says
    nothing of its length has no body for Django, and a server reads no more than was declared.
    """

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_view(
        self, request: HttpRequest, view: Callable[..., Any], args: Any, kwargs: Any
    ) -> HttpResponse | None:
        told = str(request.META.get("CONTENT_LENGTH") or "0")
        length = int(told) if told.isascii() and told.isdigit() else 0
        most = getattr(view, "most_body_bytes", settings.MOST_BODY_BYTES)
        if not request.user.is_authenticated:
            most = min(most, settings.DATA_UPLOAD_MAX_MEMORY_SIZE)
        return views.too_large(request, most) if length > most else None


class PinMiddleware:
    """Narrow what somebody may do who came in by PIN on a tablet."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if "_auth_user_id" in request.session and request.session.get(BY_PIN):
            request.user.limited_to = PIN_DEEDS  # type: ignore[union-attr]
        return self.get_response(request)


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
