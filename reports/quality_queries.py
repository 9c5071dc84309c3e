"""What the pages of controls, budgets and reach show, as frozen dataclasses."""

import math
from dataclasses import dataclass

from reports.control_charts import DrawnControls, drawn_controls
from reports.degradation.record import MethodRecord, VarianceComponent
from reports.findings import record_of
from reports.queries import Bound
from trials.method_library import components_of, worked
from trials.models import ControlMaterial, ControlRun, MethodRevision, UncertaintyBudget
from trials.physics.budget import Budget
from trials.physics.units import written
from trials.quality_queries import ControlRow, control_rows

SHOWN = 60


@dataclass(frozen=True)
class RecordLine:
    """A part of a method's record in words."""

    label: str
    words: str


@dataclass(frozen=True)
class ControlPage:
    """A method's control runs with charts and record."""

    charts: tuple[DrawnControls, ...]
    rows: tuple[ControlRow, ...]
    run_count: int
    materials: tuple[ControlMaterial, ...]
    record: tuple[RecordLine, ...]
    notes: tuple[str, ...]


def control_page(revision: MethodRevision) -> ControlPage:
    """Charts, record and newest runs of one revision."""
    runs = list(
        ControlRun.objects.filter(revision=revision)
        .select_related("by", "consumable__lot")
        .order_by("ran_at")
    )
    by_material: dict[str, list[ControlRun]] = {}
    for run in runs:
        by_material.setdefault(run.material, []).append(run)
    record = method_record_of(runs)
    return ControlPage(
        charts=tuple(
            drawn_controls(name, mine, written(revision.unit))
            for name, mine in sorted(by_material.items())
        ),
        rows=tuple(control_rows(list(reversed(runs))[:SHOWN], written(revision.unit))),
        run_count=len(runs),
        materials=tuple(ControlMaterial.objects.filter(method=revision.method_id)),
        record=record_lines(record),
        notes=record.notes if record else (),
    )


def method_record_of(runs: list[ControlRun]) -> MethodRecord | None:
    """The record that findings of this revision may use."""
    sessions: dict[str, list[Bound]] = {}
    for run in runs:
        sessions.setdefault(f"{run.material}, {run.session_label}", []).append(
            Bound(run.low, run.high)
        )
    return record_of(sorted(sessions.items()))


def record_lines(record: MethodRecord | None) -> tuple[RecordLine, ...]:
    """A record's parts in per cent with their degrees of freedom."""
    if record is None:
        return ()
    parts = (
        ("Repeatability, one run and the next of a session", record.repeatability),
        ("Between sessions", record.between_sessions),
        ("Both together, for single runs", record.intermediate),
    )
    return tuple(RecordLine(label, _part_words(part)) for label, part in parts)


def _part_words(part: VarianceComponent | None) -> str:
    if part is None:
        return "not known yet"
    spread = math.expm1(math.sqrt(part.variance))
    return f"{100 * spread:.2g} % (standard deviation, {part.degrees_of_freedom:.3g} degrees)"


@dataclass(frozen=True)
class BudgetRow:
    """A component of a budget in words."""

    name: str
    kind: str
    given: str
    contribution: str
    share: str
    is_shared: bool


@dataclass(frozen=True)
class BudgetPage:
    """A worked budget beside what control runs showed."""

    budget: UncertaintyBudget
    rows: tuple[BudgetRow, ...]
    result: tuple[RecordLine, ...]
    record: tuple[RecordLine, ...]


def budget_page(revision: MethodRevision) -> BudgetPage | None:
    """The newest budget of a revision, or None."""
    newest = revision.budgets.select_related("by").first()
    if newest is None:
        return None
    found = worked(newest)
    unit = written(revision.unit)
    rows = tuple(
        BudgetRow(
            name=one.name,
            kind=one.kind,
            given=f"{one.amount:.3g}, {one.shape}",
            contribution=f"{abs(one.contribution):.2g} {unit}",
            share=f"{100 * share:.0f} %",
            is_shared=one.is_shared,
        )
        for one, share in zip(components_of(newest.components), found.shares, strict=True)
    )
    runs = list(ControlRun.objects.filter(revision=revision))
    return BudgetPage(
        newest, rows, _result(found, newest, unit), record_lines(method_record_of(runs))
    )


def _result(found: Budget, budget: UncertaintyBudget, unit: str) -> tuple[RecordLine, ...]:
    degrees = (
        "no limit"
        if math.isinf(found.effective_degrees)
        else f"{math.floor(found.effective_degrees)}"
    )
    return (
        RecordLine("Worked out at", f"{budget.at_value:.4g} {unit}"),
        RecordLine("Combined standard uncertainty", f"{found.combined:.2g} {unit}"),
        RecordLine("Effective degrees of freedom", degrees),
        RecordLine(
            f"Expanded uncertainty, {100 * found.level:.0f} %",
            f"{found.expanded:.2g} {unit} (k = {found.coverage_factor:.3g}), "
            f"{100 * found.relative:.2g}\u00a0% of the reading",
        ),
        RecordLine(
            "Of the ratio of two such readings",
            f"{100 * found.ratio_relative:.2g} %: what both arms share cancels",
        ),
    )
