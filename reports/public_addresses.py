"""Every address that needs no sign-in and no question, in one list: for site map and export."""

from collections.abc import Callable, Iterator
from datetime import datetime

from django.conf import settings
from django.db.models import Max
from django.urls import reverse
from django.utils import translation

from reports.models import Edition, EpisodeEdition, PublishedProduct
from reports.packages import package_files
from trials.models import MethodRevision

# pages without arguments; those of a language are asked for in each
PLAIN_NAMES = (
    "scorecards",
    "goes-first",
    "compare",
    "products",
    "methods",
    "cautions",
    "corrections",
    "episodes",
    "about",
)
DATA_NAMES = (
    "edition-csv",
    "edition-json",
    "edition-package",
    "edition-bibtex",
    "edition-csl",
    "edition-picture",
)


def card_addresses() -> list[tuple[str, datetime]]:
    """The newest edition of every study, with the day that anything of it changed."""
    studies = Edition.objects.values("study__slug").annotate(
        edition_at=Max("published_at"),
        corrected_at=Max("corrections__at"),
        withdrawn_at=Max("withdrawal__at"),
    )
    return [
        (
            reverse("scorecard", args=[one["study__slug"]]),
            max(
                at
                for at in (one["edition_at"], one["corrected_at"], one["withdrawn_at"])
                if at is not None
            ),
        )
        for one in studies.order_by("study__slug")
    ]


def plain_addresses() -> list[str]:
    """Pages for readers that are not of one edition."""
    return [
        *(reverse(name) for name in PLAIN_NAMES),
        *(
            reverse("product", args=[number])
            for number in PublishedProduct.objects.order_by("product")
            .values_list("product", flat=True)
            .distinct()
        ),
        *(
            reverse("method", args=[key, number])
            for key, number in MethodRevision.objects.exclude(state=MethodRevision.State.DRAFT)
            .order_by("method__key", "number")
            .values_list("method__key", "number")
        ),
    ]


def _moving_addresses() -> list[str]:
    """Addresses that lead on to the newest of something."""
    keys = MethodRevision.objects.exclude(state=MethodRevision.State.DRAFT).order_by("method__key")
    return [
        reverse("method-latest", args=[key])
        for key in keys.values_list("method__key", flat=True).distinct()
    ]


def site_addresses() -> list[str]:
    """Everything that is not of one study, pages in every language."""
    return [
        *(reverse(name) for name in ("feed", "sitemap", "robots")),
        *_in_each_language(lambda: [*plain_addresses(), *_moving_addresses()]),
        *episode_addresses(),
    ]


def episode_addresses() -> list[str]:
    """Every released episode with its captions and pictures. They have one language."""
    found = [reverse("episodes")]
    for edition in EpisodeEdition.objects.order_by("episode", "number"):
        slug, number = edition.content["slug"], edition.number
        found += [
            reverse("episode", args=[slug]),
            reverse("episode-edition", args=[slug, number]),
            reverse("episode-captions", args=[slug, number]),
            *(
                reverse("episode-picture", args=[slug, number, one["name"]])
                for one in edition.content["pictures"]
            ),
        ]
    return list(dict.fromkeys(found))


def published_slugs() -> list[str]:
    """Every study with an edition."""
    slugs = Edition.objects.order_by("study__slug").values_list("study__slug", flat=True)
    return list(slugs.distinct())


def addresses_of_study(slug: str) -> list[str]:
    """Everything of one study's editions. Reads the content of one edition at a time."""
    numbers = list(
        Edition.objects.filter(study__slug=slug).order_by("number").values_list("number", flat=True)
    )

    def pages() -> list[str]:
        return [
            reverse("scorecard", args=[slug]),
            *(reverse("edition", args=[slug, number]) for number in numbers),
            *(reverse("edition-folder", args=[slug, number]) for number in numbers),
        ]

    found = [*_in_each_language(pages), reverse("study-feed", args=[slug])]
    for number in numbers:
        found += [reverse(name, args=[slug, number]) for name in DATA_NAMES]
        edition = Edition.objects.get(study__slug=slug, number=number)
        found += [
            reverse("edition-photo", args=[slug, number, photo["digest"]])
            for photo in edition.content.get("photos", [])
        ]
        found += [
            reverse("edition-package-file", args=[slug, number, name])
            for name in package_files(edition.content, digest=edition.digest)
        ]
    return found


def every_address() -> Iterator[str]:
    """All of them."""
    yield from site_addresses()
    for slug in published_slugs():
        yield from addresses_of_study(slug)


def _in_each_language(paths: Callable[[], list[str]]) -> list[str]:
    found: dict[str, None] = {}
    for code, _ in settings.LANGUAGES:
        with translation.override(code):
            found.update(dict.fromkeys(paths()))
    return list(found)
