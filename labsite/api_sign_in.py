"""Who is signed in, as the API sees it."""

from rest_framework.authentication import SessionAuthentication
from rest_framework.request import Request


class SessionSignIn(SessionAuthentication):
    """Django's session, answering 401 to a stranger so that a tablet knows to ask for sign-in."""

    def authenticate_header(self, request: Request) -> str:
        return "Session"
