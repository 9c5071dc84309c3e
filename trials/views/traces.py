"""Pages of logged traces: send a file, look at it, keep its figure as the run's reading."""

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from labsite.errors import Refused
from labsite.middleware import takes_body_up_to
from labsite.models import Job
from labsite.roles import Deed, needs, person
from specimens.trails import lab_trail
from trials import quality_queries, trace_work, traces
from trials.models import Run, TraceFile, TraceReading, TraceUpload
from trials.physics.trace_figures import TraceSettings
from trials.physics.units import written
from trials.quality_forms import KeepFigureForm, TraceForm, TraceUploadForm
from trials.quality_queries import figure_text, work_line

FORM_BYTES = 1 << 20  # what a form adds around its file


@needs(Deed.UPLOAD_READINGS)
def index(request: HttpRequest) -> HttpResponse:
    context = {
        "runs": quality_queries.runs_for_traces(),
        "incoming": quality_queries.incoming_rows(),
        "traces": quality_queries.trace_rows(),
        "trail": lab_trail("Traces"),
    }
    return render(request, "trials/traces/index.html", context)


@takes_body_up_to(traces.MOST_BYTES + FORM_BYTES)
@needs(Deed.UPLOAD_READINGS)
def add(request: HttpRequest, run_id: int) -> HttpResponse:
    run = get_object_or_404(
        Run.objects.select_related("specimen", "zone", "revision__method", "study"), pk=run_id
    )
    form = TraceUploadForm(request.POST or None, request.FILES or None)
    if request.method == "POST" and form.is_valid():
        file = form.cleaned_data["file"]
        try:
            taken = trace_work.take_in(
                by=person(request),
                run=run,
                file_name=file.name,
                stream=file.file,
                byte_count=file.size,
            )
        except Refused as refused:
            form.refuse(refused)
        else:
            if isinstance(taken, TraceUpload):
                return redirect("lab-trace-incoming", pk=taken.pk)
            return redirect("lab-trace", pk=taken.pk)
    context = {
        "form": form,
        "run": run,
        "figure_words": traces.figure_words(run.revision),
        "trail": _trail("Send a file"),
    }
    return render(request, "trials/traces/add.html", context, status=form.status)


@never_cache
@require_safe
@needs(Deed.UPLOAD_READINGS)
def incoming(request: HttpRequest, pk: int) -> HttpResponse:
    """How far the worker is with a large file; to its trace once it is read."""
    upload = get_object_or_404(
        TraceUpload.objects.select_related("run__specimen", "run__zone", "run__revision__method"),
        pk=pk,
    )
    if upload.trace_id is not None:
        return redirect("lab-trace", pk=upload.trace_id)
    job = Job.objects.filter(kind=trace_work.READ_TRACE, key=f"{upload.pk}:{upload.digest}").first()
    context = {"upload": upload, "work": work_line(job), "trail": _trail(upload.file_name)}
    return render(request, "trials/traces/incoming.html", context)


@never_cache
@require_safe
@needs(Deed.UPLOAD_READINGS)
def state(request: HttpRequest, pk: int) -> HttpResponse:
    """Where a piece of work on a trace stands, for the page that waits for it."""
    job = get_object_or_404(Job, pk=pk, kind__in=(trace_work.READ_TRACE, trace_work.READ_FIGURE))
    line = work_line(job)
    return JsonResponse({"is_over": line.is_over, "words": line.words, "percent": line.percent})


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
    figure, refusal = _figure(shown, form)
    if isinstance(figure, Job):
        keeping.add_error(None, "The figure is still being worked out. Wait until it is shown.")
    elif figure is not None and keeping.is_valid():
        given = traces.Keeping(settings=form.settings, **keeping.cleaned_data)
        try:
            traces.keep_figure(by=person(request), trace=shown, keeping=given, figure=figure)
        except Refused as refused:
            keeping.refuse(refused)
        else:
            messages.success(request, "The figure is the reading of this run.")
            return redirect("lab-trace", pk=pk)
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
    labels = [f"{c['label']}{' in ' + written(c['unit']) if c['unit'] else ''}" for c in columns]
    # a form that was sent always names its unit, even when every column was left out
    given = request.GET if "value_unit" in request.GET else _chosen_before(shown)
    return TraceForm(given, labels=labels, fixed=fixed)


def _chosen_before(shown: TraceFile) -> dict[str, Any]:
    """As the figure was kept; before that, as the file's header suggests."""
    kept = shown.derived.order_by("-pk").first()
    if kept is None:
        return traces.first_choice(shown)
    return TraceForm.typed(TraceSettings.from_json(kept.settings))


def _figure(shown: TraceFile, form: TraceForm) -> tuple[traces.ShownFigure | Job | None, list[str]]:
    if not form.is_valid():
        return None, ["Put the settings right first."]
    try:
        return trace_work.figure_now(shown, traces.settings_for(shown, form.settings)), []
    except Refused as refused:
        return None, refused.sentences


def _context(
    shown: TraceFile,
    form: TraceForm,
    found: traces.ShownFigure | Job | None,
    refusal: list[str],
) -> dict[str, Any]:
    figure = found if isinstance(found, traces.ShownFigure) else None
    derived = shown.derived.select_related("reading", "trace__run__revision").first()
    return {
        "trace": shown,
        "form": form,
        "figure": figure,
        "work": work_line(found) if isinstance(found, Job) else None,
        "figure_words": traces.figure_words(shown.run.revision),
        "value_words": figure and figure_text(figure.value, figure.unit),
        "beside": [
            (words, figure_text(value, unit))
            for words, value, unit in (figure.beside if figure else ())
        ],
        "fixed": traces.fixed_words(shown.run.revision),
        "charts": figure.charts if figure else (),
        "refusal": {"": refusal} if refusal else {},
        "derived": derived,
        "again": _again(derived) if derived else None,
        "trail": _trail(shown.file_name),
    }


def _again(derived: TraceReading) -> traces.Recomputed | None:
    """The kept figure worked out again; None while a worker is at it."""
    found = trace_work.figure_now(derived.trace, TraceSettings.from_json(derived.settings))
    return None if isinstance(found, Job) else traces.compared(derived, found.value, found.unit)


def _trail(*places: tuple[str, str] | str) -> list[dict[str, str]]:
    return lab_trail(("Traces", reverse("lab-traces")), *places)
