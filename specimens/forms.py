"""What people type about specimens."""

import re
from decimal import Decimal
from typing import Any

from django import forms
from django.conf import settings
from django.utils import timezone

from labsite.errors import Refused
from labsite.forms import ActionForm
from labsite.tables import ACCEPTED
from specimens.models import Product, ServiceEntry, Specimen
from specimens.odometer import from_odometer
from specimens.words import INCIDENT_WORDS

MOST_KM = 10_000_000
INCIDENT_ROWS = (1, 2, 3)
THOUSANDS = re.compile(r"[+-]?\d{1,3}(,\d{3})+")


def without_commas(value: Any) -> Any:
    """A typed number with a decimal comma or spaces between thousands, as Python reads it."""
    if not isinstance(value, str):
        return value
    text = "".join(value.split())
    if THOUSANDS.fullmatch(text):
        # 21,000 is twenty-one thousand to some and twenty-one to others
        raise forms.ValidationError("Leave out the comma: it could be read in two ways.")
    return text.replace(",", ".") if text.count(",") == 1 else text


class NumberField(forms.FloatField):
    """A number in a plain text box, so that no browser rewrites it."""

    default_error_messages = {"invalid": "This is not a number."}

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("widget", forms.TextInput(attrs={"inputmode": "decimal"}))
        super().__init__(**kwargs)

    def to_python(self, value: Any) -> float | None:  # type: ignore[override]
        return super().to_python(without_commas(value))


class CountField(forms.IntegerField):
    """A whole number in a plain text box."""

    default_error_messages = {"invalid": "Enter a whole number."}

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("widget", forms.TextInput(attrs={"inputmode": "numeric"}))
        kwargs.setdefault("min_value", 0)
        kwargs.setdefault("max_value", 9999)
        super().__init__(**kwargs)

    def to_python(self, value: Any) -> int | None:
        return super().to_python(without_commas(value))


class PriceField(forms.DecimalField):
    """An amount of money."""

    default_error_messages = {"invalid": "This is not an amount, such as 189.00."}

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("widget", forms.TextInput(attrs={"inputmode": "decimal"}))
        super().__init__(max_digits=9, decimal_places=2, required=False, **kwargs)

    def to_python(self, value: Any) -> Decimal | None:  # type: ignore[override]
        return super().to_python(without_commas(value))


def day_field(label: str, *, required: bool = True, help_text: str = "") -> forms.DateField:
    """A date, with the browser's own calendar."""
    return forms.DateField(
        label=label,
        required=required,
        help_text=help_text,
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        error_messages={"invalid": "This is not a date like 2026-03-14."},
    )


def text_field(
    label: str, *, required: bool = False, most: int = 120, help_text: str = ""
) -> forms.CharField:
    """A line of text."""
    return forms.CharField(label=label, required=required, max_length=most, help_text=help_text)


def long_text_field(label: str, *, required: bool = False, help_text: str = "") -> forms.CharField:
    """Several lines of text."""
    return forms.CharField(
        label=label,
        required=required,
        max_length=2000,
        help_text=help_text,
        widget=forms.Textarea(attrs={"rows": 3}),
    )


class TableFileField(forms.FileField):
    """A table to take in; what is too large is refused before it is read."""

    default_error_messages = {
        "required": "Choose a file.",
        "empty": "The file is empty.",
        "missing": "Choose a file.",
    }

    def __init__(self, *, most_bytes: int) -> None:
        self.most_bytes = most_bytes
        super().__init__(
            label="CSV or XLSX file",
            help_text=f"At most {most_bytes // 1024 // 1024} MB. Nothing is stored before you have "
            "seen what is in it.",
            widget=forms.FileInput(attrs={"accept": ACCEPTED}),
        )

    def clean(self, *given: Any) -> Any:
        file = super().clean(*given)
        if file.size > self.most_bytes:
            most = self.most_bytes // 1024 // 1024
            raise forms.ValidationError(f"The file is larger than {most} MB: split it.")
        return file


class ProductForm(ActionForm):
    """A product as sold."""

    maker = text_field("Maker", required=True)
    name = text_field("Name", required=True)
    kind = forms.ChoiceField(label="Kind", choices=Product.Kind.choices)
    size_range = text_field("Sizes", most=80)
    colourway = text_field("Colour", most=80)
    list_price = PriceField(label="List price")
    currency = text_field("Currency", most=3, help_text="Three letters, such as GBP.")
    certification_claims = long_text_field(
        "What the label claims", help_text="As printed on the label, word for word. Not checked."
    )
    padded = forms.BooleanField(
        label="Has pads or other parts made to absorb a blow", required=False
    )


class SpecimenForm(ActionForm):
    """One physical item as it comes in."""

    product = forms.ModelChoiceField(
        label="Product", queryset=Product.objects.all(), empty_label="Choose a product"
    )
    code = text_field(
        "Code", most=12, help_text="From a label printed before. Left empty, a fresh one is made."
    )
    size = text_field("Size", most=20)
    lot = text_field("Lot", most=60)
    acquired = forms.ChoiceField(
        label="How it came", choices=Specimen.Acquired.choices, widget=forms.RadioSelect
    )
    acquired_on = day_field("Came on")
    price_paid = PriceField(label="Price paid")
    currency = text_field("Currency", most=3, help_text="Three letters, such as GBP.")
    paid_by = text_field("Paid by")
    owner_alias = text_field(
        "Owner", most=40, help_text="A stand-in such as 'carrier 07', never the name."
    )
    condition_at_intake = long_text_field(
        "Condition when it came",
        help_text="Marks, smell, damp, dirt, and what differs from what the owner told.",
    )


class CustodyForm(ActionForm):
    """Where a specimen went."""

    at = forms.DateTimeField(
        label="When",
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
        error_messages={"invalid": "This is not a date and time like 2026-03-14 09:30."},
    )
    from_place = text_field("From", required=True)
    to_place = text_field("To", required=True)
    by_name = text_field("Moved by", required=True)
    note = long_text_field("Note")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["at"].help_text = f"The lab's clock: {settings.TIME_ZONE}."
        self.fields["at"].initial = timezone.localtime


class ServiceForm(ActionForm):
    """A stretch of use as its owner or a document tells it."""

    named_here = {"incidents": "incident_1_kind"}

    started_on = day_field("Used from")
    ended_on = day_field("Used until")
    evidence = forms.ChoiceField(
        label="How this is known",
        choices=ServiceEntry.Evidence.choices,
        widget=forms.RadioSelect,
        help_text="Declared stays declared until a document or an instrument supports it.",
    )
    distance_km_low = NumberField(
        label="Distance, at the lowest", required=False, max_value=MOST_KM
    )
    distance_km_best = NumberField(label="Distance, best guess", required=False, max_value=MOST_KM)
    distance_km_high = NumberField(
        label="Distance, at the highest", required=False, max_value=MOST_KM
    )
    odometer_start_km = NumberField(
        label="Or the odometer at the start",
        required=False,
        min_value=0,
        max_value=MOST_KM,
        help_text="Two readings give the distance, with two per cent of doubt on either side.",
    )
    odometer_end_km = NumberField(
        label="Odometer at the end", required=False, min_value=0, max_value=MOST_KM
    )
    wash_count = CountField(
        label="Washes", required=False, help_text="0 means none. Empty means not known."
    )
    proofing_count = CountField(
        label="Proofings", required=False, help_text="0 means none. Empty means not known."
    )
    conditions = long_text_field("Conditions", help_text="Weather, roads, load, storage, care.")
    note = long_text_field("Note")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        kinds = [("", "nothing to tell"), *((kind, kind) for kind in INCIDENT_WORDS)]
        for row in INCIDENT_ROWS:
            self.fields[f"incident_{row}_kind"] = forms.ChoiceField(
                label=f"Incident {row}", choices=kinds, required=False
            )
            self.fields[f"incident_{row}_on"] = day_field(
                f"Incident {row}, day", required=False, help_text="Empty when nobody knows the day."
            )
            self.fields[f"incident_{row}_note"] = text_field(
                f"Incident {row}, what happened", most=300
            )

    def clean(self) -> dict[str, Any]:
        """Gather the incident rows into the one list that the action takes."""
        cleaned = dict(super().clean() or {})
        incidents = []
        for row in INCIDENT_ROWS:
            kind, on, note = (
                cleaned.pop(f"incident_{row}_{part}", None) for part in ("kind", "on", "note")
            )
            if kind:
                incidents.append({"kind": kind, "on": on, "note": note or ""})
            elif on or note:
                self.add_error(f"incident_{row}_kind", "Say what kind of incident this was.")
        return cleaned | self._distance(cleaned) | {"incidents": incidents}

    def _distance(self, cleaned: dict[str, Any]) -> dict[str, Any]:
        """The three distances, from the odometer where that was read."""
        start, end = cleaned.pop("odometer_start_km", None), cleaned.pop("odometer_end_km", None)
        names = ("distance_km_low", "distance_km_best", "distance_km_high")
        is_told = any(cleaned.get(name) is not None for name in names)
        try:
            measured = from_odometer(start, end, is_told=is_told)
        except Refused as refused:
            self.refuse(refused)
            return {}
        return dict(zip(names, measured, strict=True)) if measured else {}

    @property
    def incident_rows(self) -> list[list[forms.BoundField]]:
        """The boxes of each incident, side by side."""
        return [
            [self[f"incident_{row}_{part}"] for part in ("kind", "on", "note")]
            for row in INCIDENT_ROWS
        ]


class RetireForm(ActionForm):
    """The day a specimen was used up."""

    retired_on = day_field("Retired on")
