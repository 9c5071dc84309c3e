"""Pages that need no sign-in: published editions, and the methods they name."""

from typing import Any

from django.contrib.auth.decorators import login_not_required
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.views.decorators.http import require_safe

from labsite.kept_pages import kept
from reports import charts
from reports.card import set_out
from reports.cautions import standing_cautions
from reports.content import method_content
from reports.evidence_photos import photo_named
from reports.exports import readings_csv
from reports.index import wanted_from
from reports.kept import lab_key, methods_key, site_key, study_key
from reports.models import Edition
from reports.reader_lists import index_page
from reports.reading_charts import readings_figure
from reports.standing_pages import page_parts
from trials.models import MethodRevision
from trials.photos import photo_response


@login_not_required
@require_safe
@kept(site_key)
def index(request: HttpRequest) -> HttpResponse:
    """Published scorecards in their newest editions: searched, filtered, newest first."""
    wanted = wanted_from(request.GET)
    return render(request, "reports/public/index.html", index_page(wanted, request.GET))


@login_not_required
@require_safe
@kept(study_key)
def latest(request: HttpRequest, slug: str) -> HttpResponse:
    """The newest edition of a study."""
    editions = list(Edition.objects.filter(study__slug=slug).order_by("-number"))
    if not editions:
        raise Http404
    page = card_page(editions[0], editions) | page_parts(request, editions[0])
    return render(request, "reports/public/scorecard.html", page)


@login_not_required
@require_safe
@kept(study_key)
def edition(request: HttpRequest, slug: str, number: int) -> HttpResponse:
    """One edition as it was published, with a notice when a newer one exists."""
    editions = list(Edition.objects.filter(study__slug=slug).order_by("-number"))
    wanted = next((e for e in editions if e.number == number), None)
    if wanted is None:
        raise Http404
    page = card_page(wanted, editions) | page_parts(request, wanted)
    return render(request, "reports/public/scorecard.html", page)


@login_not_required
@require_safe
@kept(study_key)
def edition_csv(request: HttpRequest, slug: str, number: int) -> HttpResponse:
    """Every reading of an edition."""
    found = get_object_or_404(Edition, study__slug=slug, number=number)
    return HttpResponse(
        readings_csv(found.content),
        content_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="{slug}-{number}-readings.csv"'},
    )


@login_not_required
@require_safe
@kept(study_key)
def edition_json(request: HttpRequest, slug: str, number: int) -> HttpResponse:
    """The whole edition as it was frozen, with its digest."""
    found = get_object_or_404(Edition, study__slug=slug, number=number)
    return JsonResponse(found.content | {"digest": found.digest})


@login_not_required
@require_safe
def edition_photo(request: HttpRequest, slug: str, number: int, digest: str) -> HttpResponse:
    """A photo that the edition names; what it does not name is nobody's business."""
    found = get_object_or_404(Edition, study__slug=slug, number=number)
    photo = photo_named(found.content, digest)
    if photo is None:
        raise Http404
    shown = photo_response(photo, "display")
    return HttpResponse(
        b"".join(shown),
        content_type=shown["Content-Type"],
        headers={
            "Content-Security-Policy": shown["Content-Security-Policy"],
            # named by its digest, in an edition that never changes
            "Cache-Control": "public, max-age=31536000, immutable",
        },
    )


@login_not_required
@require_safe
@kept(lambda key, number: methods_key())
def method(request: HttpRequest, key: str, number: int) -> HttpResponse:
    """A method revision that is or was in force."""
    revision = get_object_or_404(
        MethodRevision.objects.select_related("method").exclude(state=MethodRevision.State.DRAFT),
        method__key=key,
        number=number,
    )
    others = revision.method.revisions.exclude(state=MethodRevision.State.DRAFT)
    return render(
        request,
        "reports/public/method.html",
        {
            "method": method_content(revision),
            "revisions": [
                {"number": r.number, "state": r.state, "url": method_url(key, r.number)}
                for r in others
            ],
        },
    )


@login_not_required
@require_safe
@kept(lab_key)
def cautions(request: HttpRequest) -> HttpResponse:
    """The cautions that hold for everything here."""
    return render(request, "reports/public/cautions.html", {"cautions": standing_cautions()})


def card_page(edition: Edition, editions: list[Edition]) -> dict[str, Any]:
    """What the scorecard page is given; the figures come frozen with the edition."""
    slug = edition.content["study"]["slug"]
    this_edition = reverse("edition", args=[slug, edition.number])
    return {
        "card": with_method_urls(edition.content),
        "invented": edition.content["invented"],
        "is_latest": edition.number == editions[0].number,
        "newer_url": reverse("scorecard", args=[slug]),
        "urls": {
            "csv": reverse("edition-csv", args=[slug, edition.number]),
            "json": reverse("edition-json", args=[slug, edition.number]),
            "this_edition": this_edition,
            "latest": reverse("scorecard", args=[slug]),
        },
        "editions": [
            {
                "number": e.number,
                "published_at": e.published_at,
                "note": e.content["edition"]["note"],
                "url": reverse("edition", args=[slug, e.number]),
            }
            for e in editions
        ],
        "plot": plots(edition.content),
    }


def with_method_urls(content: dict[str, Any]) -> dict[str, Any]:
    """The content set out for the page, with the address of each method beside its name."""
    return set_out(content)


def method_url(key: str, number: int) -> str:
    """Address of a method revision."""
    return reverse("method", args=[key, number])


def plots(content: dict[str, Any]) -> list[dict[str, Any]]:
    """The charts of a card; none when nothing can be drawn."""
    return _reading_plots(content) + _trend_plots(content)


def _trend_plots(content: dict[str, Any]) -> list[dict[str, Any]]:
    # editions frozen before trends were computed have none
    return [
        {"id": f"trend-{place}"} | charts.trend_figure(trend)
        for place, trend in enumerate(content.get("trends", []), start=1)
        if trend["points"] and trend["driver"] == "distance_km"
    ]


def _reading_plots(content: dict[str, Any]) -> list[dict[str, Any]]:
    names = dict.fromkeys(
        [f["property"] for f in content["findings"]] + [r["property"] for r in content["readings"]]
    )
    return [
        {"id": f"readings-{place}"} | figure
        for place, name in enumerate(names, start=1)
        if (figure := readings_figure(content, name)) is not None
    ]
