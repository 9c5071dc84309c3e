"""Every address times every role: each address has a policy, and what it says is what happens."""

import re
from collections.abc import Iterator

import pytest
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver
from rest_framework.permissions import AllowAny

from labsite.models import User
from labsite.roles import MAY, Deed, Role, give_role

pytestmark = pytest.mark.django_db

PUBLIC = "public"
SIGNED_IN = "signed in"
# Django's own pages ask for the staff mark, which only administrators have.
ADMIN = "/admin/"


def addresses(
    patterns: list[URLPattern | URLResolver] | None = None, before: str = ""
) -> Iterator[tuple[str, URLPattern]]:
    """Yield (route, pattern) of the whole site."""
    for pattern in get_resolver().url_patterns if patterns is None else patterns:
        route = before + str(pattern.pattern)
        if isinstance(pattern, URLResolver):
            yield from addresses(pattern.url_patterns, route)
        else:
            yield "/" + route, pattern


def policy(pattern: URLPattern) -> dict[str, object] | None:
    """Return what each method needs: a Deed, PUBLIC or SIGNED_IN; None when nobody said."""
    view = pattern.callback
    if hasattr(view, "deeds"):
        return {method: deed or SIGNED_IN for method, deed in view.deeds.items()}
    api = getattr(view, "cls", None)
    if api is not None:  # REST framework's views; its middleware mark says nothing about them
        if AllowAny in api.permission_classes:
            return {"GET": PUBLIC, "POST": PUBLIC}
        deeds = getattr(api, "deeds", {})
        return {method: deed or SIGNED_IN for method, deed in deeds.items()} or None
    return None if getattr(view, "login_required", True) else {"GET": PUBLIC, "POST": PUBLIC}


FILLED = {
    "int": "999999",
    "uuid": "00000000-0000-4000-8000-000000000000",
    "slug": "not-there",
    "str": "not-there",
    "path": "not-there",
}


def path_of(route: str) -> str:
    """Fill the holes of an address with things that are not there: who may is asked first."""
    return re.sub(r"<(\w+):\w+>", lambda hole: FILLED[hole[1]], route)


ALL = [
    (route, pattern) for route, pattern in addresses() if not route.startswith((ADMIN, "/static/"))
]


@pytest.fixture
def clients() -> dict[str, Client]:
    made = {"nobody": Client(), "without a role": Client()}
    made["without a role"].force_login(User.objects.create_user("none"))
    for role in Role:
        user = User.objects.create_user(f"a {role.value}")
        give_role(user=user, role=role, by=None)
        made[role.value] = Client()
        made[role.value].force_login(User.objects.get(pk=user.pk))
    return made


def test_the_walk_sees_the_site() -> None:
    routes = {route for route, _ in ALL}
    assert {"/bench/", "/lab/", "/desk/", "/audit/", "/api/v1/session/", "/"} <= routes
    assert len(routes) > 90


def test_every_address_has_a_policy() -> None:
    without = [route for route, pattern in ALL if policy(pattern) is None]
    assert without == [], "guard these views with @needs, deeds or login_not_required"


def test_what_the_policies_say_is_what_happens(clients: dict[str, Client]) -> None:
    """One request by everybody to every address and method that has a policy."""
    wrong = []
    for route, pattern in ALL:
        path = path_of(route)
        for method, need in (policy(pattern) or {}).items():
            for who, client in clients.items():
                if path in ("/sign-out/", "/sign-in/"):
                    continue  # asked elsewhere: they would sign these people out
                answer = client.generic(method, path, "{}", content_type="application/json")
                let_in = answer.status_code not in (401, 403) and not (
                    answer.status_code == 302 and answer.headers["Location"].startswith("/sign-in/")
                )
                if answer.status_code >= 500:
                    wrong.append((method, path, who, answer.status_code))
                if answer.status_code == 405 or (need == PUBLIC and answer.status_code == 302):
                    continue  # nobody may; or a step of signing in that leads on to another
                if let_in != may_enter(need, who):
                    wrong.append((method, path, who, need, answer.status_code))
    assert wrong == []


def may_enter(need: object, who: str) -> bool:
    if need == PUBLIC:
        return True
    if who == "nobody":
        return False
    if need == SIGNED_IN:
        return True
    assert isinstance(need, Deed)
    return who in {role.value for role in MAY[need]}


@pytest.mark.parametrize(
    ("beginning", "public", "roles"),
    [
        # Who may come into a part of the house at all, written by hand.
        ("/bench/", False, {"technician", "lead"}),
        ("/lab/", False, {"technician", "lead", "editor", "auditor"}),
        ("/desk/", False, {"lead", "editor", "auditor"}),
        ("/across/", False, {"lead", "editor", "auditor"}),
        ("/audit/", False, {"lead", "auditor", "administrator"}),
    ],
)
def test_no_address_lets_more_people_into_a_part_of_the_house(
    beginning: str, public: bool, roles: set[str]
) -> None:
    inside = [(route, policy(pattern)) for route, pattern in ALL if route.startswith(beginning)]
    assert inside
    for route, needs in inside:
        for need in set((needs or {}).values()):
            assert isinstance(need, Deed), f"{route} is {need}"
            assert {role.value for role in MAY[need]} <= roles, route


def test_the_administration_is_for_administrators(clients: dict[str, Client]) -> None:
    paths = [
        path_of(route)
        for route, _ in addresses()
        if route.startswith(ADMIN) and "(?P" not in route and "<" not in route
    ]
    assert len(paths) > 8
    for path in paths:
        if path in ("/admin/login/", "/admin/logout/"):
            continue
        for who, client in clients.items():
            answer = client.get(path)
            to_sign_in = answer.headers.get("Location", "").startswith(
                ("/admin/login/", "/sign-in/")
            )
            if who == "administrator":
                # 403: records that only the program writes, for administrators too
                assert not to_sign_in, path
                assert answer.status_code in (200, 302, 403), path
            else:
                assert to_sign_in, (path, who, answer.status_code)
