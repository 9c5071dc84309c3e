"""Released episodes, for everyone, and what a preview link shows."""

from typing import Any

from django.contrib.auth.decorators import login_not_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_safe

from reports.embargoes import embargo_on
from reports.episode_content import Going, episode_content
from reports.episode_corrections import correction_words
from reports.episodes import latest_cards, running
from reports.errata_queries import standings_of
from reports.models import Edition, EpisodeEdition, PreviewLink
from reports.script_checks import preview_content
from reports.views.public import plots, with_method_urls


@login_not_required
@require_safe
def index(request: HttpRequest) -> HttpResponse:
    """Every released episode in its newest edition."""
    newest: dict[int, EpisodeEdition] = {}
    for edition in EpisodeEdition.objects.select_related("episode").order_by("number"):
        newest[edition.episode_id] = edition
    rows = sorted(newest.values(), key=lambda e: e.released_at, reverse=True)
    return render(request, "reports/public/episodes.html", {"editions": rows})


@login_not_required
@require_safe
def latest(request: HttpRequest, slug: str) -> HttpResponse:
    """The newest edition of an episode."""
    editions = _editions(slug)
    return render(request, "reports/public/episode.html", episode_page(editions[0], editions))


@login_not_required
@require_safe
def edition(request: HttpRequest, slug: str, number: int) -> HttpResponse:
    """One edition as it was released."""
    editions = _editions(slug)
    wanted = next((e for e in editions if e.number == number), None)
    if wanted is None:
        raise Http404
    return render(request, "reports/public/episode.html", episode_page(wanted, editions))


@login_not_required
@require_safe
def captions(request: HttpRequest, slug: str, number: int) -> HttpResponse:
    """The script as WebVTT."""
    found = get_object_or_404(EpisodeEdition, episode__slug=slug, number=number)
    return HttpResponse(
        found.content["captions"],
        content_type="text/vtt; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="{slug}-{number}.vtt"'},
    )


@login_not_required
@require_safe
def picture(request: HttpRequest, slug: str, number: int, name: str) -> HttpResponse:
    """A picture that was frozen with an edition."""
    found = get_object_or_404(EpisodeEdition, episode__slug=slug, number=number)
    for one in found.content["pictures"]:
        if one["name"] == name:
            return HttpResponse(one["svg"], content_type="image/svg+xml; charset=utf-8")
    raise Http404


def _editions(slug: str) -> list[EpisodeEdition]:
    editions = list(EpisodeEdition.objects.filter(episode__slug=slug).order_by("-number"))
    if not editions:
        raise Http404
    return editions


def episode_page(edition: EpisodeEdition, editions: list[EpisodeEdition]) -> dict[str, Any]:
    """What the page of an episode is given."""
    slug, number = edition.content["slug"], edition.number
    pictures = {
        one["name"]: reverse("episode-picture", args=[slug, number, one["name"]])
        for one in edition.content["pictures"]
    }
    return shown_episode(edition.content, pictures) | {
        "is_latest": number == editions[0].number,
        "digest": edition.digest,
        "editions": editions,
        "urls": {
            "this_edition": reverse("episode-edition", args=[slug, number]),
            "latest": reverse("episode", args=[slug]),
            "captions": reverse("episode-captions", args=[slug, number]),
        },
    }


def shown_episode(content: dict[str, Any], pictures: dict[str, str]) -> dict[str, Any]:
    """An episode's content with the addresses its figures and pictures lead to."""
    fallen = _fallen(content["scorecards"])
    cards = {
        one["slug"]: one
        | {
            "url": reverse("edition", args=[one["slug"], one["number"]]),
            "standing": fallen.get((one["slug"], one["number"]), ""),
        }
        for one in content["scorecards"]
    }
    alternatives = {one["name"]: one["alternative"] for one in content["pictures"]}
    segments = [
        segment
        | {
            "paragraphs": [_linked(part, cards) for part in segment["paragraphs"]],
            "screen": [_linked(part, cards) for part in segment["screen"]],
            "pictures": [
                {"url": pictures[name], "alternative": alternatives[name]}
                for shot in segment["shots"]
                if (name := shot.get("picture", "")) in pictures
            ],
            "photos": [
                shot["shown"]
                | {
                    "url": reverse(
                        "edition-photo",
                        args=[shot["shown"][part] for part in ("study", "number", "digest")],
                    ),
                    "what": shot["what"],
                }
                for shot in segment["shots"]
                if "shown" in shot
            ],
        }
        for segment in content["segments"]
    ]
    return {
        "episode": content,
        "title": "".join(piece["text"] for piece in content["title"]),
        "segments": segments,
        "cards": list(cards.values()),
        "invented": content["invented"],
    }


def _fallen(scorecards: list[dict[str, Any]]) -> dict[tuple[str, int], str]:
    """Those of the scorecards that were corrected or withdrawn since. Three narrow queries."""
    slugs = [one["slug"] for one in scorecards]
    editions = list(
        Edition.objects.filter(study__slug__in=slugs).select_related("study").defer("content")
    )
    told = standings_of(editions)
    return {(one.study.slug, one.number): told[one.pk] for one in editions if one.pk in told}


def _linked(pieces: list[dict[str, str]], cards: dict[str, dict[str, Any]]) -> list[dict[str, str]]:
    return [
        piece | {"url": f"{cards[piece['study']]['url']}#each"}
        if piece.get("study") in cards
        else piece
        for piece in pieces
    ]


def preview_page(request: HttpRequest, link: PreviewLink) -> HttpResponse:
    """The thing a link names as readers would see it, with the name of whom it is for."""
    subject = link.study or link.episode
    shown = {
        "preview_for": link.for_whom,
        "preview_until": link.expires_at,
        "embargo": subject and embargo_on(subject),
    }
    if link.study is not None:
        content = preview_content(link.study, by=link.by.display_name)
        if content is None:
            return render(request, "reports/public/preview_ended.html", status=404)
        return render(
            request,
            "reports/public/scorecard.html",
            {
                "card": with_method_urls(content),
                "invented": content["invented"],
                "is_latest": True,
                "is_preview": True,
                "urls": {"this_edition": request.path},
                "editions": [],
                "plot": plots(content),
            }
            | shown,
        )
    episode = link.episode
    if episode is None:
        raise Http404
    going = Going(
        number=episode.editions.count() + 1,
        at=timezone.now(),
        signed="Not signed off yet: a preview.",
        said=correction_words(episode),
    )
    content = episode_content(episode, running(episode), latest_cards(episode), going)
    return render(
        request,
        "reports/public/episode.html",
        shown_episode(content, {})
        | {"is_latest": True, "is_preview": True, "editions": []}
        | shown,
    )
