"""Signing off, letting out at a time, previews, reasons, makers' answers, interests: the actions."""

from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any

from django.core import signing
from django.db import transaction
from django.utils import timezone

from labsite import audit, jobs
from labsite.errors import Refused
from labsite.models import User
from labsite.roles import Deed, check_may
from reports.checklist import Point, stops, study_checklist, to_look_at
from reports.embargoes import embargo_on, embargo_words
from reports.models import (
    CorrectionDraft,
    EditionDraft,
    Episode,
    Interest,
    PreviewLink,
    ReleasePlan,
    SignOff,
    SmallLabExemption,
    Stand,
)
from reports.queries import standing
from reports.words import joined
from trials.actions import digest_of
from trials.models import Study

RELEASE = "release"
DRAFT_FIELDS = ("headline", "summary_text", "note", "extra_cautions")
LONGEST_PREVIEW_DAYS = 60
_SALT = "reports.preview"


# --- sign-off --------------------------------------------------------------------------------


def study_digest(study: Study) -> str:
    """What a sign-off of a scorecard speaks of: the words, and the findings they stand beside."""
    draft = EditionDraft.objects.filter(study=study).first() or EditionDraft(study=study)
    summary = standing(study).summary
    correction = CorrectionDraft.objects.filter(study=study).values().first()
    return digest_of(
        {
            "correction": {k: str(v) for k, v in sorted((correction or {}).items())},
            "words": {name: getattr(draft, name).strip() for name in DRAFT_FIELDS},
            "translations": draft.translations,
            "findings": summary.inputs_digest if summary else "",
            "engine": summary.engine_version if summary else "",
        }
    )


def study_authors(study: Study) -> set[int]:
    """Who wrote the words that are new.

    Beside a correction, words that a second person signed before and that went out are not: else
    in a lab of two nobody could sign off a correction by the one of the other's scorecard.
    """
    drafts = EditionDraft.objects.filter(study=study)
    correcting = set(
        CorrectionDraft.objects.filter(study=study).values_list("changed_by", flat=True)
    )
    last = study.editions.order_by("-number").first()
    if correcting and last is not None:
        drafts = drafts.filter(changed_at__gt=last.published_at)
    return correcting | set(drafts.values_list("changed_by", flat=True))


def sign_offs_of(subject: Study | Episode, digest: str) -> list[SignOff]:
    """Every sign-off of what stands there now, newest first."""
    return list(subject.signoffs.select_related("by", "exemption").filter(digest=digest))


def current_sign_off(subject: Study | Episode, digest: str, authors: set[int]) -> SignOff | None:
    """The sign-off that lets out what stands there now."""
    return enough_of(sign_offs_of(subject, digest), authors)


def enough_of(signs: Sequence[SignOff], authors: set[int]) -> SignOff | None:
    """The one of these sign-offs that lets out what its authors wrote.

    One by somebody who wrote none of it is enough, or one under an exemption. Where both people of
    a lab wrote, both sign: then each part was read by the one who did not write it.
    """
    alone = [one for one in signs if one.exemption is not None or one.by_id not in authors]
    if alone:
        return alone[0]
    return signs[0] if len({one.by_id for one in signs}) > 1 else None


def exemption_now() -> SmallLabExemption | None:
    """The small-lab exemption in force, if there is one."""
    last = SmallLabExemption.objects.select_related("by").first()
    if last is None or not last.is_on or last.until_on is None:
        return None
    return last if last.until_on >= timezone.localdate() else None


@transaction.atomic
def sign_off_study(*, by: User, study: Study, note: str = "") -> SignOff:
    """Say that the study's scorecard may go out as it stands."""
    check_may(by, Deed.SIGN_OFF)
    return sign_off(
        by=by,
        subject=study,
        authors=study_authors(study),
        points=study_checklist(study),
        digest=study_digest(study),
        note=note,
    )


def sign_off(
    *,
    by: User,
    subject: Study | Episode,
    authors: set[int],
    points: Sequence[Point],
    digest: str,
    note: str,
) -> SignOff:
    """Keep a sign-off, unless something stops it or the person wrote it alone."""
    problems: dict[str, list[str]] = {}
    stopped = stops(points)
    if stopped:
        problems[""] = [f"{point.name}: {point.words}" for point in stopped]
    exemption = exemption_now() if authors == {by.pk} else None
    if authors == {by.pk} and exemption is None:
        problems.setdefault("", []).append(
            "You wrote these words, so another person has to sign them off. A lab of one person "
            "needs an exemption, which an administrator records by name."
        )
    open_points = to_look_at(points)
    if open_points and not note.strip():
        names = "; ".join(point.name for point in open_points)
        problems["note"] = [f"Say why this may go out with what is to be looked at: {names}."]
    if problems:
        raise Refused(problems)
    kept = SignOff.objects.create(
        study=subject if isinstance(subject, Study) else None,
        episode=subject if isinstance(subject, Episode) else None,
        digest=digest,
        note=note.strip(),
        open_points=[{"name": p.name, "words": p.words} for p in open_points],
        exemption=exemption,
        by=by,
    )
    audit.record(
        by=by,
        verb="signed off",
        subject=subject,
        detail={"digest": digest, "note": kept.note, "exemption": exemption is not None},
    )
    return kept


def sign_off_words(signed: SignOff, authors: set[int]) -> str:
    """Who looked, for readers."""
    if signed.exemption is not None:
        return (
            f"Written and checked by one person, {signed.by.display_name}. This lab works under an "
            f"exemption for small labs, recorded by {signed.exemption.by.display_name}: "
            f"{signed.exemption.reason}"
        )
    if signed.by_id not in authors:
        return f"Checked before publication by {signed.by.display_name}, who did not write it."
    subject = signed.study or signed.episode
    assert subject is not None  # nosec B101  # a constraint says so
    names = sorted({one.by.display_name for one in sign_offs_of(subject, signed.digest)})
    return (
        f"Written by {joined(names)}; each checked before publication what the other had written."
    )


@transaction.atomic
def set_exemption(
    *, by: User, is_on: bool, reason: str, until_on: date | None = None
) -> SmallLabExemption:
    """Let a lab of one person publish without a second one, or end that."""
    check_may(by, Deed.ADMINISTER)
    problems: dict[str, list[str]] = {}
    today = timezone.localdate()
    if not reason.strip():
        problems["reason"] = ["Say why: readers see it."]
    if is_on and (until_on is None or until_on < today):
        problems["until_on"] = ["Give the day on which it ends, from today on."]
    elif is_on and until_on is not None and until_on > today + timedelta(days=366):
        problems["until_on"] = ["At most a year; it can be recorded again."]
    if problems:
        raise Refused(problems)
    kept = SmallLabExemption.objects.create(
        is_on=is_on, reason=reason.strip(), until_on=until_on if is_on else None, by=by
    )
    audit.record(
        by=by,
        verb="recorded small-lab exemption",
        subject=kept,
        detail={"is_on": is_on, "reason": reason.strip(), "until_on": str(until_on or "")},
    )
    return kept


# --- reasons ---------------------------------------------------------------------------------


@transaction.atomic
def let_stand(
    *, by: User, subject: Study | Episode, rule: str, quote: str, sentence: str, reason: str
) -> Stand:
    """Let a flagged sentence stand, with a reason that is kept beside the person's name."""
    check_may(by, Deed.DRAFT_EDITIONS)
    if not reason.strip():
        raise Refused({"reason": ["Say why it may stand. Your name is kept with it."]})
    kept = Stand.objects.create(
        study=subject if isinstance(subject, Study) else None,
        episode=subject if isinstance(subject, Episode) else None,
        rule=rule[:60],
        quote=quote[:200],
        sentence=sentence,
        reason=reason.strip()[:300],
        by=by,
    )
    audit.record(
        by=by,
        verb="let a claim stand",
        subject=subject,
        detail={"rule": rule, "quote": quote, "reason": kept.reason},
    )
    return kept


# --- release at a time -----------------------------------------------------------------------


@transaction.atomic
def plan_release(
    *,
    by: User,
    subject: Study | Episode,
    signed: SignOff | None,
    release_at: datetime | None,
) -> ReleasePlan:
    """Let a signed scorecard or episode out by itself at a minute."""
    check_may(by, Deed.PUBLISH_EDITIONS)
    problems: dict[str, list[str]] = {}
    if signed is None:
        problems[""] = ["A second person has to sign it off before a time is set."]
    if release_at is None or release_at <= timezone.now():
        problems["release_at"] = ["Give a day and time to come."]
    embargo = embargo_on(subject)
    if embargo and embargo.ends_at and release_at and release_at < embargo.ends_at:
        problems["release_at"] = [embargo_words(embargo)]
    if subject.releaseplans.filter(state=ReleasePlan.State.WAITING).exists():
        problems.setdefault("", []).append("A time is set already: cancel that one first.")
    if problems or signed is None or release_at is None:
        raise Refused(problems)
    plan = ReleasePlan.objects.create(
        study=subject if isinstance(subject, Study) else None,
        episode=subject if isinstance(subject, Episode) else None,
        sign_off=signed,
        release_at=release_at,
        by=by,
    )
    jobs.request_job(
        kind=RELEASE, key=str(plan.pk), payload={"plan": plan.pk}, not_before=release_at
    )
    audit.record(
        by=by,
        verb="set a time of release",
        subject=subject,
        detail={"release_at": release_at.isoformat()},
    )
    return plan


@transaction.atomic
def cancel_release(*, by: User, plan: ReleasePlan) -> None:
    """Take back a time that has not come."""
    check_may(by, Deed.PUBLISH_EDITIONS)
    ended = ReleasePlan.objects.filter(pk=plan.pk, state=ReleasePlan.State.WAITING).update(
        state=ReleasePlan.State.CANCELLED, ended_at=timezone.now(), outcome="Cancelled."
    )
    if not ended:
        raise Refused("This is released, held back or cancelled already.")
    subject = plan.study or plan.episode
    if subject is not None:
        audit.record(by=by, verb="cancelled a release", subject=subject, detail={"plan": plan.pk})


# --- previews --------------------------------------------------------------------------------


@transaction.atomic
def make_preview(
    *, by: User, subject: Study | Episode, for_whom: str, days: int
) -> tuple[PreviewLink, str]:
    """A link for one person that ends by itself; returns it with its token."""
    check_may(by, Deed.PUBLISH_EDITIONS)
    problems: dict[str, list[str]] = {}
    if not for_whom.strip():
        problems["for_whom"] = ["Say who it is for: the page they see names them."]
    if not 1 <= days <= LONGEST_PREVIEW_DAYS:
        problems["days"] = [f"From 1 to {LONGEST_PREVIEW_DAYS} days."]
    if problems:
        raise Refused(problems)
    link = PreviewLink.objects.create(
        study=subject if isinstance(subject, Study) else None,
        episode=subject if isinstance(subject, Episode) else None,
        for_whom=for_whom.strip()[:100],
        expires_at=timezone.now() + timedelta(days=days),
        by=by,
    )
    audit.record(
        by=by,
        verb="made a preview link",
        subject=subject,
        detail={"for": link.for_whom, "until": link.expires_at.isoformat()},
    )
    return link, preview_token(link)


def preview_token(link: PreviewLink) -> str:
    """The signed part of a preview's address."""
    return signing.dumps(link.pk, salt=_SALT, compress=False)


def preview_of(token: str) -> PreviewLink | None:
    """The link a token names, if it was signed here and still shows something."""
    try:
        pk = signing.loads(token, salt=_SALT)
    except signing.BadSignature:
        return None
    link = PreviewLink.objects.select_related("study", "episode", "by").filter(pk=pk).first()
    return link if link is not None and link.is_open else None


@transaction.atomic
def revoke_preview(*, by: User, link: PreviewLink) -> None:
    """End a preview now."""
    check_may(by, Deed.PUBLISH_EDITIONS)
    if PreviewLink.objects.filter(pk=link.pk, revoked_at=None).update(revoked_at=timezone.now()):
        subject = link.study or link.episode
        if subject is not None:
            audit.record(
                by=by, verb="ended a preview link", subject=subject, detail={"for": link.for_whom}
            )


# --- interests -------------------------------------------------------------------------------


@transaction.atomic
def record_interest(*, by: User, fields: Mapping[str, Any]) -> Interest:
    """Write down money, a gift or a tie that readers are to be told of."""
    check_may(by, Deed.DRAFT_EDITIONS)
    kept = Interest.objects.create(**fields, by=by)
    audit.record(by=by, verb="recorded an interest", subject=kept, detail={"what": kept.what})
    return kept


@transaction.atomic
def end_interest(*, by: User, interest: Interest, on: date) -> None:
    """Say that an interest is over; what it covered stays told."""
    check_may(by, Deed.DRAFT_EDITIONS)
    if on < interest.started_on:
        raise Refused({"ended_on": ["It cannot end before it began."]})
    interest.ended_on = on
    interest.save(update_fields=["ended_on"])
    audit.record(by=by, verb="ended an interest", subject=interest, detail={"on": on.isoformat()})
