"""What people type in the lab office about methods, studies, runs and files."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

from django import forms
from django.utils.text import slugify

from labsite.forms import ActionForm
from specimens.codes import BadCode, clean_code
from specimens.forms import CountField, NumberField, TableFileField, long_text_field, text_field
from specimens.models import Product, Specimen, Zone
from specimens.words import date_words
from trials.actions import ArmPlan, MethodPlan
from trials.intervals import plain
from trials.models import Arm, Method, MethodRevision, Study, StudyMethod
from trials.readings_csv import MOST_BYTES
from trials.specimen_finder import Wanted

MOST_ARMS = 6
LEVELS = (("0.9", "90 %"), ("0.95", "95 %"), ("0.99", "99 %"))
MOST_RUNS_EACH = 20
DESIGN = (
    "kind",
    "level",
    "margin",
    "scope",
    "is_simultaneous",
    "is_blind",
    "exclusion_rules",
    "change_of_mind",
    "population",
    "not_claimed",
)


# addresses of the bench that stand where a study's would
TAKEN_SLUGS = frozenset({"safety"})


def check_slug(text: str) -> None:
    """Small letters, digits and dashes."""
    if text in TAKEN_SLUGS:
        raise forms.ValidationError("This address is taken by a page of the bench: use another.")
    if slugify(text) != text:
        raise forms.ValidationError("Use small letters, digits and dashes, such as left-sleeve.")


class MarginField(NumberField):
    """A share typed in per cent and kept as a share."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(min_value=0.1, max_value=90, **kwargs)

    def clean(self, value: Any) -> Any:
        percent = super().clean(value)
        return None if percent is None else round(percent / 100, 6)


class ZoneForm(ActionForm):
    """A part of a product, with a count of sites for each method of the lab."""

    name = text_field("Name", required=True, most=80)
    code = forms.CharField(
        label="Code",
        max_length=40,
        validators=[check_slug],
        help_text="Short, for labels and files: small letters, digits and dashes.",
    )
    side = forms.ChoiceField(label="Side", choices=Zone.Side.choices, initial=Zone.Side.NONE)
    layers = text_field("Layers", most=200, help_text="From outside to inside.")
    padding = text_field("Padding", most=200)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        # the action names a capacity's problem by the method's key, and so does the form
        self.methods = list(Method.objects.all())
        for method in self.methods:
            self.fields[method.key] = CountField(
                label=method.name, required=False, help_text="Sites; empty when it carries none."
            )

    def clean(self) -> dict[str, Any]:
        """Gather the counts into the one mapping that the action takes."""
        cleaned = dict(super().clean() or {})
        counts = {method.key: cleaned.pop(method.key, None) for method in self.methods}
        return cleaned | {"capacities": {key: count for key, count in counts.items() if count}}

    @property
    def plain_fields(self) -> list[forms.BoundField]:
        """The boxes that every zone has."""
        return [self[name] for name in ("name", "code", "side", "layers", "padding")]

    @property
    def capacity_fields(self) -> list[forms.BoundField]:
        """One box for each method."""
        return [self[method.key] for method in self.methods]


class ArmField(forms.ModelChoiceField):  # type: ignore[type-arg]
    """A choice among the arms of all studies."""

    def label_from_instance(self, obj: Any) -> str:
        return f"{obj.study.title}: {obj.label}"


class StudyMethodField(forms.ModelChoiceField):  # type: ignore[type-arg]
    """A choice among the methods of one study."""

    def label_from_instance(self, obj: Any) -> str:
        return str(obj.revision)


class LabSpecimenFilter(forms.Form):
    """What to look for in the list of specimens."""

    code = text_field("Code", most=12)
    product = forms.ModelChoiceField(
        label="Product", queryset=Product.objects.all(), required=False, empty_label="any"
    )
    arm = ArmField(
        label="Arm",
        queryset=Arm.objects.select_related("study").order_by("study__title", "position"),
        required=False,
        empty_label="any",
    )


@dataclass(frozen=True)
class MethodBoxes:
    """The boxes of one method on the form of a study."""

    revision: MethodRevision
    chosen: forms.BoundField
    margin: forms.BoundField


class StudyForm(ActionForm):
    """A study before it is registered."""

    named_here: ClassVar[Mapping[str, str]] = {"arms": "arm_1_codes", "methods": ""}

    title = text_field("Title", required=True, most=160)
    slug = forms.CharField(
        label="Address",
        max_length=60,
        required=False,
        validators=[check_slug],
        help_text="Last part of the web address. Left empty, it is made from the title.",
    )
    question = long_text_field(
        "Question", required=True, help_text="In one or two sentences, before anything is broken."
    )
    kind = forms.ChoiceField(label="Kind", choices=Study.Kind.choices)
    level = forms.TypedChoiceField(
        label="Level of the intervals", choices=LEVELS, coerce=float, initial="0.95"
    )
    margin = MarginField(
        label="Margin that matters", initial="10", help_text="A loss below this does not matter."
    )
    scope = forms.ChoiceField(
        label="Claims are about", choices=Study.Scope.choices, initial=Study.Scope.AUTO
    )
    exclusion_rules = long_text_field(
        "Rules for leaving a reading out",
        help_text="Written now, so that nobody chooses after seeing the values.",
    )
    is_simultaneous = forms.BooleanField(
        label="The level holds for the whole card at once",
        required=False,
        help_text="Every interval becomes wider the more methods the study has.",
    )
    is_blind = forms.BooleanField(
        label="Blind: the bench sees drawn numbers in place of the codes",
        required=False,
        help_text="Somebody who takes no reading hangs the numbers on the specimens.",
    )
    change_of_mind = long_text_field(
        "What would change our mind",
        help_text="Which result would make you answer the other way, and what 'cannot tell' is.",
    )
    population = long_text_field(
        "Who and what it is asked about",
        help_text="Which gear, how old, used by whom: the answer reaches no further than that.",
    )
    not_claimed = long_text_field(
        "What will not be claimed",
        help_text="Such as: nothing about a fall, about a certified class, or about other sizes.",
    )
    baseline = forms.ChoiceField(
        label="Baseline",
        choices=[(str(n), f"Arm {n}") for n in range(1, MOST_ARMS + 1)],
        widget=forms.RadioSelect,
        initial="1",
        help_text="The arm that all others are held against.",
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for n in range(1, MOST_ARMS + 1):
            self.fields[f"arm_{n}_label"] = text_field(f"Arm {n}, label", most=80)
            self.fields[f"arm_{n}_codes"] = forms.CharField(
                label=f"Arm {n}, specimens",
                required=False,
                max_length=20_000,
                widget=forms.Textarea(attrs={"rows": 2}),
            )
        self.revisions = list(
            MethodRevision.objects.filter(state=MethodRevision.State.IN_FORCE).select_related(
                "method"
            )
        )
        for revision in self.revisions:
            self.fields[f"method_{revision.pk}"] = forms.BooleanField(
                label=str(revision), required=False
            )
            self.fields[f"margin_{revision.pk}"] = MarginField(
                label=f"Margin for {revision.method.property}", required=False
            )
        self.fields["primary"] = forms.ChoiceField(
            label="The property that the answer turns on",
            choices=[
                ("", "No single one: all count alike"),
                *((str(r.pk), str(r)) for r in self.revisions),
            ],
            required=False,
            help_text="Chosen now, so that nobody picks the most striking figure afterwards.",
        )

    def clean(self) -> dict[str, Any]:
        """Gather arms and methods into what the action takes."""
        cleaned = dict(super().clean() or {})
        arms = self._arms(cleaned)
        methods = [
            MethodPlan(
                revision,
                cleaned.get(f"margin_{revision.pk}"),
                is_primary=cleaned.get("primary") == str(revision.pk),
            )
            for revision in self.revisions
            if cleaned.get(f"method_{revision.pk}")
        ]
        own = (*DESIGN, "title", "question")
        fields = {name: cleaned[name] for name in own if name in cleaned}
        fields["slug"] = cleaned.get("slug") or slugify(cleaned.get("title", ""))[:60].strip("-")
        # the action checks these too; here they are told together with everything else
        if len(arms) < 2:
            self.add_error("arm_1_codes", "A comparison needs at least two arms.")
        elif not any(arm.is_baseline for arm in arms):
            self.add_error("baseline", "This arm is empty: choose one that has specimens.")
        if not methods:
            self.add_error(None, "Choose at least one method.")
        elif cleaned.get("primary") and not any(method.is_primary for method in methods):
            self.add_error("primary", "The study does not use this method: tick it above.")
        if "title" in cleaned and not fields["slug"]:
            self.add_error("slug", "The title gives no address: type one.")
        return {"fields": fields, "arms": arms, "methods": methods}

    def _arms(self, cleaned: dict[str, Any]) -> list[ArmPlan]:
        arms: list[ArmPlan] = []
        keys: set[str] = set()
        for n in range(1, MOST_ARMS + 1):
            label, codes = cleaned.get(f"arm_{n}_label", ""), cleaned.get(f"arm_{n}_codes", "")
            if not label and not codes:
                continue
            if not label:
                self.add_error(f"arm_{n}_label", "Name this arm.")
            key = slugify(label)[:40] or f"arm-{n}"
            if key in keys:
                self.add_error(f"arm_{n}_label", "Another arm has this name.")
            keys.add(key)
            specimens, pairs = self._specimens(f"arm_{n}_codes", codes)
            arms.append(ArmPlan(key, label, cleaned.get("baseline") == str(n), specimens, pairs))
        return arms

    def _specimens(self, field: str, text: str) -> tuple[list[Specimen], dict[str, str]]:
        """The specimens named in a box, and the label of those that are one of a pair."""
        pairs: dict[str, str] = {}  # by code, in the order typed; no label, no pair
        for typed in text.replace(",", " ").replace(";", " ").split():
            code, _, pair = typed.partition("=")
            try:
                pairs[clean_code(code[:20])] = pair[:40]
            except BadCode as why:
                self.add_error(field, str(why))
        found = {specimen.code: specimen for specimen in Specimen.objects.filter(code__in=pairs)}
        for code in pairs:
            if code not in found:
                self.add_error(field, f"The lab has no specimen {code}.")
            elif (retired := found[code].retired_on) is not None:
                self.add_error(field, f"{code} is used up: retired on {date_words(retired)}.")
        labels = {code: pair for code, pair in pairs.items() if pair}
        if len(set(labels.values())) < len(labels):
            self.add_error(field, "A pair has one specimen in each arm: a label is here twice.")
        if not pairs and not self.errors.get(field):
            self.add_error(field, "Name the specimens of this arm.")
        return list(found.values()), labels

    @property
    def own_fields(self) -> list[forms.BoundField]:
        """The boxes about the study as a whole."""
        return [self[name] for name in ("title", "slug", "question", *DESIGN)]

    @property
    def arm_rows(self) -> list[tuple[forms.BoundField, forms.BoundField]]:
        """Label and specimens of each arm."""
        return [(self[f"arm_{n}_label"], self[f"arm_{n}_codes"]) for n in range(1, MOST_ARMS + 1)]

    @property
    def method_rows(self) -> list[MethodBoxes]:
        """The methods in force with their boxes."""
        return [
            MethodBoxes(one, self[f"method_{one.pk}"], self[f"margin_{one.pk}"])
            for one in self.revisions
        ]


def typed_so_far(
    data: Mapping[str, str], form_class: type[StudyForm] = StudyForm
) -> dict[str, Any]:
    """What was typed, as the start of a form that is not checked yet: nothing typed is lost."""
    return {
        name: name in data if isinstance(field, forms.BooleanField) else data.get(name, "")
        for name, field in form_class().fields.items()
    }


class FinderForm(forms.Form):
    """What the specimens of an arm have in common."""

    prefix = "find"

    product = forms.ModelChoiceField(
        label="Product", queryset=Product.objects.all(), required=False, empty_label="any"
    )
    wear = forms.ChoiceField(
        label="Wear",
        required=False,
        choices=[("", "any"), ("never", "never worn"), ("worn", "worn")],
    )
    size = text_field("Size", most=20)
    lot = text_field("Lot", most=60)
    owner = text_field("Owner", most=40)
    km_from = NumberField(label="Distance from", required=False, min_value=0)
    km_to = NumberField(label="Distance to", required=False, min_value=0)
    months_from = NumberField(label="In use from", required=False, min_value=0)
    months_to = NumberField(label="In use to", required=False, min_value=0)
    is_free = forms.BooleanField(label="In no study yet", required=False)
    arm = forms.TypedChoiceField(
        label="Put the ticked ones in",
        required=False,
        coerce=int,
        choices=[(str(n), f"Arm {n}") for n in range(1, MOST_ARMS + 1)],
    )

    def __init__(self, *args: Any, labels: Mapping[int, str] | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        arm = self.fields["arm"]
        if isinstance(arm, forms.TypedChoiceField):
            arm.choices = [
                (str(n), f"Arm {n}: {label}" if label else f"Arm {n}")
                for n in range(1, MOST_ARMS + 1)
                for label in [(labels or {}).get(n, "")[:40]]
            ]

    def clean(self) -> dict[str, Any]:
        """Ranges run upwards."""
        cleaned = dict(super().clean() or {})
        for name in ("km", "months"):
            low, high = cleaned.get(f"{name}_from"), cleaned.get(f"{name}_to")
            if low is not None and high is not None and high < low:
                self.add_error(f"{name}_to", "This is below the start of the range.")
        return cleaned

    @property
    def wanted(self) -> Wanted:
        """The answer, once it is sound."""
        names = set(Wanted.__dataclass_fields__)
        return Wanted(**{k: v for k, v in self.cleaned_data.items() if k in names})


def like_initial(study: Study) -> dict[str, Any]:
    """The boxes of a new study like this one: its design and arms without their specimens.

    Specimens are left out because a broken one cannot be asked again.
    """
    arms = list(study.arms.all())
    boxes: dict[str, Any] = {name: getattr(study, name) for name in DESIGN}
    boxes |= {
        "title": f"{study.title}, again"[:160],
        "question": study.question,
        "level": plain_level(study.level),
        "margin": plain(round(study.margin * 100, 4)),
    }
    for n, arm in enumerate(arms[:MOST_ARMS], start=1):
        boxes[f"arm_{n}_label"] = arm.label
        if arm.is_baseline:
            boxes["baseline"] = str(n)
    for used in study.study_methods.select_related("revision__method"):
        # the newest revision in force stands in for one that was retired since
        newest = used.revision.method.revisions.filter(state=MethodRevision.State.IN_FORCE).last()
        if newest is not None:
            boxes[f"method_{newest.pk}"] = True
            boxes[f"margin_{newest.pk}"] = plain(round(used.margin * 100, 4))
            if used.is_primary:
                boxes["primary"] = str(newest.pk)
    return boxes


def matched_initial(asked: Mapping[str, str]) -> dict[str, Any]:
    """The boxes of a study of matched specimens, whose codes the address brings; else empty."""
    unworn, worn = (asked.get(name, "")[:20_000] for name in ("unworn", "worn"))
    if not unworn or not worn:
        return {}
    return {
        "kind": Study.Kind.WORN_NEW,
        "arm_1_label": "Unworn",
        "arm_1_codes": unworn,
        "arm_2_label": "Worn",
        "arm_2_codes": worn,
    }


def own_initial(study: Study) -> dict[str, Any]:
    """The boxes of a study that is not registered yet, as it stands, specimens and pairs too."""
    boxes = like_initial(study) | {"title": study.title, "slug": study.slug}
    arms = study.arms.prefetch_related("members__specimen")
    for n, arm in enumerate(arms[:MOST_ARMS], start=1):
        boxes[f"arm_{n}_codes"] = " ".join(
            f"{one.specimen.code}={one.pair}" if one.pair else one.specimen.code
            for one in arm.members.all()
        )
    for used in study.study_methods.all():
        if boxes.get(f"margin_{used.revision_id}") == boxes["margin"]:
            boxes[f"margin_{used.revision_id}"] = ""
    return boxes


def plain_level(level: float) -> str:
    """The level as the form's list has it."""
    return next((text for text, _ in LEVELS if float(text) == level), LEVELS[1][0])


class PlanForm(ActionForm):
    """Runs of one method in one zone on every specimen of a study."""

    method = StudyMethodField(
        label="Method", queryset=StudyMethod.objects.none(), empty_label="Choose a method"
    )
    zone = forms.ChoiceField(label="Zone")
    runs_each = CountField(
        label="Runs on each specimen", initial=1, min_value=1, max_value=MOST_RUNS_EACH
    )

    def __init__(
        self, *args: Any, study: Study, zones: list[tuple[str, str]], **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        method, zone = self.fields["method"], self.fields["zone"]
        if isinstance(method, forms.ModelChoiceField):
            method.queryset = study.study_methods.select_related("revision__method")
        if isinstance(zone, forms.ChoiceField):
            zone.choices = zones


class SettleForm(ActionForm):
    """Which of two entries is right, and how one knows."""

    takes_other = forms.TypedChoiceField(
        label="Which one is right",
        choices=(("no", "the standing reading"), ("yes", "the later entry")),
        coerce=lambda answer: answer == "yes",
        widget=forms.RadioSelect,
        help_text="Taking the later entry amends the standing reading. Both stay readable.",
    )
    note = long_text_field("How you know", required=True)


class UploadForm(ActionForm):
    """A file of readings."""

    file = TableFileField(most_bytes=MOST_BYTES)
