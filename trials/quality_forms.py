"""What people type about instruments, consumables, controls, the room, traces and methods."""

from typing import Any, ClassVar

from django import forms
from django.utils import timezone

from labsite.forms import ActionForm
from specimens.forms import CountField, NumberField, day_field, long_text_field, text_field
from specimens.models import Specimen
from trials.forms import MarginField, check_slug
from trials.intervals import MOST_FRAMES
from trials.models import (
    ConsumableLot,
    ConsumableUnit,
    ControlMaterial,
    Instrument,
    MethodRevision,
    ReviewMark,
    Run,
    Study,
)
from trials.physics.cfc import CLASSES
from trials.physics.trace_figures import TraceSettings
from trials.physics.units import written


def time_field(label: str, *, required: bool = True, help_text: str = "") -> forms.DateTimeField:
    """A time on the site's clock, with the browser's own picker; seconds may be left out."""
    return forms.DateTimeField(
        label=label,
        required=required,
        help_text=help_text or f"Time zone: {timezone.get_default_timezone_name()}.",
        initial=timezone.localtime if required else None,
        widget=forms.DateTimeInput(
            attrs={"type": "datetime-local", "step": "1"}, format="%Y-%m-%dT%H:%M"
        ),
        error_messages={"invalid": "This is not a time like 2026-03-14 10:15."},
    )


def choice_field(label: str, queryset: Any, *, required: bool = True, empty: str = "choose") -> Any:
    """A choice among rows."""
    return forms.ModelChoiceField(
        label=label, queryset=queryset, required=required, empty_label=empty
    )


class InstrumentForm(ActionForm):
    """An instrument for the register."""

    name = text_field("Name", required=True)
    code = forms.CharField(
        label="Code",
        max_length=40,
        validators=[check_slug],
        help_text="As on its label: small letters, digits and dashes.",
    )
    kind = forms.ChoiceField(label="Kind", choices=Instrument.Kind.choices)
    unit = text_field("Unit it reads in", required=True, most=20, help_text="Such as °C or kN.")
    serial = text_field("Serial number", most=80)
    place = text_field("Where it is kept", most=80)
    note = long_text_field("Note")


class CalibrationForm(ActionForm):
    """What a calibration found."""

    done_on = day_field("Done on")
    due_on = day_field("Due on", help_text="The last day on which it counts.")
    done_by = text_field("Done by", required=True)
    certificate = text_field("Certificate")
    as_found_error = NumberField(
        label="Error as found",
        required=False,
        help_text="Shown less true, before anything was adjusted.",
    )
    tolerance = NumberField(
        label="Error that is tolerated", required=False, min_value=0, help_text="Either way."
    )
    correction = NumberField(
        label="Correction",
        initial=0,
        help_text="Added by the program to what it shows from that day on.",
    )
    expanded_uncertainty = NumberField(label="Expanded uncertainty", min_value=1e-12)
    coverage_factor = NumberField(label="Coverage factor", initial=2, min_value=1, max_value=10)
    note = long_text_field("Note")


class CheckForm(ActionForm):
    """A check before use."""

    at = time_field("When")
    against = text_field("Against what", required=True, help_text="Such as melting ice.")
    expected = NumberField(label="Should show")
    shown = NumberField(label="Showed")
    limit = NumberField(label="Largest difference that passes", min_value=1e-12)
    note = long_text_field("Note")


class WrongForm(ActionForm):
    """An instrument found wrong."""

    found_at = time_field("Found when")
    error = NumberField(label="Error", help_text="Shown less true.")
    what_happened = long_text_field("What was found, and how", required=True)


class ReasonForm(ActionForm):
    """A reason in a sentence."""

    reason = long_text_field("Why", required=True)


class CauseForm(ActionForm):
    """The cause of a finding."""

    cause = long_text_field("Cause", required=True, help_text="Or that it was not found.")


class MarkForm(ActionForm):
    """What became of readings that a finding reaches."""

    outcome = forms.ChoiceField(
        label="What became of it",
        choices=[c for c in ReviewMark.Outcome.choices if c[0] != ReviewMark.Outcome.TO_REVIEW],
    )
    note = long_text_field("How you know", required=True)


class UseForAllForm(ActionForm):
    """What all runs of a method in a study were made with."""

    study = choice_field("Study", Study.objects.registered())
    revision = choice_field(
        "Method", MethodRevision.objects.exclude(state="draft").select_related("method")
    )
    reason = long_text_field("How you know", required=True)


class EquipmentForm(ActionForm):
    """What one run is made with."""

    instrument = choice_field("Instrument", Instrument.objects.none(), required=False, empty="none")
    consumable = choice_field(
        "Consumable", ConsumableUnit.objects.none(), required=False, empty="none"
    )
    reason = forms.CharField(
        label="Why, when it is overdue or past its limit",
        required=False,
        max_length=500,
    )

    for_the_rest = forms.BooleanField(
        label="The same instrument for this method's other runs that are still to do",
        required=False,
    )

    def __init__(self, *args: Any, run: Run, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        needs = run.revision
        instruments = Instrument.objects.filter(state=Instrument.State.IN_SERVICE)
        if needs.needs_instruments:
            instruments = instruments.filter(kind__in=needs.needs_instruments)
        else:
            del self.fields["for_the_rest"]
        units = ConsumableUnit.objects.filter(discarded_on__isnull=True).select_related("lot")
        if needs.needs_consumables:
            units = units.filter(lot__kind__in=needs.needs_consumables)
        spent = ConsumableUnit.objects.filter(uses__is_one_shot=True)
        self.fields["instrument"].queryset = instruments  # type: ignore[attr-defined]
        self.fields["consumable"].queryset = units.exclude(pk__in=spent)  # type: ignore[attr-defined]


class LotForm(ActionForm):
    """A delivery of consumables."""

    kind = forms.ChoiceField(label="Kind", choices=ConsumableLot.Kind.choices)
    name = text_field("Name", required=True, help_text="Such as 60 grit belt.")
    lot = text_field("Lot", required=True, most=60)
    piece_count = CountField(label="Pieces", min_value=1, max_value=500, initial=1)
    received_on = day_field("Received on")
    expires_on = day_field("Expires on", required=False)
    is_one_shot = forms.BooleanField(label="Works once", required=False)
    use_limit = CountField(
        label="Uses of one piece",
        required=False,
        min_value=1,
        help_text="Empty when it does not wear. A piece that works once has one.",
    )
    trips_at = NumberField(label="An indicator trips at", required=False, min_value=0)
    trips_unit = text_field("Unit of that level", most=20, help_text="Such as g_n.")
    tolerance = MarginField(label="Tolerance of that level, in %", required=False)
    note = long_text_field("Note")


class MaterialForm(ActionForm):
    """A control material."""

    name = text_field("Name", required=True)
    lot = text_field("Lot", most=60)
    reference_value = NumberField(
        label="What it should read",
        required=False,
        min_value=1e-12,
        help_text="In the unit of the method. Empty takes the middle of all its runs.",
    )
    note = long_text_field("Note")


class ControlRunForm(ActionForm):
    """A control run, entered as a reading is."""

    RAW: ClassVar[dict[str, tuple[str, ...]]] = {
        "value": ("value",),
        "timer": ("seconds", "ended"),
        "tally": ("turns", "ended"),
        "rising_steps": ("held_at", "failed_at"),
        "challenge": ("level", "outcome"),
        "mass_gain": ("before_g", "after_g"),
    }
    named_here: ClassVar[dict[str, str]] = {}

    material = choice_field("Material", ControlMaterial.objects.none())
    session_label = text_field("Session", required=True, most=60, help_text="Such as 4 May.")
    ran_at = time_field("When")
    consumable = choice_field(
        "Piece used", ConsumableUnit.objects.none(), required=False, empty="none"
    )
    note = long_text_field("Note")

    def __init__(self, *args: Any, revision: MethodRevision, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.raw_names = self.RAW.get(revision.outcome_kind, ())
        labels = {
            "value": f"Reading, in {written(revision.unit)}",
            "seconds": "Seconds",
            "turns": "Turns",
            "held_at": f"Held at, in {written(revision.unit)}",
            "failed_at": f"Failed at, in {written(revision.unit)}",
            "level": f"Level, in {written(revision.unit)}",
            "before_g": "Mass before, in g",
            "after_g": "Mass after, in g",
        }
        for name in self.raw_names:
            if name == "ended":
                choices = [("failed", "It failed"), ("stopped", "Stopped before it failed")]
                self.fields[name] = forms.ChoiceField(label="How it ended", choices=choices)
            elif name == "outcome":
                choices = [("held", "It held"), ("failed", "It failed")]
                self.fields[name] = forms.ChoiceField(label="What happened", choices=choices)
            else:
                self.fields[name] = NumberField(
                    label=labels[name], required=not name.endswith("_at")
                )
        materials = ControlMaterial.objects.filter(method=revision.method_id)
        self.fields["material"].queryset = materials  # type: ignore[attr-defined]
        units = ConsumableUnit.objects.filter(discarded_on__isnull=True).select_related("lot")
        if revision.needs_consumables:
            units = units.filter(lot__kind__in=revision.needs_consumables)
        self.fields["consumable"].queryset = units  # type: ignore[attr-defined]
        self.order_fields(
            ["material", "session_label", "ran_at", *self.raw_names, "consumable", "note"]
        )

    @property
    def raw(self) -> dict[str, Any]:
        """What was read, as the method's entry."""
        return {name: self.cleaned_data[name] for name in self.raw_names}


class RoomForm(ActionForm):
    """The climate of a room."""

    at = time_field("When")
    place = text_field("Room", required=True, most=80)
    temperature_degc = NumberField(label="Temperature, in °C", min_value=-80, max_value=120)
    humidity_percent = NumberField(
        label="Relative humidity, in %", required=False, min_value=0, max_value=100
    )
    instrument = choice_field(
        "Read with", Instrument.objects.filter(kind="climate"), required=False, empty="not recorded"
    )
    note = long_text_field("Note")


class ConditioningForm(ActionForm):
    """A specimen's stay in a conditioned place."""

    specimen = choice_field("Specimen", Specimen.objects.select_related("product"))
    place = text_field("Place", required=True, most=80)
    started_at = time_field("From")
    ended_at = time_field("To")
    note = long_text_field("Note")


class TraceUploadForm(ActionForm):
    """A logger's file."""

    file = forms.FileField(
        label="File of the logger",
        help_text="CSV or text, at most 400 MB and 5 million samples. Nothing becomes a reading "
        "before you have looked at it.",
        widget=forms.FileInput(attrs={"accept": ".csv,.txt,.tsv,text/csv,text/plain"}),
        error_messages={"required": "Choose a file.", "empty": "The file is empty."},
    )


class TraceForm(ActionForm):
    """How a trace is read; what the method fixes is not asked."""

    CHOSEN = (
        "time_unit",
        "value_unit",
        "sample_rate_hz",
        "is_inverted",
        "cfc",
        "full_scale",
        "baseline_from_s",
        "baseline_to_s",
        "contact_s",
    )

    value_columns = forms.MultipleChoiceField(
        label="Columns to read",
        widget=forms.CheckboxSelectMultiple,
        help_text="Several are axes and make one resultant.",
    )
    value_unit = text_field("Their unit", required=True, most=20)
    time_column = forms.ChoiceField(label="Column of times")
    time_unit = forms.ChoiceField(label="Unit of time", choices=[("s", "s"), ("ms", "ms")])
    sample_rate_hz = NumberField(
        label="Samples per second", required=False, min_value=1e-6, help_text="Without a column."
    )
    cfc = forms.TypedChoiceField(
        label="Filter class",
        required=False,
        coerce=int,
        empty_value=None,
        choices=[("", "no filter"), *((str(c), f"CFC {c}") for c in CLASSES)],
    )
    is_inverted = forms.BooleanField(label="Turn the sign round", required=False)
    full_scale = NumberField(label="Full scale of the sensor", required=False, min_value=1e-12)
    baseline_from_s = NumberField(
        label="Baseline from, in s", required=False, help_text="Empty: before the event."
    )
    baseline_to_s = NumberField(label="Baseline to, in s", required=False)
    contact_s = NumberField(
        label="Moment of contact, in s", required=False, help_text="Empty: the first sample."
    )

    def __init__(self, *args: Any, labels: list[str], fixed: dict[str, Any], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        choices = [(str(place), label) for place, label in enumerate(labels)]
        self.fields["value_columns"].choices = choices  # type: ignore[attr-defined]
        self.fields["time_column"].choices = [  # type: ignore[attr-defined]
            *choices,
            ("", "none: use the sampling rate"),
        ]
        self.fields["time_column"].required = False
        self.fixed = fixed
        is_heat = fixed.get("figure") == "rise_time"
        left_out = {"baseline_from_s", "baseline_to_s", "cfc"} if is_heat else {"contact_s"}
        for name in {*fixed, *left_out}:
            self.fields.pop(name, None)

    @classmethod
    def typed(cls, settings: TraceSettings) -> dict[str, Any]:
        """These settings as this form would send them."""
        chosen = {name: getattr(settings, name) for name in cls.CHOSEN}
        return {name: "" if value is None else value for name, value in chosen.items()} | {
            "value_columns": [str(place) for place in settings.value_columns],
            "time_column": "" if settings.time_column is None else str(settings.time_column),
        }

    @property
    def settings(self) -> TraceSettings:
        """The settings as chosen, with what the method fixes."""
        chosen = self.cleaned_data
        time_column = chosen["time_column"]
        given = {name: chosen[name] for name in self.CHOSEN if name in chosen}
        return TraceSettings(
            **(
                given
                | {
                    "value_columns": tuple(int(place) for place in chosen["value_columns"]),
                    "time_column": int(time_column) if time_column else None,
                }
                | self.fixed
            )
        )


class KeepFigureForm(ActionForm):
    """What a person says when a figure becomes a reading."""

    measured_at = time_field("Measured when")
    flaw_reason = long_text_field("Why the trace is kept with its flaws")
    note = long_text_field("Note")


class FilmTimeForm(ActionForm):
    """A time between two marks on a film."""

    video = text_field(
        "Film", required=True, most=120, help_text="The name of the file or the card."
    )
    frames_per_second = NumberField(
        label="Frames a second",
        min_value=1,
        max_value=MOST_FRAMES,
        help_text="Fixed over the film. A camera that varies its rate gives no time.",
    )
    from_s = NumberField(
        label="First mark, in s",
        min_value=0,
        help_text="Of the first frame on which it has begun, such as the first without the burner.",
    )
    to_s = NumberField(
        label="Second mark, in s",
        min_value=0,
        help_text="Of the first frame on which it has ended.",
    )
    ended = forms.ChoiceField(
        label="How it ended",
        choices=[
            ("failed", "It ended at the second mark"),
            ("stopped", "It had not ended at the second mark"),
        ],
    )
    measured_at = time_field("Filmed when")
    note = long_text_field("Note")
