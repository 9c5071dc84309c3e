"""How it is tested and what was read: methods, studies, runs and readings."""

from __future__ import annotations

import uuid
from typing import TYPE_CHECKING

from django.conf import settings
from django.db import models
from django.db.models import Exists, F, OuterRef, Q

from specimens.models import Specimen, Zone
from trials.intervals import ReadingKind, Scale

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
    relation = models.CharField(max_length=120, default="bench method, not the certified test")
    standard_note = models.TextField(blank=True)
    control_material = models.CharField(max_length=120, blank=True)
    derivation = models.CharField(max_length=80, blank=True)
    derivation_settings = models.JSONField(default=dict, blank=True)
    minutes = models.PositiveSmallIntegerField(default=15)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["method", "number"], name="revision_once"),
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

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["study", "specimen"], name="specimen_in_one_arm"),
            models.UniqueConstraint(
                fields=["arm", "pair"], condition=~Q(pair=""), name="pair_once_per_arm"
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

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["study", "revision"], name="study_method_once"),
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
    planned_at = models.DateTimeField(auto_now_add=True)
    planned_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )
    note = models.TextField(blank=True)

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
    at = models.DateTimeField()

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
    measured_at = models.DateTimeField(help_text="By the bench's clock.")
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
