"""Forms for putting right what was published."""

from typing import TYPE_CHECKING, Any

from django import forms
from django.db.models import QuerySet

from reports.models import CorrectionDraft, Edition

if TYPE_CHECKING:
    EditionChoiceField = forms.ModelChoiceField[Edition]
else:
    EditionChoiceField = forms.ModelChoiceField


class EditionChoice(EditionChoiceField):
    """One of a study's editions, by its number."""

    def label_from_instance(self, obj: Any) -> str:
        return f"Edition {obj.number}"


if TYPE_CHECKING:
    CorrectionModelForm = forms.ModelForm[CorrectionDraft]
else:
    CorrectionModelForm = forms.ModelForm


class CorrectionForm(CorrectionModelForm):
    """The parts of a correction that only a person can write, in the order readers meet them."""

    class Meta:
        model = CorrectionDraft
        fields = [
            "corrects",
            "kind",
            "what_was_published",
            "where_published",
            "what_is_right",
            "wrong_since",
            "conclusion",
            "cause",
            "also_checked",
            "found_how",
            "found_by",
            "what_to_do",
            "prevention",
            "apology",
        ]
        labels = {
            "corrects": "Which edition is corrected",
            "kind": "What kind of correction",
            "what_was_published": "What was published, word for word",
            "where_published": "Where it stood",
            "what_is_right": "What is right",
            "wrong_since": "Wrong since",
            "conclusion": "Does the conclusion change",
            "cause": "What caused it",
            "also_checked": "What else was checked",
            "found_how": "How it was found",
            "found_by": "Who found it",
            "what_to_do": "What readers who acted on it should do",
            "prevention": "What prevents a repeat",
            "apology": "Apology",
        }
        help_texts = {
            "kind": "Correction: a fact was wrong. Amended result: the lab measured or worked out "
            "anew. Clarification: true, but it misled. Update: new data, and the first edition was "
            "right at its time.",
            "what_was_published": "Quote it, with its figure and unit.",
            "where_published": "Which part of the page, minute of the video, chart or file.",
            "what_is_right": "In the same words and units as above.",
            "wrong_since": "The day it was first published wrong.",
            "conclusion": "In one sentence: what a reader may still conclude, and what not.",
            "found_by": "Only if they agree to be named. Leave it empty otherwise.",
            "apology": "Where somebody was harmed or misled to their cost. May stay empty.",
        }
        widgets = {
            "wrong_since": forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
            **{
                name: forms.Textarea(attrs={"rows": 3})
                for name in (
                    "what_was_published",
                    "what_is_right",
                    "conclusion",
                    "cause",
                    "also_checked",
                    "found_how",
                    "what_to_do",
                    "prevention",
                    "apology",
                )
            },
        }

    def __init__(self, *args: Any, editions: QuerySet[Edition], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["corrects"] = EditionChoice(
            queryset=editions.select_related("study").defer("content"),
            label=self.Meta.labels["corrects"],
            empty_label=None,
            initial=editions.first(),
        )


class WithdrawalForm(forms.Form):
    """Why nobody may rely on an edition any more."""

    reason = forms.CharField(
        label="Why it is withdrawn",
        help_text="Readers see this above everything else on the page.",
        widget=forms.Textarea(attrs={"rows": 3}),
    )
    found_how = forms.CharField(label="How it was found", widget=forms.Textarea(attrs={"rows": 2}))
    what_to_do = forms.CharField(
        label="What readers who acted on it should do",
        widget=forms.Textarea(attrs={"rows": 2}),
    )
