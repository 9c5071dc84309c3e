"""The editor's words for the next edition."""

from typing import TYPE_CHECKING

from django import forms

from reports.models import EditionDraft

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
