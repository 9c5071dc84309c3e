"""Labels for specimens, to be printed by the browser."""

from django import forms
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from labsite.errors import Refused
from labsite.forms import ActionForm
from labsite.roles import Deed, needs
from specimens.forms import CountField
from specimens.trails import lab_trail
from trials import labels
from trials.models import Study


class LabelsForm(ActionForm):
    """Which labels on which sheet."""

    study = forms.ModelChoiceField(
        label="Study",
        queryset=Study.objects.order_by("title"),
        to_field_name="slug",
        required=False,
        empty_label="none: the codes below",
        help_text="A blind study prints the drawn numbers and nothing else.",
    )
    codes = forms.CharField(
        label="Specimen codes",
        required=False,
        max_length=4000,
        help_text="With spaces between. Empty means every specimen that is not used up.",
    )
    grid = forms.ChoiceField(
        label="Sheet", choices=[(grid.key, grid.words) for grid in labels.GRIDS.values()]
    )
    skip = CountField(
        label="Labels already gone from the first sheet", min_value=0, max_value=64, required=False
    )
    copies = CountField(label="Of each", min_value=1, max_value=20, required=False)


@require_safe
@needs(Deed.SEE_LAB)
def show(request: HttpRequest) -> HttpResponse:
    """The form, and below it the sheets as they are printed."""
    form = LabelsForm(
        request.GET if "grid" in request.GET else None, initial={"copies": 1, "skip": 0}
    )
    context = {"form": form, "trail": lab_trail("Labels")}
    if form.is_valid():
        asked = form.cleaned_data
        grid = labels.GRIDS[asked["grid"]]
        copies = asked["copies"] or 1
        try:
            made = (
                labels.labels_of_study(asked["study"], copies=copies)
                if asked["study"]
                else labels.labels_of_codes(asked["codes"], copies=copies)
            )
        except Refused as refused:
            form.refuse(refused)
        else:
            skip = min(asked["skip"] or 0, grid.per_sheet - 1)
            context |= {
                "grid": grid,
                "sheets": labels.sheets(made, grid, skip=skip),
                "count": len(made),
            }
    return render(request, "trials/lab/labels.html", context, status=form.status)
