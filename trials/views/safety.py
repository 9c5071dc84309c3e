"""Rules for every bench, the emergency note, and telling a near miss."""

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from labsite.errors import Refused
from labsite.forms import ActionForm
from labsite.models import Lab
from labsite.roles import Deed, may, needs, person
from specimens.forms import long_text_field
from specimens.trails import lab_trail
from trials import witness
from trials.models import Incident
from trials.safety import GENERAL_RULES

SHOWN_INCIDENTS = 50


class IncidentForm(ActionForm):
    """What happened, in the words of whoever saw it."""

    what = long_text_field("What happened", required=True)
    is_injury = forms.BooleanField(label="Somebody was hurt", required=False)


class EmergencyForm(ActionForm):
    """Whom to call and where things are."""

    emergency = long_text_field(
        "Emergency note",
        help_text="Emergency number, first aider, poison centre, who is responsible, where the "
        "extinguisher, the first-aid box and the stop are. Shown on every page of the bench.",
    )


@needs(Deed.ENTER_READINGS)
def rules(request: HttpRequest) -> HttpResponse:
    """The rules for every bench, and a form to tell a near miss."""
    form = IncidentForm(request.POST or None)
    if form.is_valid():
        try:
            witness.tell_incident(by=person(request), **form.cleaned_data)
        except Refused as refused:
            form.refuse(refused)
        else:
            messages.success(
                request, "Written down. Make safe, keep what there is to see, tell the lead."
            )
            return redirect("bench-safety")
    incidents = Incident.objects.select_related("by")
    context = {
        "form": form,
        "rules": GENERAL_RULES,
        "incidents": incidents[:SHOWN_INCIDENTS] if may(request.user, Deed.MANAGE_RECORDS) else (),
        "trail": [{"label": "Bench", "url": "/bench/"}, {"label": "Safety", "url": ""}],
    }
    return render(request, "trials/bench/safety.html", context, status=form.status)


@needs(Deed.MANAGE_RECORDS)
def emergency(request: HttpRequest) -> HttpResponse:
    """The lab's own note, written by the lead."""
    lab = Lab.objects.first()
    form = EmergencyForm(request.POST or None, initial={"emergency": lab.emergency if lab else ""})
    if form.is_valid():
        try:
            witness.write_emergency_note(by=person(request), text=form.cleaned_data["emergency"])
        except Refused as refused:
            form.refuse(refused)
        else:
            messages.success(request, "Kept. It shows on every page of the bench.")
            return redirect("lab")
    context = {"form": form, "trail": lab_trail("Emergency note")}
    return render(request, "trials/lab/emergency.html", context, status=form.status)
