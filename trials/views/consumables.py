"""Pages of consumables: lots, pieces and their counts."""

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse

from labsite.roles import Deed, may, needs, person
from specimens.trails import lab_trail
from trials import consumables, quality_queries
from trials.models import ConsumableLot, ConsumableUnit
from trials.quality_forms import LotForm, ReasonForm
from trials.views.instruments import FormPage, form_page


@needs(Deed.SEE_LAB)
def index(request: HttpRequest) -> HttpResponse:
    context = {
        "rows": quality_queries.lot_rows(),
        "may_manage": may(request.user, Deed.MANAGE_RECORDS),
        "trail": lab_trail("Consumables"),
    }
    return render(request, "trials/consumables/index.html", context)


@needs(Deed.MANAGE_RECORDS)
def add(request: HttpRequest) -> HttpResponse:
    page = FormPage(
        head="Take in a lot",
        intro="Its pieces are numbered from 1: write the numbers on them.",
        button="Keep this lot",
        back=reverse("lab-consumables"),
        trail=_trail("Take in a lot"),
    )

    def keep(fields: dict[str, Any]) -> str:
        count = fields.pop("piece_count")
        made = consumables.add_lot(by=person(request), fields=fields, piece_count=count)
        return f"{made} is in the record with {count} pieces."

    return form_page(request, LotForm(request.POST or None), page, keep)


@needs(Deed.SEE_LAB)
def lot(request: HttpRequest, pk: int) -> HttpResponse:
    shown = get_object_or_404(ConsumableLot, pk=pk)
    context = {
        "lot": shown,
        "rows": quality_queries.unit_rows(shown),
        "level_words": quality_queries.level_words(shown),
        "may_discard": may(request.user, Deed.ENTER_READINGS),
        "trail": _trail(str(shown)),
    }
    return render(request, "trials/consumables/lot.html", context)


@needs(Deed.ENTER_READINGS)
def discard(request: HttpRequest, pk: int) -> HttpResponse:
    unit = get_object_or_404(ConsumableUnit.objects.select_related("lot"), pk=pk)
    back = reverse("lab-lot", args=[unit.lot_id])

    def keep(fields: dict[str, Any]) -> str:
        return f"{consumables.discard(by=person(request), unit=unit, **fields)} is thrown away."

    page = FormPage(
        f"Throw away {unit}",
        "Nobody is offered it again. What was read with it stays.",
        "Throw it away",
        back,
        _trail((str(unit.lot), back), "Throw away"),
    )
    return form_page(request, ReasonForm(request.POST or None), page, keep)


def _trail(*places: tuple[str, str] | str) -> list[dict[str, str]]:
    return lab_trail(("Consumables", reverse("lab-consumables")), *places)
