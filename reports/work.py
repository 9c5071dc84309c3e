"""Background work of this app: a study's findings from its readings."""

from dataclasses import asdict
from typing import Any

from django.utils import timezone

from labsite.jobs import JobKind, ReportProgress
from reports import queries
from reports.corrections import with_correction
from reports.degradation import ENGINE_VERSION, sidak_level
from reports.findings import (
    FindingResult,
    Terms,
    grades_finding,
    pairs_finding,
    ratio_finding,
    record_of,
    specimen_values,
)
from reports.models import Finding, Summary, SummaryHead, Trend
from reports.queries import MethodInputs, StudyInputs
from reports.trends import trend_rows
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
        findings = _findings(inputs, report_progress)
        trends = _trends(inputs)
    return {
        "inputs_version": study.inputs_version,
        "digest": inputs.digest,
        "findings": findings,
        "trends": trends,
    }


def _findings(inputs: StudyInputs, report_progress: ReportProgress) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    level = inputs.level
    if inputs.is_simultaneous:
        level = sidak_level(level, inputs.comparison_count)
    for done, method in enumerate(inputs.methods):
        report_progress(done, len(inputs.methods))
        baseline = next(arm for arm in method.arms if arm.is_baseline)
        record = None if queries.is_graded(method) else record_of(_controls(method))
        for arm in method.arms:
            if arm.is_baseline:
                continue
            terms = Terms(
                level=level,
                margin=method.margin,
                higher_is_better=method.higher_is_better,
                scope=inputs.scope,
                record=record,
                same_session=queries.same_session(baseline, arm),
            )
            if queries.is_graded(method):
                result = grades_finding(
                    [dict(s.grades) for s in baseline.specimens],
                    [dict(s.grades) for s in arm.specimens],
                    terms,
                )
            elif pairs := queries.matched_pairs(baseline, arm):
                result = pairs_finding(pairs, terms)
            else:
                result = ratio_finding(
                    [s.bounds for s in baseline.specimens],
                    [s.bounds for s in arm.specimens],
                    terms,
                    ([s.code for s in baseline.specimens], [s.code for s in arm.specimens]),
                )
            result = with_correction(result, method.correction, baseline=baseline.key, arm=arm.key)
            found.append(_row(result, method, arm.pk, baseline.pk, len(found)))
    report_progress(len(inputs.methods), len(inputs.methods))
    return found


def _trends(inputs: StudyInputs) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = []
    for method in inputs.methods:
        served = [
            (specimen.service, specimen_values([specimen.bounds])[0])
            for arm in method.arms
            for specimen in arm.specimens
            if specimen.service is not None and specimen.bounds
        ]
        if not served:
            continue
        found = trend_rows(
            served,
            higher_is_better=method.higher_is_better,
            level=inputs.level,
            limit=1 - method.margin,
        )
        rows += [
            row
            | {
                "revision_id": method.revision_pk,
                "level": inputs.level,
                "position": len(rows) + place,
            }
            for place, row in enumerate(found)
        ]
    return rows


def _controls(method: MethodInputs) -> list[tuple[str, list[queries.Bound]]]:
    return [(session, list(bounds)) for session, bounds in method.controls]


def _row(
    result: FindingResult, method: MethodInputs, arm: int, baseline: int, position: int
) -> dict[str, Any]:
    row = asdict(result)
    row["cautions"] = list(result.cautions)
    return row | {
        "revision_id": method.revision_pk,
        "arm_id": arm,
        "baseline_id": baseline,
        "position": position,
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
