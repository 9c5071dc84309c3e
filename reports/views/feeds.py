"""What tells machines of new editions and corrections: Atom feeds, the site map, robots.txt."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any
from uuid import NAMESPACE_URL, uuid5

from django.contrib.auth.decorators import login_not_required
from django.contrib.sitemaps import Sitemap
from django.contrib.sitemaps.views import sitemap as sitemap_page
from django.contrib.syndication.views import Feed
from django.http import Http404, HttpRequest, HttpResponse
from django.urls import reverse
from django.utils.feedgenerator import Atom1Feed
from django.utils.xmlutils import SimplerXMLGenerator
from django.views.decorators.http import require_safe

from labsite.kept_pages import kept
from labsite.models import Lab
from labsite.xml_text import for_xml
from reports.errata_queries import corrections, standings_of, withdrawals
from reports.kept import site_key, study_key
from reports.models import Edition, EpisodeEdition
from reports.public_addresses import card_addresses, plain_addresses
from trials.models import Study

if TYPE_CHECKING:
    CardSitemapBase = Sitemap[tuple[str, datetime]]
    PlainSitemapBase = Sitemap[str]
else:
    CardSitemapBase = PlainSitemapBase = Sitemap  # takes no type at run time

MOST_ENTRIES = 50
MOST_EPISODES = 10  # their content is read
CLOSED = ("/admin/", "/api/", "/bench/", "/desk/", "/lab/", "/sign-in/")


@dataclass(frozen=True)
class Entry:
    """One entry of a feed: an edition, or the notice of a correction or withdrawal."""

    identity: str
    title: str
    words: str
    url: str
    published_at: datetime
    updated_at: datetime
    related_url: str = ""
    category: str = "edition"


def entries(study: Study | None) -> list[Entry]:
    """The newest entries, of one study or of all. Costs six queries; reads episodes' content."""
    editions = Edition.objects.select_related("study").defer("content").order_by("-published_at")
    corrected, withdrawn = corrections(), withdrawals()
    if study is not None:
        editions = editions.filter(study=study)
        corrected = corrected.filter(edition__study=study)
        withdrawn = withdrawn.filter(edition__study=study)
    episodes = EpisodeEdition.objects.select_related("episode").order_by("-released_at")
    if study is not None:
        episodes = episodes.filter(scorecards__study=study).distinct()
    newest = list(editions[:MOST_ENTRIES])
    told = standings_of(newest)
    changed = {one.corrects_id: one.at for one in corrected.order_by("at")} | {
        one.edition_id: one.at for one in withdrawn.order_by("at")
    }
    found = [_edition_entry(one, told.get(one.pk, ""), changed.get(one.pk)) for one in newest]
    found += [
        _notice(
            f"correction:{one.edition.digest}",
            f"{one.get_kind_display().capitalize()}: {one.edition.study.title}, "
            f"edition {one.corrects.number}",
            f"{one.content['what_is_right']} {one.content['conclusion']}",
            (one.edition, one.corrects),
            one.at,
        )
        for one in corrected[:MOST_ENTRIES]
    ]
    found += [
        _notice(
            f"withdrawal:{one.edition.digest}",
            f"Withdrawn: {one.edition.study.title}, edition {one.edition.number}",
            f"{one.reason} {one.what_to_do}",
            (one.edition, one.edition),
            one.at,
        )
        for one in withdrawn[:MOST_ENTRIES]
    ]
    found += [_episode_entry(one) for one in episodes[:MOST_EPISODES]]
    return sorted(found, key=lambda one: one.updated_at, reverse=True)[:MOST_ENTRIES]


def _identity(of: str) -> str:
    """An id for ever, the same under whatever name the site is called by."""
    return uuid5(NAMESPACE_URL, f"urn:wornproof:{of}").urn


def _edition_entry(edition: Edition, standing: str, changed_at: datetime | None) -> Entry:
    title = f"{edition.study.title}, edition {edition.number}"
    return Entry(
        identity=_identity(f"edition:{edition.digest}"),
        title=f"{standing.capitalize()}: {title}" if standing else title,
        words=edition.headline,
        url=_page(edition),
        published_at=edition.published_at,
        updated_at=changed_at or edition.published_at,
        category=standing or "edition",
    )


def _notice(
    of: str, title: str, words: str, editions: tuple[Edition, Edition], at: datetime
) -> Entry:
    shown, about = editions
    return Entry(
        identity=_identity(of),
        title=title,
        words=words,
        url=f"{_page(shown)}#correction" if shown != about else f"{_page(shown)}#withdrawn",
        published_at=at,
        updated_at=at,
        related_url=reverse("edition", args=[shown.study.slug, about.number]),
        category="correction" if shown != about else "withdrawal",
    )


def _episode_entry(edition: EpisodeEdition) -> Entry:
    """A released episode; every later edition of one puts the one before it right."""
    slug, number = edition.episode.slug, edition.number
    said = edition.content["correction"]
    title = f"Episode: {edition.episode.title}, edition {number}"
    before = reverse("episode-edition", args=[slug, number - 1]) if number > 1 else ""
    return Entry(
        identity=_identity(f"episode:{edition.digest}"),
        title=f"Corrected: {title}" if before else title,
        words=f"{said['was_wrong']} {said['is_right']}" if before else edition.episode.question,
        url=reverse("episode-edition", args=[slug, number]),
        published_at=edition.released_at,
        updated_at=edition.released_at,
        related_url=before,
        category="correction" if before else "episode",
    )


def _page(edition: Edition) -> str:
    return reverse("edition", args=[edition.study.slug, edition.number])


class PlainAtom(Atom1Feed):
    """Atom with the edition that a notice is about."""

    def add_item_elements(self, handler: SimplerXMLGenerator, item: dict[str, Any]) -> None:
        super().add_item_elements(handler, item)
        if item["related"]:
            handler.addQuickElement("link", attrs={"rel": "related", "href": item["related"]})


class EditionsFeed(Feed):  # type: ignore[type-arg]
    """New editions, corrections and withdrawals."""

    feed_type = PlainAtom

    def get_object(self, request: HttpRequest, slug: str = "") -> Study | None:
        self.request = request
        self.lab_name = Lab.objects.values_list("name", flat=True).first() or "Wornproof"
        if not slug:
            return None
        study = Study.objects.filter(slug=slug, editions__isnull=False).first()
        if study is None:
            raise Http404
        return study

    def title(self, obj: Study | None) -> str:
        return for_xml(f"{self.lab_name}: {obj.title if obj else 'scorecards and corrections'}")

    def subtitle(self, obj: Study | None) -> str:
        return "New editions, corrections and withdrawals. A scorecard certifies nothing."

    def link(self, obj: Study | None) -> str:
        return reverse("scorecard", args=[obj.slug]) if obj else reverse("scorecards")

    def feed_guid(self, obj: Study | None) -> str:
        return _identity(f"feed:{obj.slug if obj else ''}")

    def author_name(self, obj: Study | None) -> str:
        return for_xml(self.lab_name)

    def items(self, obj: Study | None) -> list[Entry]:
        return entries(obj)

    def item_title(self, item: Entry) -> str:
        return for_xml(item.title)

    def item_description(self, item: Entry) -> str:
        return for_xml(item.words)

    def item_link(self, item: Entry) -> str:
        return item.url

    def item_guid(self, item: Entry) -> str:
        return item.identity

    def item_pubdate(self, item: Entry) -> datetime:
        return item.published_at

    def item_updateddate(self, item: Entry) -> datetime:
        return item.updated_at

    def item_categories(self, item: Entry) -> list[str]:
        return [item.category]

    def item_extra_kwargs(self, item: Entry) -> dict[str, Any]:
        related = self.request.build_absolute_uri(item.related_url) if item.related_url else ""
        return {"related": related}


@login_not_required
@require_safe
@kept(site_key)
def feed(request: HttpRequest) -> HttpResponse:
    """Everything that is published and put right."""
    return EditionsFeed()(request)


@login_not_required
@require_safe
@kept(study_key)
def study_feed(request: HttpRequest, slug: str) -> HttpResponse:
    """One study's editions: for who follows one piece of gear."""
    return EditionsFeed()(request, slug=slug)


class CardsSitemap(CardSitemapBase):
    """Scorecards in their newest edition; older ones are found from there."""

    limit = 50_000
    priority = 0.8

    def items(self) -> list[tuple[str, datetime]]:
        return card_addresses()

    def location(self, item: tuple[str, datetime]) -> str:
        return item[0]

    def lastmod(self, item: tuple[str, datetime]) -> datetime:
        return item[1]


class PlainSitemap(PlainSitemapBase):
    """The other pages for readers."""

    limit = 50_000
    priority = 0.5

    def items(self) -> list[str]:
        return plain_addresses()

    def location(self, item: str) -> str:
        return item


@login_not_required
@require_safe
@kept(site_key)
def sitemap(request: HttpRequest) -> HttpResponse:
    """Every page for readers, for search engines."""
    for section in (CardsSitemap, PlainSitemap):
        section.protocol = request.scheme or "http"
    return sitemap_page(request, {"cards": CardsSitemap, "pages": PlainSitemap})


@login_not_required
@require_safe
def robots(request: HttpRequest) -> HttpResponse:
    """Published pages may be indexed; the lab's own may not."""
    lines = ["User-agent: *", *(f"Disallow: {path}" for path in CLOSED), ""]
    lines.append(f"Sitemap: {request.build_absolute_uri(reverse('sitemap'))}")
    return HttpResponse("\n".join(lines) + "\n", content_type="text/plain; charset=utf-8")
