"""Who looked at what before it went out: sign-offs, plans for release, previews, makers' answers.

Most rows speak of a study's next scorecard or of an episode, never of both.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils import timezone

from trials.models import Study

if TYPE_CHECKING:
    from django_stubs_ext.db.models.manager import RelatedManager

    from reports.episode_models import Episode


def _one_subject(name: str) -> models.CheckConstraint:
    return models.CheckConstraint(
        condition=Q(study__isnull=True, episode__isnull=False)
        | Q(study__isnull=False, episode__isnull=True),
        name=name,
    )


class Subject(models.Model):
    """What is looked at or sent out: a study's scorecard or an episode."""

    study = models.ForeignKey(
        Study, null=True, blank=True, on_delete=models.PROTECT, related_name="%(class)ss"
    )
    episode = models.ForeignKey(
        "reports.Episode",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="%(class)ss",
    )

    class Meta:
        abstract = True


class SmallLabExemption(models.Model):
    """A lab of one person may go without a second one: recorded by name, with an end.

    The newest row speaks. Append-only, like every row that says who decided what.
    """

    is_on = models.BooleanField()
    reason = models.CharField(max_length=300)
    until_on = models.DateField(null=True, blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["-at", "-pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(is_on=False) | Q(until_on__isnull=False), name="exemption_has_an_end"
            ),
        ]

    def __str__(self) -> str:
        return f"{'on' if self.is_on else 'off'}: {self.reason}"


class SignOff(Subject):
    """A person's word that one state of a scorecard or an episode may go out."""

    digest = models.CharField(max_length=64)
    note = models.TextField(blank=True)
    open_points = models.JSONField(default=list)
    exemption = models.ForeignKey(
        SmallLabExemption, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["-at", "-pk"]
        constraints = [_one_subject("signoff_of_one_thing")]

    def __str__(self) -> str:
        return f"{self.study or self.episode} by {self.by}"


class ReleasePlan(Subject):
    """When a signed scorecard or episode goes out by itself."""

    class State(models.TextChoices):
        WAITING = "waiting", "waiting"
        RELEASED = "released", "released"
        HELD = "held", "held back"
        CANCELLED = "cancelled", "cancelled"

    sign_off = models.ForeignKey(SignOff, on_delete=models.PROTECT, related_name="plans")
    release_at = models.DateTimeField()
    # of plans made when an embargo was a note: it is a row of its own now
    embargo_note = models.CharField(max_length=300, blank=True, editable=False)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    made_at = models.DateTimeField(default=timezone.now)
    state = models.CharField(max_length=10, choices=State, default=State.WAITING)
    ended_at = models.DateTimeField(null=True, blank=True)
    outcome = models.TextField(blank=True)

    class Meta:
        ordering = ["-release_at", "-pk"]
        constraints = [
            _one_subject("plan_of_one_thing"),
            models.UniqueConstraint(
                fields=["study"],
                condition=Q(state="waiting", study__isnull=False),
                name="one_plan_a_study",
            ),
            models.UniqueConstraint(
                fields=["episode"],
                condition=Q(state="waiting", episode__isnull=False),
                name="one_plan_an_episode",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.study or self.episode}, {self.state}"

    @property
    def episode_of(self) -> Episode:
        """The episode of a plan that is not a scorecard's."""
        if self.episode is None:
            raise ValueError("This plan is for a scorecard.")
        return self.episode


class Embargo(Subject):
    """Until when nothing goes out. The newest row speaks; without an end it says: lifted."""

    ends_at = models.DateTimeField(null=True, blank=True)
    agreed = models.CharField(max_length=300)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["-at", "-pk"]
        constraints = [
            _one_subject("embargo_of_one_thing"),
            models.CheckConstraint(condition=~Q(agreed=""), name="embargo_says_what_was_agreed"),
        ]

    def __str__(self) -> str:
        return f"{self.study or self.episode} until {self.ends_at}"


class PreviewLink(Subject):
    """An address that shows one thing to one person until it ends."""

    for_whom = models.CharField(max_length=100)
    expires_at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    made_at = models.DateTimeField(default=timezone.now)
    revoked_at = models.DateTimeField(null=True, blank=True)
    seen_count = models.PositiveIntegerField(default=0)
    last_seen_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-made_at", "-pk"]
        constraints = [_one_subject("preview_of_one_thing")]

    def __str__(self) -> str:
        return f"{self.study or self.episode} for {self.for_whom}"

    @property
    def is_open(self) -> bool:
        """Whether the link still shows anything."""
        return self.revoked_at is None and self.expires_at > timezone.now()


class ReplyRequest(models.Model):
    """What a maker was sent and asked, frozen as it was sent."""

    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="reply_requests")
    maker = models.CharField(max_length=100)
    sent_to = models.CharField(max_length=200)
    deadline_on = models.DateField()
    questions = models.TextField()
    content = models.JSONField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    sent_at = models.DateTimeField(default=timezone.now)

    answers: RelatedManager[ReplyAnswer]

    class Meta:
        ordering = ["study", "maker", "sent_at"]

    def __str__(self) -> str:
        return f"{self.maker} on {self.study}"


class ReplyAnswer(models.Model):
    """What came back, or that nothing did."""

    class Kind(models.TextChoices):
        ANSWER = "answer", "answered"
        NONE = "none", "did not reply by the day"
        LATER = "later", "asked for more time"

    request = models.ForeignKey(ReplyRequest, on_delete=models.PROTECT, related_name="answers")
    kind = models.CharField(max_length=8, choices=Kind)
    text = models.TextField(blank=True)
    changed = models.TextField(blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["at", "pk"]

    def __str__(self) -> str:
        return f"{self.request}: {self.get_kind_display()}"


class Interest(models.Model):
    """Money, gifts and ties beside the gear itself, as readers are told of them."""

    class Kind(models.TextChoices):
        SPONSOR = "sponsor", "sponsor"
        FUNDING = "funding", "money for the work"
        GIFT = "gift", "gift or favour"
        LOAN = "loan", "loan of equipment or a room"
        LINKS = "links", "links that earn"
        DEALINGS = "dealings", "earlier or family dealings"

    kind = models.CharField(max_length=10, choices=Kind)
    who = models.CharField(max_length=100)
    what = models.CharField(max_length=300)
    started_on = models.DateField()
    ended_on = models.DateField(null=True, blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["started_on", "pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(ended_on__isnull=True) | Q(ended_on__gte=models.F("started_on")),
                name="interest_ends_after_it_starts",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()}: {self.who}"


class Stand(Subject):
    """A named person's reason to let a flagged sentence or a typed number stand."""

    rule = models.CharField(max_length=60)
    quote = models.CharField(max_length=200)
    sentence = models.TextField()
    reason = models.CharField(max_length=300)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["at", "pk"]
        constraints = [
            _one_subject("stand_of_one_thing"),
            models.CheckConstraint(condition=~Q(reason=""), name="stand_has_a_reason"),
        ]

    def __str__(self) -> str:
        return f"{self.rule}: {self.quote}"
