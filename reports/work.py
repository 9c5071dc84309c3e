"""Background work of this app: a study's findings from its readings."""

from typing import Any

from django.utils import timezone

from labsite.jobs import JobKind, ReportProgress
from reports import queries
from reports.degradation import ENGINE_VERSION
from reports.models import Finding, Summary, SummaryHead, Trend
from reports.study_findings import (
    all_trend_rows,
    finding_rows,
    rows_without,
    trend_rows_without,
)
from trials.actions import SUMMARISE
from trials.models import Study


def summarise(payload: dict[str, Any], report_progress: ReportProgress) -> dict[str, Any]:
    """Compute the findings of a study as it stands. Runs outside any transaction.

    The version is read before the readings: a change in between makes these findings newer than
    they say, never older, and has asked for a summary of its own.
    """
    study = Study.objects.get(pk=payload["study"])
    if payload["inputs_version"] < study.inputs_version:
        # a later change has asked for a summary of its own, which will see this one's readings too
        return {"is_overtaken": True}
    inputs = queries.study_inputs(study)
    if Summary.objects.filter(
        study=study, inputs_digest=inputs.digest, engine_version=ENGINE_VERSION
    ).exists():
        findings: list[dict[str, Any]] = []
        trends: list[dict[str, Any]] = []
    else:
        findings = finding_rows(inputs, report_progress)
        findings += rows_without(inputs, findings)
        trends = all_trend_rows(inputs)
        trends += trend_rows_without(inputs, len(trends))
    return {
        "inputs_version": study.inputs_version,
        "digest": inputs.digest,
        "findings": findings,
        "trends": trends,
    }


def store_summary(payload: dict[str, Any], result: dict[str, Any]) -> None:
    """Store findings and let them speak for the study; called with the job's 'done'."""
    if result.get("is_overtaken"):
        return
    summary, is_new = Summary.objects.get_or_create(
        study_id=payload["study"],
        inputs_digest=result["digest"],
        engine_version=ENGINE_VERSION,
        defaults={"computed_at": timezone.now()},
    )
    if is_new:
        Finding.objects.bulk_create(Finding(summary=summary, **row) for row in result["findings"])
        Trend.objects.bulk_create(Trend(summary=summary, **row) for row in result["trends"])
    head = SummaryHead.objects.filter(study_id=payload["study"]).first()
    if head is None:
        SummaryHead.objects.create(
            study_id=payload["study"], summary=summary, inputs_version=result["inputs_version"]
        )
    elif head.inputs_version <= result["inputs_version"]:
        head.summary = summary
        head.inputs_version = result["inputs_version"]
        head.save(update_fields=["summary", "inputs_version"])


SUMMARISE_KIND = JobKind(name=SUMMARISE, compute=summarise, store=store_summary)
