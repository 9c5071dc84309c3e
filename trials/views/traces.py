"""Pages of logged traces: send a file, look at it, keep its figure as the run's reading."""

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone

from labsite.errors import Refused
from labsite.roles import Deed, needs, person
from specimens.trails import lab_trail
from trials import quality_queries, traces
from trials.models import Run, TraceFile
from trials.physics.trace_figures import Figure
from trials.quality_forms import KeepFigureForm, TraceForm, TraceUploadForm
from trials.quality_queries import figure_text
from trials.trace_charts import trace_charts


@needs(Deed.UPLOAD_READINGS)
def index(request: HttpRequest) -> HttpResponse:
    context = {
        "runs": quality_queries.runs_for_traces(),
        "traces": quality_queries.trace_rows(),
        "trail": lab_trail("Traces"),
    }
    return render(request, "trials/traces/index.html", context)


@needs(Deed.UPLOAD_READINGS)
def add(request: HttpRequest, run_id: int) -> HttpResponse:
    run = get_object_or_404(
        Run.objects.select_related("specimen", "zone", "revision__method", "study"), pk=run_id
    )
    form = TraceUploadForm(request.POST or None, request.FILES or None)
    if request.method == "POST" and form.is_valid():
        file = form.cleaned_data["file"]
        try:
            trace = traces.receive_trace(
                by=person(request), run=run, file_name=file.name, stream=file.file
            )
        except Refused as refused:
            form.refuse(refused)
        else:
            return redirect("lab-trace", pk=trace.pk)
    context = {
        "form": form,
        "run": run,
        "figure_words": traces.figure_words(run.revision),
        "trail": _trail("Send a file"),
    }
    return render(request, "trials/traces/add.html", context, status=form.status)


@needs(Deed.UPLOAD_READINGS)
def trace(request: HttpRequest, pk: int) -> HttpResponse:
    shown = _trace(pk)
    form = _form(request, shown)
    figure, refusal = _figure(shown, form)
    context = _context(shown, form, figure, refusal) | {
        "keep": KeepFigureForm(initial={"measured_at": timezone.localtime(shown.received_at)}),
    }
    return render(request, "trials/traces/trace.html", context)


@needs(Deed.UPLOAD_READINGS)
def keep(request: HttpRequest, pk: int) -> HttpResponse:
    shown = _trace(pk)
    form = _form(request, shown)
    keeping = KeepFigureForm(request.POST or None)
    if form.is_valid() and keeping.is_valid():
        given = traces.Keeping(settings=form.settings, **keeping.cleaned_data)
        try:
            traces.keep_figure(by=person(request), trace=shown, keeping=given)
        except Refused as refused:
            keeping.refuse(refused)
        else:
            messages.success(request, "The figure is the reading of this run.")
            return redirect("lab-trace", pk=pk)
    figure, refusal = _figure(shown, form)
    context = _context(shown, form, figure, refusal) | {"keep": keeping}
    return render(request, "trials/traces/trace.html", context, status=400)


def _trace(pk: int) -> TraceFile:
    found = TraceFile.objects.select_related(
        "run__specimen", "run__zone", "run__revision__method", "run__study", "by"
    )
    return get_object_or_404(found, pk=pk)


def _form(request: HttpRequest, shown: TraceFile) -> TraceForm:
    columns = traces.column_labels(shown)
    fixed = traces.method_settings(shown.run.revision)
    chosen = traces.first_choice(shown)
    labels = [f"{c['label']}{' in ' + c['unit'] if c['unit'] else ''}" for c in columns]
    # a form that was sent always names its unit, even when every column was left out
    given = request.GET if "value_unit" in request.GET else chosen
    return TraceForm(given, labels=labels, fixed=fixed)


def _figure(shown: TraceFile, form: TraceForm) -> tuple[Figure | None, list[str]]:
    if not form.is_valid():
        return None, ["Put the settings right first."]
    try:
        return traces.figure_of(shown, form.settings), []
    except Refused as refused:
        return None, refused.sentences


def _context(
    shown: TraceFile, form: TraceForm, figure: Figure | None, refusal: list[str]
) -> dict[str, Any]:
    derived = shown.derived.select_related("reading").first()
    return {
        "trace": shown,
        "form": form,
        "figure": figure,
        "figure_words": traces.figure_words(shown.run.revision),
        "value_words": figure and figure_text(figure.value, figure.unit),
        "beside": [
            (one.words, figure_text(one.value, one.unit))
            for one in (figure.beside if figure else ())
        ],
        "fixed": traces.fixed_words(shown.run.revision),
        "charts": trace_charts(figure) if figure else (),
        "refusal": {"": refusal} if refusal else {},
        "derived": derived,
        "again": traces.recompute(derived) if derived else None,
        "trail": _trail(shown.file_name),
    }


def _trail(*places: tuple[str, str] | str) -> list[dict[str, str]]:
    return lab_trail(("Traces", reverse("lab-traces")), *places)
