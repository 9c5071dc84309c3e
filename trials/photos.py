"""Photos and marks in films: the evidence behind a run."""

import hashlib
import uuid as uuids
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.db import IntegrityError, transaction
from django.http import FileResponse, Http404
from django.urls import reverse
from django.utils import timezone

from labsite import audit
from labsite.errors import Conflict, NotYet, Refused
from labsite.images import CONTENT_TYPE, CleanPhoto, Picture, clean_photo
from labsite.models import User
from specimens.models import Zone
from trials import policies
from trials.actions import digest_of
from trials.models import Photo, PhotoOriginal, PhotoVoid, Run, VideoMark

Size = Literal["display", "full"]


@dataclass(frozen=True)
class PhotoEntry:
    """A photo as it comes from the bench, before it is looked at."""

    uuid: uuids.UUID
    run: Run
    content: bytes
    taken_at: datetime
    shows: str = Photo.Shows.OTHER
    caption: str = ""
    zone: str = ""
    is_original: bool = True
    clock_offset_s: float | None = None  # already in `taken_at`

    def sent(self, by: User, source_digest: str) -> dict[str, Any]:
        """What makes two photos the same photo."""
        return {
            "run": self.run.pk,
            "taken_at": self.taken_at.timestamp(),
            "shows": self.shows,
            "caption": self.caption,
            "zone": self.zone,
            "is_original": self.is_original,
            "source": source_digest,
            "by": by.pk,
        }


@dataclass(frozen=True)
class KeptPhoto:
    """What became of a photo: kept now, kept before, or refused beside another one's id."""

    photo: Photo
    state: Literal["stored", "stored before", "other content"]


def keep_photo(*, by: User, entry: PhotoEntry) -> KeptPhoto:
    """Keep a photo once, however often it is sent; decoding stays outside the transaction."""
    zone = _checked(entry)
    source_digest = hashlib.sha256(entry.content).hexdigest()
    digest = digest_of(entry.sent(by, source_digest))
    standing = _known(entry.uuid)
    if standing is not None:
        return _met(standing, digest)
    clean = clean_photo(entry.content)
    names = _stored(clean)
    try:
        with transaction.atomic():
            photo = _created(by, entry, zone, clean, names, digest)
    except IntegrityError:
        won = _known(entry.uuid)
        if won is None:
            raise
        return _met(won, digest)
    return KeptPhoto(photo, "stored")


def _checked(entry: PhotoEntry) -> Zone | None:
    problems: dict[str, list[str]] = {}
    if entry.shows not in Photo.Shows.values:
        problems["shows"] = ["Choose from the list what the photo shows."]
    zone = None
    if entry.zone:
        zone = Zone.objects.filter(product=entry.run.specimen.product_id, code=entry.zone).first()
        if zone is None:
            problems["zone"] = [f"This specimen has no zone '{entry.zone}'."]
    if problems:
        raise Refused(problems)
    policies.check_measured_at(entry.taken_at, entry.run.study, field="taken_at")
    return zone


def _known(uuid: uuids.UUID) -> Photo | None:
    return Photo.objects.select_related("run__study", "by").filter(pk=uuid).first()


def _met(standing: Photo, digest: str) -> KeptPhoto:
    return KeptPhoto(standing, "stored before" if standing.digest == digest else "other content")


def _stored(clean: CleanPhoto) -> tuple[str, str]:
    return _put(clean.full), _put(clean.display)


def _put(picture: Picture) -> str:
    """Under the name of its own digest: written twice it is the same file."""
    name = f"photos/{picture.digest[:2]}/{picture.digest}.jpg"
    if default_storage.exists(name):
        return name
    return default_storage.save(name, ContentFile(picture.content))


def _created(
    by: User,
    entry: PhotoEntry,
    zone: Zone | None,
    clean: CleanPhoto,
    names: tuple[str, str],
    digest: str,
) -> Photo:
    photo = Photo.objects.create(
        uuid=entry.uuid,
        run=entry.run,
        zone=zone,
        shows=entry.shows,
        caption=entry.caption,
        full=names[0],
        display=names[1],
        width_px=clean.full.width_px,
        height_px=clean.full.height_px,
        byte_count=len(clean.full.content),
        is_original=entry.is_original,
        source_digest=clean.source_digest,
        full_digest=clean.full.digest,
        digest=digest,
        taken_at=entry.taken_at,
        clock_offset_s=entry.clock_offset_s,
        received_at=timezone.now(),
        by=by,
    )
    audit.record(
        by=by,
        verb="kept photo",
        subject=entry.run,
        detail={"photo": str(photo.pk), "source_digest": clean.source_digest},
    )
    return photo


def keep_original(
    *, by: User, uuid: uuids.UUID, photo_uuid: uuids.UUID, content: bytes
) -> tuple[PhotoOriginal, bool]:
    """All pixels of a photo that came smaller first, and whether they are new here."""
    digest = hashlib.sha256(content).hexdigest()
    photo = _known(photo_uuid)
    if photo is None:
        raise NotYet({"photo": ["The photo it belongs to has not arrived."]}, waits_for="photo")
    if photo.by_id != by.pk:
        raise Refused({"photo": ["The original is sent by whoever took the photo."]})
    standing = PhotoOriginal.objects.filter(photo=photo).first()
    if standing is None:
        clean = clean_photo(content)
        name = _put(clean.full)
        try:
            with transaction.atomic():
                made = PhotoOriginal.objects.create(
                    uuid=uuid,
                    photo=photo,
                    full=name,
                    width_px=clean.full.width_px,
                    height_px=clean.full.height_px,
                    byte_count=len(clean.full.content),
                    source_digest=digest,
                    full_digest=clean.full.digest,
                    received_at=timezone.now(),
                    by=by,
                )
                audit.record(
                    by=by,
                    verb="kept the original of a photo",
                    subject=photo.run,
                    detail={"photo": str(photo.pk), "source_digest": digest},
                )
            return made, True
        except IntegrityError:
            # sent twice at once: the other was quicker
            standing = PhotoOriginal.objects.filter(photo=photo).first()
            if standing is None:
                raise
    if (standing.pk, standing.source_digest) != (uuid, digest):
        raise Conflict("Another original of this photo stands. That one stays.")
    return standing, False


@transaction.atomic
def strike_out_photo(*, by: User, photo: Photo, reason: str) -> PhotoVoid:
    """The photo shows the wrong thing. It stays readable and says why it does not count."""
    if not reason.strip():
        raise Refused({"reason": ["Say why the photo does not count."]})
    try:
        with transaction.atomic():
            struck = PhotoVoid.objects.create(
                photo=photo, reason=reason.strip(), by=by, at=timezone.now()
            )
    except IntegrityError:
        raise Refused("This photo is struck out already.") from None
    audit.record(
        by=by,
        verb="struck out photo",
        subject=photo.run,
        detail={"photo": str(photo.pk), "reason": struck.reason},
    )
    return struck


@dataclass(frozen=True)
class MarkEntry:
    """A moment of a film as typed at the bench."""

    uuid: uuids.UUID
    run: Run
    video: str
    seconds: float
    caption: str
    marked_at: datetime
    clock_offset_s: float | None = None  # already in `marked_at`


@transaction.atomic
def keep_mark(*, by: User, entry: MarkEntry) -> tuple[VideoMark, bool, bool]:
    """Keep a mark once: the mark, whether it is new, and whether the same content stands."""
    problems: dict[str, list[str]] = {}
    if not entry.video.strip():
        problems["video"] = ["Say which film: the name of the file or the card."]
    if not entry.caption.strip():
        problems["caption"] = ["Say what is to be seen there."]
    if problems:
        raise Refused(problems)
    policies.check_measured_at(entry.marked_at, entry.run.study, field="marked_at")
    digest = digest_of(
        {
            "run": entry.run.pk,
            "video": entry.video,
            "seconds": entry.seconds,
            "caption": entry.caption,
            "marked_at": entry.marked_at.timestamp(),
            "by": by.pk,
        }
    )
    mark, is_new = VideoMark.objects.get_or_create(
        uuid=entry.uuid,
        defaults={
            "run": entry.run,
            "video": entry.video.strip(),
            "seconds": entry.seconds,
            "caption": entry.caption.strip(),
            "digest": digest,
            "marked_at": entry.marked_at,
            "clock_offset_s": entry.clock_offset_s,
            "received_at": timezone.now(),
            "by": by,
        },
    )
    if is_new:
        audit.record(by=by, verb="marked film", subject=entry.run, detail={"mark": str(mark.pk)})
    return mark, is_new, mark.digest == digest


# --- reading ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class PhotoLine:
    """A photo as pages and the API show it. Names no specimen: the run's own line does."""

    id: uuids.UUID
    run: int
    shows: str
    shows_words: str
    caption: str
    zone: str
    width_px: int
    height_px: int
    is_original: bool
    taken_at: datetime
    received_at: datetime
    by: str
    display_url: str
    full_url: str
    digest: str
    void_reason: str

    @property
    def state(self) -> str:
        """'void' when struck out, else 'used'."""
        return "void" if self.void_reason else "used"

    @property
    def alt(self) -> str:
        """What a person who cannot see it is told."""
        return f"Photo {self.shows_words}" + (f": {self.caption}" if self.caption else "")


def photo_lines(photos: Iterable[Photo]) -> tuple[PhotoLine, ...]:
    """Lines of photos fetched with `with_all`."""
    return tuple(photo_line(photo) for photo in photos)


def photos_of(run: Run) -> tuple[PhotoLine, ...]:
    """The photos of a run in the order they were taken: one query."""
    return photo_lines(
        Photo.objects.filter(run=run)
        .select_related("by", "zone", "void", "original")
        .order_by("taken_at")
    )


def photo_line(photo: Photo) -> PhotoLine:
    """One photo; no query when fetched with `by`, `zone`, `void` and `original`."""
    whole = photo.original if hasattr(photo, "original") else photo
    return PhotoLine(
        id=photo.pk,
        run=photo.run_id,
        shows=photo.shows,
        shows_words=photo.get_shows_display(),
        caption=photo.caption,
        zone=photo.zone.code if photo.zone else "",
        width_px=whole.width_px,
        height_px=whole.height_px,
        is_original=photo.is_original or whole is not photo,
        taken_at=photo.taken_at,
        received_at=photo.received_at,
        by=photo.by.display_name,
        display_url=reverse("photo-file", args=[photo.pk, "display"]),
        full_url=reverse("photo-file", args=[photo.pk, "full"]),
        digest=whole.full_digest,
        void_reason=photo.void.reason if hasattr(photo, "void") else "",
    )


def photo_response(photo: Photo, size: Size) -> FileResponse:
    """The picture itself. Who may see it is asked before; this only serves it safely.

    The name in the address never reaches the disk: the storage's own name is in the row.
    """
    name = photo.display
    if size == "full":
        name = photo.original.full if hasattr(photo, "original") else photo.full
    try:
        opened = default_storage.open(name, "rb")
    except FileNotFoundError:
        raise Http404("The photo is on record, but its file is missing from the storage.") from None
    response = FileResponse(opened, content_type=CONTENT_TYPE)
    response.headers["Content-Disposition"] = f'inline; filename="{photo.pk}-{size}.jpg"'
    response.headers["X-Content-Type-Options"] = "nosniff"
    response.headers["Content-Security-Policy"] = "default-src 'none'; sandbox"
    response.headers["Cross-Origin-Resource-Policy"] = "same-origin"
    # a smaller one sent first gives way to its original
    is_final = size == "display" or photo.is_original or hasattr(photo, "original")
    response.headers["Cache-Control"] = (
        "private, max-age=31536000, immutable" if is_final else "private, no-cache"
    )
    return response


def marks_of(run: Run) -> list[VideoMark]:
    """The marks in films of a run."""
    return list(VideoMark.objects.filter(run=run).select_related("by"))
