"""What people type about plans and amendments."""

from typing import Any

from django import forms

from labsite.forms import ActionForm
from specimens.codes import BadCode, clean_code
from specimens.forms import CountField, long_text_field
from specimens.models import Specimen
from trials.models import Arm, Study, StudyAmendment
from trials.plan_queries import MethodAsk, method_asks
from trials.planning import (
    MOST_RUNS_EACH,
    MOST_SESSION_MINUTES,
    SEEDS,
    SESSION_MINUTES,
    SETUP_MINUTES,
    Wants,
)
from trials.plans.design import STAGES


def bounded_field(label: str, least: int, most: int, unit: str, **kwargs: Any) -> CountField:
    """A whole number between two ends, which the refusal names."""
    words = f"Between {least} and {most} {unit}."
    return CountField(
        label=label,
        min_value=least,
        max_value=most,
        error_messages={"min_value": words, "max_value": words},
        **kwargs,
    )


class DrawForm(ActionForm):
    """What is asked of a plan."""

    session_minutes = bounded_field(
        "Longest session",
        10,
        MOST_SESSION_MINUTES,
        "minutes",
        initial=SESSION_MINUTES,
        help_text="A session is a day's work at most: what got wet dries until the next.",
    )
    setup_minutes = bounded_field(
        "Setting up a method", 0, MOST_SESSION_MINUTES, "minutes", initial=SETUP_MINUTES
    )
    seed = bounded_field(
        "Seed",
        0,
        SEEDS,
        "as a whole number",
        required=False,
        help_text="Left empty, one is drawn. It is kept with the plan, so that anyone can draw it "
        "again.",
    )
    reason = long_text_field(
        "Why another plan", help_text="Needed once a plan is in force: what was lost or voided."
    )

    def __init__(self, *args: Any, study: Study, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.asks = method_asks(study)
        for ask in self.asks:
            self.fields[f"runs_{ask.key}"] = bounded_field(
                f"{ask.name}, runs on each specimen",
                0,
                MOST_RUNS_EACH,
                "runs",
                initial=1,
                help_text=f"{ask.minutes_words[0].upper()}{ask.minutes_words[1:]}.",
            )
            self.fields[f"stage_{ask.key}"] = forms.TypedChoiceField(
                label=f"{ask.name}, place in the order",
                choices=[(number, words) for number, words in STAGES],
                coerce=int,
                initial=ask.stage,
            )

    def clean(self) -> dict[str, Any]:
        """Gather the boxes into what the action takes."""
        cleaned = dict(super().clean() or {})
        if self.errors:
            return cleaned
        return {
            "wants": Wants(
                runs_each={ask.key: cleaned[f"runs_{ask.key}"] for ask in self.asks},
                stages={ask.key: cleaned[f"stage_{ask.key}"] for ask in self.asks},
                session_minutes=cleaned["session_minutes"],
                setup_minutes=cleaned["setup_minutes"],
            ),
            "seed": cleaned["seed"],
            "reason": cleaned["reason"],
        }

    @property
    def method_rows(self) -> list[tuple[MethodAsk, forms.BoundField, forms.BoundField]]:
        """The boxes of each method."""
        return [(ask, self[f"runs_{ask.key}"], self[f"stage_{ask.key}"]) for ask in self.asks]


def draw_initial(wants: Wants) -> dict[str, Any]:
    """What was asked last, as the form's boxes."""
    return {
        "session_minutes": wants.session_minutes,
        "setup_minutes": wants.setup_minutes,
        **{f"runs_{key}": count for key, count in wants.runs_each.items()},
        **{f"stage_{key}": stage for key, stage in wants.stages.items()},
    }


class PinForm(ActionForm):
    """Where one run is held; empty boxes let it go."""

    slot = forms.CharField(max_length=120)
    session = CountField(label="Session", required=False, min_value=1, max_value=200)
    zone = forms.CharField(label="Zone", required=False, max_length=40)


class AmendForm(ActionForm):
    """What is different from what was registered."""

    kind = forms.ChoiceField(
        label="What it is",
        choices=[
            (value, label)
            for value, label in StudyAmendment.Kind.choices
            if value != StudyAmendment.Kind.SUBSTITUTE
        ],
        widget=forms.RadioSelect,
    )
    what = long_text_field("What is different", required=True)
    reason = long_text_field("Why", required=True)


class SubstituteForm(ActionForm):
    """A specimen that comes in after registration."""

    arm = forms.ModelChoiceField(
        label="Arm", queryset=Arm.objects.none(), empty_label="Choose an arm"
    )
    specimen = forms.CharField(label="Specimen", max_length=12, help_text="Its code.")
    reason = long_text_field("Why", required=True, help_text="What was lost, and how.")

    def __init__(self, *args: Any, study: Study, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        arm = self.fields["arm"]
        if isinstance(arm, forms.ModelChoiceField):
            arm.queryset = study.arms.all()

    def clean_specimen(self) -> Specimen:
        """The specimen of this code."""
        try:
            code = clean_code(self.cleaned_data["specimen"])
        except BadCode as why:
            raise forms.ValidationError(str(why)) from why
        found = Specimen.objects.filter(code=code).first()
        if found is None:
            raise forms.ValidationError(f"The lab has no specimen {code}.")
        return found
