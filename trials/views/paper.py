"""Typing in what is on a printed run sheet."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache

from labsite.roles import Deed, needs, person
from trials.models import Study
from trials.paper import paper_page


@never_cache
@needs(Deed.ENTER_READINGS)
def enter(request: HttpRequest, slug: str) -> HttpResponse:
    """One table; rows that are right are stored, the others stay with their sentences."""
    study = get_object_or_404(Study.objects.registered(), slug=slug)
    if request.method == "POST":
        page = paper_page(study, request.POST.dict(), by=person(request))
        if page.kept_count and not page.problem_count:
            messages.success(request, f"Kept {page.kept_count} from paper.")
            return redirect("bench-paper", slug=slug)
    else:
        page = paper_page(study, {})
    has_problems = bool(page.problems) or page.problem_count > 0
    context = {
        "study": study,
        "page": page,
        "has_problems": has_problems,
        "trail": [
            {"label": "Bench", "url": reverse("bench")},
            {"label": study.title, "url": reverse("bench-sheet", args=[slug])},
            {"label": "From paper", "url": ""},
        ],
    }
    return render(request, "trials/bench/paper.html", context, status=400 if has_problems else 200)
