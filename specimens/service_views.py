"""Pages of service history: its picture, and matched specimens."""

from datetime import date
from typing import TYPE_CHECKING

from django import forms
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone

from labsite.roles import Deed, may, needs
from specimens.forms import day_field
from specimens.models import Product, Specimen
from specimens.service_pairs import find_matches
from specimens.service_timeline import exposure_on, timeline
from specimens.trails import lab_trail

if TYPE_CHECKING:
    pass


class DayForm(forms.Form):
    """A day to look at."""

    on = day_field("By the end of")


class PairsForm(forms.Form):
    """The product to find matches in."""

    product = forms.ModelChoiceField(
        label="Product", queryset=Product.objects.all(), empty_label="Choose a product"
    )


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
