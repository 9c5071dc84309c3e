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
from reports.actions import FIGURE
from reports.models import EditionDraft
from trials.models import Study

FIELDS = ("title", "question", "headline", "summary", "note")
MAY_STAY_EMPTY = ("note",)


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
        after = before | {language: words}
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
