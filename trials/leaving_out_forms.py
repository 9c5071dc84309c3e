"""What people type to leave a valid run out of a named analysis."""

from collections.abc import Sequence
from typing import Any

from django import forms

from labsite.forms import ActionForm
from specimens.forms import long_text_field, text_field
from trials.leaving_out import MOST_NAME
from trials.models import Run


class LeaveOutForm(ActionForm):
    """Which run, of which analysis, and why. No value is shown: it must not be the reason."""

    run = forms.TypedChoiceField(
        label="Run",
        error_messages={"invalid_choice": "Choose a run that was read and is not void."},
    )
    analysis = text_field(
        "Name of the analysis",
        required=True,
        most=MOST_NAME,
        help_text="Completes 'without ...', such as: the torn cuff. The same name for several runs "
        "makes one analysis without all of them.",
    )
    reason = long_text_field(
        "Why", required=True, help_text="What was different about the run, for readers."
    )
    value_was_known = forms.TypedChoiceField(
        label="Did you know the value, or what the study shows, when you decided this?",
        choices=(("yes", "yes"), ("no", "no")),
        coerce=lambda text: text == "yes",
        widget=forms.RadioSelect,
    )

    def __init__(self, *args: Any, runs: Sequence[Run], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._runs = {str(run.pk): run for run in runs}
        field = self.fields["run"]
        if isinstance(field, forms.TypedChoiceField):
            field.choices = [
                ("", "Choose a run"),
                *((key, _run_words(run)) for key, run in self._runs.items()),
            ]
            field.coerce = self._runs.get


class TakeInForm(ActionForm):
    """Why a run is taken in again."""

    reason = text_field("Why it is taken in again", required=True, most=500)


def _run_words(run: Run) -> str:
    return (
        f"{run.revision.method.property}: {run.specimen.code}, {run.zone.name.lower()}, "
        f"site {run.site}"
    )
