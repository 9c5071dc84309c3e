"""Pages of the lab office that need the analysis: control charts, budgets, reach of a finding."""

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from labsite.errors import Refused
from labsite.roles import Deed, may, needs, person
from reports import quality, quality_queries
from reports.reach_preview import preview_of
from specimens.trails import lab_trail
from trials import instruments
from trials.models import MethodRevision, OutOfTolerance
from trials.quality_forms import CauseForm, MarkForm
from trials.quality_queries import error_words
from trials.studies import is_closed, note_look
from trials.views.instruments import FormPage, form_page

MARKS_SHOWN = 300


@needs(Deed.SEE_LAB)
def control(request: HttpRequest, key: str, number: int) -> HttpResponse:
    revision = _revision(key, number)
    context = {
        "revision": revision,
        "shown": quality_queries.control_page(revision),
        "may_enter": may(request.user, Deed.ENTER_READINGS),
        "may_manage": may(request.user, Deed.MANAGE_RECORDS),
        "trail": lab_trail(("Controls", reverse("lab-controls")), str(revision)),
    }
    return render(request, "reports/quality/control.html", context)


@needs(Deed.SEE_LAB)
def budget(request: HttpRequest, key: str, number: int) -> HttpResponse:
    revision = _revision(key, number)
    context = {
        "revision": revision,
        "shown": quality_queries.budget_page(revision),
        "may_manage": may(request.user, Deed.MANAGE_RECORDS),
        "trail": lab_trail(
            ("Methods", reverse("lab-methods")),
            (str(revision), reverse("lab-method", args=[key, number])),
            "Uncertainty budget",
        ),
    }
    return render(request, "reports/quality/budget.html", context)


@needs(Deed.SEE_LAB)
def reach(request: HttpRequest, pk: int) -> HttpResponse:
    finding = _finding(pk)
    marks = finding.marks.select_related(
        "reading__run__study",
        "reading__run__specimen",
        "reading__run__zone",
        "reading__run__revision__method",
        "by",
    )
    context = {
        "finding": finding,
        "error_words": error_words(finding),
        "marks": marks[:MARKS_SHOWN],
        "mark_count": finding.marks.count(),
        "open_count": finding.marks.filter(outcome="to review").count(),
        "studies": quality.reached_studies(finding),
        "may_manage": may(request.user, Deed.MANAGE_RECORDS),
        "may_see_findings": may(request.user, Deed.SEE_FINDINGS),
        "may_publish": may(request.user, Deed.PUBLISH_EDITIONS),
        "trail": _trail(finding),
    }
    return render(request, "reports/quality/reach.html", context)


@never_cache
@require_safe
@needs(Deed.SEE_FINDINGS)
def preview(request: HttpRequest, pk: int) -> HttpResponse:
    """What was published beside what it would be without the error or without the readings."""
    finding = _finding(pk)
    reached = [one.study for one in quality.reached_studies(finding)]
    open_studies = [study for study in reached if not is_closed(study)]
    for study in open_studies:
        note_look(by=person(request), study=study)
    context = {
        "finding": finding,
        "error_words": error_words(finding),
        "previews": [preview_of(finding, study) for study in open_studies],
        "closed": [study for study in reached if is_closed(study)],
        "trail": _trail(finding, "Published and corrected"),
    }
    return render(request, "reports/quality/preview.html", context)


@needs(Deed.MANAGE_RECORDS)
def settle_all(request: HttpRequest, pk: int) -> HttpResponse:
    finding = _finding(pk)

    def keep(fields: dict[str, Any]) -> str:
        count = instruments.settle_open_marks(by=person(request), finding=finding, **fields)
        return f"{count} readings are looked at."

    page = FormPage(
        "The same for all that are left",
        f"{finding}. Only where one sentence is true of every reading still to be looked at.",
        "Keep for all of them",
        reverse("lab-reach", args=[pk]),
        _trail(finding, "The same for all"),
    )
    return form_page(request, MarkForm(request.POST or None), page, keep)


@needs(Deed.MANAGE_RECORDS)
def close(request: HttpRequest, pk: int) -> HttpResponse:
    finding = _finding(pk)
    form = CauseForm(request.POST or None)
    if form.is_valid():
        try:
            instruments.close_finding(by=person(request), finding=finding, **form.cleaned_data)
        except Refused as refused:
            form.refuse(refused)
        else:
            messages.success(request, "Closed. The readings keep their marks.")
            return redirect("lab-reach", pk=pk)
    page = FormPage("Close", str(finding), "Close it", reverse("lab-reach", args=[pk]), [])
    context = {"form": form, "page": page, "trail": _trail(finding, "Close")}
    return render(request, "trials/instruments/form.html", context, status=form.status)


def _finding(pk: int) -> OutOfTolerance:
    found = OutOfTolerance.objects.select_related("instrument", "by", "closed_by")
    return get_object_or_404(found, pk=pk)


def _revision(key: str, number: int) -> MethodRevision:
    revisions = MethodRevision.objects.select_related("method")
    return get_object_or_404(revisions, method__key=key, number=number)


def _trail(finding: OutOfTolerance, here: str = "") -> list[dict[str, str]]:
    instrument = finding.instrument
    places: list[tuple[str, str] | str] = [
        ("Instruments", reverse("lab-instruments")),
        (str(instrument), reverse("lab-instrument", args=[instrument.code])),
    ]
    if here:
        places.append(("Found wrong", reverse("lab-reach", args=[finding.pk])))
    return lab_trail(*places, here or "Found wrong")
