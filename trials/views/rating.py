"""Grading from photos: which method, and one run after another."""

import uuid as uuids

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from labsite.errors import Refused
from labsite.roles import Deed, needs, person
from trials import rating
from trials.models import Run, Study


@require_safe
@never_cache
@needs(Deed.ENTER_READINGS)
def index(request: HttpRequest, slug: str) -> HttpResponse:
    """The graded methods of a study."""
    study = get_object_or_404(Study.objects.registered(), slug=slug)
    context = {
        "study": study,
        "tasks": rating.tasks(study, person(request)),
        "trail": _trail(study, "Grade from photos"),
    }
    return render(request, "trials/bench/rate_index.html", context)


@never_cache
@needs(Deed.ENTER_READINGS)
def grade(request: HttpRequest, slug: str, key: str) -> HttpResponse:
    """One run's photos and the scale; a grade leads to the next."""
    study = get_object_or_404(Study.objects.registered(), slug=slug)
    problems: dict[str, list[str]] = {}
    if request.method == "POST":
        problems = _kept(request, study, key)
        if not problems:
            messages.success(request, "Kept.")
            return redirect("bench-rate-method", slug=slug, key=key)
    page = rating.rating_page(study, key, person(request), again="again" in request.GET)
    if page is None:
        raise Http404
    context = {
        "study": study,
        "page": page,
        "reading_id": uuids.uuid4(),
        "problems": problems,
        "is_again": "again" in request.GET,
        "trail": _trail(study, page.name),
    }
    status = 400 if problems else 200
    return render(request, "trials/bench/rate.html", context, status=status)


def _kept(request: HttpRequest, study: Study, key: str) -> dict[str, list[str]]:
    """Keep the grade that was sent; its problems by field, empty when it is kept."""
    wanted = request.POST.get("run", "")
    run = get_object_or_404(
        Run.objects.select_related("study", "revision__method"),
        pk=int(wanted) if wanted.isascii() and wanted.isdigit() and len(wanted) < 19 else 0,
        study=study,
        revision__method__key=key,
    )
    try:
        reading_id = uuids.UUID(request.POST.get("reading", ""))
    except ValueError:
        return {"": ["The page was incomplete: load it again."]}
    given = request.POST.get("grade", "")
    if not given:
        return {"grade": ["Choose a grade."]}
    try:
        rating.grade_from_photos(by=person(request), run=run, grade=given, reading_id=reading_id)
    except Refused as refused:
        return refused.problems
    return {}


def _trail(study: Study, here: str) -> list[dict[str, str]]:
    return [
        {"label": "Bench", "url": reverse("bench")},
        {"label": study.title, "url": reverse("bench-sheet", args=[study.slug])},
        {"label": here, "url": ""},
    ]
