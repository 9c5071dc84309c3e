"""What people type when something is looked at, sent to a maker, or let out."""

from datetime import datetime

from django import forms
from django.utils import timezone

from reports.episode_corrections import NEEDED
from reports.models import Interest, ReplyAnswer
from trials.models import Study


class DayField(forms.DateField):
    """A day, typed or picked."""

    def __init__(self, **options: object) -> None:
        super().__init__(widget=forms.DateInput(attrs={"type": "date"}), **options)  # type: ignore[arg-type]


class SignOffForm(forms.Form):
    """The second person's word."""

    note = forms.CharField(
        label="Why it may go out with what is to be looked at",
        required=False,
        widget=forms.Textarea(attrs={"rows": 3}),
    )


class StandForm(forms.Form):
    """A reason to let a flag stand."""

    rule = forms.CharField(max_length=60)
    quote = forms.CharField(required=False, max_length=200, strip=False)
    sentence = forms.CharField(required=False, strip=False)
    reason = forms.CharField(
        max_length=300, error_messages={"required": "Say why it may stand. Your name is kept."}
    )


class MinuteField(forms.DateTimeField):
    """A day and a minute, typed or picked, by the lab's clock."""

    def __init__(self, **options: object) -> None:
        super().__init__(
            widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
            input_formats=["%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M:%S"],
            **options,  # type: ignore[arg-type]
        )


class EmbargoForm(forms.Form):
    """Until when nothing goes out."""

    ends_at = MinuteField(label="Ends")
    agreed = forms.CharField(label="Who has seen it, and what was agreed", max_length=300)


class LiftForm(forms.Form):
    """Why an embargo ends early."""

    reason = forms.CharField(label="Why it is lifted early", max_length=300)


class ReleaseForm(forms.Form):
    """A minute to come."""

    release_at = MinuteField(label="Day and time of release")

    def clean_release_at(self) -> datetime:
        """A time to come."""
        at: datetime = self.cleaned_data["release_at"]
        if at <= timezone.now():
            raise forms.ValidationError("Give a day and time to come.")
        return at


class PreviewForm(forms.Form):
    """A link for one person."""

    for_whom = forms.CharField(label="For whom", max_length=100)
    days = forms.IntegerField(label="Days until it ends", min_value=1, max_value=60, initial=7)


class CorrectionForm(forms.Form):
    """What a second edition of an episode puts right."""

    was_wrong = forms.CharField(
        label="What was wrong, or is new", widget=forms.Textarea(attrs={"rows": 2})
    )
    is_right = forms.CharField(label="What is right", widget=forms.Textarea(attrs={"rows": 2}))
    since = forms.CharField(label="Since when it was wrong", max_length=200)
    found = forms.CharField(label="How it was found", max_length=300)

    def __init__(self, *args: object, **options: object) -> None:
        super().__init__(*args, **options)  # type: ignore[arg-type]
        for name, told in NEEDED.items():
            self.fields[name].error_messages["required"] = told


class AskForm(forms.Form):
    """A request to a maker."""

    maker = forms.ChoiceField(label="Maker")
    sent_to = forms.CharField(label="Sent to", max_length=200)
    deadline_on = DayField(
        label="Answer wanted by", help_text="Ten working days are fair; less only with a reason."
    )
    questions = forms.CharField(label="Questions", widget=forms.Textarea(attrs={"rows": 4}))

    def __init__(self, *args: object, makers: list[str], **options: object) -> None:
        super().__init__(*args, **options)  # type: ignore[arg-type]
        self.fields["maker"] = forms.ChoiceField(label="Maker", choices=[(m, m) for m in makers])


class AnswerForm(forms.Form):
    """What came back."""

    kind = forms.ChoiceField(label="What came back", choices=ReplyAnswer.Kind.choices)
    text = forms.CharField(
        label="The answer", required=False, widget=forms.Textarea(attrs={"rows": 4})
    )
    changed = forms.CharField(
        label="What we changed because of it",
        required=False,
        widget=forms.Textarea(attrs={"rows": 2}),
    )


class InterestForm(forms.ModelForm):  # type: ignore[type-arg]
    """Money, a gift or a tie."""

    started_on = DayField(label="Since")
    ended_on = DayField(label="Until", required=False)

    class Meta:
        model = Interest
        fields = ["kind", "who", "what", "started_on", "ended_on"]
        labels = {"kind": "Kind", "who": "Who", "what": "What, in one sentence for readers"}

    def clean(self) -> None:
        """An end is not before its start."""
        super().clean()
        start, end = self.cleaned_data.get("started_on"), self.cleaned_data.get("ended_on")
        if start and end and end < start:
            self.add_error("ended_on", "It cannot end before it began.")


class ExemptionForm(forms.Form):
    """A lab of one person."""

    is_on = forms.TypedChoiceField(
        label="The exemption",
        choices=[("yes", "is in force"), ("no", "is ended")],
        coerce=lambda text: text == "yes",
    )
    reason = forms.CharField(label="Why", max_length=300)
    until_on = DayField(label="Until", required=False, help_text="At most a year.")


class EpisodeForm(forms.Form):
    """An episode's title, length and pace."""

    title = forms.CharField(label="Title", max_length=160)
    question = forms.CharField(
        label="The question it answers", required=False, widget=forms.Textarea(attrs={"rows": 2})
    )
    minutes = forms.DecimalField(
        label="Length to aim at, in minutes",
        min_value=1,
        max_value=240,
        decimal_places=1,
        initial=12,
    )
    words_per_minute = forms.IntegerField(
        label="Words a minute",
        min_value=60,
        max_value=300,
        initial=150,
        help_text="Time yourself on a page; 130 to 170 is common.",
    )

    def episode_fields(self) -> dict[str, object]:
        """As the action takes them."""
        given = self.cleaned_data
        return {
            "title": given["title"],
            "question": given["question"],
            "target_seconds": round(float(given["minutes"]) * 60),
            "words_per_minute": given["words_per_minute"],
        }


class NewEpisodeForm(EpisodeForm):
    """With the studies it draws on."""

    studies = forms.ModelMultipleChoiceField(
        label="Studies it draws on",
        queryset=Study.objects.none(),
        widget=forms.CheckboxSelectMultiple,
        error_messages={"required": "Choose at least one study."},
    )

    def __init__(self, *args: object, **options: object) -> None:
        super().__init__(*args, **options)  # type: ignore[arg-type]
        self.fields["studies"].queryset = Study.objects.registered().order_by("title")  # type: ignore[attr-defined]
