"""What it means and who reads it: summaries, findings and published editions."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.conf import settings
from django.db import models
from django.db.models import Q

from specimens.models import Product
from trials.models import Arm, MethodRevision, Study

if TYPE_CHECKING:
    from django_stubs_ext.db.models.manager import RelatedManager


class Summary(models.Model):
    """All findings of a study for one state of its inputs, addressed by their digest."""

    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="summaries")
    inputs_digest = models.CharField(max_length=64)
    engine_version = models.CharField(max_length=20)
    computed_at = models.DateTimeField()

    findings: RelatedManager[Finding]
    trends: RelatedManager[Trend]

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["study", "inputs_digest", "engine_version"], name="summary_once"
            ),
        ]
        verbose_name_plural = "summaries"

    def __str__(self) -> str:
        return f"{self.study}, {self.inputs_digest[:12]}"


class SummaryHead(models.Model):
    """Which summary speaks for a study now, and for which version of its inputs."""

    study = models.OneToOneField(Study, on_delete=models.PROTECT, related_name="summary_head")
    summary = models.ForeignKey(Summary, on_delete=models.PROTECT, related_name="+")
    inputs_version = models.PositiveIntegerField()

    def __str__(self) -> str:
        return f"{self.study} at {self.inputs_version}"


class Finding(models.Model):
    """One arm held against the baseline for one property.

    `analysis` is empty for the analysis as registered, with every valid run. A named analysis
    leaves some out; its findings are there for the arms that this can move.
    """

    class Kind(models.TextChoices):
        RATIO = "ratio", "retention"
        GRADES = "grades", "grades"
        REFUSED = "refused", "refused"

    summary = models.ForeignKey(Summary, on_delete=models.CASCADE, related_name="findings")
    revision = models.ForeignKey(MethodRevision, on_delete=models.PROTECT, related_name="+")
    arm = models.ForeignKey(Arm, on_delete=models.PROTECT, related_name="+")
    baseline = models.ForeignKey(Arm, on_delete=models.PROTECT, related_name="+")
    analysis = models.CharField(max_length=80, blank=True)
    position = models.PositiveSmallIntegerField()
    kind = models.CharField(max_length=8, choices=Kind)
    n_baseline = models.PositiveIntegerField()
    n_other = models.PositiveIntegerField()
    level = models.FloatField()
    margin = models.FloatField()
    scope = models.CharField(max_length=40, blank=True)
    scale = models.CharField(max_length=20, blank=True)
    retention = models.FloatField(null=True)
    low = models.FloatField(null=True)
    high = models.FloatField(null=True)
    verdict = models.CharField(max_length=20)
    smallest_visible_loss = models.FloatField(null=True)
    refusal = models.TextField(blank=True)
    cautions = models.JSONField(default=list)
    details = models.JSONField(default=dict)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["summary", "revision", "arm", "analysis"], name="finding_once"
            ),
            models.CheckConstraint(
                condition=Q(low__isnull=True) | Q(high__isnull=True) | Q(high__gte=models.F("low")),
                name="finding_low_not_above_high",
            ),
        ]
        ordering = ["summary", "position"]

    def __str__(self) -> str:
        return f"{self.revision.method.property}: {self.verdict}"


class Trend(models.Model):
    """Retention over one measure of service, for one property."""

    class Driver(models.TextChoices):
        DISTANCE = "distance_km", "distance"
        MONTHS = "months", "months in service"
        WASHES = "wash_count", "washes"

    summary = models.ForeignKey(Summary, on_delete=models.CASCADE, related_name="trends")
    revision = models.ForeignKey(MethodRevision, on_delete=models.PROTECT, related_name="+")
    driver = models.CharField(max_length=12, choices=Driver)
    analysis = models.CharField(max_length=80, blank=True)
    position = models.PositiveSmallIntegerField()
    level = models.FloatField()
    refusal = models.TextField(blank=True)
    details = models.JSONField(default=dict)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["summary", "revision", "driver", "analysis"], name="trend_once"
            ),
        ]
        ordering = ["summary", "position"]

    def __str__(self) -> str:
        return f"{self.revision.method.property} over {self.get_driver_display()}"


class EditionDraft(models.Model):
    """The words an editor is preparing for a study's next edition."""

    study = models.OneToOneField(Study, on_delete=models.PROTECT, related_name="draft")
    headline = models.CharField(max_length=160, blank=True)
    summary_text = models.TextField(blank=True)
    note = models.TextField(blank=True, help_text="What is new in this edition, for readers.")
    extra_cautions = models.TextField(blank=True, help_text="One a line; added to those computed.")
    translations = models.JSONField(
        default=dict, blank=True, help_text="The words that people wrote, by language."
    )
    changed_at = models.DateTimeField()
    changed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )

    def __str__(self) -> str:
        return f"Draft for {self.study}"


class Edition(models.Model):
    """A published scorecard. It never changes; new readings lead to a new edition."""

    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="editions")
    summary = models.ForeignKey(Summary, on_delete=models.PROTECT, related_name="editions")
    number = models.PositiveSmallIntegerField()
    headline = models.CharField(max_length=160)
    content = models.JSONField()
    digest = models.CharField(max_length=64)
    published_at = models.DateTimeField()
    published_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["study", "number"], name="edition_once"),
            models.CheckConstraint(condition=Q(number__gte=1), name="edition_from_one"),
            models.CheckConstraint(condition=~Q(headline=""), name="edition_has_headline"),
        ]
        ordering = ["study", "-number"]
        get_latest_by = "number"

    def __str__(self) -> str:
        return f"{self.study}, edition {self.number}"


class PublishedCard(models.Model):
    """The newest edition of a published study in columns, so that readers can search and filter.

    Derived from editions and made anew with each (reports.index); nothing is kept here alone.
    """

    study = models.OneToOneField(Study, on_delete=models.CASCADE, related_name="published_card")
    edition = models.OneToOneField(Edition, on_delete=models.CASCADE, related_name="+")
    slug = models.SlugField(max_length=80, unique=True)
    title = models.CharField(max_length=160)
    question = models.TextField()
    headline = models.CharField(max_length=160)
    kind = models.CharField(max_length=20, db_index=True)
    is_invented = models.BooleanField()
    published_at = models.DateTimeField()
    year = models.PositiveSmallIntegerField(db_index=True)
    search_text = models.TextField(help_text="All that a search looks at, in lower case.")
    translations = models.JSONField(default=dict)

    findings: RelatedManager[PublishedFinding]
    products: RelatedManager[PublishedProduct]

    class Meta:
        indexes = [models.Index(fields=["-published_at", "-id"], name="published_newest_first")]
        ordering = ["-published_at", "-id"]

    def __str__(self) -> str:
        return self.title


class PublishedFinding(models.Model):
    """One finding of a published card, with the service behind it where the record knows it."""

    card = models.ForeignKey(PublishedCard, on_delete=models.CASCADE, related_name="findings")
    position = models.PositiveSmallIntegerField()
    property = models.CharField(max_length=120)
    gear_kind = models.CharField(max_length=40, blank=True)  # empty when the card has several
    method_key = models.SlugField(max_length=60)
    method_number = models.PositiveSmallIntegerField()
    arm_label = models.CharField(max_length=80)
    baseline_label = models.CharField(max_length=80)
    kind = models.CharField(max_length=8, choices=Finding.Kind)
    verdict = models.CharField(max_length=20)
    level = models.FloatField()
    margin = models.FloatField()
    scope = models.CharField(max_length=40, blank=True)
    retention = models.FloatField(null=True)
    low = models.FloatField(null=True)
    high = models.FloatField(null=True)
    n_baseline = models.PositiveIntegerField()
    n_other = models.PositiveIntegerField()
    is_against_new = models.BooleanField()  # no item of the baseline has been in service
    distance_km = models.FloatField(null=True)  # mean of the arm; None where one is not known
    distance_km_uncertainty = models.FloatField(null=True)
    months = models.FloatField(null=True)

    class Meta:
        indexes = [
            models.Index(fields=["property", "gear_kind"], name="published_by_property"),
        ]
        ordering = ["card", "position"]

    def __str__(self) -> str:
        return f"{self.property}: {self.verdict}"


class PublishedProduct(models.Model):
    """A product that a published card speaks of."""

    card = models.ForeignKey(PublishedCard, on_delete=models.CASCADE, related_name="products")
    product = models.ForeignKey(Product, on_delete=models.PROTECT, related_name="published_in")
    kind = models.CharField(max_length=40)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["card", "product"], name="published_product_once"),
        ]
        indexes = [models.Index(fields=["kind", "card"], name="published_by_kind")]

    def __str__(self) -> str:
        return str(self.product)


class CorrectionKind(models.TextChoices):
    """Why a published edition is followed by another one."""

    CORRECTION = "correction", "correction"
    AMENDED = "amended", "amended result"
    CLARIFICATION = "clarification", "clarification"
    UPDATE = "update", "update"


class CorrectionDraft(models.Model):
    """The parts of a correction that a person has to write; the rest is computed."""

    study = models.OneToOneField(Study, on_delete=models.PROTECT, related_name="correction_draft")
    corrects = models.ForeignKey(Edition, on_delete=models.PROTECT, related_name="+")
    kind = models.CharField(
        max_length=14, choices=CorrectionKind, default=CorrectionKind.CORRECTION
    )
    what_was_published = models.TextField(blank=True)
    where_published = models.CharField(max_length=300, blank=True)
    what_is_right = models.TextField(blank=True)
    wrong_since = models.DateField(null=True, blank=True)
    conclusion = models.TextField(blank=True)
    cause = models.TextField(blank=True)
    also_checked = models.TextField(blank=True)
    found_how = models.TextField(blank=True)
    found_by = models.CharField(max_length=120, blank=True)
    what_to_do = models.TextField(blank=True)
    prevention = models.TextField(blank=True)
    apology = models.TextField(blank=True)
    changed_at = models.DateTimeField()
    changed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )

    def __str__(self) -> str:
        return f"Draft correction of {self.corrects}"


class Correction(models.Model):
    """A published correction: the new edition, the one it corrects, and every word of why."""

    edition = models.OneToOneField(Edition, on_delete=models.PROTECT, related_name="correction")
    corrects = models.ForeignKey(Edition, on_delete=models.PROTECT, related_name="corrections")
    kind = models.CharField(max_length=14, choices=CorrectionKind)
    content = models.JSONField()
    at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["-at", "-pk"]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} of {self.corrects}"


class Withdrawal(models.Model):
    """An edition that nobody may rely on any more. Its page and its data stay where they are."""

    edition = models.OneToOneField(Edition, on_delete=models.PROTECT, related_name="withdrawal")
    reason = models.TextField()
    found_how = models.TextField()
    what_to_do = models.TextField()
    at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=~Q(reason="") & ~Q(found_how="") & ~Q(what_to_do=""),
                name="withdrawal_says_why",
            ),
        ]
        ordering = ["-at", "-pk"]

    def __str__(self) -> str:
        return f"Withdrawal of {self.edition}"


class ErrorReport(models.Model):
    """A reader says that something published is wrong. It needs no name and no address."""

    class State(models.TextChoices):
        NEW = "new", "not looked at yet"
        LOOKING = "looking", "being looked into"
        PUT_RIGHT = "put right", "put right"
        NOTHING_WRONG = "nothing wrong", "looked into, nothing was wrong"

    code = models.CharField(max_length=12, unique=True)
    page = models.CharField(max_length=300, blank=True)
    what = models.TextField(max_length=4000)
    source = models.TextField(max_length=1000, blank=True)
    told_at = models.DateTimeField(db_index=True)
    # a keyed digest of the sender's network address and the day: it limits how many one sender
    # tells, and cannot be turned back into an address
    sender = models.CharField(max_length=64, db_index=True)
    state = models.CharField(max_length=20, choices=State, default=State.NEW)
    answer = models.TextField(max_length=4000, blank=True)
    answered_at = models.DateTimeField(null=True, blank=True)
    answered_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )

    class Meta:
        constraints = [
            models.CheckConstraint(condition=~Q(what=""), name="error_report_says_something"),
            models.CheckConstraint(
                condition=Q(state="new") | Q(answered_at__isnull=False),
                name="error_report_state_has_a_time",
            ),
        ]
        ordering = ["-told_at", "-id"]

    def __str__(self) -> str:
        return f"Error report {self.code}"


# Django looks for models here; these have modules of their own.
from reports.episode_models import Episode as Episode  # noqa: E402
from reports.episode_models import EpisodeCorrectionDraft as EpisodeCorrectionDraft  # noqa: E402
from reports.episode_models import EpisodeEdition as EpisodeEdition  # noqa: E402
from reports.episode_models import EpisodeStudy as EpisodeStudy  # noqa: E402
from reports.episode_models import Segment as Segment  # noqa: E402
from reports.episode_models import SegmentVersion as SegmentVersion  # noqa: E402
from reports.review_models import Embargo as Embargo  # noqa: E402
from reports.review_models import Interest as Interest  # noqa: E402
from reports.review_models import PreviewLink as PreviewLink  # noqa: E402
from reports.review_models import ReleasePlan as ReleasePlan  # noqa: E402
from reports.review_models import ReplyAnswer as ReplyAnswer  # noqa: E402
from reports.review_models import ReplyRequest as ReplyRequest  # noqa: E402
from reports.review_models import SignOff as SignOff  # noqa: E402
from reports.review_models import SmallLabExemption as SmallLabExemption  # noqa: E402
from reports.review_models import Stand as Stand  # noqa: E402
