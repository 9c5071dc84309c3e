"""From a study's inputs to the rows of its findings and trends: the worker and `verify` share it."""

from collections.abc import Callable
from dataclasses import asdict
from typing import Any

from reports import queries
from reports.calibrations import with_calibrations
from reports.corrections import with_correction
from reports.degradation import sidak_level
from reports.findings import (
    FindingResult,
    Terms,
    grades_finding,
    pairs_finding,
    ratio_finding,
    record_of,
    specimen_values,
)
from reports.queries import MethodInputs, StudyInputs
from reports.trends import trend_rows

Progress = Callable[[int, int], None]


def _silent(done: int, total: int) -> None:
    """Nobody watches."""


def finding_rows(inputs: StudyInputs, report_progress: Progress = _silent) -> list[dict[str, Any]]:
    """One row for each method and each arm but the baseline, as the table of findings has it."""
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
            result = with_calibrations(
                result, method.calibrated, baseline=baseline.key, arm=arm.key
            )
            found.append(_row(result, method, arm.pk, baseline.pk, len(found)))
    report_progress(len(inputs.methods), len(inputs.methods))
    return found


def all_trend_rows(inputs: StudyInputs) -> list[dict[str, Any]]:
    """One row for each method and measure of service that a trend can be asked of."""
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
