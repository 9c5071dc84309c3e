"""The pictures themselves, for people who may see the lab's records."""

import uuid as uuids

from django.http import FileResponse, Http404, HttpRequest
from django.shortcuts import get_object_or_404
from django.views.decorators.http import require_safe

from labsite.roles import Deed, needs
from trials.models import Photo
from trials.photos import photo_response


@require_safe
@needs(Deed.SEE_LAB)
def photo_file(request: HttpRequest, photo_id: uuids.UUID, size: str) -> FileResponse:
    """One photo, for pages or with all its pixels."""
    photo = get_object_or_404(Photo, pk=photo_id)
    if size == "full":
        return photo_response(photo, "full")
    if size == "display":
        return photo_response(photo, "display")
    raise Http404
