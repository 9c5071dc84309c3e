"""The trail of who did what. Rows are added by actions and never changed."""

from typing import TYPE_CHECKING, Any

from django.db.models import Model

if TYPE_CHECKING:
    from labsite.models import AuditEntry, User


def record(
    *,
    by: "User | None",
    verb: str,
    subject: Model,
    detail: dict[str, Any] | None = None,
) -> "AuditEntry":
    """Add one row; call it inside the transaction that makes the change.

    `by` is None for what the site did by itself. The subject's words are kept as they were at
    the time, so that the trail stays readable when the subject is renamed.
    """
    from labsite.models import AuditEntry

    return AuditEntry.objects.create(
        by=by,
        verb=verb,
        subject_kind=subject._meta.label_lower,
        subject_id=str(subject.pk),
        subject_words=str(subject)[:200],
        detail=detail or {},
    )
