"""Short words for what the tests of findings and editions do again and again."""

import html
import re
import uuid as uuids
from typing import Any

from django.test import override_settings
from django.utils import timezone

from labsite.jobs import run_job
from labsite.models import Job, JobState, User
from labsite.roles import Role, give_role
from reports.actions import publish_edition, save_draft
from reports.models import Edition, EditionDraft, Finding, SignOff
from reports.queries import findings_for_page, standing
from reports.review import let_stand, sign_off_study, study_authors
from reports.script_checks import draft_flags, study_book
from trials.actions import ReadingEntry, Recorded, record_reading
from trials.models import Reading, Study

PAIR = "causeway-trousers-one-pair"
AGES = "rainmile-jackets-three-ages"
PRICES = "back-protectors-two-prices"


def person_with(role: Role) -> User:
    user, is_new = User.objects.get_or_create(
        username=f"test-{role.value}", defaults={"first_name": role.value.capitalize()}
    )
    if is_new:
        give_role(user=user, role=role, by=None)
    return user


def run_waiting_jobs() -> int:
    """Do the background work as a worker would, and what it asks for; returns how many jobs."""
    count = 0
    while job := Job.objects.filter(state=JobState.WAITING).order_by("pk").first():
        # the test's own transaction holds the lock that the renewing thread would wait for
        with override_settings(JOB_LEASE_SECONDS=3600):
            run_job(job.pk)
        job.refresh_from_db()
        assert job.state == JobState.DONE, job.error
        count += 1
    return count


def findings_of(study: Study) -> list[Finding]:
    """The findings that speak for the study now."""
    summary = standing(study).summary
    assert summary is not None
    return findings_for_page(summary)


def finding_of(study: Study, key: str, arm: str) -> Finding:
    (found,) = [f for f in findings_of(study) if f.revision.method.key == key and f.arm.key == arm]
    return found


def current_reading(study: Study, key: str, specimen: str = "") -> Reading:
    """A valid reading of a method that no newer one replaces."""
    found = (
        Reading.objects.current()
        .filter(run__study=study, run__revision__method__key=key, run__void__isnull=True)
        .order_by("run__position", "rater")
    )
    if specimen:
        found = found.filter(run__specimen__code=specimen)
    first = found.first()
    assert first is not None
    return first


def amend(reading: Reading, raw: dict[str, Any], *, by: User, reason: str = "Misread.") -> Recorded:
    return record_reading(
        by=by,
        entry=ReadingEntry(
            uuid=uuids.uuid4(),
            run=reading.run,
            raw=raw,
            measured_at=reading.measured_at,
            rater=reading.rater,
            note=reading.note,
            supersedes=reading.pk,
            reason=reason,
        ),
    )


def sign_off(study: Study) -> SignOff:
    """A second person's sign-off of the study's words as they stand."""
    second = person_with(Role.LEAD)
    if second.pk in study_authors(study):
        second = person_with(Role.EDITOR)
    return sign_off_study(by=second, study=study, note="Seen by a second person.")


def stand_for_all(study: Study, *, by: User) -> None:
    """Give a reason for everything the claim check flags in the study's words."""
    draft = EditionDraft.objects.get(study=study)
    for one in draft_flags(study, draft, study_book(study)):
        let_stand(
            by=by,
            subject=study,
            rule=one.flag.rule,
            quote=one.flag.quote,
            sentence=one.flag.sentence,
            reason="Checked against the receipts.",
        )


def write_and_sign_off(study: Study, words: dict[str, str]) -> None:
    """Words by the lead, looked at by the editor."""
    save_draft(by=person_with(Role.LEAD), study=study, fields=words)
    sign_off(study)


def publish(study: Study, *, by: User, note: str = "", headline: str = "What was done") -> Edition:
    save_draft(
        by=by,
        study=study,
        fields={
            "headline": headline,
            "summary_text": "What the benches show.",
            "note": note,
            "extra_cautions": "",
        },
    )
    sign_off(study)
    return publish_edition(by=by, study=study)


def visible_text(page: str) -> str:
    """What a page says, without scripts, styles and tags, with single spaces."""
    body = re.sub(r"<(script|style)\b.*?</\1>", " ", page, flags=re.DOTALL)
    body = re.sub(r"<[^>]+>", " ", body)
    return re.sub(r"\s+", " ", html.unescape(body))


def now_iso() -> str:
    return timezone.now().isoformat()
