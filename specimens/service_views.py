"""Pages of service history: a file of it, its picture, and matched specimens."""

from datetime import date
from typing import TYPE_CHECKING

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone

from labsite.roles import Deed, may, needs, person
from specimens.forms import ActionForm, day_field
from specimens.models import Product, Specimen
from specimens.service_csv import MOST_BYTES, BadFile, import_service, template
from specimens.service_pairs import find_matches
from specimens.service_timeline import exposure_on, timeline
from specimens.trails import lab_trail

if TYPE_CHECKING:
    pass

PROBLEMS_SHOWN = 300


class ServiceFileForm(ActionForm):
    """A file of service entries."""

    file = forms.FileField(
        label="CSV file",
        help_text="At most 1 MB. All lines are stored or none.",
        widget=forms.FileInput(attrs={"accept": ".csv,text/csv,text/plain"}),
        error_messages={
            "required": "Choose a file.",
            "empty": "The file is empty.",
            "missing": "Choose a file.",
        },
    )


class DayForm(forms.Form):
    """A day to look at."""

    on = day_field("By the end of")


class PairsForm(forms.Form):
    """The product to find matches in."""

    product = forms.ModelChoiceField(
        label="Product", queryset=Product.objects.all(), empty_label="Choose a product"
    )


@needs(Deed.MANAGE_RECORDS)
def service_file(request: HttpRequest) -> HttpResponse:
    form = ServiceFileForm(request.POST or None, request.FILES or None)
    problems: tuple[object, ...] = ()
    if request.method == "POST" and form.is_valid():
        file = form.cleaned_data["file"]
        try:
            count = import_service(by=person(request), content=file.read(MOST_BYTES + 1))
        except BadFile as bad:
            problems = bad.problems
        else:
            messages.success(request, f"{count} service entries are in the record.")
            return redirect("lab-specimens")
    context = {
        "form": form,
        "problems": problems[:PROBLEMS_SHOWN],
        "left_out": max(0, len(problems) - PROBLEMS_SHOWN),
        "trail": lab_trail(("Specimens", reverse("lab-specimens")), "Service from a file"),
    }
    status = 400 if problems else form.status
    return render(request, "specimens/service_file.html", context, status=status)


@needs(Deed.MANAGE_RECORDS)
def service_template(request: HttpRequest) -> HttpResponse:
    # the mark lets spreadsheets read it as UTF-8
    response = HttpResponse(f"\ufeff{template()}", content_type="text/csv; charset=utf-8")
    response.headers["Content-Disposition"] = 'attachment; filename="service.csv"'
    return response


@needs(Deed.SEE_LAB)
def service_picture(request: HttpRequest, code: str) -> HttpResponse:
    specimen = get_object_or_404(
        Specimen.objects.select_related("product").prefetch_related("service_entries"), code=code
    )
    today: date = timezone.localdate()
    form = DayForm(request.GET or None, initial={"on": today})
    day = form.cleaned_data["on"] if form.is_valid() else today
    context = {
        "specimen": specimen,
        "timeline": timeline(specimen, today),
        "form": form,
        "asked": exposure_on(specimen, day),
        "trail": lab_trail(
            ("Specimens", reverse("lab-specimens")),
            (specimen.code, reverse("lab-specimen", args=[specimen.code])),
            "Service as a picture",
        ),
    }
    return render(request, "specimens/service_picture.html", context)


@needs(Deed.SEE_LAB)
def pairs(request: HttpRequest) -> HttpResponse:
    form = PairsForm(request.GET or None)
    product = form.cleaned_data["product"] if form.is_valid() else None
    context = {
        "form": form,
        "found": find_matches(product, timezone.localdate()) if product else None,
        "may_manage": may(request.user, Deed.MANAGE_STUDIES),
        "trail": lab_trail(("Specimens", reverse("lab-specimens")), "Matched specimens"),
    }
    return render(request, "specimens/pairs.html", context)
