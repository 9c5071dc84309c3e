"""The page of the trail."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from labsite.audit_queries import trail
from labsite.forms import TrailForm
from labsite.roles import Deed, needs


@require_safe
@needs(Deed.READ_AUDIT)
def index(request: HttpRequest) -> HttpResponse:
    form = TrailForm(request.GET)
    found = trail(form) if form.is_valid() else None
    older = request.GET.copy()
    if found and found.older_than:
        older["before"] = str(found.older_than)
    context = {"form": form, "trail": found, "older": older.urlencode()}
    return render(request, "labsite/audit.html", context, status=200 if found else 400)
