"""The page on which valid runs are left out of a named analysis, and taken in again."""

from typing import TYPE_CHECKING

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_POST

from labsite.errors import Refused
from labsite.roles import Deed, may, needs, person
from specimens.trails import lab_trail
from trials.leaving_out import leave_out, left_out_now, may_be_left_out, take_in_again
from trials.leaving_out_forms import LeaveOutForm, TakeInForm
from trials.models import RunExclusion, Study

if TYPE_CHECKING:
    pass


@needs(Deed.SEE_LAB)
def left_out(request: HttpRequest, slug: str) -> HttpResponse:
    """What is left out of which analysis; a lead leaves out more here."""
    study = get_object_or_404(Study.objects.registered(), slug=slug)
    manages = may(request.user, Deed.MANAGE_STUDIES)
    if request.method == "POST" and manages:
        return _leave_out(request, study)
    form = LeaveOutForm(runs=may_be_left_out(study)) if manages else None
    return _page(request, study, form)


def _leave_out(request: HttpRequest, study: Study) -> HttpResponse:
    form = LeaveOutForm(request.POST, runs=may_be_left_out(study))
    if form.is_valid():
        try:
            leave_out(by=person(request), **form.cleaned_data)
        except Refused as refused:
            form.refuse(refused)
        else:
            messages.success(request, "Written down. Both analyses will be shown everywhere.")
            return redirect("lab-left-out", slug=study.slug)
    return _page(request, study, form)


@needs(Deed.MANAGE_STUDIES)
@require_POST
def take_in(request: HttpRequest, slug: str, pk: int) -> HttpResponse:
    """Take one run into the named analysis again, with the reason."""
    study = get_object_or_404(Study.objects.registered(), slug=slug)
    row = get_object_or_404(RunExclusion.objects.select_related("run"), run__study=study, pk=pk)
    form = TakeInForm(request.POST, prefix=str(pk))
    if form.is_valid():
        try:
            take_in_again(
                by=person(request), run=row.run, analysis=row.analysis, **form.cleaned_data
            )
        except Refused as refused:
            form.refuse(refused)
        else:
            messages.success(request, "Taken in again. The record keeps that it was left out.")
            return redirect("lab-left-out", slug=slug)
    return _page(
        request, study, LeaveOutForm(runs=may_be_left_out(study)), refused={pk: form}, status=400
    )


def _page(
    request: HttpRequest,
    study: Study,
    form: LeaveOutForm | None,
    *,
    refused: dict[int, TakeInForm] | None = None,
    status: int | None = None,
) -> HttpResponse:
    now = left_out_now(study)
    back = refused or {}
    history = RunExclusion.objects.filter(run__study=study).select_related(
        "by", "run__specimen", "run__zone", "run__revision__method"
    )
    context = {
        "study": study,
        "form": form,
        "names": sorted({row.analysis for row in now}),
        "rows": [(row, back.get(row.pk) or TakeInForm(prefix=str(row.pk))) for row in now],
        "history": history.order_by("-at", "-pk"),
        "trail": lab_trail(
            ("Studies", reverse("lab-studies")),
            (study.title, reverse("lab-study", args=[study.slug])),
            "Runs left out",
        ),
    }
    return render(
        request,
        "trials/studies/left_out.html",
        context,
        status=status or (form.status if form else 200),
    )
