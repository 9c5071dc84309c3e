"""Pages of a study after its question is fixed: how far it is, and what became different."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse

from labsite.errors import Refused
from labsite.roles import Deed, may, needs, person
from specimens.trails import lab_trail
from trials import plan_queries, studies
from trials.models import Study
from trials.plan_forms import AmendForm, SubstituteForm


@needs(Deed.SEE_LAB)
def progress(request: HttpRequest, slug: str) -> HttpResponse:
    study = get_object_or_404(Study, slug=slug)
    context = {
        "shown": plan_queries.progress_page(study),
        "study": study,
        "registration_problems": studies.registration_problems(study)
        if study.registered_at
        else [],
        "may_manage": may(request.user, Deed.MANAGE_STUDIES),
        "may_see_findings": may(request.user, Deed.SEE_FINDINGS),
        "trail": _trail(study, "Progress"),
    }
    return render(request, "trials/studies/progress.html", context)


@needs(Deed.MANAGE_STUDIES)
def amend(request: HttpRequest, slug: str) -> HttpResponse:
    study = get_object_or_404(Study.objects.registered(), slug=slug)
    form = AmendForm(request.POST or None)
    if form.is_valid():
        try:
            studies.amend_study(by=person(request), study=study, **form.cleaned_data)
        except Refused as refused:
            form.refuse(refused)
        else:
            messages.success(request, "Written down. Every scorecard of this study will show it.")
            return redirect("lab-progress", slug=slug)
    context = {"form": form, "study": study, "trail": _trail(study, "Amend")}
    return render(request, "trials/studies/amend.html", context, status=form.status)


@needs(Deed.MANAGE_STUDIES)
def substitute(request: HttpRequest, slug: str) -> HttpResponse:
    study = get_object_or_404(Study.objects.registered(), slug=slug)
    form = SubstituteForm(request.POST or None, study=study)
    if form.is_valid():
        try:
            studies.substitute_specimen(by=person(request), study=study, **form.cleaned_data)
        except Refused as refused:
            form.refuse(refused)
        else:
            messages.success(request, "It is in the arm. Draw the plan again to give it its runs.")
            return redirect("lab-progress", slug=slug)
    context = {"form": form, "study": study, "trail": _trail(study, "Add a specimen")}
    return render(request, "trials/studies/substitute.html", context, status=form.status)


def _trail(study: Study, here: str) -> list[dict[str, str]]:
    return lab_trail(
        ("Studies", reverse("lab-studies")),
        (study.title, reverse("lab-study", args=[study.slug])),
        here,
    )
