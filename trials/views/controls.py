"""Pages where control runs and their materials are entered. Their charts are drawn elsewhere."""

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse

from labsite.roles import Deed, may, needs, person
from specimens.trails import lab_trail
from trials import controls, quality_queries
from trials.models import MethodRevision
from trials.quality_forms import ControlRunForm, MaterialForm
from trials.views.instruments import FormPage, form_page


@needs(Deed.SEE_LAB)
def index(request: HttpRequest) -> HttpResponse:
    context = {
        "rows": quality_queries.controlled_rows(),
        "may_manage": may(request.user, Deed.MANAGE_RECORDS),
        "trail": lab_trail("Controls"),
    }
    return render(request, "trials/controls/index.html", context)


@needs(Deed.ENTER_READINGS)
def add_run(request: HttpRequest, key: str, number: int) -> HttpResponse:
    revision = _revision(key, number)
    form = ControlRunForm(request.POST or None, revision=revision)

    def keep(fields: dict[str, Any]) -> str:
        made = controls.record_control_run(
            by=person(request),
            entry=controls.ControlEntry(
                revision=revision,
                material=fields["material"],
                session_label=fields["session_label"],
                ran_at=fields["ran_at"],
                raw=form.raw,
                consumable=fields["consumable"],
                note=fields["note"],
            ),
        )
        return f"The control run on {made.material} is kept."

    intro = f"{revision}. Made as a run on gear is, on {revision.control_material or 'a material'}."
    page = FormPage(
        "Enter a control run",
        intro,
        "Keep this control run",
        reverse("lab-control", args=[key, number]),
        _trail((str(revision), reverse("lab-control", args=[key, number])), "Enter a run"),
    )
    return form_page(request, form, page, keep)


@needs(Deed.MANAGE_RECORDS)
def add_material(request: HttpRequest, key: str, number: int) -> HttpResponse:
    revision = _revision(key, number)
    initial = {"name": revision.control_material}

    def keep(fields: dict[str, Any]) -> str:
        made = controls.add_material(by=person(request), method=revision.method, fields=fields)
        return f"{made} is in the record."

    page = FormPage(
        "Add a control material",
        f"For {revision.method.name.lower()}. A correction uses the one that the method names: "
        f"{revision.control_material or 'none'}.",
        "Keep this material",
        reverse("lab-control", args=[key, number]),
        _trail((str(revision), reverse("lab-control", args=[key, number])), "Add a material"),
    )
    return form_page(request, MaterialForm(request.POST or None, initial=initial), page, keep)


def _revision(key: str, number: int) -> MethodRevision:
    revisions = MethodRevision.objects.select_related("method")
    return get_object_or_404(revisions, method__key=key, number=number)


def _trail(*places: tuple[str, str] | str) -> list[dict[str, str]]:
    return lab_trail(("Controls", reverse("lab-controls")), *places)
