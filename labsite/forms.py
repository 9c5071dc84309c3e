"""Forms of the frame of the house."""

from collections.abc import Mapping
from typing import ClassVar

from django import forms
from django.apps import apps

from labsite.errors import Refused
from labsite.models import User

HOUSE = ("labsite", "specimens", "trials", "reports")


class ActionForm(forms.Form):
    """A form whose action may refuse: the refusal's sentences go beside the fields they name."""

    # the action's name of a field, where the form calls it something else
    named_here: ClassVar[Mapping[str, str]] = {}

    def refusals(self) -> "Refusals":
        """`with form.refusals():` around an action and what follows when it is done."""
        return Refusals(self)

    def refuse(self, refused: Refused) -> None:
        """Show the action's problems as the form's own."""
        for name, sentences in refused.problems.items():
            field = self.named_here.get(name, name)
            for sentence in sentences:
                self.add_error(field if field in self.fields else None, sentence)

    @property
    def status(self) -> int:
        """HTTP status of the page that shows this form."""
        return 400 if self.is_bound and self.errors else 200


class Refusals:
    """Shows what is refused inside it as the form's own problems, and goes on after it."""

    def __init__(self, form: ActionForm) -> None:
        self.form = form

    def __enter__(self) -> None:
        pass

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> bool:
        if not isinstance(error, Refused):
            return False
        self.form.refuse(error)
        return True


def _kinds() -> list[tuple[str, str]]:
    """Return the house's kinds of record: its models, so that no walk along the trail is needed."""
    models = [model for app in HOUSE for model in apps.get_app_config(app).get_models()]
    named = ((model._meta.label_lower, str(model._meta.verbose_name)) for model in models)
    return [("", "every kind"), *sorted(named, key=lambda choice: choice[1])]


class TrailForm(forms.Form):
    """What part of the trail to show."""

    person = forms.ModelChoiceField(
        User.objects.order_by("username"), required=False, empty_label="everybody and the site"
    )
    kind = forms.ChoiceField(choices=_kinds, required=False, label="Kind of record")
    words = forms.CharField(
        required=False,
        max_length=100,
        label="Words",
        help_text="In what was done or to what; or the number of a record or a request.",
    )
    since = forms.DateField(required=False, widget=forms.DateInput(attrs={"type": "date"}))
    until = forms.DateField(required=False, widget=forms.DateInput(attrs={"type": "date"}))
    before = forms.IntegerField(required=False, min_value=1, widget=forms.HiddenInput)

    def clean(self) -> dict[str, object]:
        cleaned = super().clean() or {}
        since, until = cleaned.get("since"), cleaned.get("until")
        if since and until and until < since:
            self.add_error("until", "This day is before the first one.")
        return cleaned
