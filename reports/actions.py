"""What editors do: prepare words, publish editions."""

from collections.abc import Mapping

from django.db import transaction
from django.utils import timezone

from labsite import audit
from labsite.errors import Refused
from labsite.models import User
from reports.content import draft_cautions, edition_words, next_number, study_content
from reports.disclosure import disclosure
from reports.embargoes import embargo_problems
from reports.errata_actions import draft_problems, record_correction
from reports.errata_queries import correction_draft, correction_part
from reports.index import index_edition
from reports.models import Edition, EditionDraft
from reports.queries import standing, waiting_conflicts
from reports.review import current_sign_off, sign_off_words, study_authors, study_digest
from reports.script_checks import cautions_with_figures, has_result, words_with_figures
from reports.translations import standing_translations
from reports.words import FIGURE, count
from trials.actions import digest_of
from trials.models import Study
from trials.studies import is_closed

DRAFT_FIELDS = ("headline", "summary_text", "note", "extra_cautions")


@transaction.atomic
def save_draft(*, by: User, study: Study, fields: Mapping[str, str]) -> EditionDraft:
    """Keep the words for the next edition."""
    unknown = set(fields) - set(DRAFT_FIELDS)
    if unknown:
        raise Refused({name: ["There is no such field."] for name in sorted(unknown)})
    before = EditionDraft.objects.filter(study=study).first()
    said = {name: getattr(before, name) if before else "" for name in fields}
    if before is not None and said == dict(fields):
        return before  # whoever keeps the same words has not become their author
    draft, _ = EditionDraft.objects.update_or_create(
        study=study, defaults={**fields, "changed_at": timezone.now(), "changed_by": by}
    )
    audit.record(by=by, verb="changed draft", subject=study, detail=audit.changes(said, fields))
    return draft


def _problems(
    study: Study, draft: EditionDraft | None, last: Edition | None
) -> dict[str, list[str]]:
    """What keeps the next edition in, by field."""
    problems = _word_problems(study, draft, last)
    where = standing(study)
    if where.summary is None or not where.is_current:
        problems[""] = ["The findings are still being computed: wait until they are up to date."]
    waiting = waiting_conflicts(study)
    if waiting:
        problems.setdefault("", []).append(
            f"{count(waiting, 'second reading waits', 'second readings wait')} for a person to "
            "settle on the lab's pages."
        )
    if is_closed(study):
        problems.setdefault("", []).append(
            "This study is blind: nothing is published before the last run on its sheet is read."
        )
    for sentence in (*embargo_problems(study), *draft_problems(study)):
        problems.setdefault("", []).append(sentence)
    return problems


def _word_problems(
    study: Study, draft: EditionDraft | None, last: Edition | None
) -> dict[str, list[str]]:
    problems: dict[str, list[str]] = {}
    if draft is None or not draft.headline.strip():
        problems["headline"] = ["Write a headline."]
    elif FIGURE.search(draft.headline) or has_result(study, draft.headline):
        problems["headline"] = [
            "Give figures in the answer, not in the headline: readers meet the cautions first."
        ]
    if draft is None or not draft.summary_text.strip():
        problems["summary_text"] = ["Write the answer in a sentence or two."]
    has_note = draft is not None and draft.note.strip()
    if last is not None and correction_draft(study) is None and not has_note:
        problems["note"] = [f"Say what is new since edition {last.number}."]
    return problems


@transaction.atomic
def publish_edition(*, by: User, study: Study) -> Edition:
    """Freeze the study's findings and the draft's words as the next edition."""
    draft = EditionDraft.objects.filter(study=study).first()
    now_standing = standing(study)
    last = study.editions.order_by("-number").first()
    problems = _problems(study, draft, last)
    if problems or draft is None or now_standing.summary is None:
        raise Refused(problems)
    authors = study_authors(study)
    signed = current_sign_off(study, study_digest(study), authors)
    if signed is None:
        raise Refused(
            "A second person has to sign this off as it stands, after the last change of its "
            "words or findings."
        )
    at = timezone.now()
    number = next_number(study)
    content = study_content(study, now_standing.summary, draft_cautions(draft))
    said = words_with_figures(study, draft, content)
    content["edition"] = edition_words(
        number=number,
        headline=said.words["headline"],
        summary=said.words["summary_text"],
        note=said.words["note"] if last else "",
        at=at,
        by=by.display_name,
    ) | {"sign_off": sign_off_words(signed, authors), "figures": said.figures, "typed": said.typed}
    content["translations"] = standing_translations(study, draft)
    content["cautions"] = cautions_with_figures(content)
    content["disclosure"] = disclosure([content], timezone.localdate(at))
    content |= correction_part(study, content)
    # An edition carries the end of the audit chain out of the house, so that nobody can write the
    # chain anew without disagreeing with what was published (labsite.audit).
    content["audit_head"] = str(audit.head())
    edition = Edition.objects.create(
        study=study,
        summary=now_standing.summary,
        number=number,
        headline=said.words["headline"],
        content=content,
        digest=digest_of(content),
        published_at=at,
        published_by=by,
    )
    record_correction(by=by, edition=edition)
    index_edition(edition)
    draft.note = ""
    draft.save(update_fields=["note"])
    audit.record(
        by=by,
        verb="published edition",
        subject=study,
        detail={"number": number, "digest": edition.digest},
    )
    return edition
