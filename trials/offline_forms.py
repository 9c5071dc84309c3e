"""Forms for what tablets could not send."""

from django import forms

from labsite.forms import ActionForm
from specimens.forms import long_text_field


class EntriesFileForm(ActionForm):
    """A file that a tablet's waiting page saved."""

    file = forms.FileField(
        label="File from a tablet",
        help_text="Saved there with 'Save all as a file'. Nothing is stored before you have seen "
        "what is in it.",
        widget=forms.FileInput(attrs={"accept": ".json,application/json"}),
        error_messages={
            "required": "Choose a file.",
            "empty": "The file is empty.",
            "missing": "Choose a file.",
        },
    )


class SettleHeldForm(ActionForm):
    """What was done about an entry that was handed over."""

    note = long_text_field("What was done about it", required=True)
