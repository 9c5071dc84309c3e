"""What editors do when something published was wrong: correct it, or withdraw it."""

from collections.abc import Mapping
from datetime import date
from typing import Any

from django.db import transaction
from django.utils import timezone

from labsite import audit
from labsite.errors import Refused
from labsite.models import User
from reports import errata
from reports.errata_queries import DRAFT_FIELDS, correction_draft
from reports.models import Correction, CorrectionDraft, Edition, Withdrawal
from trials.models import Study


@transaction.atomic
def save_correction_draft(
    *, by: User, study: Study, corrects: Edition, fields: Mapping[str, Any]
) -> CorrectionDraft:
    """Keep the words of a correction; the study's next edition will carry it."""
    unknown = set(fields) - set(DRAFT_FIELDS)
    if unknown:
        raise Refused({name: ["There is no such field."] for name in sorted(unknown)})
    if corrects.study_id != study.pk:
        raise Refused("That edition belongs to another study.")
    since = fields.get("wrong_since")
    if isinstance(since, date) and since > timezone.localdate():
        raise Refused({"wrong_since": ["This day has not come yet."]})
    standing = CorrectionDraft.objects.filter(study=study).first()
    before = {name: str(getattr(standing, name, "") or "") for name in fields}
    after = {name: str(value or "") for name, value in fields.items()}
    if standing is not None and standing.corrects_id == corrects.pk and before == after:
        return standing  # whoever keeps the same words has not become their author
    draft, _ = CorrectionDraft.objects.update_or_create(
        study=study,
        defaults={
            **fields,
            "corrects": corrects,
            "changed_at": timezone.now(),
            "changed_by": by,
        },
    )
    detail = audit.changes(before, after)
    audit.record(by=by, verb="changed draft correction", subject=study, detail=detail)
    return draft


@transaction.atomic
def drop_correction_draft(*, by: User, study: Study) -> None:
    """The next edition will be an ordinary one."""
    deleted, _ = CorrectionDraft.objects.filter(study=study).delete()
    if not deleted:
        raise Refused("There is no draft of a correction to drop.")
    audit.record(by=by, verb="dropped draft correction", subject=study)


def draft_problems(study: Study) -> list[str]:
    """Why the draft of a correction, if there is one, cannot be published yet."""
    draft = correction_draft(study)
    if draft is None:
        return []
    gaps = errata.missing({name: getattr(draft, name) for name in errata.NEEDED})
    if not gaps:
        return []
    named = ", ".join(errata.NEEDED[name] for name in gaps)
    return [f"The correction does not say yet: {named}. Complete it on its page, or drop it."]


def record_correction(*, by: User, edition: Edition) -> Correction | None:
    """Keep the correction that a new edition makes as a row of its own; within its transaction."""
    said = edition.content.get("correction")
    draft = correction_draft(edition.study)
    if said is None or draft is None:
        return None
    correction = Correction.objects.create(
        edition=edition,
        corrects=draft.corrects,
        kind=draft.kind,
        content=said,
        at=edition.published_at,
        by=by,
    )
    draft.delete()
    audit.record(
        by=by,
        verb="published correction",
        subject=edition.study,
        detail={"number": edition.number, "corrects": correction.corrects.number},
    )
    return correction


@transaction.atomic
def withdraw_edition(
    *, by: User, edition: Edition, reason: str, found_how: str, what_to_do: str
) -> Withdrawal:
    """Say that nobody may rely on an edition. Its page and its data stay; the row never changes."""
    given = {"reason": reason, "found_how": found_how, "what_to_do": what_to_do}
    problems: dict[str, list[str]] = {
        name: ["Say this: readers see it."] for name, words in given.items() if not words.strip()
    }
    if Withdrawal.objects.filter(edition=edition).exists():
        problems.setdefault("", []).append(f"Edition {edition.number} is withdrawn already.")
    if problems:
        raise Refused(problems)
    withdrawal = Withdrawal.objects.create(
        edition=edition,
        at=timezone.now(),
        by=by,
        **{name: words.strip() for name, words in given.items()},
    )
    audit.record(
        by=by,
        verb="withdrew edition",
        subject=edition.study,
        detail={"number": edition.number, **given},
    )
    return withdrawal
