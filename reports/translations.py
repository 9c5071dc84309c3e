"""The words of an edition in another language: kept with the draft, frozen with the edition.

Figures, verdicts and cautions are turned by the program (reports.phrases); what people wrote is
turned by people.
"""

from collections.abc import Mapping

from django.conf import settings
from django.db import transaction
from django.utils import timezone

from labsite import audit
from labsite.errors import Refused
from labsite.models import User
from reports.models import EditionDraft
from reports.words import FIGURE
from trials.actions import digest_of
from trials.models import Study

FIELDS = ("title", "question", "headline", "summary", "note")
MAY_STAY_EMPTY = ("note",)


OF = "of"  # digest of the English words that a translation says


def english_of(study: Study, draft: EditionDraft) -> dict[str, str]:
    """The words that a translation follows."""
    return {
        "title": study.title,
        "question": study.question,
        "headline": draft.headline.strip(),
        "summary": draft.summary_text.strip(),
        "note": draft.note.strip(),
    }


def standing_translations(study: Study, draft: EditionDraft) -> dict[str, dict[str, str]]:
    """The translations of the words as they are now.

    One made of earlier words is left out: better English, marked as English, than another answer.
    """
    now = digest_of(english_of(study, draft))
    return {
        language: {name: text for name, text in words.items() if name != OF}
        for language, words in draft.translations.items()
        if words.get(OF) == now
    }


def other_languages() -> dict[str, str]:
    """Every language but that of the editions themselves, with its name."""
    return {code: name for code, name in settings.LANGUAGES if code != settings.LANGUAGE_CODE}


@transaction.atomic
def save_translation(
    *, by: User, study: Study, language: str, fields: Mapping[str, str]
) -> EditionDraft:
    """Keep the draft's words in another language; all empty takes the translation away."""
    name = other_languages().get(language)
    if name is None or set(fields) - set(FIELDS):
        raise Refused("There is no such language or field.")
    words = {field: fields.get(field, "").strip() for field in FIELDS}
    draft = EditionDraft.objects.select_for_update().filter(study=study).first()
    if draft is None:
        raise Refused("Write the English words first: a translation follows them.")
    before = draft.translations
    if any(words.values()):
        problems = {
            field: [f"Write this in {name} too, or leave the whole translation empty."]
            for field in FIELDS
            if not words[field] and field not in MAY_STAY_EMPTY
        }
        if FIGURE.search(words["headline"]):
            problems["headline"] = [
                "Give figures in the answer, not in the headline: readers meet the cautions first."
            ]
        if problems:
            raise Refused(problems)
        after = before | {language: {**words, OF: digest_of(english_of(study, draft))}}
    else:
        after = {code: kept for code, kept in before.items() if code != language}
    if after == before:
        return draft
    draft.translations, draft.changed_at, draft.changed_by = after, timezone.now(), by
    draft.save(update_fields=["translations", "changed_at", "changed_by"])
    audit.record(
        by=by, verb="translated draft", subject=study, detail={"language": language, **words}
    )
    return draft
