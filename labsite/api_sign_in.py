"""Who is signed in, as the API sees it."""

from collections.abc import Mapping

from rest_framework import exceptions
from rest_framework.authentication import (
    BaseAuthentication,
    SessionAuthentication,
    get_authorization_header,
)
from rest_framework.request import Request

from labsite import access
from labsite.access_models import ApiToken
from labsite.models import User


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


class TokenSignIn(BaseAuthentication):
    """A program's token: `Authorization: Bearer wornproof_...`.

    No cookie takes part, so there is nothing for another site to ride on and no token to forge.
    """

    def authenticate(self, request: Request) -> tuple[User, ApiToken] | None:
        kind, _, secret = get_authorization_header(request).partition(b" ")
        if kind.lower() != b"bearer":
            return None
        try:
            found = access.bearer_of(secret.strip().decode("ascii"))
        except UnicodeDecodeError:
            found = None
        if found is None:
            raise exceptions.AuthenticationFailed(
                "This token is not known, was revoked or is too old."
            )
        return found

    def authenticate_header(self, request: Request) -> str:
        return "Bearer"
