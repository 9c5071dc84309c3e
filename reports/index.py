"""The index of published cards: rows made from each study's newest edition, and the search in them.

Frozen editions are JSON, which two databases search in two ways and neither quickly. So what
readers look for stands in columns of its own, made from the edition's content and from nothing
else, and can be thrown away and made anew (`manage.py index_editions`).
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, NamedTuple

from django.conf import settings
from django.core.paginator import Page, Paginator
from django.db import transaction
from django.db.models import Exists, OuterRef, QuerySet
from django.utils import translation

from labsite.kept_pages import remembered
from reports.models import Edition, PublishedCard, PublishedFinding, PublishedProduct
from reports.phrases import said_plainly
from specimens.models import Product, Specimen

CARDS_ON_A_PAGE = 20
MOST_SEARCH_WORDS = 8  # more narrow nothing down and cost a look each
LONGEST_SEARCH = 200


# --- rows out of content -----------------------------------------------------------------------


def card_row(content: Mapping[str, Any]) -> dict[str, Any]:
    """The columns that an edition's content gives its card."""
    study, edition = content["study"], content["edition"]
    return {
        "slug": study["slug"],
        "title": study["title"],
        "question": study["question"],
        "headline": edition["headline"],
        "kind": study["kind"],
        "is_invented": content["invented"],
        "translations": content.get("translations", {}),
    }


def finding_rows(content: Mapping[str, Any], gear_kinds: Iterable[str]) -> list[dict[str, Any]]:
    """The columns of every finding of an edition's content."""
    kinds = set(gear_kinds)
    served = {arm["key"]: _served(arm["specimens"]) for arm in content["arms"]}
    baseline = next((arm for arm in content["arms"] if arm["is_baseline"]), None)
    is_against_new = baseline is not None and not any(
        _is_worn(one) for one in baseline["specimens"]
    )
    return [
        {
            "position": position,
            "gear_kind": next(iter(kinds)) if len(kinds) == 1 else "",
            "method_key": found["method"]["key"],
            "method_number": found["method"]["number"],
            "is_against_new": is_against_new,
        }
        | {name: found[name] for name in _AS_FROZEN}
        | served.get(found["arm"], _NOT_SERVED)
        for position, found in enumerate(content["findings"])
    ]


_AS_FROZEN = (
    "property",
    "arm_label",
    "baseline_label",
    "kind",
    "verdict",
    "level",
    "margin",
    "scope",
    "retention",
    "low",
    "high",
    "n_baseline",
    "n_other",
)
_NOT_SERVED: dict[str, float | None] = {
    "distance_km": None,
    "distance_km_uncertainty": None,
    "months": None,
}


def _is_worn(specimen: Mapping[str, Any]) -> bool:
    return bool(specimen["months"]) or specimen["distance_km"] is not None


def _served(specimens: list[Mapping[str, Any]]) -> dict[str, float | None]:
    """Mean service of an arm; a distance only when every worn item's is known."""
    if not specimens or not any(_is_worn(one) for one in specimens):
        return _NOT_SERVED
    distances = [
        one["distance_km"] or (None if one["months"] else {"low": 0.0, "best": 0.0, "high": 0.0})
        for one in specimens
    ]
    known = [one for one in distances if one is not None]
    found: dict[str, float | None] = dict(_NOT_SERVED)
    found["months"] = math.fsum(one["months"] for one in specimens) / len(specimens)
    if len(known) == len(specimens):
        found["distance_km"] = math.fsum(one["best"] for one in known) / len(known)
        # low and high are the owner's outermost guesses: a quarter of their span is a standard
        # deviation. Errors of one arm's owners are not independent: halves are averaged, not shrunk
        found["distance_km_uncertainty"] = math.fsum(
            (one["high"] - one["low"]) / 4 for one in known
        ) / len(known)
    return found


def search_text(content: Mapping[str, Any], products: Iterable[Product]) -> str:
    """All words that a search looks at, in lower case, each once.

    A search goes through these texts whole, and every process remembers them, so they are short.
    """
    study, edition = content["study"], content["edition"]
    told = [
        study["title"],
        study["question"],
        edition["headline"],
        edition["summary"],
        *(found["property"] for found in content["findings"]),
        *(method["name"] for method in content["methods"]),
        *(arm["label"] for arm in content["arms"]),
        *(f"{product.maker} {product.name} {product.kind}" for product in products),
        *(text for words in content.get("translations", {}).values() for text in words.values()),
    ]
    for language, _ in settings.LANGUAGES:
        with translation.override(language):
            told += [said_plainly(found["property"]) for found in content["findings"]]
            told += [said_plainly(product.kind) for product in products]
    return " ".join(dict.fromkeys(" ".join(told).casefold().split()))


# --- keeping it --------------------------------------------------------------------------------


@transaction.atomic
def index_edition(edition: Edition) -> PublishedCard:
    """Make the index rows of a study anew from its newest edition. Costs some eight queries."""
    content = edition.content
    codes = [one["code"] for arm in content["arms"] for one in arm["specimens"]]
    specimens = Specimen.objects.filter(code__in=codes).values_list("product", flat=True)
    products = list(Product.objects.filter(pk__in=specimens))
    PublishedCard.objects.filter(study=edition.study_id).delete()
    card = PublishedCard.objects.create(
        study_id=edition.study_id,
        edition=edition,
        published_at=edition.published_at,
        year=edition.published_at.year,
        search_text=search_text(content, products),
        **card_row(content),
    )
    PublishedFinding.objects.bulk_create(
        PublishedFinding(card=card, **row)
        for row in finding_rows(content, (product.kind for product in products))
    )
    PublishedProduct.objects.bulk_create(
        PublishedProduct(card=card, product=product, kind=product.kind) for product in products
    )
    return card


def index_all() -> int:
    """Make every study's index rows anew; returns how many studies have an edition."""
    newest: dict[int, int] = {}
    for pk, study in Edition.objects.order_by("number").values_list("pk", "study"):
        newest[study] = pk
    PublishedCard.objects.exclude(study__in=newest).delete()
    for pk in newest.values():
        index_edition(Edition.objects.get(pk=pk))
    return len(newest)


# --- looking in it -----------------------------------------------------------------------------


@dataclass(frozen=True)
class Wanted:
    """What a reader looks for; an empty value leaves its column open."""

    text: str = ""
    gear: str = ""
    tested: str = ""  # the property
    kind: str = ""
    product: int | None = None
    year: int | None = None

    @property
    def is_anything(self) -> bool:
        """True when nothing narrows the list down."""
        return self == Wanted()


def wanted_from(query: Mapping[str, str]) -> Wanted:
    """What an address asks for. What is not understood is left out, never an error page."""
    return Wanted(
        text=" ".join(query.get("q", "").replace("\0", " ").split())[:LONGEST_SEARCH],
        gear=query.get("gear", "").replace("\0", ""),
        tested=query.get("property", "").replace("\0", ""),
        kind=query.get("kind", "").replace("\0", ""),
        product=_number(query.get("product", "")),
        year=_number(query.get("year", "")),
    )


def _number(text: str) -> int | None:
    # up to nine digits: what fits a column of every database
    return int(text) if text.isascii() and text.isdigit() and len(text) < 10 else None


def search(wanted: Wanted) -> Sequence[int] | QuerySet[PublishedCard, int]:
    """Keys of the published cards that fit, newest first; unread where nothing narrows them down."""
    found = PublishedCard.objects.order_by("-published_at", "-pk")
    if wanted.kind:
        found = found.filter(kind=wanted.kind)
    if wanted.year is not None:
        found = found.filter(year=wanted.year)
    if wanted.gear:
        mine = PublishedProduct.objects.filter(card=OuterRef("pk"), kind=wanted.gear)
        found = found.filter(Exists(mine))
    if wanted.product is not None:
        mine = PublishedProduct.objects.filter(card=OuterRef("pk"), product=wanted.product)
        found = found.filter(Exists(mine))
    if wanted.tested:
        told = PublishedFinding.objects.filter(card=OuterRef("pk"), property=wanted.tested)
        found = found.filter(Exists(told))
    keys = found.values_list("pk", flat=True)
    words = wanted.text.casefold().split()[:MOST_SEARCH_WORDS]
    if words:
        texts = search_texts()
        return [key for key in keys if all(word in texts.get(key, "") for word in words)]
    # counting what was narrowed down and cutting a page from it would each look for it
    return list(keys) if found.query.where else keys


@remembered
def search_texts() -> dict[int, str]:
    """What a search looks at, by card: about 11 MB in each process for 10,000 cards.

    Going through them here takes a few milliseconds, on either database a multiple of that.
    """
    return dict(PublishedCard.objects.values_list("pk", "search_text"))


class ShownCard(NamedTuple):
    """Which state of which card a page shows: what is drawn of it depends on nothing else."""

    pk: int
    edition: int
    published_at: datetime
    slug: str


def page_of(found: Sequence[int] | QuerySet[PublishedCard, int], number: str) -> Page[Any]:
    """One page of what was found, as `ShownCard`s; the nearest one for a number beyond."""
    page: Page[Any] = Paginator(found, CARDS_ON_A_PAGE).get_page(number)
    here = list(page.object_list)
    rows = PublishedCard.objects.filter(pk__in=here).values_list(*ShownCard._fields)
    cards = {row[0]: ShownCard(*row) for row in rows}
    page.object_list = [cards[key] for key in here]
    return page


@dataclass(frozen=True)
class Choices:
    """What there is to choose from, over everything published."""

    gear: tuple[str, ...]
    properties: tuple[str, ...]
    kinds: tuple[str, ...]
    years: tuple[int, ...]


@remembered
def choices() -> Choices:
    """Every value that a filter can take. Looks through the index once after a publication."""
    return Choices(
        gear=_distinct(PublishedProduct.objects.all(), "kind"),
        properties=_distinct(PublishedFinding.objects.all(), "property"),
        kinds=_distinct(PublishedCard.objects.all(), "kind"),
        years=_distinct(PublishedCard.objects.all(), "year")[::-1],
    )


def _distinct(rows: QuerySet[Any], column: str) -> tuple[Any, ...]:
    return tuple(rows.order_by(column).values_list(column, flat=True).distinct())
