"""How it is tested and what was read: methods, studies, runs and readings."""

from __future__ import annotations

import uuid
from typing import TYPE_CHECKING

from django.conf import settings
from django.db import models
from django.db.models import Exists, F, OuterRef, Q

from specimens.models import Specimen, Zone
from trials.intervals import ReadingKind, Scale
from trials.safety import FAMILIES

if TYPE_CHECKING:
    from django_stubs_ext.db.models.manager import RelatedManager


class Method(models.Model):
    """A way to test one property; what it says lives in its revisions."""

    key = models.SlugField(max_length=60, unique=True)
    name = models.CharField(max_length=120)
    property = models.CharField(max_length=120)

    revisions: RelatedManager[MethodRevision]

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


class MethodRevision(models.Model):
    """One version of a method. Once in force it never changes: a change is a new revision."""

    class State(models.TextChoices):
        DRAFT = "draft", "draft"
        IN_FORCE = "in force", "in force"
        RETIRED = "retired", "retired"

    class Direction(models.TextChoices):
        HIGHER = "higher", "more is better"
        LOWER = "lower", "less is better"

    class Outcome(models.TextChoices):
        VALUE = ReadingKind.VALUE.value, "measured value"
        TIMER = ReadingKind.TIMER.value, "stopped or ended timer"
        TALLY = ReadingKind.TALLY.value, "tally of turns"
        RISING_STEPS = ReadingKind.RISING_STEPS.value, "rising steps"
        CHALLENGE = ReadingKind.CHALLENGE.value, "challenge held or failed"
        MASS_GAIN = ReadingKind.MASS_GAIN.value, "mass before and after"
        GRADE = ReadingKind.GRADE.value, "grade by a rater"

    class Family(models.TextChoices):
        MASS = "mass", "mass and photographs"
        WATER = "water", "water"
        WHOLE = "whole", "leaves the specimen whole"
        SEAM = "seam", "seam"
        IMPACT = "impact", "impact"
        PUNCTURE = "puncture", "puncture"
        ABRASION = "abrasion", "abrasion"
        HEAT = "heat", "heat"
        FLAME = "flame", "flame"

    method = models.ForeignKey(Method, on_delete=models.PROTECT, related_name="revisions")
    number = models.PositiveSmallIntegerField()
    state = models.CharField(max_length=8, choices=State, default=State.DRAFT)
    outcome_kind = models.CharField(max_length=12, choices=Outcome)
    quantity = models.CharField(max_length=120)
    unit = models.CharField(max_length=20)
    direction = models.CharField(max_length=6, choices=Direction)
    resolution = models.FloatField()
    detection_limit = models.FloatField(null=True, blank=True)
    range_low = models.FloatField(default=0)
    range_high = models.FloatField()
    margin = models.FloatField(default=0.1)
    settings = models.JSONField(default=list, blank=True)
    levels = models.JSONField(default=list, blank=True)
    grade_scale = models.JSONField(default=list, blank=True)
    steps = models.JSONField(default=list)
    hazards = models.JSONField(default=list, blank=True)
    checks = models.JSONField(default=list, blank=True)
    destructive = models.BooleanField(default=True)
    spoils = models.JSONField(default=list, blank=True)
    work_family = models.CharField(
        max_length=10, choices=Family, blank=True, help_text="Its place in the order of work."
    )
    spoils_rules = models.JSONField(
        default=list, blank=True, help_text="Which later families it spoils, and how far."
    )
    relation = models.CharField(max_length=120, default="bench method, not the certified test")
    standard_note = models.TextField(blank=True)
    control_material = models.CharField(max_length=120, blank=True)
    derivation = models.CharField(max_length=80, blank=True)
    derivation_settings = models.JSONField(default=dict, blank=True)
    minutes = models.PositiveSmallIntegerField(default=15)
    needs_instruments = models.JSONField(
        default=list, blank=True, help_text="Kinds of instrument a run is made with."
    )
    needs_consumables = models.JSONField(
        default=list, blank=True, help_text="Kinds of consumable a run uses."
    )
    corrects_by_control = models.BooleanField(
        default=False, help_text="Readings are corrected by the control runs around them."
    )
    control_drift_limit = models.FloatField(
        null=True,
        blank=True,
        help_text="Largest share by which two control runs in a row may differ.",
    )
    conditions = models.JSONField(
        default=dict, blank=True, help_text="Limits of the room and hours of conditioning."
    )
    trace = models.JSONField(
        default=dict, blank=True, help_text="The figure read from a logged trace, with settings."
    )
    change_note = models.TextField(blank=True)
    hazard_family = models.CharField(
        max_length=12,
        blank=True,
        choices=[(key, prompts.words) for key, prompts in FAMILIES.items()],
        help_text="Which prompts the bench shows: when to stop, and what to do afterwards.",
    )
    stop_if = models.JSONField(
        default=list, blank=True, help_text="Stop at once if; empty takes those of the family."
    )
    after_run = models.JSONField(
        default=list, blank=True, help_text="After a run; empty takes those of the family."
    )
    needs_second_person = models.BooleanField(
        default=False, help_text="A second person confirms each reading, by their own sign-in."
    )
    keyed_twice = models.BooleanField(
        default=False,
        help_text="The second person types each reading without looking at the first.",
    )
    plausible_low = models.FloatField(
        null=True, blank=True, help_text="Below this the bench asks again."
    )
    plausible_high = models.FloatField(
        null=True, blank=True, help_text="Above this the bench asks again."
    )
    step_rule = models.JSONField(
        default=dict,
        blank=True,
        help_text="Rising steps: start, stride, may_return and enough (failed over held).",
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["method", "number"], name="revision_once"),
            models.CheckConstraint(
                condition=Q(plausible_low__isnull=True)
                | Q(plausible_high__isnull=True)
                | Q(plausible_high__gte=F("plausible_low")),
                name="revision_plausible_range",
            ),
            models.CheckConstraint(condition=Q(resolution__gt=0), name="revision_resolution"),
            models.CheckConstraint(
                condition=Q(range_low__gte=0, range_high__gt=F("range_low")), name="revision_range"
            ),
            models.CheckConstraint(
                condition=Q(margin__gt=0, margin__lt=1), name="revision_margin_share"
            ),
            models.CheckConstraint(
                condition=Q(detection_limit__isnull=True) | Q(detection_limit__gt=0),
                name="revision_detection_limit",
            ),
            models.CheckConstraint(
                condition=Q(control_drift_limit__isnull=True)
                | Q(control_drift_limit__gt=0, control_drift_limit__lt=1),
                name="revision_drift_limit",
            ),
        ]
        ordering = ["method", "number"]

    def __str__(self) -> str:
        return f"{self.method.name}, revision {self.number}"

    @property
    def scale(self) -> Scale:
        """How this revision reads, for turning entries into intervals."""
        return Scale(
            kind=ReadingKind(self.outcome_kind),
            unit=self.unit,
            resolution=self.resolution,
            detection_limit=self.detection_limit,
            range_low=self.range_low,
            range_high=self.range_high,
            levels=tuple(self.levels),
            grades=tuple(step["grade"] for step in self.grade_scale),
            grade_words=tuple(step["words"] for step in self.grade_scale),
        )


class ControlRun(models.Model):
    """A run on a stable material that watches the machine, not the gear."""

    revision = models.ForeignKey(
        MethodRevision, on_delete=models.PROTECT, related_name="control_runs"
    )
    material = models.CharField(max_length=120)
    session_label = models.CharField(max_length=60)
    ran_at = models.DateTimeField()
    low = models.FloatField()
    high = models.FloatField(null=True, blank=True)
    note = models.TextField(blank=True)
    consumable = models.ForeignKey(
        "ConsumableUnit",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="control_runs",
    )
    by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(low__gte=0) & (Q(high__isnull=True) | Q(high__gte=F("low"))),
                name="control_run_interval",
            ),
            models.UniqueConstraint(
                fields=["revision", "material", "ran_at"], name="control_run_once"
            ),
        ]
        ordering = ["revision", "ran_at"]

    def __str__(self) -> str:
        return f"{self.material}, {self.session_label}"


class StudyQuerySet(models.QuerySet["Study"]):
    """Words for choosing studies."""

    def registered(self) -> StudyQuerySet:
        """Studies whose question is fixed and that may take readings."""
        return self.filter(registered_at__isnull=False)


class Study(models.Model):
    """A question put to specimens, fixed before the first of them is broken."""

    class Kind(models.TextChoices):
        WORN_NEW = "worn-new", "worn against new"
        AGES = "ages", "several service ages"
        TREATMENT = "treatment", "before and after a treatment"
        PRICE = "price", "one product against another"

    class Scope(models.TextChoices):
        AUTO = "auto", "as the number of specimens allows"
        ITEMS = "these items", "these items only"

    slug = models.SlugField(max_length=60, unique=True)
    title = models.CharField(max_length=160)
    question = models.TextField()
    kind = models.CharField(max_length=20, choices=Kind)
    level = models.FloatField(default=0.95)
    margin = models.FloatField(default=0.1)
    scope = models.CharField(max_length=12, choices=Scope, default=Scope.AUTO)
    exclusion_rules = models.TextField(blank=True)
    is_simultaneous = models.BooleanField(
        default=False,
        help_text="Widen every interval so that the level holds for the whole card at once.",
    )
    is_blind = models.BooleanField(
        default=False, help_text="The bench shows drawn codes in place of the specimens' own."
    )
    change_of_mind = models.TextField(
        blank=True, help_text="What reading would make us answer the question the other way."
    )
    population = models.TextField(
        blank=True, help_text="What gear and whose use it is asked about."
    )
    not_claimed = models.TextField(blank=True, help_text="What the answer will not be used for.")
    is_invented = models.BooleanField(default=False)
    registered_at = models.DateTimeField(null=True, blank=True)
    registered_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    registration_digest = models.CharField(max_length=64, blank=True)
    inputs_version = models.PositiveIntegerField(
        default=0, editable=False, help_text="Goes up with every change that can move a finding."
    )

    objects = StudyQuerySet.as_manager()

    arms: RelatedManager[Arm]
    study_methods: RelatedManager[StudyMethod]
    runs: RelatedManager[Run]

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(level__gte=0.5, level__lte=0.999), name="study_level"
            ),
            models.CheckConstraint(condition=Q(margin__gt=0, margin__lt=1), name="study_margin"),
            models.CheckConstraint(
                condition=Q(
                    registered_at__isnull=True, registered_by__isnull=True, registration_digest=""
                )
                | Q(registered_at__isnull=False, registered_by__isnull=False)
                & ~Q(registration_digest=""),
                name="study_registration_whole",
            ),
        ]
        ordering = ["title"]
        verbose_name_plural = "studies"

    def __str__(self) -> str:
        return self.title


class Arm(models.Model):
    """One side of a comparison. One arm of a study is the baseline."""

    study = models.ForeignKey(Study, on_delete=models.CASCADE, related_name="arms")
    key = models.SlugField(max_length=40)
    label = models.CharField(max_length=80)
    position = models.PositiveSmallIntegerField(default=0)
    is_baseline = models.BooleanField(default=False)
    specimens = models.ManyToManyField(Specimen, through="ArmSpecimen", related_name="arms")

    members: RelatedManager[ArmSpecimen]

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["study", "key"], name="arm_once"),
            models.UniqueConstraint(
                fields=["study"], condition=Q(is_baseline=True), name="one_baseline_per_study"
            ),
        ]
        ordering = ["study", "position"]

    def __str__(self) -> str:
        return self.label


class ArmSpecimen(models.Model):
    """A specimen's place in a study: one arm only."""

    study = models.ForeignKey(Study, on_delete=models.CASCADE, related_name="+")
    arm = models.ForeignKey(Arm, on_delete=models.CASCADE, related_name="members")
    specimen = models.ForeignKey(Specimen, on_delete=models.PROTECT, related_name="memberships")
    pair = models.CharField(
        max_length=40,
        blank=True,
        help_text="The same label in two arms makes a pair: one owner, or left and right.",
    )
    blind_code = models.CharField(max_length=6, blank=True)
    amendment = models.ForeignKey(
        "StudyAmendment",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="members",
        help_text="What brought it in after registration; empty when it was there from the start.",
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["study", "specimen"], name="specimen_in_one_arm"),
            models.UniqueConstraint(
                fields=["arm", "pair"], condition=~Q(pair=""), name="pair_once_per_arm"
            ),
            models.UniqueConstraint(
                fields=["study", "blind_code"], condition=~Q(blind_code=""), name="blind_code_once"
            ),
        ]
        ordering = ["arm", "specimen"]

    def __str__(self) -> str:
        return f"{self.specimen} in {self.arm}"


class StudyMethod(models.Model):
    """A method revision a study uses, with the margin that matters for its property."""

    study = models.ForeignKey(Study, on_delete=models.CASCADE, related_name="study_methods")
    revision = models.ForeignKey(MethodRevision, on_delete=models.PROTECT, related_name="+")
    margin = models.FloatField()
    position = models.PositiveSmallIntegerField(default=0)
    is_primary = models.BooleanField(
        default=False, help_text="The one property that the answer turns on."
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["study", "revision"], name="study_method_once"),
            models.UniqueConstraint(
                fields=["study"], condition=Q(is_primary=True), name="study_one_primary"
            ),
            models.CheckConstraint(
                condition=Q(margin__gt=0, margin__lt=1), name="study_method_margin"
            ),
        ]
        ordering = ["study", "position"]

    def __str__(self) -> str:
        return f"{self.revision} in {self.study}"


class RunQuerySet(models.QuerySet["Run"]):
    """Words for choosing runs."""

    def valid(self) -> RunQuerySet:
        """Runs that are not void."""
        return self.filter(void__isnull=True)

    def for_page(self) -> RunQuerySet:
        """Runs with what a list of them shows, without a query for each."""
        return self.select_related(
            "specimen__product", "zone", "revision__method", "study", "void", "void__by"
        ).prefetch_related("readings__by")


class Run(models.Model):
    """One execution of a method revision on one site of one specimen."""

    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="runs")
    revision = models.ForeignKey(MethodRevision, on_delete=models.PROTECT, related_name="runs")
    specimen = models.ForeignKey(Specimen, on_delete=models.PROTECT, related_name="runs")
    zone = models.ForeignKey(Zone, on_delete=models.PROTECT, related_name="runs")
    site = models.PositiveSmallIntegerField(default=1)
    position = models.PositiveIntegerField(default=0, help_text="Order on the run sheet.")
    session = models.PositiveSmallIntegerField(
        default=0, help_text="Day of work on the bench; 0 for a run added by hand."
    )
    plan = models.ForeignKey(
        "Plan",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="runs",
        help_text="What drew its place in the order; empty when nothing did.",
    )
    planned_at = models.DateTimeField(auto_now_add=True)
    planned_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )
    note = models.TextField(blank=True)
    entry = models.UUIDField(
        null=True,
        blank=True,
        unique=True,
        editable=False,
        help_text="Of the tablet that added it; its readings may name the run by it.",
    )

    objects = RunQuerySet.as_manager()

    readings: RelatedManager[Reading]
    void: RunVoid

    class Meta:
        constraints = [
            # a site is consumed once, whatever came of the run; a repeat needs a fresh site
            models.UniqueConstraint(
                fields=["specimen", "zone", "revision", "site"], name="site_used_once"
            ),
            models.CheckConstraint(condition=Q(site__gte=1), name="run_site_from_one"),
        ]
        indexes = [models.Index(fields=["study", "position"])]
        ordering = ["study", "position", "pk"]

    def __str__(self) -> str:
        return f"{self.specimen.code} {self.zone.code} {self.revision.method.key} {self.site}"


class RunVoid(models.Model):
    """A run that did not measure the thing. Never because of its value."""

    class Reason(models.TextChoices):
        WRONG_LEVEL = "wrong level", "wrong level or setting"
        SLIPPED = "slipped", "specimen slipped or failed in the jaw"
        INTERRUPTED = "interrupted", "guard or power interruption before the end"
        INSTRUMENT = "instrument", "instrument out of check"
        WRONG_SPECIMEN = "wrong specimen", "wrong specimen or zone"
        CONDITIONING = "conditioning", "conditioning limit exceeded"
        RECORDING = "recording", "no original observation was kept"
        OTHER = "other", "another physical reason, told below"

    run = models.OneToOneField(Run, on_delete=models.PROTECT, related_name="void")
    reason = models.CharField(max_length=20, choices=Reason)
    note = models.TextField()
    value_was_known = models.BooleanField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(help_text="When it was decided, by the server's clock.")
    entry = models.UUIDField(null=True, blank=True, unique=True, editable=False)
    received_at = models.DateTimeField(null=True, blank=True)
    clock_offset_s = models.FloatField(null=True, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=~Q(note=""), name="void_says_why"),
        ]

    def __str__(self) -> str:
        return f"{self.run}: {self.get_reason_display()}"


class ReadingQuerySet(models.QuerySet["Reading"]):
    """Words for choosing readings."""

    def current(self) -> ReadingQuerySet:
        """Readings that no newer record supersedes."""
        newer = Reading.objects.filter(supersedes=OuterRef("pk"))
        return self.filter(~Exists(newer))


class Reading(models.Model):
    """What was seen in a run. Append-only: an amendment is a newer record that says why.

    `high` empty means no upper end. The unit is the method revision's.
    """

    class EnteredFrom(models.TextChoices):
        BENCH = "bench", "at the bench"
        PAPER = "paper", "from paper"
        PHOTOS = "photos", "from photos"

    uuid = models.UUIDField(primary_key=True, default=uuid.uuid4)
    run = models.ForeignKey(Run, on_delete=models.PROTECT, related_name="readings")
    kind = models.CharField(max_length=12, choices=MethodRevision.Outcome)
    raw = models.JSONField()
    low = models.FloatField(null=True, blank=True)
    high = models.FloatField(null=True, blank=True)
    grade = models.PositiveSmallIntegerField(null=True, blank=True)
    words = models.CharField(max_length=200)
    rater = models.CharField(max_length=40, blank=True)
    note = models.TextField(blank=True)
    entered_from = models.CharField(max_length=6, choices=EnteredFrom, default=EnteredFrom.BENCH)
    measured_at = models.DateTimeField(
        help_text="When it was taken: by the bench's clock, put right by `clock_offset_s`."
    )
    clock_offset_s = models.FloatField(
        null=True,
        blank=True,
        help_text="What was added to the tablet's time, in seconds; empty when nobody measured it.",
    )
    entered_at = models.DateTimeField(help_text="By the server's clock.")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    supersedes = models.OneToOneField(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="superseded_by"
    )
    reason = models.TextField(blank=True)
    digest = models.CharField(max_length=64)

    objects = ReadingQuerySet.as_manager()

    superseded_by: Reading

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(kind=ReadingKind.GRADE.value, grade__isnull=False, low__isnull=True)
                & Q(high__isnull=True)
                & ~Q(rater="")
                | ~Q(kind=ReadingKind.GRADE.value) & Q(grade__isnull=True, low__isnull=False),
                name="reading_is_interval_or_grade",
            ),
            models.CheckConstraint(
                condition=Q(low__isnull=True)
                | Q(low__gte=0) & (Q(high__isnull=True) | Q(high__gte=F("low"))),
                name="reading_low_not_above_high",
            ),
            models.CheckConstraint(
                condition=Q(supersedes__isnull=True) | ~Q(reason=""),
                name="reading_amendment_says_why",
            ),
            models.UniqueConstraint(
                fields=["run", "rater"],
                condition=Q(supersedes__isnull=True),
                name="one_first_reading_per_run_and_rater",
            ),
        ]
        ordering = ["run", "entered_at", "uuid"]

    def __str__(self) -> str:
        return f"{self.run}: {self.words}"


class ReadingConflict(models.Model):
    """An entry that came for a place already taken. Both are kept for a person to settle."""

    reading_uuid = models.UUIDField()
    run = models.ForeignKey(Run, on_delete=models.PROTECT, related_name="conflicts")
    standing = models.ForeignKey(Reading, on_delete=models.PROTECT, related_name="conflicts")
    content = models.JSONField()
    digest = models.CharField(max_length=64)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    received_at = models.DateTimeField()
    settled_at = models.DateTimeField(null=True, blank=True)
    settled_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    settled_note = models.TextField(blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["reading_uuid", "digest"], name="conflict_kept_once"),
            models.CheckConstraint(
                condition=Q(settled_at__isnull=True, settled_by__isnull=True)
                | Q(settled_at__isnull=False, settled_by__isnull=False) & ~Q(settled_note=""),
                name="conflict_settled_whole",
            ),
        ]
        ordering = ["received_at"]

    def __str__(self) -> str:
        return f"{self.run}: entry of {self.received_at:%Y-%m-%d %H:%M}"


class SafetyAcknowledgement(models.Model):
    """A person passed a method's checks before running it."""

    revision = models.ForeignKey(MethodRevision, on_delete=models.PROTECT, related_name="+")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    answers = models.JSONField()
    watcher = models.CharField(
        max_length=80, blank=True, help_text="Who watches, where the checks ask for two people."
    )
    entry = models.UUIDField(null=True, blank=True, unique=True, editable=False)
    received_at = models.DateTimeField(null=True, blank=True)
    clock_offset_s = models.FloatField(null=True, blank=True)

    class Meta:
        indexes = [models.Index(fields=["revision", "by", "at"])]

    def __str__(self) -> str:
        return f"{self.revision}, {self.by}"


class ReadingUpload(models.Model):
    """A file of readings as it came, with what became of it."""

    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="uploads")
    file_name = models.CharField(max_length=200)
    content = models.BinaryField()
    digest = models.CharField(max_length=64)
    columns = models.JSONField(
        null=True, blank=True, help_text="Our column to its place in the file, as a person said."
    )
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    received_at = models.DateTimeField()
    stored_at = models.DateTimeField(null=True, blank=True)
    row_count = models.PositiveIntegerField(default=0)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["study", "digest"],
                condition=Q(stored_at__isnull=False),
                name="upload_stored_once",
            ),
        ]
        ordering = ["-received_at"]

    def __str__(self) -> str:
        return self.file_name


# --- what stands behind a reading --------------------------------------------------------------


class Instrument(models.Model):
    """Something a reading is taken with. Its fitness at a time follows from its calibrations."""

    class State(models.TextChoices):
        IN_SERVICE = "in service", "in service"
        QUARANTINED = "quarantined", "set aside until it is put right"
        RETIRED = "retired", "retired"

    class Kind(models.TextChoices):
        THERMOMETER = "thermometer", "thermometer or thermocouple logger"
        LOAD_CELL = "load cell", "load cell or force gauge"
        ACCELEROMETER = "accelerometer", "accelerometer"
        BALANCE = "balance", "balance"
        TIMER = "timer", "timer or stopwatch"
        LENGTH = "length", "ruler, calliper or height scale"
        SPEED = "speed", "speed gate or tachometer"
        PRESSURE = "pressure", "pressure gauge"
        CLIMATE = "climate", "room thermometer and hygrometer"
        OTHER = "other", "other"

    code = models.SlugField(max_length=40, unique=True)
    name = models.CharField(max_length=120)
    kind = models.CharField(max_length=20, choices=Kind)
    unit = models.CharField(max_length=20, help_text="What it reads in, such as degC.")
    serial = models.CharField(max_length=80, blank=True)
    place = models.CharField(max_length=80, blank=True)
    state = models.CharField(max_length=12, choices=State, default=State.IN_SERVICE)
    note = models.TextField(blank=True)

    calibrations: RelatedManager[Calibration]
    checks: RelatedManager[InstrumentCheck]

    class Meta:
        ordering = ["code"]

    def __str__(self) -> str:
        return f"{self.name} ({self.code})"


class Calibration(models.Model):
    """What a calibration found, as it came in. Never changed; a mistake is put right by another."""

    instrument = models.ForeignKey(
        Instrument, on_delete=models.PROTECT, related_name="calibrations"
    )
    done_on = models.DateField()
    due_on = models.DateField(help_text="The last day on which it counts.")
    done_by = models.CharField(max_length=120)
    certificate = models.CharField(max_length=120, blank=True)
    as_found_error = models.FloatField(
        null=True, blank=True, help_text="Shown less true, before anything was adjusted."
    )
    tolerance = models.FloatField(null=True, blank=True)
    correction = models.FloatField(default=0, help_text="To be added to what it shows.")
    expanded_uncertainty = models.FloatField()
    coverage_factor = models.FloatField(default=2)
    note = models.TextField(blank=True)
    recorded_at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(due_on__gte=F("done_on")), name="calibration_due_after_done"
            ),
            models.CheckConstraint(
                condition=Q(expanded_uncertainty__gt=0, coverage_factor__gt=0),
                name="calibration_uncertainty",
            ),
            models.CheckConstraint(
                condition=Q(tolerance__isnull=True) | Q(tolerance__gt=0),
                name="calibration_tolerance",
            ),
        ]
        ordering = ["instrument", "-done_on", "-pk"]

    def __str__(self) -> str:
        return f"{self.instrument}, calibrated {self.done_on:%d %B %Y}"


class InstrumentCheck(models.Model):
    """A check before use against something whose value is known. Never changed."""

    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, related_name="checks")
    at = models.DateTimeField()
    against = models.CharField(max_length=120)
    expected = models.FloatField()
    shown = models.FloatField()
    limit = models.FloatField(help_text="Largest difference that passes.")
    note = models.TextField(blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(limit__gt=0), name="instrument_check_limit"),
        ]
        ordering = ["instrument", "-at"]

    def __str__(self) -> str:
        return f"{self.instrument}, checked {self.at:%d %B %Y %H:%M}"


class InstrumentUse(models.Model):
    """An instrument a run was made with. `reason` says why although it was not in calibration."""

    run = models.ForeignKey(Run, on_delete=models.PROTECT, related_name="instrument_uses")
    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, related_name="uses")
    reason = models.TextField(blank=True)
    at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["run", "instrument"], name="instrument_use_once"),
        ]
        ordering = ["run", "pk"]

    def __str__(self) -> str:
        return f"{self.run}: {self.instrument}"


class OutOfTolerance(models.Model):
    """An instrument was found wrong. It reaches back to the last time it was shown to be right."""

    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, related_name="findings")
    found_at = models.DateTimeField()
    error = models.FloatField(help_text="Shown less true.")
    last_right_at = models.DateTimeField(
        null=True, blank=True, help_text="Empty when nothing shows that it ever was right."
    )
    last_right_words = models.CharField(max_length=200, blank=True)
    what_happened = models.TextField()
    cause = models.TextField(blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField()
    closed_at = models.DateTimeField(null=True, blank=True)
    closed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )

    marks: RelatedManager[ReviewMark]

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(last_right_at__isnull=True) | Q(found_at__gte=F("last_right_at")),
                name="found_after_last_right",
            ),
            models.CheckConstraint(
                condition=Q(closed_at__isnull=True, closed_by__isnull=True)
                | Q(closed_at__isnull=False, closed_by__isnull=False),
                name="out_of_tolerance_closed_whole",
            ),
        ]
        ordering = ["-found_at"]
        verbose_name_plural = "out of tolerance"

    def __str__(self) -> str:
        return f"{self.instrument} found wrong on {self.found_at:%d %B %Y}"


class ReviewMark(models.Model):
    """A reading that an out-of-tolerance finding reaches, and what a person made of it."""

    class Outcome(models.TextChoices):
        TO_REVIEW = "to review", "to be looked at"
        UNAFFECTED = "unaffected", "not affected"
        CORRECTED = "corrected", "amended"
        VOIDED = "voided", "run voided"
        UNKNOWN = "unknown", "effect not known"

    finding = models.ForeignKey(OutOfTolerance, on_delete=models.PROTECT, related_name="marks")
    reading = models.ForeignKey(Reading, on_delete=models.PROTECT, related_name="review_marks")
    outcome = models.CharField(max_length=12, choices=Outcome, default=Outcome.TO_REVIEW)
    note = models.TextField(blank=True)
    by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["finding", "reading"], name="review_mark_once"),
            models.CheckConstraint(
                condition=Q(outcome="to review")
                | ~Q(note="") & Q(by__isnull=False, at__isnull=False),
                name="review_says_why",
            ),
        ]
        ordering = ["finding", "reading__measured_at", "pk"]

    def __str__(self) -> str:
        return f"{self.reading}: {self.get_outcome_display()}"


class ConsumableLot(models.Model):
    """Belts, indicators, pellets or reference fabric of one delivery."""

    class Kind(models.TextChoices):
        BELT = "belt", "abrasive belt"
        INDICATOR = "indicator", "one-shot shock indicator"
        PELLET = "pellet", "pellets or points"
        REFERENCE_FABRIC = "reference fabric", "reference fabric"
        BLADE = "blade", "blades"
        OTHER = "other", "other"

    kind = models.CharField(max_length=20, choices=Kind)
    name = models.CharField(max_length=120)
    lot = models.CharField(max_length=60)
    received_on = models.DateField()
    expires_on = models.DateField(null=True, blank=True)
    use_limit = models.PositiveIntegerField(
        null=True, blank=True, help_text="Uses of one piece; empty when it does not wear."
    )
    is_one_shot = models.BooleanField(default=False)
    trips_at = models.FloatField(null=True, blank=True, help_text="Nominal level of an indicator.")
    trips_unit = models.CharField(max_length=20, blank=True)
    tolerance = models.FloatField(
        null=True, blank=True, help_text="Share of the nominal level either way."
    )
    note = models.TextField(blank=True)

    units: RelatedManager[ConsumableUnit]

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["kind", "name", "lot"], name="consumable_lot_once"),
            models.CheckConstraint(
                condition=Q(is_one_shot=False) | Q(use_limit=1), name="one_shot_is_used_once"
            ),
            models.CheckConstraint(
                condition=Q(use_limit__isnull=True) | Q(use_limit__gte=1), name="use_limit_from_one"
            ),
            models.CheckConstraint(
                condition=Q(tolerance__isnull=True) | Q(tolerance__gt=0, tolerance__lt=1),
                name="indicator_tolerance_share",
            ),
        ]
        ordering = ["kind", "name", "lot"]

    def __str__(self) -> str:
        return f"{self.name}, lot {self.lot}"


class ConsumableUnit(models.Model):
    """One piece of a lot: belt 14, indicator 22."""

    lot = models.ForeignKey(ConsumableLot, on_delete=models.PROTECT, related_name="units")
    label = models.CharField(max_length=40)
    discarded_on = models.DateField(null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["lot", "label"], name="consumable_unit_once"),
        ]
        ordering = ["lot", "pk"]

    def __str__(self) -> str:
        return f"{self.lot.name} {self.label}, lot {self.lot.lot}"


class ConsumableUse(models.Model):
    """A piece that a run used up in part or whole. `reason` says why although past its limit."""

    run = models.ForeignKey(Run, on_delete=models.PROTECT, related_name="consumable_uses")
    unit = models.ForeignKey(ConsumableUnit, on_delete=models.PROTECT, related_name="uses")
    is_one_shot = models.BooleanField(default=False)
    is_past_limit = models.BooleanField(default=False)
    reason = models.TextField(blank=True)
    at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["run", "unit"], name="consumable_use_once"),
            models.UniqueConstraint(
                fields=["unit"], condition=Q(is_one_shot=True), name="one_shot_used_once"
            ),
            models.CheckConstraint(
                condition=Q(is_past_limit=False) | ~Q(reason=""), name="past_limit_says_why"
            ),
        ]
        ordering = ["run", "pk"]

    def __str__(self) -> str:
        return f"{self.run}: {self.unit}"


class ControlMaterial(models.Model):
    """What control runs of a method are made on. Its value sets the level of a correction."""

    method = models.ForeignKey(Method, on_delete=models.PROTECT, related_name="control_materials")
    name = models.CharField(max_length=120)
    lot = models.CharField(max_length=60, blank=True)
    reference_value = models.FloatField(
        null=True,
        blank=True,
        help_text="In the unit of the method; empty takes the middle of all its runs.",
    )
    note = models.TextField(blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["method", "name"], name="control_material_once"),
            models.CheckConstraint(
                condition=Q(reference_value__isnull=True) | Q(reference_value__gt=0),
                name="control_material_value",
            ),
        ]
        ordering = ["method", "name"]

    def __str__(self) -> str:
        return self.name


class RoomReading(models.Model):
    """The climate of a room at one time. Never changed."""

    at = models.DateTimeField()
    place = models.CharField(max_length=80)
    temperature_degc = models.FloatField()
    humidity_percent = models.FloatField(null=True, blank=True)
    instrument = models.ForeignKey(
        Instrument, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    note = models.TextField(blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["place", "at"], name="room_reading_once"),
            models.CheckConstraint(
                condition=Q(temperature_degc__gte=-80, temperature_degc__lte=120),
                name="room_temperature",
            ),
            models.CheckConstraint(
                condition=Q(humidity_percent__isnull=True)
                | Q(humidity_percent__gte=0, humidity_percent__lte=100),
                name="room_humidity",
            ),
        ]
        ordering = ["-at"]

    def __str__(self) -> str:
        return f"{self.place}, {self.at:%d %B %Y %H:%M}"


class Conditioning(models.Model):
    """A stay of a specimen in a conditioned place before its runs."""

    specimen = models.ForeignKey(Specimen, on_delete=models.PROTECT, related_name="conditionings")
    place = models.CharField(max_length=80)
    started_at = models.DateTimeField()
    ended_at = models.DateTimeField()
    note = models.TextField(blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(ended_at__gt=F("started_at")), name="conditioning_ends_later"
            ),
            models.UniqueConstraint(fields=["specimen", "started_at"], name="conditioning_once"),
        ]
        ordering = ["specimen", "-started_at"]

    def __str__(self) -> str:
        return f"{self.specimen.code} in {self.place}"


class PublishedLimit(models.Model):
    """A level a published standard asks for, shipped or entered by the lab. Context only.

    With a table named, the newest row of that table speaks for the method.
    """

    method = models.ForeignKey(Method, on_delete=models.PROTECT, related_name="published_limits")
    table = models.CharField(
        max_length=40, blank=True, help_text="One of trials.physics.published_tables, or none."
    )
    standard = models.CharField(max_length=80)
    edition = models.CharField(max_length=40)
    clause = models.CharField(max_length=80)
    words = models.CharField(max_length=200, help_text="What the standard asks, in your words.")
    is_comparable = models.BooleanField(
        default=False, help_text="The same quantity, measured in the same way."
    )
    why = models.TextField(help_text="Why it may, or may not, be held against this method.")
    entered_at = models.DateTimeField()
    by = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="+",
        help_text="Empty for one that came with the program.",
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["method", "standard", "edition", "clause", "words", "is_comparable"],
                name="published_limit_once",
            ),
        ]
        ordering = ["method", "standard", "clause"]

    def __str__(self) -> str:
        return f"{self.standard}, {self.edition}, {self.clause}"


class UncertaintyBudget(models.Model):
    """Where a method's uncertainty comes from. A change is a new version."""

    revision = models.ForeignKey(MethodRevision, on_delete=models.PROTECT, related_name="budgets")
    number = models.PositiveSmallIntegerField()
    at_value = models.FloatField(help_text="The reading it is worked out at.")
    components = models.JSONField()
    note = models.TextField(blank=True)
    made_at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["revision", "number"], name="budget_once"),
            models.CheckConstraint(condition=Q(at_value__gt=0), name="budget_value"),
        ]
        ordering = ["revision", "-number"]

    def __str__(self) -> str:
        return f"{self.revision}, budget {self.number}"


class TraceFile(models.Model):
    """A logged file of a run: all its columns as numbers, and the digest of the file as it came."""

    run = models.ForeignKey(Run, on_delete=models.PROTECT, related_name="traces")
    file_name = models.CharField(max_length=200)
    byte_count = models.PositiveBigIntegerField()
    digest = models.CharField(max_length=64)
    separator = models.CharField(max_length=12)
    columns = models.JSONField(help_text="Label and unit of each column, as read from the header.")
    sample_count = models.PositiveIntegerField()
    received_at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    blocks: RelatedManager[TraceBlock]

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["run", "digest"], name="trace_file_once"),
            models.CheckConstraint(condition=Q(sample_count__gte=2), name="trace_two_samples"),
        ]
        ordering = ["run", "received_at"]

    def __str__(self) -> str:
        return f"{self.file_name} of {self.run}"


class TraceBlock(models.Model):
    """A stretch of one column of a trace: little-endian 64-bit numbers, compressed."""

    trace = models.ForeignKey(TraceFile, on_delete=models.CASCADE, related_name="blocks")
    column = models.PositiveSmallIntegerField()
    position = models.PositiveIntegerField()
    content = models.BinaryField()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["trace", "column", "position"], name="trace_block_once"
            ),
        ]
        ordering = ["trace", "column", "position"]

    def __str__(self) -> str:
        return f"{self.trace}, column {self.column}, block {self.position}"


class TraceUpload(models.Model):
    """A large file of a logger on its way to becoming a trace; a worker reads it."""

    run = models.ForeignKey(Run, on_delete=models.PROTECT, related_name="trace_uploads")
    file_name = models.CharField(max_length=200)
    byte_count = models.PositiveBigIntegerField(default=0)
    digest = models.CharField(max_length=64, blank=True, help_text="Empty until all of it is here.")
    received_at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    trace = models.OneToOneField(
        TraceFile, null=True, blank=True, on_delete=models.PROTECT, related_name="upload"
    )
    problem = models.TextField(blank=True, help_text="Why it could not be read.")

    pieces: RelatedManager[TraceUploadPiece]

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["run", "digest"], condition=~Q(digest=""), name="trace_upload_once"
            ),
        ]
        ordering = ["-received_at"]

    def __str__(self) -> str:
        return f"{self.file_name} for {self.run}"


class TraceUploadPiece(models.Model):
    """A stretch of such a file, compressed; gone once the file was read."""

    upload = models.ForeignKey(TraceUpload, on_delete=models.CASCADE, related_name="pieces")
    position = models.PositiveIntegerField()
    content = models.BinaryField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["upload", "position"], name="trace_piece_once"),
        ]
        ordering = ["upload", "position"]

    def __str__(self) -> str:
        return f"{self.upload}, piece {self.position}"


class TraceFigure(models.Model):
    """The figure of a long trace as a worker read it: by settings and version of the program."""

    trace = models.ForeignKey(TraceFile, on_delete=models.CASCADE, related_name="figures")
    key = models.CharField(max_length=64, help_text="Digest of settings and code version.")
    shown = models.JSONField()
    at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["trace", "key"], name="trace_figure_once"),
        ]
        ordering = ["trace", "-at"]

    def __str__(self) -> str:
        return f"Figure of {self.trace}"


class TraceReading(models.Model):
    """How a reading was derived from a trace: enough to work it out again."""

    reading = models.OneToOneField(Reading, on_delete=models.PROTECT, related_name="derived")
    trace = models.ForeignKey(TraceFile, on_delete=models.PROTECT, related_name="derived")
    figure = models.CharField(max_length=40)
    settings = models.JSONField()
    value = models.FloatField()
    unit = models.CharField(max_length=20)
    flaws = models.JSONField(default=list)
    flaw_reason = models.TextField(blank=True)
    code_version = models.CharField(max_length=20)
    offset_sensitivity = models.FloatField(
        null=True,
        blank=True,
        help_text="How the figure moves for one unit added to the trace; empty when not known.",
    )

    class Meta:
        ordering = ["reading"]

    def __str__(self) -> str:
        return f"{self.reading} from {self.trace.file_name}"


# --- plans, amendments and looks -------------------------------------------------------------


class Plan(models.Model):
    """Which specimen and zone meets which method, in which session and order.

    `ask` is what was asked for and `slots` what came of it: both as written, so that the same ask
    and seed can be solved again and compared.
    """

    class State(models.TextChoices):
        DRAFT = "draft", "draft"
        IN_FORCE = "in force", "in force"
        REPLACED = "replaced", "replaced"

    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="plans")
    number = models.PositiveSmallIntegerField()
    state = models.CharField(max_length=8, choices=State, default=State.DRAFT)
    seed = models.PositiveBigIntegerField()
    ask = models.JSONField()
    slots = models.JSONField(default=list)
    notes = models.JSONField(default=list, blank=True)
    reason = models.TextField(blank=True, help_text="Why it takes the place of the one before.")
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["study", "number"], name="plan_once"),
            models.UniqueConstraint(
                fields=["study"], condition=Q(state="in force"), name="one_plan_in_force"
            ),
        ]
        ordering = ["study", "number"]

    def __str__(self) -> str:
        return f"plan {self.number} of {self.study}"


class StudyAmendment(models.Model):
    """What became different from what was registered, and why. Rows are never changed."""

    class Kind(models.TextChoices):
        SUBSTITUTE = "substitute", "a specimen takes the place of another"
        CHANGE = "change", "a change decided before it was made"
        DEVIATION = "deviation", "a departure noticed afterwards"

    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="amendments")
    kind = models.CharField(max_length=10, choices=Kind)
    what = models.TextField()
    reason = models.TextField()
    values_were_known = models.BooleanField()
    at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=~Q(what="") & ~Q(reason=""), name="amendment_says_what_and_why"
            ),
        ]
        ordering = ["study", "at", "pk"]

    def __str__(self) -> str:
        return f"{self.study}: {self.what[:60]}"


class StudyLook(models.Model):
    """Somebody saw findings before the last run was read, or the key to the blind codes."""

    class Kind(models.TextChoices):
        FINDINGS = "findings", "findings before the end"
        CODES = "codes", "the key to the blind codes"

    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="looks")
    kind = models.CharField(max_length=8, choices=Kind)
    runs_read = models.PositiveIntegerField()
    runs_planned = models.PositiveIntegerField()
    at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["study", "kind", "by", "runs_read"], name="look_counted_once"
            ),
        ]
        ordering = ["study", "at", "pk"]

    def __str__(self) -> str:
        return f"{self.study}: {self.get_kind_display()}"


# --- evidence --------------------------------------------------------------------------------


class Photo(models.Model):
    """What the camera saw of a run. Kept without metadata; never changed, only struck out."""

    class Shows(models.TextChoices):
        BEFORE = "before", "before the run"
        SETUP = "setup", "how it was set up"
        EVENT = "event", "the end point"
        AFTER = "after", "after the run"
        GRADING = "grading", "for grading"
        OTHER = "other", "something else"

    uuid = models.UUIDField(primary_key=True, default=uuid.uuid4)
    run = models.ForeignKey(Run, on_delete=models.PROTECT, related_name="photos")
    zone = models.ForeignKey(
        Zone, null=True, blank=True, on_delete=models.PROTECT, related_name="photos"
    )
    shows = models.CharField(max_length=10, choices=Shows, default=Shows.OTHER)
    caption = models.CharField(max_length=200, blank=True)
    full = models.CharField(max_length=120, help_text="Name in the storage, all pixels.")
    display = models.CharField(max_length=120, help_text="Name in the storage, for pages.")
    width_px = models.PositiveIntegerField()
    height_px = models.PositiveIntegerField()
    byte_count = models.PositiveIntegerField(help_text="Of the full picture.")
    is_original = models.BooleanField(
        default=True, help_text="False when the tablet made it smaller before sending."
    )
    source_digest = models.CharField(max_length=64, help_text="SHA-256 of the file as it came.")
    full_digest = models.CharField(max_length=64, help_text="SHA-256 of the full picture as kept.")
    digest = models.CharField(max_length=64, help_text="Of all that was sent, to know it again.")
    taken_at = models.DateTimeField(
        help_text="By the bench's clock, put right by `clock_offset_s`."
    )
    received_at = models.DateTimeField(help_text="By the server's clock.")
    clock_offset_s = models.FloatField(null=True, blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    void: PhotoVoid
    original: PhotoOriginal

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(width_px__gte=1, height_px__gte=1, byte_count__gte=1),
                name="photo_has_pixels",
            ),
        ]
        ordering = ["run", "taken_at", "uuid"]

    def __str__(self) -> str:
        return f"{self.run}: photo, {self.get_shows_display()}"


class PhotoOriginal(models.Model):
    """All pixels of a photo that its tablet had sent smaller first. Kept without metadata too."""

    uuid = models.UUIDField(primary_key=True, help_text="Of the tablet's entry.")
    photo = models.OneToOneField(Photo, on_delete=models.PROTECT, related_name="original")
    full = models.CharField(max_length=120, help_text="Name in the storage.")
    width_px = models.PositiveIntegerField()
    height_px = models.PositiveIntegerField()
    byte_count = models.PositiveIntegerField()
    source_digest = models.CharField(max_length=64, help_text="SHA-256 of the file as it came.")
    full_digest = models.CharField(max_length=64, help_text="SHA-256 of the picture as kept.")
    received_at = models.DateTimeField(help_text="By the server's clock.")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    def __str__(self) -> str:
        return f"{self.photo}, original"


class PhotoVoid(models.Model):
    """A photo that shows the wrong thing. It stays readable and says why it does not count."""

    photo = models.OneToOneField(Photo, on_delete=models.PROTECT, related_name="void")
    reason = models.TextField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()

    class Meta:
        constraints = [
            models.CheckConstraint(condition=~Q(reason=""), name="photo_void_says_why"),
        ]

    def __str__(self) -> str:
        return f"{self.photo}, struck out"


class VideoMark(models.Model):
    """A moment of a film: which file, how far in, and what is to be seen there."""

    uuid = models.UUIDField(primary_key=True, default=uuid.uuid4)
    run = models.ForeignKey(Run, on_delete=models.PROTECT, related_name="video_marks")
    video = models.CharField(max_length=120, help_text="Name of the file or card.")
    seconds = models.FloatField(help_text="From the start of the film.")
    caption = models.CharField(max_length=200)
    digest = models.CharField(max_length=64)
    marked_at = models.DateTimeField(
        help_text="By the bench's clock, put right by `clock_offset_s`."
    )
    received_at = models.DateTimeField(help_text="By the server's clock.")
    clock_offset_s = models.FloatField(null=True, blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(seconds__gte=0), name="video_mark_from_start"),
            models.CheckConstraint(
                condition=~Q(video="") & ~Q(caption=""), name="video_mark_says_what"
            ),
        ]
        ordering = ["run", "video", "seconds", "uuid"]

    def __str__(self) -> str:
        return f"{self.run}: {self.video} at {self.seconds:g} s"


class SpecimenCheck(models.Model):
    """Somebody scanned or typed the code of what lies on the rig, before a run. Wrong ones too."""

    class How(models.TextChoices):
        SCANNED = "scanned", "scanned"
        TYPED = "typed", "typed"

    uuid = models.UUIDField(primary_key=True, default=uuid.uuid4)
    run = models.ForeignKey(Run, on_delete=models.PROTECT, related_name="specimen_checks")
    code = models.CharField(max_length=20)
    zone = models.CharField(max_length=40, blank=True)
    how = models.CharField(max_length=7, choices=How)
    is_right = models.BooleanField()
    reason = models.TextField(
        blank=True, help_text="What was swapped and why: after a wrong one, or before its turn."
    )
    checked_at = models.DateTimeField(
        help_text="By the bench's clock, put right by `clock_offset_s`."
    )
    received_at = models.DateTimeField(help_text="By the server's clock.")
    clock_offset_s = models.FloatField(null=True, blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["run", "checked_at", "uuid"]

    def __str__(self) -> str:
        return f"{self.run}: {self.code} {self.how}"


class SecondKeying(models.Model):
    """What a second person typed for a reading without looking at it. Those that differ stay too."""

    reading = models.ForeignKey(Reading, on_delete=models.PROTECT, related_name="second_keyings")
    raw = models.JSONField()
    words = models.CharField(max_length=200)
    agrees = models.BooleanField()
    at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["reading", "at"]

    def __str__(self) -> str:
        return f"{self.reading}, typed again: {self.words}"


class ReadingConfirmation(models.Model):
    """A second person saw the same and says so by their own sign-in."""

    class How(models.TextChoices):
        PASSWORD = "password", "password typed at the bench"
        SIGN_IN = "sign-in", "own sign-in"

    reading = models.OneToOneField(Reading, on_delete=models.PROTECT, related_name="confirmation")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    how = models.CharField(max_length=8, choices=How)

    class Meta:
        ordering = ["at"]

    def __str__(self) -> str:
        return f"{self.reading}, confirmed by {self.by}"


class RatingOrder(models.Model):
    """The order in which one person grades the photos of a method: drawn once, seed kept."""

    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="rating_orders")
    revision = models.ForeignKey(MethodRevision, on_delete=models.PROTECT, related_name="+")
    rater = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    seed = models.PositiveBigIntegerField()
    drawn_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["study", "revision", "rater"], name="rating_order_once"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.rater} grades {self.revision} of {self.study}"


class Incident(models.Model):
    """A near miss or an injury, told from the bench. Never changed, and nobody is blamed."""

    run = models.ForeignKey(
        Run, null=True, blank=True, on_delete=models.PROTECT, related_name="incidents"
    )
    what = models.TextField()
    is_injury = models.BooleanField(default=False)
    at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(condition=~Q(what=""), name="incident_says_what"),
        ]
        ordering = ["-at"]

    def __str__(self) -> str:
        return f"{self.at:%d %B %Y %H:%M}: {self.what[:60]}"


class Watch(models.Model):
    """A fire watch or a cool-down after the last run of a method: from when to when, and by whom."""

    class Kind(models.TextChoices):
        FIRE = "fire", "fire watch"
        COOLING = "cooling", "cool-down"

    uuid = models.UUIDField(primary_key=True)
    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="watches")
    revision = models.ForeignKey(MethodRevision, on_delete=models.PROTECT, related_name="+")
    kind = models.CharField(max_length=7, choices=Kind)
    minutes = models.PositiveSmallIntegerField(help_text="As the method names it.")
    started_at = models.DateTimeField(help_text="When the last run before it was read.")
    ended_at = models.DateTimeField()
    watcher = models.CharField(max_length=80)
    note = models.TextField(blank=True, help_text="Why it ended early, or what was seen.")
    received_at = models.DateTimeField(help_text="By the server's clock.")
    clock_offset_s = models.FloatField(null=True, blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(ended_at__gte=F("started_at")), name="watch_ends_after_it_started"
            ),
            models.CheckConstraint(condition=~Q(watcher=""), name="watch_says_who"),
        ]
        ordering = ["study", "ended_at"]
        verbose_name_plural = "watches"

    def __str__(self) -> str:
        return f"{self.get_kind_display()} after {self.revision}, until {self.ended_at:%H:%M}"


class RunExclusion(models.Model):
    """A valid run left out of one named analysis, or taken into it again. Rows are never changed.

    The newest row of a run and an analysis says what holds. The analysis as registered keeps every
    valid run: a named analysis stands beside it and never in its place.
    """

    run = models.ForeignKey(Run, on_delete=models.PROTECT, related_name="exclusions")
    analysis = models.CharField(max_length=80)
    number = models.PositiveSmallIntegerField()
    leaves_out = models.BooleanField()
    reason = models.TextField()
    value_was_known = models.BooleanField()
    at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["run", "analysis", "number"], name="exclusion_follows_the_last"
            ),
            models.CheckConstraint(
                condition=~Q(reason="") & ~Q(analysis=""), name="exclusion_says_what_and_why"
            ),
        ]
        ordering = ["analysis", "run", "number"]

    def __str__(self) -> str:
        return f"{self.run}: {self.analysis}"


class HeldEntry(models.Model):
    """An entry that could not be taken as it is, handed to the lab lead. Nothing of it is lost."""

    uuid = models.UUIDField(primary_key=True)
    kind = models.CharField(max_length=20)
    label = models.CharField(max_length=200)
    address = models.CharField(max_length=300)
    content = models.JSONField()
    why = models.TextField(blank=True, help_text="What the server had said against it.")
    made_at = models.DateTimeField(help_text="By the tablet's clock, put right.")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    received_at = models.DateTimeField()
    digest = models.CharField(max_length=64)
    settled_at = models.DateTimeField(null=True, blank=True)
    settled_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    settled_note = models.TextField(blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(settled_at__isnull=True, settled_by__isnull=True)
                | Q(settled_at__isnull=False, settled_by__isnull=False) & ~Q(settled_note=""),
                name="held_entry_settled_whole",
            ),
        ]
        ordering = ["received_at"]

    def __str__(self) -> str:
        return self.label


class EntriesFile(models.Model):
    """What waited on a tablet, saved there as a file and brought to the lab."""

    file_name = models.CharField(max_length=200)
    content = models.BinaryField()
    digest = models.CharField(max_length=64, unique=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    received_at = models.DateTimeField()
    taken_at = models.DateTimeField(null=True, blank=True)
    outcome = models.JSONField(default=dict, help_text="How many entries ended in which way.")

    class Meta:
        ordering = ["-received_at"]

    def __str__(self) -> str:
        return self.file_name
