"""Signing in, error pages, and the two addresses that watch the site's health."""

from typing import Any

from django.contrib.auth.decorators import login_not_required
from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.views import LoginView, LogoutView
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.template.loader import render_to_string
from django.utils.decorators import method_decorator
from django.views.decorators.cache import never_cache

from labsite import access, access_views, health, problems
from labsite.errors import Conflict, Refused
from labsite.models import User
from labsite.roles import Role, roles_of

HOMES = (
    (Role.TECHNICIAN, "/bench/"),
    (Role.LEAD, "/lab/"),
    (Role.EDITOR, "/desk/"),
    (Role.ADMINISTRATOR, "/admin/"),
    (Role.AUDITOR, "/audit/"),
)


@method_decorator(login_not_required, name="dispatch")
class SignIn(LoginView):
    """Everybody starts where their work is."""

    template_name = "labsite/sign_in.html"
    redirect_authenticated_user = True

    def form_valid(self, form: AuthenticationForm) -> HttpResponse:
        user = form.get_user()
        if access.second_factor_of(user) is not None:
            return access_views.ask_for_code(self.request, user, self.get_success_url_of(user))
        return super().form_valid(form)

    def get_success_url_of(self, user: User) -> str:
        roles = roles_of(user)
        home = next((home for role, home in HOMES if role in roles), "/")
        return self.get_redirect_url() or home

    def get_default_redirect_url(self) -> str:
        roles = roles_of(self.request.user)
        return next((home for role, home in HOMES if role in roles), "/")


@method_decorator(login_not_required, name="dispatch")
class SignOut(LogoutView):
    """A POST, so that no picture address can sign anybody out."""


@login_not_required
def locked_out(
    request: HttpRequest, original_response: HttpResponse | None = None, *args: Any, **kwargs: Any
) -> HttpResponse:
    """Say that too many wrong passwords came for this name from this address."""
    sentence = (
        "Too many wrong passwords for this name from here. Nobody can try again from here for a "
        "quarter of an hour."
    )
    return _page(request, 429, [sentence], template="refused.html")


@login_not_required
@never_cache
def healthz(request: HttpRequest) -> HttpResponse:
    """Say that this process answers. Asks nothing else, so it cannot hang on anything else."""
    return JsonResponse({"status": "ok"})


@login_not_required
@never_cache
def readyz(request: HttpRequest) -> HttpResponse:
    """Say whether this process can serve people: database, migrations; the rest is told."""
    readiness = health.readiness()
    return JsonResponse(readiness.as_dict(), status=200 if readiness.is_ready else 503)


def _page(
    request: HttpRequest, status: int, sentences: list[str], *, template: str = ""
) -> HttpResponse:
    if problems.is_for_api(request):
        return problems.problem_page(status, {"": sentences})
    context = {
        "request_id": request.META.get("wornproof.request_id", ""),
        "status": status,
        "sentences": sentences,
        "reason": " ".join(sentences),
    }
    return render(request, template or f"{status}.html", context, status=status)


def bad_request(request: HttpRequest, exception: Exception) -> HttpResponse:
    return _page(request, 400, ["The site could not read what the browser sent."])


def permission_denied(request: HttpRequest, exception: Exception) -> HttpResponse:
    return _page(request, 403, [str(exception) or "You may not see this page."])


def not_found(request: HttpRequest, exception: Exception) -> HttpResponse:
    return _page(request, 404, ["There is nothing at this address."])


def csrf_failed(request: HttpRequest, reason: str = "") -> HttpResponse:
    sentence = "The form came without its safety token. Nothing was saved. Load the page again."
    return _page(request, 403, [sentence], template="403_csrf.html")


def refused(request: HttpRequest, refusal: Refused) -> HttpResponse:
    status = 409 if isinstance(refusal, Conflict) else 400
    return _page(request, status, refusal.sentences, template="refused.html")


def too_large(request: HttpRequest, most_bytes: int) -> HttpResponse:
    sentence = f"What was sent is larger than the {most_bytes >> 20} MB that this page takes."
    return _page(request, 413, [sentence], template="400.html")


def server_error(request: HttpRequest) -> HttpResponse:
    """Show the page without context processors: the database may be what failed."""
    if problems.is_for_api(request):
        sentence = "The site made a mistake. Nothing was saved by this request."
        return problems.problem_page(500, {"": [sentence]})
    context: dict[str, Any] = {
        "request_id": request.META.get("wornproof.request_id", ""),
        "lab_name": "Wornproof",
    }
    return HttpResponse(render_to_string("500.html", context), status=500)
