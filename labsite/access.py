"""Who comes in and how: accounts, invitations, second factor, tablets, PINs, API tokens.

Every action is on the trail. Secrets are shown once and kept as digests.
"""

import hashlib
import itertools
import secrets
from collections.abc import Collection
from datetime import timedelta
from typing import cast

from django.contrib.auth import password_validation
from django.contrib.auth.hashers import check_password, make_password
from django.contrib.auth.models import Group
from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import F, Q
from django.utils import timezone
from django_otp.plugins.otp_static.models import StaticDevice
from django_otp.plugins.otp_totp.models import TOTPDevice

from labsite import audit
from labsite.access_models import ApiToken, Invitation, Pin, Tablet
from labsite.errors import Refused
from labsite.models import User
from labsite.roles import MAY, Deed, Role, check_may, roles_of

INVITED_FOR = timedelta(days=7)
TOKEN_DAYS_AT_MOST = 366
PIN_TRIES = 5
PIN_LOCKED_FOR = timedelta(minutes=15)
RECOVERY_CODES = 8
# The session's mark that only a PIN was given.
BY_PIN = "by_pin"
# The cookie with the secret of an enrolled tablet.
TABLET_COOKIE = "wornproof_tablet"
# Tokens are recognised by their beginning, so that one found in a file can be told for what it is.
TOKEN_BEGINNING = "wornproof_"  # nosec B105  # not a secret


def digest(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()


# --- accounts --------------------------------------------------------------------------------


@transaction.atomic
def invite(
    *, by: User, username: str, first_name: str, last_name: str, roles: Collection[Role]
) -> tuple[Invitation, str]:
    """Return the invitation and the secret end of its link, which is shown once."""
    check_may(by, Deed.ADMINISTER)
    username = username.strip()
    problems: dict[str, list[str]] = {}
    try:
        User.username_validator(username)
    except ValidationError:
        problems["username"] = ["Use letters, digits and . + - _ only."]
    if not username or User.objects.filter(username__iexact=username).exists():
        problems["username"] = ["Somebody has this name already." if username else "Give a name."]
    if not roles:
        problems["roles"] = ["Choose what this person does."]
    if problems:
        raise Refused(problems)
    token = secrets.token_urlsafe(24)
    now = timezone.now()
    made = Invitation.objects.create(
        username=username,
        first_name=first_name.strip(),
        last_name=last_name.strip(),
        roles=sorted(role.value for role in roles),
        token_digest=digest(token),
        by=by,
        at=now,
        expires_at=now + INVITED_FOR,
    )
    audit.record(by=by, verb="invited", subject=made, detail={"roles": made.roles})
    return made, token


def invitation_of(token: str) -> Invitation | None:
    """Return the invitation that this link still opens, if any."""
    return Invitation.objects.filter(
        token_digest=digest(token),
        used_at=None,
        withdrawn_at=None,
        expires_at__gt=timezone.now(),
    ).first()


@transaction.atomic
def accept_invitation(*, token: str, password: str) -> User:
    """Make the account that was invited. The link works once."""
    invitation = invitation_of(token)
    # One conditional UPDATE decides between two people with the same link.
    used = invitation and Invitation.objects.filter(pk=invitation.pk, used_at=None).update(
        used_at=timezone.now()
    )
    if invitation is None or not used:
        raise Refused("This link was used, withdrawn or is too old. Ask for another one.")
    if User.objects.filter(username__iexact=invitation.username).exists():
        raise Refused("Somebody took this name in the meantime. Ask for another link.")
    user = User(
        username=invitation.username,
        first_name=invitation.first_name,
        last_name=invitation.last_name,
    )
    check_password_rules(password, user)
    user.set_password(password)
    user.save()
    _put_into_groups(user, {Role(name) for name in invitation.roles})
    audit.record(
        by=user,
        verb="accepted invitation",
        subject=invitation,
        detail={"roles": invitation.roles, "invited_by": invitation.by.username},
    )
    return user


def check_password_rules(password: str, user: User) -> None:
    try:
        password_validation.validate_password(password, user)
    except ValidationError as error:
        raise Refused({"password": list(error.messages)}) from error


@transaction.atomic
def change_own_password(*, by: User, password: str) -> None:
    check_password_rules(password, by)
    by.set_password(password)
    by.save(update_fields=["password"])
    audit.record(by=by, verb="changed password", subject=by)


@transaction.atomic
def withdraw_invitation(*, by: User, invitation: Invitation) -> None:
    check_may(by, Deed.ADMINISTER)
    done = Invitation.objects.filter(pk=invitation.pk, used_at=None, withdrawn_at=None).update(
        withdrawn_at=timezone.now()
    )
    if not done:
        raise Refused("This invitation was used or withdrawn already.")
    audit.record(by=by, verb="withdrew invitation", subject=invitation)


@transaction.atomic
def change_person(
    *, by: User, user: User, roles: Collection[Role], is_active: bool, reason: str
) -> None:
    """Set what somebody does, or close their account. Nobody closes the last administrator's."""
    check_may(by, Deed.ADMINISTER)
    user = User.objects.select_for_update().get(pk=user.pk)
    before = {"roles": sorted(role.value for role in roles_of_any(user)), "open": user.is_active}
    after = {"roles": sorted(role.value for role in roles), "open": is_active}
    problems: dict[str, list[str]] = {}
    if not reason.strip():
        problems["reason"] = ["Say why, for the trail."]
    stays_administrator = Role.ADMINISTRATOR in roles and is_active
    if not stays_administrator and not _another_administrator(user):
        problems["roles"] = ["This is the last administrator. Make another one first."]
    if problems:
        raise Refused(problems)
    if before == after:
        return
    user.is_active = is_active
    _put_into_groups(user, set(roles))
    if not is_active:
        ApiToken.objects.filter(user=user, revoked_at=None).update(revoked_at=timezone.now())
        Pin.objects.filter(user=user).delete()
    audit.record(
        by=by,
        verb="changed person",
        subject=user,
        detail=audit.changes(before, after) | {"reason": reason.strip()},
    )


def roles_of_any(user: User) -> frozenset[Role]:
    """Return the roles that somebody has, or would have if their account were open."""
    names = {group.name for group in user.groups.all()}
    held = {role for role in Role if role.value in names}
    return frozenset(held | ({Role.ADMINISTRATOR} if user.is_superuser else set()))


def _another_administrator(user: User) -> bool:
    administrators = Q(is_superuser=True) | Q(groups__name=Role.ADMINISTRATOR.value)
    return User.objects.filter(administrators, is_active=True).exclude(pk=user.pk).exists()


def _put_into_groups(user: User, roles: set[Role]) -> None:
    # The administration pages know only Django's own two marks.
    user.is_staff = user.is_superuser = Role.ADMINISTRATOR in roles
    user.save()
    user.groups.set([Group.objects.get_or_create(name=role.value)[0] for role in roles])
    user._kept_roles = None


# --- the second factor -----------------------------------------------------------------------


def second_factor_of(user: User) -> TOTPDevice | None:
    found = TOTPDevice.objects.filter(user=user, confirmed=True).first()
    return cast("TOTPDevice | None", found)


def waiting_second_factor(*, by: User) -> TOTPDevice | None:
    found = TOTPDevice.objects.filter(user=by, confirmed=False).first()
    return cast("TOTPDevice | None", found)


def people_with_second_factor() -> set[int]:
    return set(TOTPDevice.objects.filter(confirmed=True).values_list("user_id", flat=True))


@transaction.atomic
def start_second_factor(*, by: User) -> TOTPDevice:
    """Make the secret that the person's phone shall keep; it counts once a code confirms it."""
    TOTPDevice.objects.filter(user=by, confirmed=False).delete()
    return cast("TOTPDevice", TOTPDevice.objects.create(user=by, name="phone", confirmed=False))


@transaction.atomic
def confirm_second_factor(*, by: User, code: str) -> list[str]:
    """Take the first code as proof that the phone has the secret; return the recovery codes."""
    device = TOTPDevice.objects.select_for_update().filter(user=by, confirmed=False).first()
    if device is None:
        raise Refused("Start again: there is no second factor waiting to be confirmed.")
    if not device.verify_token(code.replace(" ", "")):
        raise Refused({"code": ["That is not the code now. Is the phone's clock right?"]})
    TOTPDevice.objects.filter(user=by, confirmed=True).delete()
    device.confirmed = True
    device.save()
    StaticDevice.objects.filter(user=by).delete()
    recovery = StaticDevice.objects.create(user=by, name="recovery codes")
    codes = [secrets.token_hex(5) for _ in range(RECOVERY_CODES)]
    for one in codes:
        recovery.token_set.create(token=one)
    audit.record(by=by, verb="set up second factor", subject=by)
    return codes


@transaction.atomic
def remove_second_factor(*, by: User, user: User, reason: str = "") -> None:
    if by != user:
        check_may(by, Deed.ADMINISTER)
        if not reason.strip():
            raise Refused({"reason": ["Say why, for the trail."]})
    TOTPDevice.objects.filter(user=user).delete()
    StaticDevice.objects.filter(user=user).delete()
    audit.record(
        by=by, verb="removed second factor", subject=user, detail={"reason": reason.strip()}
    )


def check_code(*, user: User, code: str) -> bool:
    """Accept a code of the phone, or one recovery code, which is then used up.

    The devices count wrong codes and refuse for a growing time (django_otp).
    """
    code = code.strip().lower().replace(" ", "")
    for device in (second_factor_of(user), StaticDevice.objects.filter(user=user).first()):
        if device is not None and device.verify_is_allowed()[0] and device.verify_token(code):
            return True
    return False


# --- tablets and PINs ------------------------------------------------------------------------


@transaction.atomic
def enrol_tablet(*, by: User, name: str) -> tuple[Tablet, str]:
    """Return the tablet and the secret for its cookie."""
    check_may(by, Deed.MANAGE_TABLETS)
    if not name.strip():
        raise Refused({"name": ["Give the tablet a name, such as where it hangs."]})
    token = secrets.token_urlsafe(32)
    made = Tablet.objects.create(
        name=name.strip(), token_digest=digest(token), enrolled_by=by, enrolled_at=timezone.now()
    )
    audit.record(by=by, verb="enrolled tablet", subject=made)
    return made, token


@transaction.atomic
def revoke_tablet(*, by: User, tablet: Tablet) -> None:
    check_may(by, Deed.MANAGE_TABLETS)
    if Tablet.objects.filter(pk=tablet.pk, revoked_at=None).update(revoked_at=timezone.now()):
        audit.record(by=by, verb="took tablet off", subject=tablet)


def tablet_of(token: str) -> Tablet | None:
    if not token:
        return None
    return Tablet.objects.filter(token_digest=digest(token), revoked_at=None).first()


def people_on_tablets() -> list[User]:
    """Return who may change over by PIN: a PIN is set, and the bench is their work."""
    people = User.objects.filter(is_active=True, pin__isnull=False).order_by(
        "first_name", "last_name", "username"
    )
    return [user for user in people if not MAY[Deed.ENTER_READINGS].isdisjoint(roles_of(user))]


@transaction.atomic
def set_pin(*, by: User, pin: str) -> None:
    """Give oneself a PIN. Four to eight digits, and not the ones that everybody tries."""
    if not (pin.isascii() and pin.isdigit() and 4 <= len(pin) <= 8):
        raise Refused({"pin": ["A PIN has four to eight digits."]})
    steps = {int(b) - int(a) for a, b in itertools.pairwise(pin)}
    if len(set(pin)) == 1 or steps in ({1}, {-1}):
        raise Refused({"pin": ["That is one of the first that anybody would try."]})
    Pin.objects.update_or_create(
        user=by,
        defaults={
            "secret": make_password(pin),
            "set_at": timezone.now(),
            "wrong_count": 0,
            "locked_until": None,
        },
    )
    audit.record(by=by, verb="set PIN", subject=by)


def check_pin(*, tablet: Tablet, user: User, pin: str) -> None:
    """Return if the PIN is right; Refused with the reason if not.

    The count of wrong tries is written before the answer is known, so that many requests at
    once cannot have more tries than one after another.
    """
    if user not in people_on_tablets():
        raise Refused("Sign in with your password.")
    now = timezone.now()
    allowed = Pin.objects.filter(user=user).filter(
        Q(locked_until=None) | Q(locked_until__lte=now), wrong_count__lt=PIN_TRIES
    )
    if not allowed.update(wrong_count=F("wrong_count") + 1):
        _unlock_when_over(user, now)
        raise Refused(
            {"pin": ["Too many wrong tries. Use your password, or wait a quarter of an hour."]}
        )
    kept = Pin.objects.get(user=user)
    if check_password(pin, kept.secret):
        Pin.objects.filter(pk=kept.pk).update(wrong_count=0, locked_until=None)
        Tablet.objects.filter(pk=tablet.pk).update(last_seen_at=now)
        return
    if kept.wrong_count >= PIN_TRIES:
        Pin.objects.filter(pk=kept.pk).update(locked_until=now + PIN_LOCKED_FOR)
        audit.record(by=None, verb="locked PIN", subject=user, detail={"tablet": str(tablet)})
    left = PIN_TRIES - kept.wrong_count
    raise Refused({"pin": [f"That is not this person's PIN. Tries left: {max(left, 0)}."]})


def _unlock_when_over(user: User, now: object) -> None:
    Pin.objects.filter(user=user, locked_until__lte=now).update(wrong_count=0, locked_until=None)


# --- tokens for programs ---------------------------------------------------------------------


@transaction.atomic
def make_token(*, by: User, name: str, deeds: Collection[Deed], days: int) -> tuple[ApiToken, str]:
    """Return the token's row and its secret, which is shown once."""
    problems: dict[str, list[str]] = {}
    if not name.strip():
        problems["name"] = ["Say what the token is for."]
    if not 1 <= days <= TOKEN_DAYS_AT_MOST:
        problems["days"] = [f"From 1 to {TOKEN_DAYS_AT_MOST} days."]
    beyond = [deed for deed in deeds if MAY[deed].isdisjoint(roles_of(by))]
    if not deeds or beyond:
        problems["deeds"] = [
            "A token may do no more than its person." if beyond else "Choose what the token may do."
        ]
    if problems:
        raise Refused(problems)
    secret = TOKEN_BEGINNING + secrets.token_urlsafe(32)
    now = timezone.now()
    made = ApiToken.objects.create(
        user=by,
        name=name.strip(),
        token_digest=digest(secret),
        deeds=sorted(deed.name for deed in deeds),
        created_at=now,
        expires_at=now + timedelta(days=days),
    )
    audit.record(
        by=by, verb="made API token", subject=made, detail={"deeds": made.deeds, "days": days}
    )
    return made, secret


@transaction.atomic
def revoke_token(*, by: User, token: ApiToken) -> None:
    if token.user != by:
        check_may(by, Deed.ADMINISTER)
    if ApiToken.objects.filter(pk=token.pk, revoked_at=None).update(revoked_at=timezone.now()):
        audit.record(by=by, verb="revoked API token", subject=token)


def bearer_of(secret: str) -> tuple[User, ApiToken] | None:
    """Return whom a token stands for, with their deeds narrowed to the token's."""
    now = timezone.now()
    token = (
        ApiToken.objects.select_related("user")
        .filter(token_digest=digest(secret), revoked_at=None, expires_at__gt=now)
        .filter(user__is_active=True)
        .first()
    )
    if token is None:
        return None
    # Once a minute is enough to see that a token is in use, and spares a write a request.
    if token.last_used_at is None or now - token.last_used_at > timedelta(minutes=1):
        ApiToken.objects.filter(pk=token.pk).update(last_used_at=now)
    user: User = token.user
    user.limited_to = frozenset(Deed[name] for name in token.deeds if name in Deed.__members__)
    return user, token
