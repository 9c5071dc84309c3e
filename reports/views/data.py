"""What machines read of an edition: its package, citations and picture. Nobody signs in."""

from django.contrib.auth.decorators import login_not_required
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.views.decorators.http import require_safe

from labsite.kept_pages import kept
from reports.citations import bibtex, csl
from reports.errata_queries import edition_standing
from reports.kept import study_key
from reports.models import Edition
from reports.packages import package_files, package_zip
from reports.pictures.png import to_png
from reports.pictures.preview import preview_svg
from reports.standing_pages import notices_of, places_of, status_of

MEDIA_TYPES = {
    "csv": "text/csv; charset=utf-8",
    "json": "application/json",
    "md": "text/markdown; charset=utf-8",
}


def _found(slug: str, number: int) -> Edition:
    editions = Edition.objects.select_related("study")
    return get_object_or_404(editions, study__slug=slug, number=number)


def _files(edition: Edition) -> dict[str, bytes]:
    notices = notices_of(edition_standing(edition))
    return package_files(edition.content, digest=edition.digest, notices=notices)


@login_not_required
@require_safe
@kept(study_key)
def package(request: HttpRequest, slug: str, number: int) -> HttpResponse:
    """The edition as a data package in one zip."""
    return HttpResponse(
        package_zip(_files(_found(slug, number))),
        content_type="application/zip",
        headers={"Content-Disposition": f'attachment; filename="{slug}-{number}.zip"'},
    )


@login_not_required
@require_safe
@kept(study_key)
def folder(request: HttpRequest, slug: str, number: int) -> HttpResponse:
    """The same package unpacked: what is in it, and where."""
    edition = _found(slug, number)
    return render(
        request,
        "reports/public/package.html",
        {
            "card": edition.content,
            "invented": edition.content["invented"],
            "edition_url": reverse("edition", args=[slug, number]),
            "zip_url": reverse("edition-package", args=[slug, number]),
            "status": edition_standing(edition).words,
            "files": [
                {
                    "name": name,
                    "bytes": len(data),
                    "url": reverse("edition-package-file", args=[slug, number, name]),
                }
                for name, data in _files(edition).items()
            ],
        },
    )


@login_not_required
@require_safe
@kept(lambda slug, number, name: study_key(slug, number))
def package_file(request: HttpRequest, slug: str, number: int, name: str) -> HttpResponse:
    """One file of the package, at the address that its descriptor names."""
    data = _files(_found(slug, number)).get(name)
    if data is None:
        raise Http404
    return HttpResponse(data, content_type=MEDIA_TYPES[name.rpartition(".")[2]])


@login_not_required
@require_safe
@kept(study_key)
def as_bibtex(request: HttpRequest, slug: str, number: int) -> HttpResponse:
    """How to cite the edition, for BibTeX."""
    edition = _found(slug, number)
    text = bibtex(
        edition.content, places_of(request, slug, number), notices_of(edition_standing(edition))
    )
    return HttpResponse(text, content_type="application/x-bibtex; charset=utf-8")


@login_not_required
@require_safe
@kept(study_key)
def as_csl(request: HttpRequest, slug: str, number: int) -> HttpResponse:
    """How to cite the edition, for reference managers."""
    edition = _found(slug, number)
    items = csl(
        edition.content, places_of(request, slug, number), notices_of(edition_standing(edition))
    )
    return JsonResponse(
        items,
        safe=False,
        json_dumps_params={"ensure_ascii": False},
        content_type="application/vnd.citationstyles.csl+json",
    )


@login_not_required
@require_safe
@kept(study_key)
def picture(request: HttpRequest, slug: str, number: int) -> HttpResponse:
    """The picture that a link to the edition shows elsewhere."""
    edition = _found(slug, number)
    status = status_of(edition_standing(edition))
    notice = "" if status == "Published" else status
    return HttpResponse(to_png(preview_svg(edition.content, notice)), content_type="image/png")
