"""What it means and who reads it: summaries, findings and published editions."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.conf import settings
from django.db import models
from django.db.models import Q

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
    """One arm held against the baseline for one property."""

    class Kind(models.TextChoices):
        RATIO = "ratio", "retention"
        GRADES = "grades", "grades"
        REFUSED = "refused", "refused"

    summary = models.ForeignKey(Summary, on_delete=models.CASCADE, related_name="findings")
    revision = models.ForeignKey(MethodRevision, on_delete=models.PROTECT, related_name="+")
    arm = models.ForeignKey(Arm, on_delete=models.PROTECT, related_name="+")
    baseline = models.ForeignKey(Arm, on_delete=models.PROTECT, related_name="+")
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
            models.UniqueConstraint(fields=["summary", "revision", "arm"], name="finding_once"),
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
    position = models.PositiveSmallIntegerField()
    level = models.FloatField()
    refusal = models.TextField(blank=True)
    details = models.JSONField(default=dict)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["summary", "revision", "driver"], name="trend_once"),
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
