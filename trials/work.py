"""Background work of this app: what a changed service history moves."""

from typing import Any

from labsite.jobs import JobKind, ReportProgress
from specimens.actions import SERVICE_CHANGED
from trials.actions import mark_changed
from trials.models import Study


def look(payload: dict[str, Any], report_progress: ReportProgress) -> None:
    """Nothing to compute; the studies are chosen where they are marked."""


def mark_trends(payload: dict[str, Any], result: None) -> None:
    """Ask for new findings of every study over service ages that holds the specimen."""
    studies = Study.objects.registered().filter(
        kind=Study.Kind.AGES, arms__specimens=payload["specimen"]
    )
    for study in studies.distinct():
        mark_changed(study)


SERVICE_CHANGED_KIND = JobKind(name=SERVICE_CHANGED, compute=look, store=mark_trends)
