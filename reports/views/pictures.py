"""Pictures of a study for film and article, each in one click, and all of them in one file."""

import io
import zipfile
from collections.abc import Iterator, Sequence
from itertools import product
from typing import Any

from django.http import Http404, HttpRequest, HttpResponse, StreamingHttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from labsite.errors import Refused
from labsite.roles import Deed, needs
from reports.live_content import live_content
from reports.picture_queries import Picture, picture_of, pictures_of
from reports.pictures.canvas import SHAPE_NAMES
from reports.pictures.png import to_png
from reports.queries import standing
from trials.models import Study

FORMATS = {"svg": "image/svg+xml; charset=utf-8", "png": "image/png"}
GROUNDS = {"paper": False, "clear": True}


def _content(slug: str) -> tuple[Study, dict[str, Any]]:
    """What the pictures show: the newest edition while it says the same, or the findings now."""
    study = get_object_or_404(Study.objects.registered(), slug=slug)
    last = study.editions.order_by("-number").first()
    where = standing(study)
    if last is not None and where.is_current and last.summary == where.summary:
        return study, last.content
    content = live_content(study)
    if content is None:
        raise Refused("There are no findings to draw yet, or the study is blind and closed.")
    return study, content


@needs(Deed.SEE_FINDINGS)
@require_safe
@never_cache
def index(request: HttpRequest, slug: str) -> HttpResponse:
    """Every picture of a study with its ways to take it."""
    study, content = _content(slug)
    return render(
        request,
        "reports/desk/pictures.html",
        {"study": study, "pictures": pictures_of(content), "shapes": SHAPE_NAMES},
    )


@needs(Deed.SEE_FINDINGS)
@require_safe
@never_cache
def picture(request: HttpRequest, slug: str, name: str, kind: str) -> HttpResponse:
    """One picture; `shape` and `ground` in the query, a download when asked for."""
    _, content = _content(slug)
    found = picture_of(content, name)
    shape, ground = request.GET.get("shape", "wide"), request.GET.get("ground", "paper")
    if found is None or kind not in FORMATS or shape not in SHAPE_NAMES or ground not in GROUNDS:
        raise Http404
    answer = HttpResponse(_drawn(found, kind, shape, ground), content_type=FORMATS[kind])
    if "take" in request.GET:
        file_name = f"{slug}-{name}-{shape}-{ground}.{kind}"
        answer["Content-Disposition"] = f'attachment; filename="{file_name}"'
    return answer


def _drawn(found: Picture, kind: str, shape: str, ground: str) -> bytes:
    svg = found.svg(SHAPE_NAMES[shape], clear=GROUNDS[ground])
    return svg.encode() if kind == "svg" else to_png(svg)


@needs(Deed.SEE_FINDINGS)
@require_safe
@never_cache
def all_pictures(request: HttpRequest, slug: str) -> StreamingHttpResponse:
    """Every picture in every shape and ground, with a list of their words, as one file."""
    study, content = _content(slug)
    return StreamingHttpResponse(
        _packed(pictures_of(content)),
        content_type="application/zip",
        headers={"Content-Disposition": f'attachment; filename="{study.slug}-pictures.zip"'},
    )


class _Sent(io.RawIOBase):
    """What a file is written into that is sent while it is made."""

    def __init__(self) -> None:
        self._parts: list[bytes] = []

    def writable(self) -> bool:
        return True

    def write(self, part: Any) -> int:
        self._parts.append(bytes(part))
        return len(part)

    def taken(self) -> bytes:
        """What came since the last time."""
        taken = b"".join(self._parts)
        self._parts.clear()
        return taken


def _packed(pictures: Sequence[Picture]) -> Iterator[bytes]:
    """The file as it grows: a PNG takes a third of a second, so the first is on its way before the last is drawn."""
    sent, told = _Sent(), []
    with zipfile.ZipFile(sent, "w", zipfile.ZIP_DEFLATED) as pack:
        for one in pictures:
            told.append(f"{one.name}\n{one.title}\n{one.alternative}\n{one.source}\n")
            for shape, ground, kind in product(SHAPE_NAMES, GROUNDS, FORMATS):
                pack.writestr(
                    f"{one.name}-{shape}-{ground}.{kind}",
                    _drawn(one, kind, shape, ground),
                    # a PNG is packed already
                    zipfile.ZIP_STORED if kind == "png" else zipfile.ZIP_DEFLATED,
                )
                yield sent.taken()
        pack.writestr("words.txt", "\n".join(told))
    yield sent.taken()
