"""People, the audit trail, background jobs and the lab's own name."""

from typing import TYPE_CHECKING, ClassVar

from django.contrib.auth.models import AbstractUser
from django.db import models
from django.db.models import F, Q
from django.utils import timezone

if TYPE_CHECKING:
    from labsite.roles import Deed, Role


class User(AbstractUser):
    """A person who signs in. Roles are groups (labsite.roles)."""

    # Filled by labsite.roles.roles_of for the lifetime of this object.
    _kept_roles: "frozenset[Role] | None" = None
    # Set when this person came in by a PIN or a token: no more than these, whatever the roles.
    limited_to: "frozenset[Deed] | None" = None

    @property
    def display_name(self) -> str:
        return self.get_full_name() or self.username

    def __str__(self) -> str:
        return self.display_name


class Licence(models.TextChoices):
    """What readers may do with published data. Values are SPDX identifiers."""

    CC_BY_4 = "CC-BY-4.0", "Creative Commons Attribution 4.0 International"
    CC_BY_SA_4 = "CC-BY-SA-4.0", "Creative Commons Attribution-ShareAlike 4.0 International"
    CC0 = "CC0-1.0", "Creative Commons Zero 1.0 Universal"


LICENCE_URLS: dict[str, str] = {
    Licence.CC_BY_4: "https://creativecommons.org/licenses/by/4.0/",
    Licence.CC_BY_SA_4: "https://creativecommons.org/licenses/by-sa/4.0/",
    Licence.CC0: "https://creativecommons.org/publicdomain/zero/1.0/",
}


class Lab(models.Model):
    """The one row that names the lab whose site this is."""

    name = models.CharField(max_length=100)
    note = models.CharField(
        max_length=300, blank=True, help_text="Shown under the name on every page."
    )
    emergency = models.TextField(
        blank=True,
        default="",
        db_default="",
        max_length=2000,
        help_text="Who to call and where things are; one tap away on every page of the bench.",
    )
    is_invented = models.BooleanField(
        default=False, help_text="Every page then says that the lab and its data are invented."
    )
    licence = models.CharField(
        max_length=20,
        choices=Licence,
        default=Licence.CC_BY_4,
        help_text="Stated with every edition from its publication on; older editions keep theirs.",
    )

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(condition=Q(pk=1), name="only_one_lab"),
        ]

    def __str__(self) -> str:
        return self.name


class AuditEntry(models.Model):
    """One thing that somebody did. Append-only: the database refuses changes."""

    at = models.DateTimeField(default=timezone.now, editable=False, db_index=True)
    by = models.ForeignKey(
        User, null=True, on_delete=models.PROTECT, related_name="audit_entries", editable=False
    )
    verb = models.CharField(max_length=60)
    subject_kind = models.CharField(max_length=100)
    subject_id = models.CharField(max_length=64)
    subject_words = models.CharField(max_length=200)
    detail = models.JSONField(default=dict)
    origin = models.CharField(max_length=64, default="-", help_text="The request or job.")
    address = models.CharField(max_length=45, blank=True, help_text="Where the request came from.")

    seal: "AuditSeal"

    class Meta:
        ordering: ClassVar = ["-at", "-pk"]
        verbose_name_plural = "audit entries"
        indexes: ClassVar = [
            models.Index(fields=["subject_kind", "subject_id"], name="audit_by_subject"),
        ]

    def __str__(self) -> str:
        who = self.by.display_name if self.by else "the site"
        return f"{who} {self.verb} {self.subject_words}"


class AuditSeal(models.Model):
    """One link of the chain over the audit entries (labsite.audit). Append-only."""

    sequence = models.BigIntegerField(primary_key=True)
    entry = models.OneToOneField(AuditEntry, on_delete=models.PROTECT, related_name="seal")
    seal = models.CharField(max_length=64)

    class Meta:
        ordering: ClassVar = ["sequence"]

    def __str__(self) -> str:
        return f"{self.sequence}:{self.seal[:12]}"


class JobState(models.TextChoices):
    """Where a job stands."""

    WAITING = "waiting", "waiting"
    RUNNING = "running", "running"
    DONE = "done", "done"
    FAILED = "failed", "failed"


class Job(models.Model):
    """One piece of background work, and the only truth about it (labsite.jobs).

    (kind, key) names the work itself, usually by a digest of its inputs, so asking twice for
    the same work makes one row.
    """

    kind = models.CharField(max_length=60)
    key = models.CharField(max_length=200)
    payload = models.JSONField(default=dict)
    state = models.CharField(max_length=10, choices=JobState.choices, default=JobState.WAITING)
    claim = models.CharField(max_length=32, blank=True)
    lease_until = models.DateTimeField(null=True, blank=True)
    not_before = models.DateTimeField(null=True, blank=True)
    attempts = models.PositiveIntegerField(default=0)
    progress_done = models.PositiveIntegerField(default=0)
    progress_total = models.PositiveIntegerField(default=0)
    error = models.TextField(blank=True)
    requested_at = models.DateTimeField(default=timezone.now)
    sent_at = models.DateTimeField(default=timezone.now)
    started_at = models.DateTimeField(null=True, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering: ClassVar = ["-requested_at", "-pk"]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["kind", "key"], name="one_job_for_each_work"),
            models.CheckConstraint(
                condition=Q(state__in=JobState.values), name="job_state_is_known"
            ),
            models.CheckConstraint(
                condition=(
                    Q(state="running", lease_until__isnull=False)
                    | (~Q(state="running") & Q(lease_until__isnull=True))
                ),
                name="only_running_jobs_are_leased",
            ),
            models.CheckConstraint(
                condition=(
                    Q(state__in=["done", "failed"], ended_at__isnull=False)
                    | Q(state__in=["waiting", "running"], ended_at__isnull=True)
                ),
                name="ended_jobs_have_an_end",
            ),
            models.CheckConstraint(
                condition=~Q(state="failed") | ~Q(error=""), name="failed_jobs_say_why"
            ),
            models.CheckConstraint(
                condition=Q(progress_done__lte=F("progress_total")),
                name="job_progress_within_total",
            ),
        ]
        indexes: ClassVar = [
            # What the sweep looks for is always a small part of the table.
            models.Index(
                fields=["sent_at"],
                condition=Q(state__in=["waiting", "running"]),
                name="jobs_not_ended",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.key[:12]} ({self.state})"

    @property
    def has_ended(self) -> bool:
        return self.state in {JobState.DONE, JobState.FAILED}


class Pulse(models.Model):
    """When something that has to happen again and again last happened.

    The sweep's pulse shows in one row that beat asks, the broker carries and a worker works.
    """

    name = models.CharField(max_length=30, primary_key=True)
    at = models.DateTimeField()

    class Meta:
        verbose_name_plural = "pulses"

    def __str__(self) -> str:
        return f"{self.name} at {self.at:%H:%M:%S}"


# A module of its own, and part of this app's models all the same.
from labsite.access_models import ApiToken, Invitation, Pin, Tablet  # noqa: E402

__all__ = [
    "ApiToken",
    "AuditEntry",
    "AuditSeal",
    "Invitation",
    "Job",
    "JobState",
    "Lab",
    "Pin",
    "Pulse",
    "Tablet",
    "User",
]
