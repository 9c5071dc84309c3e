"""What whoever runs the server looks at: the background jobs, and figures for a monitor."""

import json
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

from django.contrib import messages
from django.db.models import Count
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST, require_safe
from drf_spectacular.types import OpenApiTypes
from rest_framework.renderers import BaseRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from labsite import health, jobs
from labsite.api_policy import DeedView
from labsite.models import AuditEntry, AuditSeal, Job, JobState, User
from labsite.roles import Deed, needs, person

ROWS_SHOWN = 100


@needs(Deed.ADMINISTER)
@require_safe
@never_cache
def jobs_page(request: HttpRequest) -> HttpResponse:
    """Failed jobs first, then what runs and waits, then what was done last."""
    counts = _counts()
    context = {
        "counts": [(JobState(state).label, count) for state, count in counts.items()],
        "failed": Job.objects.filter(state=JobState.FAILED)[:ROWS_SHOWN],
        "running": Job.objects.filter(state=JobState.RUNNING)[:ROWS_SHOWN],
        "waiting": Job.objects.filter(state=JobState.WAITING).order_by("requested_at")[:ROWS_SHOWN],
        "done": Job.objects.filter(state=JobState.DONE).order_by("-ended_at")[:20],
        "readiness": health.readiness(),
    }
    return render(request, "labsite/jobs.html", context)


@needs(Deed.ADMINISTER)
@require_POST
def try_again(request: HttpRequest, pk: int) -> HttpResponse:
    jobs.try_again(by=person(request), job=get_object_or_404(Job, pk=pk))
    messages.success(request, "The job waits for a worker again.")
    return redirect("jobs")


def _counts() -> dict[str, int]:
    found = dict(Job.objects.order_by().values_list("state").annotate(count=Count("pk")))
    return {state: found.get(state, 0) for state in JobState.values}


class PlainText(BaseRenderer):
    """The text format that monitors read (Prometheus exposition format, version 0.0.4)."""

    media_type = "text/plain"
    format = "txt"
    charset = "utf-8"

    def render(
        self, data: Any, accepted_media_type: str | None = None, renderer_context: Any = None
    ) -> bytes:
        text = data if isinstance(data, str) else json.dumps(data)  # a problem
        return text.encode()


class MetricsView(DeedView):
    """Figures of the whole site, for a monitor with a token of an administrator."""

    deeds = {"GET": Deed.ADMINISTER}
    renderer_classes = [PlainText]
    gives = {"GET": OpenApiTypes.STR}

    def get(self, request: Request) -> Response:
        return Response("".join(_metrics()))


def _metrics() -> Iterator[str]:
    ready = health.readiness()
    yield from _gauge("ready", "1 when people can be served", int(ready.is_ready))
    yield from _gauge("broker_answers", "1 when the broker answers", int(ready.broker == "ok"))
    yield "# HELP wornproof_jobs Background jobs by state\n# TYPE wornproof_jobs gauge\n"
    for state, count in _counts().items():
        yield f'wornproof_jobs{{state="{state}"}} {count}\n'
    waiting = ready.oldest_waiting_job_s or 0.0
    yield from _gauge("oldest_waiting_job_seconds", "Age of the oldest waiting job", waiting)
    if ready.last_sweep_s is not None:
        yield from _gauge("last_sweep_seconds", "Time since a worker swept", ready.last_sweep_s)
    yield from _gauge("audit_entries", "Entries of the audit trail", AuditEntry.objects.count())
    yield from _gauge("audit_seals", "Entries that are sealed", AuditSeal.objects.count())
    day = timezone.now() - timedelta(days=1)
    seen = User.objects.filter(last_login__gte=day).count()
    yield from _gauge("people_signed_in_last_day", "People who signed in within a day", seen)


def _gauge(name: str, words: str, value: float) -> Iterator[str]:
    yield f"# HELP wornproof_{name} {words}\n# TYPE wornproof_{name} gauge\n"
    yield f"wornproof_{name} {value}\n"
