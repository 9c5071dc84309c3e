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
    for done, method in enumerate(inputs.methods):
        report_progress(done, len(inputs.methods))
        for arm in method.arms:
            if not arm.is_baseline:
                found.append(_finding(inputs, method, arm) | {"position": len(found)})
    report_progress(len(inputs.methods), len(inputs.methods))
    return found


def rows_without(inputs: StudyInputs, standing: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Rows of the analyses that leave valid runs out, for the arms that this can move.

    Where the verdict turns on it, the row of `standing` gets a caution that says so.
    """
    whole = {method.revision_pk: method for method in inputs.methods}
    found: list[dict[str, Any]] = []
    for analysis in inputs.analyses:
        for method in analysis.methods:
            for arm in _moved(method, whole[method.revision_pk]):
                row = _finding(inputs, method, arm) | {"analysis": analysis.name}
                _tell_if_it_turns(row, standing)
                found.append(row | {"position": len(standing) + len(found)})
    return found


def _finding(inputs: StudyInputs, method: MethodInputs, arm: queries.ArmInputs) -> dict[str, Any]:
    level = inputs.level
    if inputs.is_simultaneous:
        level = sidak_level(level, inputs.comparison_count)
    baseline = next(arm for arm in method.arms if arm.is_baseline)
    terms = Terms(
        level=level,
        margin=method.margin,
        higher_is_better=method.higher_is_better,
        scope=inputs.scope,
        record=None if queries.is_graded(method) else record_of(_controls(method)),
        same_session=queries.same_session(baseline, arm),
    )
    if queries.is_graded(method):
        result = grades_finding(
            [dict(s.grades) for s in baseline.specimens],
            [dict(s.grades) for s in arm.specimens],
            terms,
        )
    elif pairs := queries.matched_pairs(baseline, arm):
        result = pairs_finding(pairs.sides, terms, pairs.names, pairs.incomplete)
    else:
        result = ratio_finding(
            [s.bounds for s in baseline.specimens],
            [s.bounds for s in arm.specimens],
            terms,
            ([s.code for s in baseline.specimens], [s.code for s in arm.specimens]),
        )
    result = with_correction(result, method.correction, baseline=baseline.key, arm=arm.key)
    result = with_calibrations(result, method.calibrated, baseline=baseline.key, arm=arm.key)
    return _row(result, method, arm.pk, baseline.pk)


def _moved(method: MethodInputs, whole: MethodInputs) -> list[queries.ArmInputs]:
    """Arms whose finding the runs left out can move: their own readings or the baseline's."""
    before = {arm.pk: arm for arm in whole.arms}
    baseline_moved = any(arm.is_baseline and arm != before[arm.pk] for arm in method.arms)
    return [
        arm
        for arm in method.arms
        if not arm.is_baseline and (baseline_moved or arm != before[arm.pk])
    ]


def _tell_if_it_turns(row: dict[str, Any], standing: list[dict[str, Any]]) -> None:
    for whole in standing:
        same = (whole["revision_id"], whole["arm_id"]) == (row["revision_id"], row["arm_id"])
        if same and whole["verdict"] != row["verdict"]:
            whole["cautions"].append(
                "The verdict turns on runs that are left out of the analysis "
                f"'{row['analysis']}': without them it is '{row['verdict']}'."
            )


def all_trend_rows(inputs: StudyInputs) -> list[dict[str, Any]]:
    """One row for each method and measure of service that a trend can be asked of."""
    return _trend_rows(inputs, inputs.methods, "", 0)


def trend_rows_without(inputs: StudyInputs, start: int) -> list[dict[str, Any]]:
    """Trends of the analyses that leave valid runs out; positions go on from `start`."""
    rows: list[dict[str, Any]] = []
    for analysis in inputs.analyses:
        rows += _trend_rows(inputs, analysis.methods, analysis.name, start + len(rows))
    return rows


def _trend_rows(
    inputs: StudyInputs, methods: tuple[MethodInputs, ...], analysis: str, start: int
) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = []
    for method in methods:
        behind = dict(method.calibrated.by_specimen) if method.calibrated else {}
        served = [
            (
                specimen.service,
                specimen_values([specimen.bounds])[0],
                dict(behind.get(specimen.code, ())),
            )
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
                "analysis": analysis,
                "position": start + len(rows) + place,
            }
            for place, row in enumerate(found)
        ]
    return rows


def _controls(method: MethodInputs) -> list[tuple[str, list[queries.Bound]]]:
    return [(session, list(bounds)) for session, bounds in method.controls]


def _row(result: FindingResult, method: MethodInputs, arm: int, baseline: int) -> dict[str, Any]:
    row = asdict(result)
    row["cautions"] = list(result.cautions)
    return row | {
        "revision_id": method.revision_pk,
        "arm_id": arm,
        "baseline_id": baseline,
        "analysis": "",
    }
