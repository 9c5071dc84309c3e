"""What lets somebody in besides a password: invitations, PINs on the lab's tablets, API tokens.

Secrets are kept as digests. What was random and long is hashed once; what a person chose and
could be guessed is hashed like a password.
"""

from typing import ClassVar

from django.conf import settings
from django.db import models
from django.db.models import Q


class Invitation(models.Model):
    """A link that makes one account, once, until it expires."""

    username = models.CharField(max_length=150)
    first_name = models.CharField(max_length=150, blank=True)
    last_name = models.CharField(max_length=150, blank=True)
    roles = models.JSONField(default=list)
    token_digest = models.CharField(max_length=64, unique=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    expires_at = models.DateTimeField()
    used_at = models.DateTimeField(null=True)
    withdrawn_at = models.DateTimeField(null=True)

    class Meta:
        ordering: ClassVar = ["-at"]
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(used_at=None) | Q(withdrawn_at=None),
                name="invitation_used_or_withdrawn",
            ),
        ]

    def __str__(self) -> str:
        return f"Invitation for {self.username}"


class Tablet(models.Model):
    """A shared device on which people may change over by PIN."""

    name = models.CharField(max_length=60)
    token_digest = models.CharField(max_length=64, unique=True)
    enrolled_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )
    enrolled_at = models.DateTimeField()
    last_seen_at = models.DateTimeField(null=True)
    revoked_at = models.DateTimeField(null=True)

    class Meta:
        ordering: ClassVar = ["name", "pk"]

    def __str__(self) -> str:
        return self.name


class Pin(models.Model):
    """A short number that stands for a person on an enrolled tablet, for bench work only."""

    user = models.OneToOneField(
        settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="pin"
    )
    secret = models.CharField(max_length=128)
    set_at = models.DateTimeField()
    wrong_count = models.PositiveSmallIntegerField(default=0)
    locked_until = models.DateTimeField(null=True)

    def __str__(self) -> str:
        return f"PIN of {self.user}"


class ApiToken(models.Model):
    """A key for a program: acts as its person, for the named deeds only, until it expires."""

    user = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="api_tokens"
    )
    name = models.CharField(max_length=60)
    token_digest = models.CharField(max_length=64, unique=True)
    deeds = models.JSONField(default=list)
    created_at = models.DateTimeField()
    expires_at = models.DateTimeField()
    last_used_at = models.DateTimeField(null=True)
    revoked_at = models.DateTimeField(null=True)

    class Meta:
        ordering: ClassVar = ["-created_at"]

    def __str__(self) -> str:
        return f"{self.name} of {self.user}"
