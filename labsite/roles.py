"""Who may do what. One table; everything that is not in it is denied."""

from collections.abc import Callable
from enum import StrEnum
from functools import wraps
from typing import TYPE_CHECKING, Concatenate, ParamSpec, cast

from django.contrib.auth.models import AnonymousUser, Group
from django.db import transaction
from django.http import HttpRequest, HttpResponseBase

from labsite import audit
from labsite.errors import NotAllowed

if TYPE_CHECKING:
    from rest_framework.request import Request

    from labsite.models import User

Rest = ParamSpec("Rest")


class Role(StrEnum):
    """The people of a lab. Values are the names of Django's groups."""

    TECHNICIAN = "technician"
    LEAD = "lead"
    EDITOR = "editor"
    ADMINISTRATOR = "administrator"
    AUDITOR = "auditor"


class Deed(StrEnum):
    """What may be done. The value completes the sentence 'You may not ...'."""

    ENTER_READINGS = "enter readings"
    VOID_RUNS = "void runs"
    SETTLE_READINGS = "settle second readings"
    UPLOAD_READINGS = "upload readings"
    SEE_LAB = "see the lab's records"
    MANAGE_RECORDS = "change the lab's records"
    MANAGE_STUDIES = "change studies"
    SEE_FINDINGS = "see findings before they are published"
    DRAFT_EDITIONS = "draft scorecards"
    PUBLISH_EDITIONS = "publish scorecards"
    READ_AUDIT = "read the audit trail"
    SIGN_OFF = "sign off what goes out"
    MANAGE_TABLETS = "set up the lab's tablets"
    ADMINISTER = "administer the site"


MAY: dict[Deed, frozenset[Role]] = {
    Deed.ENTER_READINGS: frozenset({Role.TECHNICIAN, Role.LEAD}),
    Deed.VOID_RUNS: frozenset({Role.TECHNICIAN, Role.LEAD}),
    Deed.SETTLE_READINGS: frozenset({Role.LEAD}),
    Deed.UPLOAD_READINGS: frozenset({Role.TECHNICIAN, Role.LEAD}),
    Deed.SEE_LAB: frozenset({Role.TECHNICIAN, Role.LEAD, Role.EDITOR, Role.AUDITOR}),
    Deed.MANAGE_RECORDS: frozenset({Role.LEAD}),
    Deed.MANAGE_STUDIES: frozenset({Role.LEAD}),
    Deed.SEE_FINDINGS: frozenset({Role.LEAD, Role.EDITOR, Role.AUDITOR}),
    Deed.DRAFT_EDITIONS: frozenset({Role.LEAD, Role.EDITOR}),
    Deed.PUBLISH_EDITIONS: frozenset({Role.EDITOR, Role.LEAD}),
    Deed.READ_AUDIT: frozenset({Role.AUDITOR, Role.LEAD, Role.ADMINISTRATOR}),
    Deed.SIGN_OFF: frozenset({Role.EDITOR, Role.LEAD}),
    Deed.MANAGE_TABLETS: frozenset({Role.LEAD, Role.ADMINISTRATOR}),
    Deed.ADMINISTER: frozenset({Role.ADMINISTRATOR}),
}


# What a person who only gave a PIN may do: the bench, and nothing that speaks for the lab.
PIN_DEEDS = frozenset({Deed.ENTER_READINGS, Deed.VOID_RUNS, Deed.UPLOAD_READINGS, Deed.SEE_LAB})


def roles_of(user: "User | AnonymousUser") -> frozenset[Role]:
    """Return the roles of a person; one query, kept on the object for its lifetime.

    A superuser is an administrator and nothing more: the key to the server room does not make
    anybody a technician, and the record must not say that it did.
    """
    if isinstance(user, AnonymousUser) or not user.is_active:
        return frozenset()
    kept: frozenset[Role] | None = getattr(user, "_kept_roles", None)
    if kept is None:
        names = set(user.groups.values_list("name", flat=True))
        kept = frozenset(role for role in Role if role.value in names)
        if user.is_superuser:
            kept |= {Role.ADMINISTRATOR}
        user._kept_roles = kept
    return kept


def may(user: "User | AnonymousUser", deed: Deed) -> bool:
    limited_to: frozenset[Deed] | None = getattr(user, "limited_to", None)
    if limited_to is not None and deed not in limited_to:
        return False
    return not MAY[deed].isdisjoint(roles_of(user))


def check_may(user: "User | AnonymousUser", deed: Deed) -> None:
    """Raise NotAllowed, naming who may, unless this person may do this."""
    if may(user, deed):
        return
    if not MAY[deed].isdisjoint(roles_of(user)):
        raise NotAllowed(f"You may not {deed.value} this way. Sign in with your password.")
    allowed = " or ".join(role.value for role in Role if role in MAY[deed])
    raise NotAllowed(f"You may not {deed.value}. This needs the role {allowed}.")


def person(request: "HttpRequest | Request") -> "User":
    """Return who is signed in; for views behind `needs` or `check_may`, which have asked for it."""
    return cast("User", request.user)


def needs(
    deed: Deed, *, post: Deed | None = None
) -> Callable[
    [Callable[Concatenate[HttpRequest, Rest], HttpResponseBase]],
    Callable[Concatenate[HttpRequest, Rest], HttpResponseBase],
]:
    """Guard a view: `@needs(Deed.SEE_LAB)`; `post` is what sending its form needs, if more."""

    def guard(
        view: Callable[Concatenate[HttpRequest, Rest], HttpResponseBase],
    ) -> Callable[Concatenate[HttpRequest, Rest], HttpResponseBase]:
        @wraps(view)
        def guarded(
            request: HttpRequest, /, *args: Rest.args, **kwargs: Rest.kwargs
        ) -> HttpResponseBase:
            check_may(request.user, post if post and request.method == "POST" else deed)
            return view(request, *args, **kwargs)

        # Read by the test that walks every address: one without a policy fails it.
        guarded.deeds = {"GET": deed, "POST": post or deed}  # type: ignore[attr-defined]
        return guarded

    return guard


SignedIn = Callable[Concatenate[HttpRequest, Rest], HttpResponseBase]


def by_password(view: SignedIn[Rest]) -> SignedIn[Rest]:
    """Guard a view that is everybody's own, but not for somebody who gave only a PIN."""

    @wraps(view)
    def guarded(
        request: HttpRequest, /, *args: Rest.args, **kwargs: Rest.kwargs
    ) -> HttpResponseBase:
        if getattr(request.user, "limited_to", None) is not None:
            raise NotAllowed("Sign in with your password to see your account.")
        return view(request, *args, **kwargs)

    guarded.deeds = {"GET": None, "POST": None}  # type: ignore[attr-defined]
    return guarded


@transaction.atomic
def give_role(*, user: "User", role: Role, by: "User | None") -> None:
    """Put a person into a role's group. `by` is None only for the command line."""
    group, _ = Group.objects.get_or_create(name=role.value)
    user.groups.add(group)
    if role is Role.ADMINISTRATOR and not (user.is_superuser and user.is_staff):
        # The administration pages know only Django's own two marks.
        user.is_staff = user.is_superuser = True
        user.save(update_fields=["is_staff", "is_superuser"])
    user._kept_roles = None
    audit.record(by=by, verb="gave role", subject=user, detail={"role": role.value})
