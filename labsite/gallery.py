"""What the gallery page shows of each component: invented content, made up here and nowhere stored."""

from typing import Any

from django import forms
from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.contrib.messages.storage.base import Message
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render

VERDICTS = ("clear loss", "some loss", "held", "some gain", "clear gain", "not resolved")
GRADE_VERDICTS = ("graded worse", "graded better")

# Positions in percent of a strip that ends at 150 %: low end, best figure, high end.
STRIPS: tuple[tuple[str, str, tuple[float | None, float | None, float | None]], ...] = (
    ("clear loss", "Kept about 41 %, interval 29 to 58 %", (19.3, 27.3, 38.7)),
    ("some loss", "Kept about 86 %, interval 74 to 98 %", (49.3, 57.3, 65.3)),
    ("held", "Kept about 100 %, interval 93 to 108 %", (62.0, 66.7, 72.0)),
    ("some gain", "Kept about 115 %, interval at least 103 %, no upper end", (68.7, 76.7, None)),
    ("clear gain", "Kept about 130 %, interval 118 to 142 %", (78.7, 86.7, 94.7)),
    ("not resolved", "Interval 50 % to beyond the end of the line", (33.3, None, None)),
    ("clear loss", "Kept about 62 %, interval at most 80 %, no lower end", (None, 41.3, 53.3)),
    ("not resolved", "Read 93 % here, with no interval", (None, 62.0, None)),
    ("pooled", "Kept about 80 % across studies, interval 64 to 99 %", (42.7, 53.3, 66.0)),
)


class SampleForm(forms.Form):
    """One field of each kind."""

    mass = forms.DecimalField(
        label="Mass before", help_text="From 0 to 2000 g, to the nearest 0.1 g."
    )
    outcome = forms.ChoiceField(
        label="Outcome", choices=[("held", "Held"), ("failed", "Failed")], widget=forms.RadioSelect
    )
    zone = forms.ChoiceField(label="Zone", choices=[("", "Choose a zone"), ("lf", "Left forearm")])
    note = forms.CharField(label="Note", required=False, widget=forms.Textarea)
    second_person = forms.BooleanField(label="A second person is in the room")


@login_not_required
def gallery(request: HttpRequest) -> HttpResponse:
    """Every component on one page."""
    if not settings.DEBUG:
        raise Http404
    return render(request, "labsite/gallery.html", samples())


def samples() -> dict[str, Any]:
    """The page's context."""
    return {
        "invented": True,
        "form": SampleForm(),
        "refused_form": SampleForm({"mass": "heavy", "zone": ""}, prefix="refused"),
        "told": [Message(messages.SUCCESS, "The words are kept.")],
        "verdicts": VERDICTS + GRADE_VERDICTS,
        "strips": [
            {"verdict": verdict, "label": label, "chart": _chart(*ends) | _ticks(verdict)}
            for verdict, label, ends in STRIPS
        ],
        "cautions": [
            {
                "key": "E1",
                "short": "Not a certification.",
                "full": "We are not a certification body.",
            },
            {"key": "E5", "short": "Few items.", "full": "Another set could give other numbers."},
        ],
        "trail": [{"label": "Lab", "url": "/lab/"}, {"label": "Gallery", "url": ""}],
    }


def _ticks(verdict: str) -> dict[str, Any]:
    """The studies behind a pooled line."""
    return {"ticks": [{"x": 48.0}, {"x": 57.3}]} if verdict == "pooled" else {}


def _chart(low: float | None, point: float | None, high: float | None) -> dict[str, Any]:
    has_interval = low is not None or high is not None
    return {
        "x_low": (0.0 if low is None else low) if has_interval else None,
        "x_high": (100.0 if high is None else high) if has_interval else None,
        "x_point": point,
        "open_low": has_interval and low is None,
        "open_high": has_interval and high is None,
        "margin_low": 60.0,
        "margin_high": 74.1,
        "margin_width": 14.1,
        "hundred": 66.7,
    }
