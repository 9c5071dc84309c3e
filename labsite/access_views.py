"""Pages for coming in: own account, people, invitations, the second factor, tablets."""

import base64
import io

import segno
from django.contrib import messages
from django.contrib.auth import login, update_session_auth_hash
from django.contrib.auth.decorators import login_not_required
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST

from labsite import access
from labsite.access import BY_PIN, TABLET_COOKIE
from labsite.access_forms import (
    CodeForm,
    InviteForm,
    OwnPasswordForm,
    PersonForm,
    PinForm,
    ReasonForm,
    SetPinForm,
    TabletForm,
    TokenForm,
    WelcomeForm,
)
from labsite.access_models import ApiToken, Invitation, Pin, Tablet
from labsite.forms import ActionForm
from labsite.models import User
from labsite.roles import Deed, by_password, may, needs, person

MODEL_BACKEND = "django.contrib.auth.backends.ModelBackend"
TABLET_COOKIE_SECONDS = 60 * 60 * 24 * 365


def _form_page(
    request: HttpRequest,
    form: ActionForm,
    *,
    back: str = "account",
    template: str = "labsite/access/form.html",
    **shown: object,
) -> HttpResponse:
    """Show a form with a `title`, what there is to `say`, and the words on its `button`."""
    context = {"form": form, "back": reverse(back)} | shown
    return render(request, template, context, status=form.status)


# --- one's own account -----------------------------------------------------------------------


@by_password
@never_cache
def account(request: HttpRequest) -> HttpResponse:
    user = person(request)
    context = {
        "second_factor": access.second_factor_of(user),
        "has_pin": Pin.objects.filter(user=user).exists(),
        "tokens": ApiToken.objects.filter(user=user),
        "may_tablets": may(user, Deed.MANAGE_TABLETS),
        "tablets": Tablet.objects.select_related("enrolled_by"),
        "is_tablet": bool(request.COOKIES.get(TABLET_COOKIE)),
        "roles": sorted(role.value for role in access.roles_of_any(user)),
    }
    return render(request, "labsite/access/account.html", context)


@by_password
@never_cache
def own_password(request: HttpRequest) -> HttpResponse:
    user = person(request)
    form = OwnPasswordForm(request.POST or None, user=user)
    if form.is_valid():
        with form.refusals():
            access.change_own_password(by=user, password=form.cleaned_data["password"])
            update_session_auth_hash(request, user)
            messages.success(request, "Your password is changed. Other devices are signed out.")
            return redirect("account")
    return _form_page(
        request, form, title="Change your password", say="", button="Change my password"
    )


@by_password
@never_cache
def second_factor(request: HttpRequest) -> HttpResponse:
    """Show the secret as a picture for the phone, and take its first code."""
    user = person(request)
    form = CodeForm(request.POST or None)
    if form.is_valid():
        with form.refusals():
            codes = access.confirm_second_factor(by=user, code=form.cleaned_data["code"])
            return _shown_once(
                request,
                title="Recovery codes",
                say="From now on signing in asks for a code of your phone. Keep these somewhere "
                "else than on the phone: each lets you in once if the phone is lost.",
                secrets=codes,
            )
        device = access.waiting_second_factor(by=user)
    else:
        device = access.start_second_factor(by=user)
    form.fields["code"].help_text = "The six digits that your phone shows now."
    return _form_page(
        request,
        form,
        title="Set up a second factor",
        say="Scan this with an app for time-based codes, then type the code that it shows.",
        button="Ask for codes from now on",
        template="labsite/access/second_factor.html",
        picture=_qr(device.config_url) if device else "",
        secret=base64.b32encode(device.bin_key).decode() if device else "",
    )


@by_password
@require_POST
def remove_second_factor(request: HttpRequest) -> HttpResponse:
    access.remove_second_factor(by=person(request), user=person(request))
    messages.success(request, "Signing in asks only for your password now.")
    return redirect("account")


@by_password
@never_cache
def pin(request: HttpRequest) -> HttpResponse:
    user = person(request)
    form = SetPinForm(request.POST or None, user=user)
    if form.is_valid():
        with form.refusals():
            access.set_pin(by=user, pin=form.cleaned_data["pin"])
            messages.success(request, "The lab's tablets know your PIN.")
            return redirect("account")
    return _form_page(
        request,
        form,
        title="PIN for the lab's tablets",
        say="With it you change over quickly on a tablet at the bench. It opens the bench and "
        "nothing else.",
        button="Keep this PIN",
    )


@by_password
@never_cache
def make_token(request: HttpRequest) -> HttpResponse:
    user = person(request)
    form = TokenForm(request.POST or None, user=user)
    if form.is_valid():
        with form.refusals():
            _, secret = access.make_token(by=user, **form.cleaned_data)
            return _shown_once(
                request,
                title="Your new token",
                say="Give it to the program as the header Authorization: Bearer, a space and "
                "this. Whoever has it can do what you chose, in your name.",
                secrets=[secret],
            )
    return _form_page(
        request,
        form,
        title="Token for a program",
        say="A program signs in with it and acts in your name.",
        button="Make the token",
    )


@by_password
@require_POST
def revoke_token(request: HttpRequest, pk: int) -> HttpResponse:
    access.revoke_token(by=person(request), token=get_object_or_404(ApiToken, pk=pk))
    messages.success(request, "The token opens nothing from now on.")
    return redirect("account")


def _shown_once(request: HttpRequest, *, title: str, say: str, secrets: list[str]) -> HttpResponse:
    context = {"title": title, "say": say, "secrets": secrets}
    return render(request, "labsite/access/shown_once.html", context)


def _qr(text: str) -> str:
    """Return a QR code as the address of an image that needs no request."""
    buffer = io.BytesIO()
    segno.make(text, error="m").save(buffer, kind="svg", scale=6, border=4, light="#fff")
    return "data:image/svg+xml;base64," + base64.b64encode(buffer.getvalue()).decode()


# --- people, for administrators --------------------------------------------------------------


@needs(Deed.ADMINISTER)
@never_cache
def people(request: HttpRequest) -> HttpResponse:
    with_phone = access.people_with_second_factor()
    rows = [
        {
            "user": user,
            "roles": ", ".join(sorted(role.value for role in access.roles_of_any(user))),
            "second_factor": user.pk in with_phone,
        }
        for user in User.objects.prefetch_related("groups").order_by("username")
    ]
    context = {"rows": rows, "invitations": Invitation.objects.filter(used_at=None)[:50]}
    return render(request, "labsite/access/people.html", context)


@needs(Deed.ADMINISTER)
@never_cache
def invite(request: HttpRequest) -> HttpResponse:
    form = InviteForm(request.POST or None)
    if form.is_valid():
        with form.refusals():
            made, token = access.invite(by=person(request), **form.cleaned_data)
            return _shown_once(
                request,
                title=f"Link for {made.username}",
                say="Hand it over in a way that only this person reads. It works once, until "
                f"{timezone.localtime(made.expires_at):%-d %B %Y}.",
                secrets=[request.build_absolute_uri(reverse("welcome", args=[token]))],
            )
    return _form_page(
        request,
        form,
        title="Invite a person",
        say="They choose their own password. The link is shown once.",
        button="Make the link",
        back="people",
    )


@needs(Deed.ADMINISTER)
@require_POST
def withdraw_invitation(request: HttpRequest, pk: int) -> HttpResponse:
    access.withdraw_invitation(by=person(request), invitation=get_object_or_404(Invitation, pk=pk))
    messages.success(request, "That link opens nothing any more.")
    return redirect("people")


@needs(Deed.ADMINISTER)
@never_cache
def one_person(request: HttpRequest, pk: int) -> HttpResponse:
    user = get_object_or_404(User, pk=pk)
    initial = {"roles": [role.value for role in access.roles_of_any(user)]}
    form = PersonForm(request.POST or None, initial=initial | {"is_active": user.is_active})
    if form.is_valid():
        with form.refusals():
            access.change_person(by=person(request), user=user, **form.cleaned_data)
            messages.success(request, f"{user.display_name} is changed.")
            return redirect("people")
    return _form_page(
        request,
        form,
        title=user.display_name,
        say=f"Signs in as {user.username}.",
        button="Change",
        back="people",
        template="labsite/access/person.html",
        shown=user,
        second_factor=access.second_factor_of(user),
        reason_form=ReasonForm(prefix="lost"),
    )


@needs(Deed.ADMINISTER)
@require_POST
def lost_second_factor(request: HttpRequest, pk: int) -> HttpResponse:
    user = get_object_or_404(User, pk=pk)
    reason = request.POST.get("lost-reason", "")
    access.remove_second_factor(by=person(request), user=user, reason=reason)
    messages.success(request, f"{user.display_name} signs in with the password alone for now.")
    return redirect("person", pk=pk)


# --- coming in -------------------------------------------------------------------------------


@login_not_required
@never_cache
def welcome(request: HttpRequest, token: str) -> HttpResponse:
    """The page behind an invitation's link."""
    invitation = access.invitation_of(token)
    if invitation is None:
        return render(request, "labsite/access/no_invitation.html", status=410)
    form = WelcomeForm(request.POST or None)
    if form.is_valid():
        with form.refusals():
            user = access.accept_invitation(token=token, password=form.cleaned_data["password"])
            login(request, user, backend=MODEL_BACKEND)
            messages.success(request, "Welcome. Your account is ready.")
            return redirect("account")
    return _form_page(
        request,
        form,
        title="Welcome",
        say=f"You will sign in as {invitation.username}. Choose a password.",
        button="Make my account",
        back="scorecards",
    )


@login_not_required
@never_cache
def code(request: HttpRequest) -> HttpResponse:
    """The second step of signing in, for people with a second factor."""
    user = half_signed_in(request)
    if user is None:
        return redirect("sign-in")
    form = CodeForm(request.POST or None)
    if form.is_valid():
        if access.check_code(user=user, code=form.cleaned_data["code"]):
            onward = request.session.pop(HALF)["next"]
            login(request, user, backend=MODEL_BACKEND)
            return redirect(onward)
        form.add_error(
            "code", "That is not a code that counts now. After several wrong ones, wait a little."
        )
    return _form_page(
        request,
        form,
        title="Your code",
        say=f"Password right. Now the second factor of {user.display_name}.",
        button="Sign in",
        back="sign-in",
    )


HALF = "half_signed_in"
HALF_SECONDS = 300


def ask_for_code(request: HttpRequest, user: User, onward: str) -> HttpResponseRedirect:
    """Remember that the password was right, and lead on to the code."""
    now = timezone.now().timestamp()
    request.session.cycle_key()
    request.session[HALF] = {"user": user.pk, "at": now, "next": onward}
    return HttpResponseRedirect(reverse("sign-in-code"))


def half_signed_in(request: HttpRequest) -> User | None:
    half = request.session.get(HALF)
    if not half or timezone.now().timestamp() - half["at"] > HALF_SECONDS:
        return None
    return User.objects.filter(pk=half["user"], is_active=True).first()


# --- the lab's tablets -----------------------------------------------------------------------


@needs(Deed.MANAGE_TABLETS)
@never_cache
def enrol_tablet(request: HttpRequest) -> HttpResponse:
    """Make the device that shows this page a tablet of the lab."""
    form = TabletForm(request.POST or None)
    if form.is_valid():
        with form.refusals():
            tablet, token = access.enrol_tablet(by=person(request), **form.cleaned_data)
            messages.success(request, f"This device is the tablet {tablet} from now on.")
            response = redirect("account")
            response.set_cookie(
                TABLET_COOKIE,
                token,
                max_age=TABLET_COOKIE_SECONDS,
                httponly=True,
                secure=request.is_secure(),
                samesite="Lax",
            )
            return response
    return _form_page(
        request,
        form,
        title="Make this device a tablet of the lab",
        say="People with a PIN can then change over on it without a password. Do this on the "
        "tablet itself, and only on one that stays in the lab.",
        button="Make it a tablet of the lab",
    )


@needs(Deed.MANAGE_TABLETS)
@require_POST
def revoke_tablet(request: HttpRequest, pk: int) -> HttpResponse:
    access.revoke_tablet(by=person(request), tablet=get_object_or_404(Tablet, pk=pk))
    messages.success(request, "That tablet asks for passwords from now on.")
    return redirect("account")


@login_not_required
@never_cache
def switch(request: HttpRequest) -> HttpResponse:
    """Who is at the bench now? Only on the lab's tablets."""
    onward = _onward(request)
    if access.tablet_of(request.COOKIES.get(TABLET_COOKIE, "")) is None:
        return redirect("sign-in")
    context = {"people": access.people_on_tablets(), "next": onward}
    return render(request, "labsite/access/switch.html", context)


@login_not_required
@never_cache
def switch_to(request: HttpRequest, pk: int) -> HttpResponse:
    tablet = access.tablet_of(request.COOKIES.get(TABLET_COOKIE, ""))
    if tablet is None:
        return redirect("sign-in")
    user = get_object_or_404(User, pk=pk, is_active=True)
    form = PinForm(request.POST or None)
    if form.is_valid():
        with form.refusals():
            access.check_pin(tablet=tablet, user=user, pin=form.cleaned_data["pin"])
            request.session.flush()
            login(request, user, backend=MODEL_BACKEND)
            request.session[BY_PIN] = True
            return redirect(_onward(request))
    return _form_page(
        request,
        form,
        title=user.display_name,
        say="Type your PIN.",
        button="Change over",
        back="switch",
        next=_onward(request),
    )


def _onward(request: HttpRequest) -> str:
    """Return where to go then: only within this site."""
    onward = request.POST.get("next") or request.GET.get("next") or "/bench/"
    is_ours = url_has_allowed_host_and_scheme(
        onward, allowed_hosts={request.get_host()}, require_https=request.is_secure()
    )
    return onward if is_ours else "/bench/"
