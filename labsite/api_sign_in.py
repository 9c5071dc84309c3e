"""Who is signed in, as the API sees it."""

from collections.abc import Mapping

from rest_framework import exceptions
from rest_framework.authentication import SessionAuthentication
from rest_framework.request import Request


class StaleToken(exceptions.PermissionDenied):
    """The token against forged requests is not this session's: ask for a fresh one."""

    told: Mapping[str, str] = {"code": "stale token"}


class SessionSignIn(SessionAuthentication):
    """Django's session, answering 401 to a stranger so that a tablet knows to ask for sign-in."""

    def authenticate_header(self, request: Request) -> str:
        return "Session"

    def enforce_csrf(self, request: Request) -> None:
        try:
            super().enforce_csrf(request)
        except exceptions.PermissionDenied as denied:
            raise StaleToken(denied.detail) from denied
