"""Who may call which method of the API."""

import hashlib
import json
from collections.abc import Mapping
from typing import Any, ClassVar

from django.core.exceptions import ObjectDoesNotExist
from django.http import Http404
from django.utils.http import parse_etags
from rest_framework import exceptions, status
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.utils.encoders import JSONEncoder
from rest_framework.views import APIView

from labsite.roles import Deed, check_may

READS = frozenset({"GET", "HEAD", "OPTIONS"})


class Stale(exceptions.APIException):
    """What is there now is not what the sender saw."""

    status_code = status.HTTP_412_PRECONDITION_FAILED
    default_detail = (
        "What is there now is not what If-Match names: nothing was changed. Read it again."
    )


def etag_of(data: Any) -> str:
    """The ETag of what a GET gives, whatever order a database keeps the keys of an object in."""
    text = json.dumps(data, cls=JSONEncoder, sort_keys=True)
    return f'"{hashlib.sha256(text.encode()).hexdigest()[:32]}"'


class DeedView(APIView):
    """Denies by default: a method without an entry in `deeds` is not answered.

    None as the deed lets in everybody who is signed in. A request that changes something may
    carry If-Match with the ETag that was read; when that is not what stands, the answer is 412.
    """

    deeds: ClassVar[Mapping[str, Deed | None]] = {}

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        match = request.headers.get("If-Match")
        if match is not None and request.method not in READS:
            self._check_match(match, request, *args, **kwargs)

    def _check_match(self, match: str, request: Request, *args: Any, **kwargs: Any) -> None:
        """Two who send the same ETag at the same moment are told apart by the action itself."""
        try:
            standing = etag_of(self.standing(request, *args, **kwargs))
        except (Http404, ObjectDoesNotExist):
            raise Stale from None
        if match.strip() != "*" and standing not in parse_etags(match):
            raise Stale

    def standing(self, request: Request, *args: Any, **kwargs: Any) -> Any:
        """What If-Match is held against: what a GET of this address gives."""
        get = getattr(self, "get", None)
        if get is None:
            raise Http404
        return get(request, *args, **kwargs).data

    def finalize_response(
        self, request: Request, response: Response, *args: Any, **kwargs: Any
    ) -> Response:
        response = super().finalize_response(request, response, *args, **kwargs)
        gives: Mapping[str, Any] = getattr(self, "gives", {})
        is_whole = request.method == "GET" or gives.get(request.method or "") is gives.get("GET")
        if is_whole and "GET" in self.deeds and response.status_code in (200, 201):
            response.headers["ETag"] = etag_of(response.data)
        return response

    def check_permissions(self, request: Request) -> None:
        super().check_permissions(request)
        method = "GET" if request.method == "HEAD" else request.method or ""
        if method not in self.deeds:
            raise exceptions.MethodNotAllowed(method)
        deed = self.deeds[method]
        if deed is not None:
            check_may(request.user, deed)
