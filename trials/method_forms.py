"""What people type about methods: a draft line by line, limits and budgets."""

from typing import Any, ClassVar

from django import forms
from django.utils.text import slugify

from labsite.forms import ActionForm
from specimens.forms import CountField, NumberField, long_text_field, text_field
from trials.forms import MarginField
from trials.models import ConsumableLot, Instrument, MethodRevision
from trials.physics.budget import Shape
from trials.physics.derivations import derivation_names
from trials.physics.published_tables import TABLES
from trials.physics.trace_figures import FIGURES
from trials.plans.families import ALL, REACHES, rule_problems
from trials.plans.families import FAMILIES as WORK_FAMILIES
from trials.safety import FAMILIES

LONGEST_LINES = 20_000
STEP_RULE = ("start", "stride", "may_return", "enough", "up_and_down")


class LinesField(forms.CharField):
    """Several lines, each a thing of its own."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("required", False)
        super().__init__(
            max_length=LONGEST_LINES, widget=forms.Textarea(attrs={"rows": 6}), **kwargs
        )

    def clean(self, value: Any) -> Any:
        lines = [" ".join(line.split()) for line in super().clean(value).splitlines()]
        return [self.read(number, line) for number, line in enumerate(lines, 1) if line]

    def read(self, number: int, line: str) -> Any:
        """One line as the thing it stands for."""
        return line

    def write(self, stored: Any) -> str:
        """The stored things as lines."""
        return "\n".join(self.line_of(one) for one in stored)

    def line_of(self, one: Any) -> str:
        """One stored thing as a line."""
        return str(one)


def _parts(number: int, line: str, least: int, shape: str) -> list[str]:
    parts = [part.strip() for part in line.split("|")]
    if len(parts) < least:
        raise forms.ValidationError(f"Line {number} is not like: {shape}")
    return parts


def _number(number: int, text: str) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise forms.ValidationError(f"Line {number}: '{text}' is not a number.") from None


class SettingsField(LinesField):
    """Settings, one a line: key | label | value | unit."""

    def read(self, number: int, line: str) -> Any:
        parts = _parts(number, line, 3, "key | label | value | unit")
        value: Any = parts[2]
        try:
            value = float(parts[2].replace(",", "."))
        except ValueError:
            value = parts[2]
        unit = parts[3] if len(parts) > 3 else ""
        return {"key": parts[0], "label": parts[1], "value": value, "unit": unit}

    def line_of(self, one: Any) -> str:
        return f"{one['key']} | {one['label']} | {one['value']} | {one.get('unit') or ''}"


class ChecksField(LinesField):
    """Checks, one a line; a star before the text makes it critical."""

    def read(self, number: int, line: str) -> Any:
        is_critical = line.startswith("*")
        text = line.lstrip("* ")
        return {"key": slugify(text)[:40], "text": text, "critical": is_critical}

    def line_of(self, one: Any) -> str:
        return f"{'* ' if one.get('critical') else ''}{one['text']}"


class GradesField(LinesField):
    """Grades, one a line: 1 | no visible mark."""

    def read(self, number: int, line: str) -> Any:
        grade, words = _parts(number, line, 2, "1 | no visible mark")[:2]
        if not grade.isdigit():
            raise forms.ValidationError(f"Line {number}: a grade is a whole number.")
        return {"grade": int(grade), "words": words}

    def line_of(self, one: Any) -> str:
        return f"{one['grade']} | {one['words']}"


class SpoilsField(LinesField):
    """What may not follow, one rule a line: site | all, or specimen | water, whole | until dry."""

    def read(self, number: int, line: str) -> Any:
        parts = _parts(number, line, 2, "site | all")
        rule: dict[str, Any] = {
            "reach": parts[0].lower(),
            "families": [one.strip().lower() for one in parts[1].split(",") if one.strip()],
        }
        if len(parts) > 2 and parts[2]:
            rule["until"] = parts[2].lower().removeprefix("until ").strip()
        problems = rule_problems([rule])
        if problems:
            raise forms.ValidationError([f"Line {number}: {problem}" for problem in problems])
        return rule

    def line_of(self, one: Any) -> str:
        until = f" | until {one['until']}" if one.get("until") else ""
        return f"{one['reach']} | {', '.join(one['families'])}{until}"


class NumbersField(LinesField):
    """Numbers, one a line."""

    def read(self, number: int, line: str) -> Any:
        return _number(number, line)


class NamedNumbersField(LinesField):
    """Numbers by name, one a line: mass_kg | 5."""

    def clean(self, value: Any) -> Any:
        return dict(super().clean(value))

    def read(self, number: int, line: str) -> Any:
        name, text = _parts(number, line, 2, "mass_kg | 5")[:2]
        return name, _number(number, text)

    def write(self, stored: Any) -> str:
        return "\n".join(f"{name} | {value}" for name, value in stored.items())


class BudgetField(LinesField):
    """Components, one a line: name | A or B | amount | shape | sensitivity | degrees | shared."""

    def read(self, number: int, line: str) -> Any:
        shape = "name | A or B | amount | shape | sensitivity | degrees | shared"
        parts = _parts(number, line, 4, shape) + [""] * 3
        if parts[3].lower() not in set(Shape):
            raise forms.ValidationError(
                f"Line {number}: '{parts[3]}' is none of {', '.join(Shape)}."
            )
        return {
            "name": parts[0],
            "kind": parts[1].upper(),
            "amount": _number(number, parts[2]),
            "shape": parts[3].lower(),
            "sensitivity": _number(number, parts[4]) if parts[4] else 1.0,
            "degrees": _number(number, parts[5]) if parts[5] else None,
            "is_shared": parts[6].lower() in {"shared", "yes"},
        }

    def line_of(self, one: Any) -> str:
        degrees = "" if one["degrees"] is None else one["degrees"]
        shared = "shared" if one["is_shared"] else ""
        return (
            f"{one['name']} | {one['kind']} | {one['amount']} | {one['shape']} | "
            f"{one['sensitivity']} | {degrees} | {shared}"
        )


class DraftForm(ActionForm):
    """What a draft says."""

    GROUPS: ClassVar[tuple[tuple[str, tuple[str, ...]], ...]] = (
        (
            "What is read",
            (
                "outcome_kind",
                "quantity",
                "unit",
                "direction",
                "resolution",
                "detection_limit",
                "range_low",
                "range_high",
                "margin",
                "levels",
                "grade_scale",
                "derivation",
                "derivation_settings",
                "trace",
                "trace_settings",
            ),
        ),
        (
            "How it is done",
            (
                "settings",
                "steps",
                "minutes",
                "destructive",
                "spoils",
                "work_family",
                "spoils_rules",
            ),
        ),
        ("Safety", ("hazards", "checks", "hazard_family", "stop_if", "after_run")),
        (
            "At the bench",
            (
                "needs_second_person",
                "keyed_twice",
                "plausible_low",
                "plausible_high",
                "step_start",
                "step_stride",
                "step_may_return",
                "step_enough",
                "step_up_and_down",
            ),
        ),
        ("Beside a standard", ("relation", "standard_note")),
        (
            "What stands behind it",
            (
                "needs_instruments",
                "needs_consumables",
                "control_material",
                "corrects_by_control",
                "control_drift_limit",
                "temperature_low",
                "temperature_high",
                "humidity_low",
                "humidity_high",
                "conditioning_hours",
            ),
        ),
    )

    outcome_kind = forms.ChoiceField(
        label="What is entered", choices=MethodRevision.Outcome.choices
    )
    quantity = text_field("What is read", required=True)
    unit = text_field("Unit", required=True, most=20)
    direction = forms.ChoiceField(label="Direction", choices=MethodRevision.Direction.choices)
    resolution = NumberField(label="Resolution", min_value=1e-12)
    detection_limit = NumberField(label="Detection limit", required=False, min_value=1e-12)
    range_low = NumberField(label="Reads from", min_value=0)
    range_high = NumberField(label="Reads to", min_value=1e-12)
    margin = MarginField(label="Margin that matters, in %")
    levels = NumbersField(label="Levels", help_text="For steps and challenges: one a line, rising.")
    grade_scale = GradesField(label="Grades", help_text="One a line: 1 | no visible mark")
    derivation = forms.ChoiceField(
        label="Quantity derived beside what is typed",
        required=False,
        choices=[("", "none"), *((name, name) for name in derivation_names())],
    )
    derivation_settings = NamedNumbersField(
        label="Its settings", help_text="One a line: mass_kg | 5"
    )
    trace = forms.ChoiceField(
        label="Figure from a logged trace",
        required=False,
        choices=[("", "none"), *((key, kind.words) for key, kind in FIGURES.items())],
    )
    trace_settings = NamedNumbersField(
        label="How the trace is read", help_text="One a line: cfc | 1000, or removes_baseline | 0"
    )
    settings = SettingsField(label="Settings", help_text="One a line: key | label | value | unit")
    steps = LinesField(label="Steps", help_text="One a line.")
    minutes = CountField(label="Minutes a run", min_value=1, max_value=2000)
    destructive = forms.BooleanField(label="Destructive", required=False)
    spoils = LinesField(label="What it spoils", help_text="One a line, in words.")
    work_family = forms.ChoiceField(
        label="Place in the order of work",
        required=False,
        choices=[("", "by whether it destroys"), *MethodRevision.Family.choices],
    )
    spoils_rules = SpoilsField(
        label="What may not follow it, for the planner",
        help_text="One a line: reach | families | until dry. Reach: "
        f"{', '.join(REACHES)}. Families: {ALL}, {', '.join(WORK_FAMILIES)}. Such as: site | all. Left "
        "empty, a destructive method spoils its own site for all.",
    )
    hazards = LinesField(label="Hazards", help_text="One a line.")
    checks = ChecksField(
        label="Checks before a run", help_text="One a line; a star before it makes it critical."
    )
    hazard_family = forms.ChoiceField(
        label="Kind of hazard",
        required=False,
        choices=[("", "none of these"), *((key, one.words) for key, one in FAMILIES.items())],
    )
    stop_if = LinesField(
        label="Stop at once if", help_text="One a line; empty takes those of the kind of hazard."
    )
    after_run = LinesField(
        label="After a run", help_text="One a line; empty takes those of the kind of hazard."
    )
    needs_second_person = forms.BooleanField(
        label="A second person confirms each reading", required=False
    )
    keyed_twice = forms.BooleanField(
        label="A second person types each reading without looking at the first", required=False
    )
    plausible_low = NumberField(label="The bench asks again below", required=False, min_value=0)
    plausible_high = NumberField(label="The bench asks again above", required=False, min_value=0)
    step_start = NumberField(label="Steps start at the level", required=False, min_value=0)
    step_stride = CountField(
        label="Levels to rise at a time",
        required=False,
        min_value=1,
        max_value=20,
        help_text="Empty means one.",
    )
    step_may_return = forms.BooleanField(
        label="After a failure, levels between may still be tried (fresh site each time)",
        required=False,
    )
    step_enough = NumberField(
        label="Narrow enough when failed over held is at most",
        required=False,
        min_value=1,
        help_text="Such as 1.3; empty means until no level is left between.",
    )
    step_up_and_down = forms.BooleanField(
        label="Shots go up and down: higher after one that held, lower after one that failed",
        required=False,
        help_text="For readings held or failed at a level; each arm has its own series.",
    )
    relation = text_field("Relation to a standard", required=True)
    standard_note = long_text_field("Which standard it borrows from, and how it departs")
    needs_instruments = forms.MultipleChoiceField(
        label="Instruments",
        required=False,
        choices=Instrument.Kind.choices,
        widget=forms.CheckboxSelectMultiple,
    )
    needs_consumables = forms.MultipleChoiceField(
        label="Consumables",
        required=False,
        choices=ConsumableLot.Kind.choices,
        widget=forms.CheckboxSelectMultiple,
    )
    control_material = text_field("Control material")
    corrects_by_control = forms.BooleanField(
        label="Readings are corrected by the control runs around them", required=False
    )
    control_drift_limit = MarginField(
        label="Largest drift between two control runs, in %", required=False
    )
    temperature_low = NumberField(label="Room from, in °C", required=False)
    temperature_high = NumberField(label="Room to, in °C", required=False)
    humidity_low = NumberField(label="Humidity from, in %", required=False, min_value=0)
    humidity_high = NumberField(label="Humidity to, in %", required=False, max_value=100)
    conditioning_hours = NumberField(label="Hours of conditioning", required=False, min_value=0)

    @classmethod
    def initial_of(cls, revision: MethodRevision) -> dict[str, Any]:
        """The draft as its form starts."""
        initial: dict[str, Any] = {}
        for name, field in cls.base_fields.items():
            value = getattr(revision, name, None)
            is_lines = isinstance(field, LinesField)
            initial[name] = field.write(value) if is_lines and value is not None else value  # type: ignore[attr-defined]
        initial["margin"] = round(revision.margin * 100, 4)
        drift = revision.control_drift_limit
        initial["control_drift_limit"] = None if drift is None else round(drift * 100, 4)
        for name in ("temperature", "humidity"):
            unit = "degc" if name == "temperature" else "percent"
            ends = revision.conditions.get(f"{name}_{unit}") or [None, None]
            initial[f"{name}_low"], initial[f"{name}_high"] = ends
        initial["conditioning_hours"] = revision.conditions.get("conditioning_hours")
        numbers = {
            name: int(value) if isinstance(value, bool) else value
            for name, value in revision.trace.items()
            if name != "figure" and value is not None
        }
        rule = revision.step_rule
        for name in STEP_RULE:
            initial[f"step_{name}"] = rule.get(name)
        initial["trace"] = revision.trace.get("figure", "")
        initial["trace_settings"] = NamedNumbersField().write(numbers)
        return initial

    def clean(self) -> dict[str, Any]:
        """Gather ends and settings into what a revision stores."""
        cleaned = dict(super().clean() or {})
        conditions: dict[str, Any] = {}
        for name, unit in (("temperature", "degc"), ("humidity", "percent")):
            low, high = cleaned.pop(f"{name}_low", None), cleaned.pop(f"{name}_high", None)
            if (low is None) != (high is None):
                self.add_error(f"{name}_high", "Give both ends, or none.")
            elif low is not None and high is not None:
                conditions[f"{name}_{unit}"] = [low, high]
        hours = cleaned.pop("conditioning_hours", None)
        if hours:
            conditions["conditioning_hours"] = hours
        figure, numbers = cleaned.pop("trace", ""), cleaned.pop("trace_settings", {})
        if "cfc" in numbers:
            numbers["cfc"] = int(numbers["cfc"])
        if "removes_baseline" in numbers:
            numbers["removes_baseline"] = numbers["removes_baseline"] != 0
        trace = {"figure": figure} | numbers if figure else {}
        rule = {
            name: value
            for name in STEP_RULE
            if (value := cleaned.pop(f"step_{name}", None)) not in (None, "")
        }
        if not any(rule.values()):
            rule = {}
        return cleaned | {"conditions": conditions, "trace": trace, "step_rule": rule}

    @property
    def groups(self) -> list[tuple[str, list[forms.BoundField]]]:
        """The fields under their heads."""
        return [(head, [self[name] for name in names]) for head, names in self.GROUPS]


class InForceForm(ActionForm):
    """What changed with a revision."""

    change_note = long_text_field(
        "What changed",
        required=True,
        help_text="And whether readings of the two revisions may be compared.",
    )


class LimitForm(ActionForm):
    """What a published standard asks."""

    standard = text_field("Standard", required=True, most=80)
    edition = text_field("Edition", required=True, most=40, help_text="Year or issue.")
    clause = text_field("Clause or table", required=True, most=40)
    words = text_field("What it asks, in your words", required=True, most=200)
    table = forms.ChoiceField(
        label="Table it is read in",
        required=False,
        choices=[
            ("", "none: words only"),
            *((table.key, f"{table.named}: {table.what}") for table in TABLES.values()),
        ],
        help_text="Hold the table that is shown afterwards against your copy of the standard.",
    )
    is_comparable = forms.BooleanField(
        label="The same quantity, measured in the same way as here", required=False
    )
    why = long_text_field("Why it may, or may not, be held against this method", required=True)


class BudgetForm(ActionForm):
    """An uncertainty budget."""

    at_value = NumberField(label="Worked out at a reading of", min_value=1e-12)
    components = BudgetField(
        label="Components",
        required=True,
        help_text="One a line: name | A or B | amount | shape | sensitivity | degrees | shared. "
        f"Shapes: {', '.join(Shape)} (expanded means k = 2). Degrees may stay empty. 'shared' "
        "cancels in a ratio of two arms.",
    )
    note = long_text_field("Note")
