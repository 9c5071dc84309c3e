"""Forms of the desk, and the one that readers have."""

from typing import TYPE_CHECKING

from django import forms
from django.utils.translation import gettext_lazy as _

from reports.models import EditionDraft, ErrorReport

if TYPE_CHECKING:
    DraftModelForm = forms.ModelForm[EditionDraft]
else:
    DraftModelForm = forms.ModelForm  # takes no type at run time


class DraftForm(DraftModelForm):
    """Headline, answer, what is new, and cautions to add."""

    class Meta:
        model = EditionDraft
        fields = ["headline", "summary_text", "note", "extra_cautions"]
        labels = {
            "headline": "Headline",
            "summary_text": "The answer in a sentence or two",
            "note": "What is new in this edition",
            "extra_cautions": "Cautions to add, one a line",
        }
        help_texts = {
            "headline": "What was asked and done, without results as figures: the cautions come first. "
            "No word that the verdicts do not carry.",
            "note": "Needed from the second edition on; readers see it.",
            "extra_cautions": "The computed cautions stay; these come after them.",
        }
        widgets = {
            "summary_text": forms.Textarea(attrs={"rows": 5}),
            "note": forms.Textarea(attrs={"rows": 3}),
            "extra_cautions": forms.Textarea(attrs={"rows": 3}),
        }


class ErrorReportForm(forms.Form):
    """What a reader tells of an error. Nothing about the reader is asked for."""

    page = forms.CharField(
        label=_("Which page"),
        help_text=_("Its address or its title."),
        max_length=300,
        required=False,
    )
    what = forms.CharField(
        label=_("What is wrong"),
        help_text=_(
            "What the page says, and what it should say. Please leave out names of people."
        ),
        max_length=4000,
        widget=forms.Textarea(attrs={"rows": 6}),
    )
    source = forms.CharField(
        label=_("How you know"),
        help_text=_("A reading, a document, an address; whatever lets us check it."),
        max_length=1000,
        required=False,
        widget=forms.Textarea(attrs={"rows": 3}),
    )


class ErrorAnswerForm(forms.Form):
    """What became of a report."""

    state = forms.ChoiceField(
        label="Where this stands",
        choices=[c for c in ErrorReport.State.choices if c[0] != ErrorReport.State.NEW],
        widget=forms.RadioSelect,
    )
    answer = forms.CharField(
        label="Answer to the reader",
        help_text="Anyone who has the report's address sees this.",
        max_length=4000,
        required=False,
        widget=forms.Textarea(attrs={"rows": 4}),
    )


class TranslationForm(forms.Form):
    """The words that people wrote, in another language; all empty takes them away."""

    title = forms.CharField(label="Title", max_length=160, required=False)
    question = forms.CharField(
        label="Question", required=False, widget=forms.Textarea(attrs={"rows": 3})
    )
    headline = forms.CharField(label="Headline", max_length=160, required=False)
    summary = forms.CharField(
        label="The answer in a sentence or two",
        required=False,
        widget=forms.Textarea(attrs={"rows": 6}),
    )
    note = forms.CharField(
        label="What is new in this edition",
        required=False,
        widget=forms.Textarea(attrs={"rows": 3}),
    )
