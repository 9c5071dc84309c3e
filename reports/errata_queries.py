"""Where published editions stand: corrected, withdrawn, overtaken, and what leans on them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from django.db.models import QuerySet
from django.urls import reverse
from django.utils.translation import gettext

from reports import errata
from reports.models import Correction, CorrectionDraft, Edition, Withdrawal
from trials.models import Study

DRAFT_FIELDS = (*errata.WORDS, "wrong_since")


@dataclass(frozen=True)
class EditionStanding:
    """What happened to an edition after it was published."""

    withdrawal: Withdrawal | None
    corrections: tuple[Correction, ...]  # of this edition, by later ones
    corrects: Correction | None  # made by this edition

    @property
    def words(self) -> str:
        """One word for a list; nothing when the edition stands."""
        if self.withdrawal:
            return "withdrawn"
        if self.corrections:
            return "corrected"
        return ""


def edition_standing(edition: Edition) -> EditionStanding:
    """Costs three narrow queries."""
    made = Correction.objects.select_related("edition", "corrects").defer(
        "edition__content", "corrects__content"
    )
    return EditionStanding(
        withdrawal=Withdrawal.objects.filter(edition=edition).first(),
        corrections=tuple(made.filter(corrects=edition).order_by("at", "pk")),
        corrects=made.filter(edition=edition).first(),
    )


def standings_of(editions: Iterable[Edition]) -> dict[int, str]:
    """'withdrawn' or 'corrected' for each of the editions that does not stand. Two queries."""
    wanted = [edition.pk for edition in editions]
    told = dict.fromkeys(
        Correction.objects.filter(corrects__in=wanted).values_list("corrects", flat=True),
        "corrected",
    )
    withdrawn = Withdrawal.objects.filter(edition__in=wanted).values_list("edition", flat=True)
    return told | dict.fromkeys(withdrawn, "withdrawn")


def correction_draft(study: Study) -> CorrectionDraft | None:
    """The correction that the study's next edition will carry, if any."""
    return CorrectionDraft.objects.select_related("corrects").filter(study=study).first()


def correction_part(study: Study, content: Mapping[str, Any]) -> dict[str, Any]:
    """What the edition with this content says of the correction that it makes.

    {} without a draft, or with one that is not complete.
    """
    draft = correction_draft(study)
    if draft is None or errata.missing({name: getattr(draft, name) for name in errata.NEEDED}):
        return {}
    said = errata.correction_content(
        {name: getattr(draft, name) for name in DRAFT_FIELDS},
        kind_words=draft.get_kind_display(),
        old=draft.corrects.content,
        new=content,
    )
    return {"correction": said}


def corrections() -> QuerySet[Correction]:
    """Every published correction, newest first."""
    return Correction.objects.select_related("edition__study", "corrects").defer(
        "edition__content", "corrects__content"
    )


def withdrawals() -> QuerySet[Withdrawal]:
    """Every withdrawal, newest first."""
    return Withdrawal.objects.select_related("edition__study").defer("edition__content")


# --- what leans on an edition ------------------------------------------------------------------


@dataclass(frozen=True)
class Use:
    """Something that was made from an edition and has to be looked at when it falls."""

    kind: str
    label: str
    url: str
    is_public: bool


UsesOf = Callable[[Edition], Iterable[Use]]
_kinds_of_use: dict[str, UsesOf] = {}


def register_use(kind: str, find: UsesOf) -> None:
    """Name a kind of thing that is made from editions, and how to find those of one edition."""
    _kinds_of_use[kind] = find


def uses_of(edition: Edition) -> list[Use]:
    """Everything that was made from the edition. Each kind costs what its finder costs."""
    return [use for find in _kinds_of_use.values() for use in find(edition)]


def _later_editions(edition: Edition) -> Iterable[Use]:
    later = Edition.objects.filter(study=edition.study_id, number__gt=edition.number)
    slug = edition.study.slug
    for number in later.order_by("number").values_list("number", flat=True):
        label = gettext("Edition %(number)s") % {"number": number}
        yield Use("edition", label, reverse("edition", args=[slug, number]), True)


register_use("edition", _later_editions)
