"""Who may call which method of the API."""

from collections.abc import Mapping
from typing import ClassVar

from rest_framework import exceptions
from rest_framework.request import Request
from rest_framework.views import APIView

from labsite.roles import Deed, check_may


class DeedView(APIView):
    """Denies by default: a method without an entry in `deeds` is not answered.

    None as the deed lets in everybody who is signed in.
    """

    deeds: ClassVar[Mapping[str, Deed | None]] = {}

    def check_permissions(self, request: Request) -> None:
        super().check_permissions(request)
        method = "GET" if request.method == "HEAD" else request.method or ""
        if method not in self.deeds:
            raise exceptions.MethodNotAllowed(method)
        deed = self.deeds[method]
        if deed is not None:
            check_may(request.user, deed)
