"""The page on which a time is taken from a film."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone

from labsite.errors import Refused
from labsite.roles import Deed, needs, person
from specimens.trails import lab_trail
from trials import films
from trials.models import Run
from trials.photos import marks_of
from trials.quality_forms import FilmTimeForm
from trials.queries import interval_words, shown_code


@needs(Deed.ENTER_READINGS)
def time(request: HttpRequest, run_id: int) -> HttpResponse:
    """Two marks and a frame rate; looked at first, kept when asked."""
    run = get_object_or_404(
        Run.objects.select_related("specimen", "zone", "revision__method", "study"), pk=run_id
    )
    films.check_takes_film(run)
    form = FilmTimeForm(
        request.POST or None,
        initial={"measured_at": timezone.localtime(), "frames_per_second": 25},
    )
    entry = None
    if form.is_valid():
        told = form.cleaned_data
        given = films.FilmTime(
            video=told["video"],
            raw={name: told[name] for name in films.RAW},
            measured_at=told["measured_at"],
            note=told["note"],
        )
        try:
            if "keep" in request.POST:
                reading = films.keep_film_time(by=person(request), run=run, given=given)
                messages.success(request, f"Kept: {reading.words}.")
                return redirect("bench-run", slug=run.study.slug, run_id=run.pk)
            entry = films.looked_at(run, given)
        except Refused as refused:
            form.refuse(refused)
    bounds = entry.bounds if entry else None
    context = {
        "form": form,
        "run": run,
        "code": shown_code(run),
        "entry": entry,
        "interval": bounds
        and interval_words(
            bounds.low, None if bounds.high == float("inf") else bounds.high, run.revision.unit
        ),
        "marks": marks_of(run),
        "trail": lab_trail(
            ("Bench", reverse("bench-run", args=[run.study.slug, run.pk])), "Time from a film"
        ),
    }
    return render(request, "trials/films/time.html", context, status=form.status)
