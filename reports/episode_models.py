"""Episodes: a script in segments, its history, and what was released."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils import timezone

from trials.models import Study

if TYPE_CHECKING:
    from django_stubs_ext.db.models.manager import RelatedManager


class Episode(models.Model):
    """A comparison told to viewers, drafted from the findings of one or more studies."""

    slug = models.SlugField(max_length=80, unique=True)
    title = models.CharField(max_length=160)
    question = models.TextField(blank=True)
    target_seconds = models.PositiveIntegerField(default=720)
    words_per_minute = models.PositiveSmallIntegerField(default=150)
    studies = models.ManyToManyField(Study, through="EpisodeStudy", related_name="episodes")
    version = models.PositiveIntegerField(default=1)
    is_invented = models.BooleanField(default=False)
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )
    made_at = models.DateTimeField(default=timezone.now)

    segments: RelatedManager[Segment]
    editions: RelatedManager[EpisodeEdition]

    class Meta:
        ordering = ["-made_at", "-pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(words_per_minute__gte=60, words_per_minute__lte=300),
                name="episode_speakable",
            ),
            models.CheckConstraint(
                condition=Q(target_seconds__gte=30, target_seconds__lte=4 * 3600),
                name="episode_length",
            ),
        ]

    def __str__(self) -> str:
        return self.title


class EpisodeStudy(models.Model):
    """A study an episode draws on, with the letter its figures carry in the script."""

    episode = models.ForeignKey(Episode, on_delete=models.CASCADE, related_name="used")
    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="used_in")
    letter = models.CharField(max_length=1)

    class Meta:
        ordering = ["letter"]
        constraints = [
            models.UniqueConstraint(fields=["episode", "study"], name="episode_study_once"),
            models.UniqueConstraint(fields=["episode", "letter"], name="episode_letter_once"),
        ]

    def __str__(self) -> str:
        return f"{self.letter}: {self.study}"


class SegmentWords(models.Model):
    """What an editor writes in a segment."""

    title = models.CharField(max_length=120)
    script = models.TextField(blank=True)
    screen_text = models.TextField(blank=True)
    shots = models.JSONField(default=list)
    pause_s = models.PositiveSmallIntegerField(default=0)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        abstract = True


class Segment(SegmentWords):
    """One part of an episode. `version` counts its changes, so that no one overwrites unseen."""

    episode = models.ForeignKey(Episode, on_delete=models.CASCADE, related_name="segments")
    position = models.PositiveSmallIntegerField()
    is_cut = models.BooleanField(default=False)
    # what each figure said when a person last read this segment: {key: {"words", "digest"}}
    seen = models.JSONField(default=dict)
    changed_at = models.DateTimeField()
    changed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )

    versions: RelatedManager[SegmentVersion]

    class Meta:
        ordering = ["episode", "position", "pk"]

    def __str__(self) -> str:
        return f"{self.episode}: {self.title}"


class SegmentVersion(SegmentWords):
    """A segment as it once was. Append-only."""

    segment = models.ForeignKey(Segment, on_delete=models.PROTECT, related_name="versions")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()

    class Meta:
        ordering = ["segment", "-version"]
        constraints = [
            models.UniqueConstraint(fields=["segment", "version"], name="segment_version_once"),
        ]

    def __str__(self) -> str:
        return f"{self.segment}, version {self.version}"


class EpisodeCorrectionDraft(models.Model):
    """What the next edition of a released episode will say of the one before. Gone when it is out."""

    episode = models.OneToOneField(
        Episode, on_delete=models.CASCADE, related_name="correction_draft"
    )
    was_wrong = models.TextField(blank=True)
    is_right = models.TextField(blank=True)
    since = models.CharField(max_length=200, blank=True)
    found = models.CharField(max_length=300, blank=True)
    changed_at = models.DateTimeField()
    changed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )

    def __str__(self) -> str:
        return f"Draft correction of {self.episode}"


class EpisodeEdition(models.Model):
    """A released episode. It never changes; a correction is a new edition."""

    episode = models.ForeignKey(Episode, on_delete=models.PROTECT, related_name="editions")
    number = models.PositiveSmallIntegerField()
    content = models.JSONField()
    digest = models.CharField(max_length=64)
    sign_off = models.ForeignKey(
        "reports.SignOff", on_delete=models.PROTECT, related_name="episode_editions"
    )
    # the scorecards its figures were taken from: what a correction of one of them reaches
    scorecards = models.ManyToManyField("reports.Edition", related_name="used_by_episodes")
    released_at = models.DateTimeField()
    released_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )

    class Meta:
        ordering = ["episode", "-number"]
        get_latest_by = "number"
        constraints = [
            models.UniqueConstraint(fields=["episode", "number"], name="episode_edition_once"),
            models.CheckConstraint(condition=Q(number__gte=1), name="episode_edition_from_one"),
        ]

    def __str__(self) -> str:
        return f"{self.episode}, edition {self.number}"
