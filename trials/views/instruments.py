"""Pages of instruments: the register, calibrations, checks, and what was found wrong."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone

from labsite.errors import Refused
from labsite.forms import ActionForm
from labsite.roles import Deed, may, needs, person
from specimens.trails import lab_trail
from trials import environment, instruments, quality_queries
from trials.models import Instrument, ReviewMark
from trials.quality_forms import (
    CalibrationForm,
    CheckForm,
    ConditioningForm,
    InstrumentForm,
    MarkForm,
    ReasonForm,
    RoomForm,
    UseForAllForm,
    WrongForm,
)

if TYPE_CHECKING:
    pass


@dataclass(frozen=True)
class FormPage:
    """What a page with one form says."""

    head: str
    intro: str
    button: str
    back: str
    trail: list[dict[str, str]]


def form_page(
    request: HttpRequest, form: ActionForm, page: FormPage, keep: Callable[[dict[str, Any]], str]
) -> HttpResponse:
    """Show a form, or do what it asks and go back. `keep` returns what to tell."""
    if form.is_valid():
        try:
            told = keep(form.cleaned_data)
        except Refused as refused:
            form.refuse(refused)
        else:
            messages.success(request, told)
            return redirect(page.back)
    context = {"form": form, "page": page, "trail": page.trail}
    return render(request, "trials/instruments/form.html", context, status=form.status)


@needs(Deed.SEE_LAB)
def index(request: HttpRequest) -> HttpResponse:
    context = {
        "rows": quality_queries.instrument_rows(timezone.localdate()),
        "findings": quality_queries.open_findings(),
        "may_manage": may(request.user, Deed.MANAGE_RECORDS),
        "trail": lab_trail("Instruments"),
    }
    return render(request, "trials/instruments/index.html", context)


@needs(Deed.MANAGE_RECORDS)
def add(request: HttpRequest) -> HttpResponse:
    page = FormPage(
        head="Add an instrument",
        intro="It may be used once a calibration is recorded.",
        button="Keep this instrument",
        back=reverse("lab-instruments"),
        trail=_trail("Add"),
    )

    def keep(fields: dict[str, Any]) -> str:
        made = instruments.add_instrument(by=person(request), fields=fields)
        return f"{made} is in the register. Record its calibration next."

    return form_page(request, InstrumentForm(request.POST or None), page, keep)


@needs(Deed.SEE_LAB)
def instrument(request: HttpRequest, code: str) -> HttpResponse:
    shown = get_object_or_404(Instrument, code=code)
    context = {
        "shown": quality_queries.instrument_page(shown, timezone.localdate()),
        "instrument": shown,
        "may_manage": may(request.user, Deed.MANAGE_RECORDS),
        "may_check": may(request.user, Deed.ENTER_READINGS),
        "trail": _trail(str(shown)),
    }
    return render(request, "trials/instruments/instrument.html", context)


@needs(Deed.MANAGE_RECORDS)
def calibrate(request: HttpRequest, code: str) -> HttpResponse:
    shown = get_object_or_404(Instrument, code=code)
    intro = (
        f"All figures in {shown.unit}. Write down the error as found before anything is adjusted: "
        "it alone tells what the readings since the last calibration are worth."
    )

    def keep(fields: dict[str, Any]) -> str:
        made = instruments.record_calibration(by=person(request), instrument=shown, fields=fields)
        return f"Calibration of {made.done_on:%d %B %Y} is kept."

    page = _page(shown, "Record a calibration", intro, "Keep this calibration")
    return form_page(request, CalibrationForm(request.POST or None), page, keep)


@needs(Deed.ENTER_READINGS)
def check(request: HttpRequest, code: str) -> HttpResponse:
    shown = get_object_or_404(Instrument, code=code)

    def keep(fields: dict[str, Any]) -> str:
        made = instruments.record_check(by=person(request), instrument=shown, fields=fields)
        if instruments.is_passed(made):
            return "The check is kept: it passed."
        return f"The check is kept: it did not pass, and {shown} is set aside."

    intro = f"Figures in {shown.unit}. A check that does not pass sets the instrument aside."
    page = _page(shown, "Check before use", intro, "Keep this check")
    return form_page(request, CheckForm(request.POST or None), page, keep)


@needs(Deed.MANAGE_RECORDS)
def wrong(request: HttpRequest, code: str) -> HttpResponse:
    shown = get_object_or_404(Instrument, code=code)

    def keep(fields: dict[str, Any]) -> str:
        made = instruments.report_wrong(by=person(request), instrument=shown, **fields)
        return f"Kept. {made.marks.count()} readings are marked for review."

    intro = (
        f"Error in {shown.unit}. Every reading made with it since it was last shown to be right is "
        "marked for review, and it is set aside."
    )
    page = _page(shown, "Found wrong", intro, "Keep, and mark the readings")
    return form_page(request, WrongForm(request.POST or None), page, keep)


@needs(Deed.MANAGE_RECORDS)
def change_state(request: HttpRequest, code: str, deed: str) -> HttpResponse:
    shown = get_object_or_404(Instrument, code=code)
    do, head = {
        "set-aside": (instruments.set_aside, "Set aside"),
        "put-back": (instruments.put_back, "Put back into service"),
        "retire": (instruments.retire_instrument, "Retire"),
    }[deed]

    def keep(fields: dict[str, Any]) -> str:
        made = do(by=person(request), instrument=shown, reason=fields["reason"])
        return f"{made} is now {made.get_state_display()}."

    page = _page(shown, head, "", head)
    return form_page(request, ReasonForm(request.POST or None), page, keep)


@needs(Deed.MANAGE_RECORDS)
def use_for_all(request: HttpRequest, code: str) -> HttpResponse:
    shown = get_object_or_404(Instrument, code=code)

    def keep(fields: dict[str, Any]) -> str:
        count = instruments.use_for_all(by=person(request), instrument=shown, **fields)
        return f"{count} runs are now known to have been made with {shown}."

    intro = "For runs that came from a file or on paper. Runs with an instrument are left alone."
    page = _page(shown, "Runs made with it", intro, "Keep")
    return form_page(request, UseForAllForm(request.POST or None), page, keep)


@needs(Deed.MANAGE_RECORDS)
def settle_mark(request: HttpRequest, pk: int) -> HttpResponse:
    mark = get_object_or_404(
        ReviewMark.objects.select_related("finding__instrument", "reading__run__study"), pk=pk
    )

    def keep(fields: dict[str, Any]) -> str:
        made = instruments.settle_mark(by=person(request), mark=mark, **fields)
        return f"{made.reading.run}: {made.get_outcome_display()}."

    page = FormPage(
        head="What became of this reading",
        intro=f"{mark.reading.run}: {mark.reading.words}. {mark.finding}.",
        button="Keep",
        back=reverse("lab-reach", args=[mark.finding_id]),
        trail=_trail((str(mark.finding), reverse("lab-reach", args=[mark.finding_id])), "Review"),
    )
    return form_page(request, MarkForm(request.POST or None), page, keep)


# --- the room ----------------------------------------------------------------------------------


@needs(Deed.SEE_LAB)
def room(request: HttpRequest) -> HttpResponse:
    context = {
        "rooms": quality_queries.room_rows(),
        "stays": quality_queries.stay_rows(),
        "may_enter": may(request.user, Deed.ENTER_READINGS),
        "trail": lab_trail("Room and conditioning"),
    }
    return render(request, "trials/instruments/room.html", context)


@needs(Deed.ENTER_READINGS)
def add_room(request: HttpRequest) -> HttpResponse:
    def keep(fields: dict[str, Any]) -> str:
        return f"Kept: {environment.record_room(by=person(request), fields=fields)}."

    page = FormPage(
        head="Read the room",
        intro="At the start of a session, in the middle and at its end. It speaks for four hours.",
        button="Keep this reading",
        back=reverse("lab-room"),
        trail=lab_trail(("Room and conditioning", reverse("lab-room")), "Read the room"),
    )
    return form_page(request, RoomForm(request.POST or None), page, keep)


@needs(Deed.ENTER_READINGS)
def add_stay(request: HttpRequest) -> HttpResponse:
    def keep(fields: dict[str, Any]) -> str:
        specimen = fields.pop("specimen")
        made = environment.record_conditioning(by=person(request), specimen=specimen, fields=fields)
        return f"Kept: {made}."

    page = FormPage(
        head="Record conditioning",
        intro="A specimen's stay in a conditioned place, entered when it is over.",
        button="Keep this stay",
        back=reverse("lab-room"),
        trail=lab_trail(("Room and conditioning", reverse("lab-room")), "Record conditioning"),
    )
    return form_page(request, ConditioningForm(request.POST or None), page, keep)


def _page(shown: Instrument, head: str, intro: str, button: str) -> FormPage:
    back = reverse("lab-instrument", args=[shown.code])
    return FormPage(
        f"{shown}: {head[0].lower()}{head[1:]}",
        intro,
        button,
        back,
        _trail((str(shown), back), head),
    )


def _trail(*places: tuple[str, str] | str) -> list[dict[str, str]]:
    return lab_trail(("Instruments", reverse("lab-instruments")), *places)
