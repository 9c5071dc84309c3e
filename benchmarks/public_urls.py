"""The site's addresses, and the peers that a kept page is measured against."""

from django.contrib.auth.decorators import login_not_required
from django.http import HttpRequest, HttpResponse
from django.urls import path
from django.views.decorators.http import require_safe

from labsite.urls import handler400, handler403, handler404, handler500
from labsite.urls import urlpatterns as site_patterns
from reports.models import Edition
from reports.views import public

__all__ = ["handler400", "handler403", "handler404", "handler500", "urlpatterns"]


@login_not_required
@require_safe
def empty(request: HttpRequest) -> HttpResponse:
    """The least that Django does for any page."""
    return HttpResponse("ok")


@login_not_required
@require_safe
def one_query(request: HttpRequest) -> HttpResponse:
    """A plain page: one row of the database in a few words."""
    row = Edition.objects.values_list("headline", "published_at").order_by("pk")[0]
    return HttpResponse(f"<!DOCTYPE html><title>{row[0]}</title><p>{row[1]}</p>")


@login_not_required
@require_safe
def rendered(request: HttpRequest, slug: str, number: int) -> HttpResponse:
    """The scorecard made from the database for each request."""
    request.may_be_kept = False  # type: ignore[attr-defined]
    return public.edition(request, slug, number)


urlpatterns = [
    path("peer/empty/", empty),
    path("peer/query/", one_query),
    path("peer/rendered/<slug:slug>/<int:number>/", rendered),
    *site_patterns,
]
