"""Until when something stays in, as agreed with those who have seen it. A rule, not a note."""

from datetime import datetime

from django.db import transaction
from django.utils import timezone

from labsite import audit
from labsite.errors import Refused
from labsite.models import User
from labsite.roles import Deed, check_may
from reports.models import Embargo, Episode, ReleasePlan
from specimens.words import date_words
from trials.models import Study


def embargo_on(subject: Study | Episode) -> Embargo | None:
    """The embargo in force now, if there is one. One query."""
    last = subject.embargos.select_related("by").order_by("-pk").first()
    if last is None or last.ends_at is None or last.ends_at <= timezone.now():
        return None
    return last


def embargo_problems(subject: Study | Episode) -> list[str]:
    """Why nothing may go out now."""
    embargo = embargo_on(subject)
    return [] if embargo is None else [embargo_words(embargo)]


def embargo_words(embargo: Embargo) -> str:
    """The rule in a sentence."""
    return f"Under embargo until {moment_words(embargo.ends_at)}: nothing goes out before."


def moment_words(at: datetime | None) -> str:
    """A day and a minute with its zone: those who agreed to it may live in another one."""
    if at is None:
        return ""
    local = timezone.localtime(at)
    return f"{date_words(local.date())}, {local:%H:%M %Z}"


@transaction.atomic
def set_embargo(
    *, by: User, subject: Study | Episode, ends_at: datetime | None, agreed: str
) -> Embargo:
    """Hold everything in until a minute, or lift what holds it. Both are kept, with the reason."""
    check_may(by, Deed.PUBLISH_EDITIONS)
    problems: dict[str, list[str]] = {}
    if ends_at is not None and ends_at <= timezone.now():
        problems["ends_at"] = ["Give a day and time to come."]
    if ends_at is None and embargo_on(subject) is None:
        problems["ends_at"] = ["Give the day and time on which it ends."]
    if not agreed.strip():
        problems["agreed"] = ["Say who has seen it and what was agreed, or why it is lifted."]
    waiting = subject.releaseplans.filter(state=ReleasePlan.State.WAITING).first()
    if waiting is not None and ends_at is not None and waiting.release_at < ends_at:
        when = moment_words(waiting.release_at)
        problems["ends_at"] = [f"A release is set for {when}, before that. Take it back first."]
    if problems:
        raise Refused(problems)
    kept = Embargo.objects.create(
        study=subject if isinstance(subject, Study) else None,
        episode=subject if isinstance(subject, Episode) else None,
        ends_at=ends_at,
        agreed=agreed.strip()[:300],
        by=by,
    )
    audit.record(
        by=by,
        verb="set an embargo" if ends_at else "lifted an embargo",
        subject=subject,
        detail={"until": ends_at.isoformat() if ends_at else "", "agreed": kept.agreed},
    )
    return kept
