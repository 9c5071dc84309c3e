"""The page that says how many specimens a side a study needs."""

from typing import Any

from django import forms
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.views.decorators.http import require_safe

from labsite.roles import Deed, needs
from reports.how_many import Asked, how_many
from specimens.forms import NumberField, PriceField
from specimens.trails import lab_trail
from trials.models import Study

WANTED = (("0.8", "80 %"), ("0.9", "90 %"), ("0.95", "95 %"))
GUESSED_PERCENT = 15.0


class HowManyForm(forms.Form):
    """The wanted chance, and a guess for methods without a record."""

    wanted = forms.TypedChoiceField(
        label="Wanted chance of a resolved verdict", choices=WANTED, coerce=float, initial="0.8"
    )
    guess = NumberField(
        label="Scatter where the lab knows none",
        min_value=0.5,
        max_value=100,
        initial=15,
        help_text="How far specimens of one kind differ; 10 to 20 % is common, no source.",
        error_messages={
            "min_value": "Between 0.5 and 100 %%.",
            "max_value": "Between 0.5 and 100 %%.",
        },
    )
    budget = PriceField(
        label="Budget for specimens",
        min_value=0,
        help_text="In the currency of the prices. What it buys gets a line of its own.",
    )
    tries = forms.BooleanField(
        label="Try the number needed through the analysis (takes some seconds)", required=False
    )


@needs(Deed.MANAGE_STUDIES)
@require_safe
def show(request: HttpRequest, slug: str) -> HttpResponse:
    """Needs by property, for the study as it is written."""
    study = get_object_or_404(Study, slug=slug)
    form = HowManyForm(request.GET or None, initial={"wanted": "0.8", "guess": GUESSED_PERCENT})
    told: dict[str, Any] = (
        form.cleaned_data if form.is_valid() else {"wanted": 0.8, "guess": GUESSED_PERCENT}
    )
    asked = Asked(
        wanted=told["wanted"],
        guessed_cv=told["guess"] / 100,
        budget=told.get("budget"),
        tries=told.get("tries", False),
    )
    context = {
        "study": study,
        "form": form,
        "shown": how_many(study, asked),
        "trail": lab_trail(
            ("Studies", reverse("lab-studies")),
            (study.title, reverse("lab-study", args=[study.slug])),
            "How many",
        ),
    }
    status = 400 if form.is_bound and not form.is_valid() else 200
    return render(request, "reports/lab/how_many.html", context, status=status)
