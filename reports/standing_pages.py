"""What the public page of an edition says beyond what was frozen: addresses, notices, data."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.http import HttpRequest
from django.urls import reverse
from django.utils import timezone, translation
from django.utils.translation import gettext as _

from reports.answer import answer, headline_of, told_of
from reports.card import in_page_language
from reports.citations import FROZEN_LANGUAGE, Corrected, Places, linked_data
from reports.errata_queries import EditionStanding, edition_standing, uses_of
from reports.models import Edition
from reports.packages import DESCRIPTOR
from reports.pictures.preview import alt_text
from specimens.words import date_words

_LOCALES = {"en-gb": "en_GB", "de": "de_DE"}  # as Open Graph writes languages


def absolute(request: HttpRequest, name: str, *args: Any) -> str:
    """The whole address of a page by its name."""
    return request.build_absolute_uri(reverse(name, args=args))


def places_of(request: HttpRequest, slug: str, number: int) -> Places:
    """Absolute addresses of an edition and what belongs to it."""
    return Places(
        page=absolute(request, "edition", slug, number),
        latest=absolute(request, "scorecard", slug),
        package=absolute(request, "edition-package", slug, number),
        readings_csv=absolute(request, "edition-csv", slug, number),
        card_json=absolute(request, "edition-json", slug, number),
        picture=absolute(request, "edition-picture", slug, number),
        corrections=absolute(request, "corrections"),
        home=absolute(request, "scorecards"),
    )


def notices_of(standing: EditionStanding) -> list[str]:
    """Sentences for whoever has only the data: what happened to the edition since."""
    told = []
    if standing.withdrawal:
        day = date_words(timezone.localdate(standing.withdrawal.at))
        told.append(f"Withdrawn on {day}: {standing.withdrawal.reason}")
    for one in standing.corrections:
        told.append(
            f"Corrected by edition {one.edition.number} on {date_words(timezone.localdate(one.at))}: "
            f"{one.content['what_is_right']}"
        )
    return told


def status_of(standing: EditionStanding) -> str:
    """The standing in one word, as schema.org has it."""
    return standing.words.capitalize() or "Published"


def page_parts(request: HttpRequest, edition: Edition) -> dict[str, Any]:
    """What the scorecard page shows beside the frozen card. Costs three narrow queries."""
    content, standing = in_page_language(edition.content), edition_standing(edition)
    slug, number = content["study"]["slug"], edition.number
    places = places_of(request, slug, number)
    language = translation.get_language() or FROZEN_LANGUAGE
    return {
        "standing": {
            "word": standing.words,
            "withdrawal": standing.withdrawal,
            "corrections": [
                {
                    "kind": one.kind,
                    "at": one.at,
                    "said": one.content,
                    "url": reverse("edition", args=[slug, one.edition.number]),
                    "number": one.edition.number,
                }
                for one in standing.corrections
            ],
            "uses": [use for use in uses_of(edition) if use.is_public] if standing.words else [],
        },
        "data": {
            "package": reverse("edition-package", args=[slug, number]),
            "folder": reverse("edition-folder", args=[slug, number]),
            "descriptor": reverse("edition-package-file", args=[slug, number, DESCRIPTOR]),
            "bibtex": reverse("edition-bibtex", args=[slug, number]),
            "csl": reverse("edition-csl", args=[slug, number]),
            "feed": reverse("study-feed", args=[slug]),
            "licence": content.get("licence"),
        },
        "shared": {
            "title": _title(content, standing),
            # the answer is put into words by the program, so in every language
            "description": headline_of(answer(told_of(content["findings"]))),
            "locale": _LOCALES[language if content["is_own_language"] else FROZEN_LANGUAGE],
            "url": places.page,
            "image": places.picture,
            "image_words": alt_text(content),
            "published_at": content["edition"]["published_at"],
            "before": _neighbour(slug, number - 1) if number > 1 else "",
        },
        "linked": linked_data(
            content,
            places,
            digest=edition.digest,
            status=status_of(standing),
            corrections=_machine_corrections(request, slug, standing),
            language=language if content["is_own_language"] else FROZEN_LANGUAGE,
        ),
    }


def _title(content: Mapping[str, Any], standing: EditionStanding) -> str:
    title: str = content["study"]["title"]
    words = {"withdrawn": _("Withdrawn"), "corrected": _("Corrected")}
    return f"{words[standing.words]}: {title}" if standing.words else title


def _neighbour(slug: str, number: int) -> str:
    return reverse("edition", args=[slug, number])


def _machine_corrections(
    request: HttpRequest, slug: str, standing: EditionStanding
) -> list[Corrected]:
    made = [*standing.corrections, *([standing.corrects] if standing.corrects else [])]
    told = [
        Corrected(
            words=f"{one.content['what_was_published']} {one.content['what_is_right']}",
            published_on=one.at.isoformat(),
            corrected_page=absolute(request, "edition", slug, one.edition.number),
        )
        for one in made
    ]
    if standing.withdrawal:
        told.append(
            Corrected(
                words=standing.withdrawal.reason,
                published_on=standing.withdrawal.at.isoformat(),
                corrected_page=absolute(
                    request, "edition", slug, standing.withdrawal.edition.number
                ),
            )
        )
    return told
