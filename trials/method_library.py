"""What may be done with methods: draft a revision, put it in force, retire it; limits, budgets."""

import difflib
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import Max
from django.utils import timezone

from labsite import audit
from labsite.errors import Refused
from labsite.models import User
from trials.intervals import plain
from trials.models import Method, MethodRevision, PublishedLimit, UncertaintyBudget
from trials.physics.budget import Budget, Component, Shape, combine
from trials.physics.derivations import check_settings, derivation
from trials.physics.errors import PhysicsError
from trials.physics.published_tables import table_named
from trials.physics.trace_figures import FIGURES, FIXED_WORDS
from trials.physics.units import is_convertible, unit_of, written
from trials.plans.families import rule_problems, rule_words
from trials.published_levels import differences
from trials.queries import setting_fact

State = MethodRevision.State

# what a revision says, in the order of its sheet, with the words for it
FIELD_WORDS = {
    "outcome_kind": "What is entered",
    "quantity": "What is read",
    "unit": "Unit",
    "direction": "Direction",
    "resolution": "Resolution",
    "detection_limit": "Detection limit",
    "range_low": "Reads from",
    "range_high": "Reads to",
    "margin": "Margin that matters",
    "minutes": "Minutes a run",
    "destructive": "Destructive",
    "relation": "Relation to a standard",
    "standard_note": "Standard, and how it departs",
    "settings": "Settings",
    "levels": "Levels",
    "grade_scale": "Grades",
    "steps": "Steps",
    "hazards": "Hazards",
    "checks": "Checks before a run",
    "spoils": "What it spoils",
    "work_family": "Place in the order of work",
    "spoils_rules": "What may not follow it",
    "control_material": "Control material",
    "corrects_by_control": "Corrected by control runs",
    "control_drift_limit": "Largest drift between control runs",
    "needs_instruments": "Instruments",
    "needs_consumables": "Consumables",
    "conditions": "Room and conditioning",
    "trace": "Figure from a logged trace",
    "derivation": "Derived quantity",
    "derivation_settings": "Settings of the derived quantity",
    "hazard_family": "Kind of hazard",
    "stop_if": "Stop at once if",
    "after_run": "After a run",
    "needs_second_person": "A second person confirms",
    "keyed_twice": "A second person types it again",
    "plausible_low": "Asks again below",
    "plausible_high": "Asks again above",
    "step_rule": "Rule of the steps",
}


@transaction.atomic
def draft_revision(*, by: User, method: Method) -> MethodRevision:
    """A draft that starts as a copy of the newest revision. A method has one draft at a time."""
    standing = method.revisions.filter(state=State.DRAFT).first()
    if standing is not None:
        raise Refused(f"{standing} is a draft already: finish that one.")
    newest = method.revisions.order_by("-number").first()
    if newest is None:
        raise Refused("This method has no revision to start from.")
    fields = {name: getattr(newest, name) for name in FIELD_WORDS}
    made = MethodRevision.objects.create(
        method=method, number=newest.number + 1, state=State.DRAFT, **fields
    )
    audit.record(by=by, verb="drafted method", subject=made)
    return made


@transaction.atomic
def keep_drafts(*, by: User, drafts: Sequence[MethodRevision]) -> bool:
    """Keep checked drafts, all or none; False when one of their numbers was taken meanwhile."""
    try:
        with transaction.atomic():
            for draft in drafts:
                if draft.number == 1:
                    draft.method.save()
                    draft.method_id = draft.method.pk
                draft.save()
                audit.record(by=by, verb="drafted method", subject=draft, detail={"from": "file"})
    except IntegrityError:
        return False
    return True


@transaction.atomic
def change_draft(
    *, by: User, revision: MethodRevision, fields: Mapping[str, Any]
) -> MethodRevision:
    """Change what a draft says. A revision in force never changes."""
    if revision.state != State.DRAFT:
        raise Refused("Only a draft can be changed. Make a new revision.")
    before = {name: getattr(revision, name) for name in fields}
    for name, value in fields.items():
        setattr(revision, name, value)
    problems = draft_problems(revision)
    if problems:
        raise Refused(problems)
    revision.save()
    audit.record(
        by=by, verb="changed draft", subject=revision, detail=audit.changes(before, fields)
    )
    return revision


def draft_problems(revision: MethodRevision) -> dict[str, list[str]]:
    """Everything that keeps a draft from making sense, by field."""
    problems: dict[str, list[str]] = {}
    try:
        if revision.outcome_kind != MethodRevision.Outcome.GRADE:
            unit_of(revision.unit)
    except PhysicsError as why:
        problems["unit"] = [str(why)]
    if revision.range_high <= revision.range_low:
        problems["range_high"] = ["It reads to less than it reads from."]
    if sorted(set(revision.levels)) != list(revision.levels):
        problems["levels"] = ["Levels rise, each once."]
    low, high = revision.plausible_low, revision.plausible_high
    if low is not None and high is not None and high < low:
        problems["plausible_high"] = ["It asks again above a lower number than below."]
    if not revision.steps:
        problems["steps"] = ["Write the steps: one a line."]
    if revision.corrects_by_control and not revision.control_material:
        problems["control_material"] = ["Name the material, if readings are corrected by it."]
    problems |= _step_problems(revision)
    wrong = rule_problems(revision.spoils_rules)
    if wrong:
        problems["spoils_rules"] = wrong
    problems |= _derivation_problems(revision) | _trace_problems(revision)
    return problems


def _step_problems(revision: MethodRevision) -> dict[str, list[str]]:
    rule, problems = revision.step_rule, {}
    if rule.get("start") is not None and rule["start"] not in revision.levels:
        problems["step_start"] = ["The start is one of the levels."]
    if rule.get("up_and_down"):
        if revision.outcome_kind != MethodRevision.Outcome.CHALLENGE:
            problems["step_up_and_down"] = ["Only shots that hold or fail go up and down."]
        elif not revision.levels:
            problems["step_up_and_down"] = ["It goes up and down by levels: name them."]
    return problems


def _derivation_problems(revision: MethodRevision) -> dict[str, list[str]]:
    if not revision.derivation:
        return {}
    try:
        known = derivation(revision.derivation)
        check_settings(revision.derivation, revision.derivation_settings)
    except PhysicsError as why:
        return {"derivation_settings": [str(why)]}
    try:
        fits = is_convertible(revision.unit, known.input_unit)
    except PhysicsError:
        return {}
    if not fits:
        return {"derivation": [f"It starts from {known.input_words}, in {known.input_unit}."]}
    return {}


def _trace_problems(revision: MethodRevision) -> dict[str, list[str]]:
    if not revision.trace:
        return {}
    kind = FIGURES.get(str(revision.trace.get("figure")))
    if kind is None:
        return {"trace": ["There is no such figure."]}
    missing = [name for name in kind.needs if not revision.trace.get(name)]
    if missing:
        return {"trace_settings": [f"This figure needs: {', '.join(missing)}."]}
    if revision.outcome_kind not in {MethodRevision.Outcome.VALUE, MethodRevision.Outcome.TIMER}:
        return {"trace": ["A figure from a trace is a measured value or a time."]}
    try:
        fits = is_convertible(kind.unit, revision.unit)
    except PhysicsError:
        return {}
    return {} if fits else {"unit": [f"The {kind.words} comes in {kind.unit}."]}


@transaction.atomic
def put_in_force(*, by: User, revision: MethodRevision, change_note: str) -> MethodRevision:
    """From now on it never changes; the revision in force before is retired."""
    if revision.state != State.DRAFT:
        raise Refused(f"{revision} is {revision.get_state_display()} already.")
    problems = draft_problems(revision)
    if not change_note.strip():
        problems["change_note"] = [
            "Say what changed, and whether readings of the two revisions may be compared."
        ]
    if problems:
        raise Refused(problems)
    revision.change_note = change_note.strip()
    revision.state = State.IN_FORCE
    revision.save()
    revision.method.revisions.filter(state=State.IN_FORCE).exclude(pk=revision.pk).update(
        state=State.RETIRED
    )
    audit.record(
        by=by, verb="put method into force", subject=revision, detail={"note": change_note.strip()}
    )
    return revision


@transaction.atomic
def retire_revision(*, by: User, revision: MethodRevision, reason: str) -> MethodRevision:
    """No new study may choose it; studies that use it go on."""
    if revision.state != State.IN_FORCE:
        raise Refused(f"{revision} is {revision.get_state_display()}.")
    if not reason.strip():
        raise Refused({"reason": ["Say why it is retired."]})
    revision.state = State.RETIRED
    revision.save(update_fields=["state"])
    audit.record(by=by, verb="retired method", subject=revision, detail={"reason": reason.strip()})
    return revision


# --- the difference between two revisions ------------------------------------------------------


@dataclass(frozen=True)
class ChangedLine:
    """A line that stayed, came or went."""

    mark: str  # "same", "added" or "removed"
    text: str


@dataclass(frozen=True)
class ChangedField:
    """A field of which the two revisions say something else."""

    words: str
    lines: tuple[ChangedLine, ...]


def changes_between(old: MethodRevision, new: MethodRevision) -> list[ChangedField]:
    """Every field that differs, line by line."""
    marks = {"  ": "same", "+ ": "added", "- ": "removed"}
    changed = []
    for name, words in FIELD_WORDS.items():
        before, after = lines_of(old, name), lines_of(new, name)
        if before == after:
            continue
        lines = [
            ChangedLine(marks[line[:2]], line[2:])
            for line in difflib.ndiff(before, after)
            if line[:2] in marks
        ]
        changed.append(ChangedField(words, tuple(lines)))
    return changed


def lines_of(revision: MethodRevision, name: str) -> list[str]:
    """What a revision says in a field, as lines a person reads."""
    value = getattr(revision, name)
    if value in (None, "", [], {}):
        return []
    write = _WRITERS.get(name)
    if write is not None:
        return write(revision, value)
    if isinstance(value, dict):
        return [f"{key.replace('_', ' ')}: {_plain(one)}" for key, one in value.items()]
    if isinstance(value, list):
        return [_plain(one) for one in value]
    return [_plain(value)]


def _share(revision: MethodRevision, value: float) -> list[str]:
    return [f"{plain(100 * value)}\u00a0%"]


def _in_unit(revision: MethodRevision, value: float) -> list[str]:
    return [f"{plain(value)}\u00a0{written(revision.unit)}".rstrip()]


def _in_order(value: dict[str, Any]) -> list[tuple[str, Any]]:
    """The pairs of a stored object: a database need not keep the order they were written in."""
    return sorted(value.items())


def _trace_lines(revision: MethodRevision, value: dict[str, Any]) -> list[str]:
    kind = FIGURES.get(str(value.get("figure")))
    said = {"figure": kind.words if kind else value.get("figure")} | {
        key: one for key, one in _in_order(value) if key != "figure" and key not in FIXED_WORDS
    }
    fixed = [
        FIXED_WORDS[key].format(_plain(one)) for key, one in _in_order(value) if key in FIXED_WORDS
    ]
    return [f"{key.replace('_', ' ')}: {_plain(one)}" for key, one in said.items()] + fixed


def _derivation_lines(revision: MethodRevision, value: dict[str, Any]) -> list[str]:
    known = {one.key: one for one in derivation(revision.derivation).settings}
    return [
        f"{known[key].words}: {_plain(one)}\u00a0{written(known[key].unit)}"
        if key in known
        else f"{key}: {_plain(one)}"
        for key, one in _in_order(value)
    ]


def _step_lines(revision: MethodRevision, value: dict[str, Any]) -> list[str]:
    # a no that is not said is a no all the same
    said = {key: one for key, one in _in_order(value) if one not in (None, False)}
    return [f"{key.replace('_', ' ')}: {_plain(one)}" for key, one in said.items()]


_WRITERS: Mapping[str, Callable[[MethodRevision, Any], list[str]]] = {
    "outcome_kind": lambda revision, _: [str(revision.get_outcome_kind_display())],
    "direction": lambda revision, _: [str(revision.get_direction_display())],
    "unit": lambda _, value: [written(value)],
    "margin": _share,
    "control_drift_limit": _share,
    "resolution": _in_unit,
    "detection_limit": _in_unit,
    "range_low": _in_unit,
    "range_high": _in_unit,
    "settings": lambda _, value: [
        f"{fact.label}: {fact.words}" for fact in map(setting_fact, value)
    ],
    "grade_scale": lambda _, value: [f"{step['grade']}: {step['words']}" for step in value],
    "checks": lambda _, value: [
        f"{check['text']}{' (critical)' if check.get('critical') else ''}" for check in value
    ],
    "spoils_rules": lambda _, value: rule_words(value),
    "step_rule": _step_lines,
    "trace": _trace_lines,
    "derivation": lambda _, value: [derivation(value).words],
    "derivation_settings": _derivation_lines,
}


def _plain(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return " to ".join(_plain(one) for one in value)
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value)


# --- published limits and budgets --------------------------------------------------------------


@transaction.atomic
def add_limit(*, by: User, method: Method, fields: Mapping[str, Any]) -> PublishedLimit:
    """What a published standard asks, entered by the lab with edition and clause; context only."""
    same = ("standard", "edition", "clause", "words", "is_comparable")
    if PublishedLimit.objects.filter(method=method, **{n: fields[n] for n in same}).exists():
        raise Refused({"words": ["This is in the record already."]})
    revision = method.revisions.filter(state=State.IN_FORCE).order_by("-number").first()
    if fields.get("table") and fields["is_comparable"] and revision is not None:
        found = differences(revision, table_named(fields["table"]))
        if found:
            raise Refused({"is_comparable": found})
    made = PublishedLimit.objects.create(method=method, by=by, entered_at=timezone.now(), **fields)
    audit.record(by=by, verb="entered published limit", subject=made)
    return made


def components_of(stored: Sequence[Mapping[str, Any]]) -> list[Component]:
    """The components of a stored budget."""
    return [
        Component(
            name=one["name"],
            kind=one["kind"],
            amount=one["amount"],
            shape=Shape(one["shape"]),
            sensitivity=one["sensitivity"],
            degrees_of_freedom=math.inf if one["degrees"] is None else one["degrees"],
            is_shared=one["is_shared"],
        )
        for one in stored
    ]


def worked(budget: UncertaintyBudget) -> Budget:
    """The result of a stored budget."""
    return combine(components_of(budget.components), at_value=budget.at_value)


@transaction.atomic
def make_budget(
    *,
    by: User,
    revision: MethodRevision,
    at_value: float,
    components: Sequence[Mapping[str, Any]],
    note: str = "",
) -> UncertaintyBudget:
    """A new version of a method's uncertainty budget."""
    try:
        combine(components_of(components), at_value=at_value)
    except PhysicsError as why:
        raise Refused({"components": [str(why)]}) from why
    last = revision.budgets.aggregate(last=Max("number"))["last"] or 0
    made = UncertaintyBudget.objects.create(
        revision=revision,
        number=last + 1,
        at_value=at_value,
        components=list(components),
        note=note.strip(),
        made_at=timezone.now(),
        by=by,
    )
    audit.record(by=by, verb="made uncertainty budget", subject=made)
    return made
