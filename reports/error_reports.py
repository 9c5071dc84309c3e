"""Readers tell the lab of errors; the lab answers where the reader can see it."""

import hashlib
import hmac
import secrets
from datetime import timedelta

from django.conf import settings
from django.db import transaction
from django.http import HttpRequest
from django.utils import timezone
from django.utils.translation import gettext

from labsite import audit
from labsite.errors import Refused
from labsite.models import User
from reports.models import ErrorReport

MOST_OF_ONE_SENDER = 5  # in an hour
MOST_OF_ALL = 200  # in a day: more is not readers
CODE_LETTERS = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"


def sender_of(request: HttpRequest) -> str:
    """A keyed digest of where a request comes from, another one each day."""
    address = request.META.get("REMOTE_ADDR", "")
    if settings.HTTPS:
        # the proxy in front adds the caller's address last; what stands before is the caller's word
        address = request.headers.get("X-Forwarded-For", address).rpartition(",")[2].strip()
    day = timezone.now().date().isoformat()
    key = hashlib.sha256(f"error reports {settings.SECRET_KEY}".encode()).digest()
    return hmac.new(key, f"{day} {address}".encode(), hashlib.sha256).hexdigest()


@transaction.atomic
def tell_error(*, page: str, what: str, source: str, sender: str) -> ErrorReport:
    """Keep what a reader tells us."""
    now = timezone.now()
    lately = ErrorReport.objects.filter(told_at__gt=now - timedelta(hours=1), sender=sender)
    today = ErrorReport.objects.filter(told_at__gt=now - timedelta(days=1))
    if lately.count() >= MOST_OF_ONE_SENDER:
        raise Refused(
            gettext(
                "We have had several reports from your network within the hour. Nothing is lost: "
                "your words are still in the boxes. Please send them later."
            )
        )
    if today.count() >= MOST_OF_ALL:
        raise Refused(
            gettext(
                "We have had more reports today than people can read. Your words are still in the "
                "boxes. Please send them tomorrow."
            )
        )
    code = "".join(secrets.choice(CODE_LETTERS) for _ in range(10))
    return ErrorReport.objects.create(
        code=code, page=page, what=what, source=source, sender=sender, told_at=now
    )


@transaction.atomic
def answer_error(*, by: User, report: ErrorReport, state: str, answer: str) -> ErrorReport:
    """Say what became of a report; the reader sees it under the report's code."""
    report = ErrorReport.objects.select_for_update().get(pk=report.pk)
    problems: dict[str, list[str]] = {}
    if state not in ErrorReport.State.values or state == ErrorReport.State.NEW:
        problems["state"] = ["Choose where this stands."]
    if state in (ErrorReport.State.PUT_RIGHT, ErrorReport.State.NOTHING_WRONG) and not answer:
        problems["answer"] = ["Say what was found: the reader sees it."]
    if problems:
        raise Refused(problems)
    before = {"state": report.state, "answer": report.answer}
    report.state, report.answer = state, answer
    report.answered_at, report.answered_by = timezone.now(), by
    report.save(update_fields=["state", "answer", "answered_at", "answered_by"])
    audit.record(
        by=by,
        verb="answered error report",
        subject=report,
        detail={"before": before, "after": {"state": state, "answer": answer}},
    )
    return report
