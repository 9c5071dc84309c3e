"""Pages of the record of specimens. Pages that also show studies live with the trials."""

from typing import TYPE_CHECKING

from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import Count
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone

from labsite.errors import Refused
from labsite.roles import Deed, may, needs, person
from specimens import actions
from specimens.forms import CustodyForm, ProductForm, RetireForm, ServiceForm, SpecimenForm
from specimens.models import Product, Specimen
from specimens.trails import lab_trail

if TYPE_CHECKING:
    pass

PAGE_LENGTH = 100


@needs(Deed.SEE_LAB)
def products(request: HttpRequest) -> HttpResponse:
    listed = Product.objects.annotate(
        specimen_count=Count("specimens", distinct=True), zone_count=Count("zones", distinct=True)
    ).order_by("maker", "name")
    context = {
        "page": Paginator(listed, PAGE_LENGTH).get_page(request.GET.get("page")),
        "may_manage": may(request.user, Deed.MANAGE_RECORDS),
        "trail": lab_trail("Products"),
    }
    return render(request, "specimens/products.html", context)


@needs(Deed.SEE_LAB)
def product(request: HttpRequest, pk: int) -> HttpResponse:
    shown = get_object_or_404(Product.objects.prefetch_related("zones__capacities"), pk=pk)
    context = {
        "product": shown,
        "specimens": shown.specimens.all(),
        "may_manage": may(request.user, Deed.MANAGE_RECORDS),
        "trail": lab_trail(("Products", reverse("lab-products")), str(shown)),
    }
    return render(request, "specimens/product.html", context)


@needs(Deed.MANAGE_RECORDS)
def add_product(request: HttpRequest) -> HttpResponse:
    form = ProductForm(request.POST or None)
    if form.is_valid():
        try:
            added = actions.add_product(by=person(request), **form.cleaned_data)
        except Refused as refused:
            form.refuse(refused)
        else:
            messages.success(request, f"{added} is in the record. Now name its zones.")
            return redirect("lab-product", pk=added.pk)
    trail = lab_trail(("Products", reverse("lab-products")), "Add a product")
    context = {"form": form, "trail": trail}
    return render(request, "specimens/add_product.html", context, status=form.status)


@needs(Deed.MANAGE_RECORDS)
def add_specimen(request: HttpRequest) -> HttpResponse:
    initial = {"product": request.GET.get("product"), "acquired_on": timezone.localdate()}
    form = SpecimenForm(request.POST or None, initial=initial)
    if form.is_valid():
        try:
            added = actions.add_specimen(by=person(request), **form.cleaned_data)
        except Refused as refused:
            form.refuse(refused)
        else:
            messages.success(request, f"Write {added.code} on the specimen and on its bag.")
            return redirect("lab-specimen", code=added.code)
    trail = lab_trail(("Specimens", reverse("lab-specimens")), "Add a specimen")
    context = {"form": form, "trail": trail}
    return render(request, "specimens/add_specimen.html", context, status=form.status)


@needs(Deed.MANAGE_RECORDS)
def add_custody_event(request: HttpRequest, code: str) -> HttpResponse:
    specimen = get_object_or_404(Specimen, code=code)
    last = specimen.custody_events.last()
    form = CustodyForm(request.POST or None, initial={"from_place": last.to_place if last else ""})
    if form.is_valid():
        try:
            actions.add_custody_event(by=person(request), specimen=specimen, **form.cleaned_data)
        except Refused as refused:
            form.refuse(refused)
        else:
            return redirect("lab-specimen", code=code)
    context = {"form": form, "specimen": specimen, "trail": _trail_of(specimen, "Custody")}
    return render(request, "specimens/add_custody_event.html", context, status=form.status)


@needs(Deed.MANAGE_RECORDS)
def add_service_entry(request: HttpRequest, code: str) -> HttpResponse:
    specimen = get_object_or_404(Specimen.objects.select_related("product"), code=code)
    form = ServiceForm(request.POST or None)
    if form.is_valid():
        try:
            actions.add_service_entry(by=person(request), specimen=specimen, **form.cleaned_data)
        except Refused as refused:
            form.refuse(refused)
        else:
            return redirect("lab-specimen", code=code)
    context = {"form": form, "specimen": specimen, "trail": _trail_of(specimen, "Service")}
    return render(request, "specimens/add_service_entry.html", context, status=form.status)


@needs(Deed.MANAGE_RECORDS)
def retire_specimen(request: HttpRequest, code: str) -> HttpResponse:
    specimen = get_object_or_404(Specimen, code=code)
    form = RetireForm(request.POST or None, initial={"retired_on": timezone.localdate()})
    if form.is_valid():
        try:
            actions.retire_specimen(
                by=person(request), specimen=specimen, on=form.cleaned_data["retired_on"]
            )
        except Refused as refused:
            form.refuse(refused)
        else:
            return redirect("lab-specimen", code=code)
    context = {"form": form, "specimen": specimen, "trail": _trail_of(specimen, "Retire")}
    return render(request, "specimens/retire_specimen.html", context, status=form.status)


def _trail_of(specimen: Specimen, here: str) -> list[dict[str, str]]:
    return lab_trail(
        ("Specimens", reverse("lab-specimens")),
        (specimen.code, reverse("lab-specimen", args=[specimen.code])),
        here,
    )
