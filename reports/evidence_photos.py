"""Photos of a published study: named by digest in the edition, served only where one names them."""

from collections.abc import Mapping
from typing import Any

from trials.models import Photo, Study


def photos_content(study: Study) -> list[dict[str, Any]]:
    """Every photo of the study's runs that was not struck out, as an edition names it. One query."""
    found = (
        Photo.objects.filter(run__study=study, void__isnull=True)
        .select_related("run__specimen", "run__zone", "run__revision__method")
        .order_by("run__position", "run", "taken_at", "uuid")
    )
    return [
        {
            "digest": photo.full_digest,
            "specimen": photo.run.specimen.code,
            "property": photo.run.revision.method.property,
            "zone_name": photo.run.zone.name,
            "site": photo.run.site,
            "shows_words": photo.get_shows_display(),
            "caption": photo.caption,
            "width_px": photo.width_px,
            "height_px": photo.height_px,
            "taken_at": photo.taken_at.isoformat(),
        }
        for photo in found
    ]


def photo_named(content: Mapping[str, Any], digest: str) -> Photo | None:
    """The photo behind a digest; None unless the edition names it."""
    if not any(one["digest"] == digest for one in content.get("photos", [])):
        return None
    return Photo.objects.filter(
        full_digest=digest, run__study__slug=content["study"]["slug"]
    ).first()
