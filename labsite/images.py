"""Photos that come from strangers' cameras: looked at, bounded, stripped and written anew.

What is kept is never the file that came. Its pixels are decoded within limits, turned upright,
brought to sRGB and encoded again, so that no location, serial number, thumbnail or trailing bytes
survive. Knows nothing of who sends or why.
"""

import hashlib
import warnings
from dataclasses import dataclass
from io import BytesIO

from PIL import Image, ImageCms, ImageOps, UnidentifiedImageError

from labsite.errors import Refused

LARGEST_BYTES = 20 * 1024 * 1024
LARGEST_PIXELS = 60_000_000  # phones take 50 million; a decoded pixel costs 3 to 4 bytes
SMALLEST_SIDE_PX = 16
DISPLAY_SIDE_PX = 1600
FULL_QUALITY = 92
DISPLAY_QUALITY = 82
CONTENT_TYPE = "image/jpeg"

# First bytes of what cameras and browsers send. A name or a header is only a claim.
_JPEG = b"\xff\xd8\xff"
_PNG = b"\x89PNG\r\n\x1a\n"


@dataclass(frozen=True)
class Picture:
    """An encoded JPEG without metadata, with its size in pixels."""

    content: bytes
    width_px: int
    height_px: int

    @property
    def digest(self) -> str:
        """SHA-256 of the encoded bytes."""
        return hashlib.sha256(self.content).hexdigest()


@dataclass(frozen=True)
class CleanPhoto:
    """A photo as kept: all its pixels, a smaller one for pages, and the digest of what came."""

    full: Picture
    display: Picture
    source_digest: str


def kind_of(content: bytes) -> str | None:
    """'JPEG', 'PNG' or 'WEBP' by the file's own first bytes, or None."""
    if content.startswith(_JPEG):
        return "JPEG"
    if content.startswith(_PNG):
        return "PNG"
    if content[:4] == b"RIFF" and content[8:12] == b"WEBP":
        return "WEBP"
    return None


def clean_photo(content: bytes, *, field: str = "photo") -> CleanPhoto:
    """Decode, turn upright, strip and encode; raises `Refused` with a sentence at `field`."""
    if not content:
        raise Refused({field: ["The photo is empty: take it again."]})
    if len(content) > LARGEST_BYTES:
        most = LARGEST_BYTES // (1024 * 1024)
        raise Refused({field: [f"The photo is larger than {most} MB: take it at a lower quality."]})
    kind = kind_of(content)
    if kind is None:
        raise Refused({field: ["This is no JPEG, PNG or WebP photo. Take it with the camera."]})
    upright = _decoded(content, kind, field)
    display = upright.copy()
    display.thumbnail((DISPLAY_SIDE_PX, DISPLAY_SIDE_PX), Image.Resampling.LANCZOS)
    return CleanPhoto(
        full=_encoded(upright, FULL_QUALITY),
        display=_encoded(display, DISPLAY_QUALITY),
        source_digest=hashlib.sha256(content).hexdigest(),
    )


def _decoded(content: bytes, kind: str, field: str) -> Image.Image:
    unreadable = Refused({field: ["The photo is damaged and cannot be read: take it again."]})
    with warnings.catch_warnings():
        # Pillow warns of odd metadata, which is dropped anyway; sizes are judged below by ourselves
        warnings.simplefilter("ignore")
        try:
            picture = Image.open(BytesIO(content), formats=(kind,))
        except Image.DecompressionBombError:
            raise _too_many(field) from None
        except (UnidentifiedImageError, OSError, ValueError, SyntaxError):
            raise unreadable from None
        width, height = picture.size
        if width * height > LARGEST_PIXELS:
            raise _too_many(field)
        if min(width, height) < SMALLEST_SIDE_PX:
            raise Refused(
                {field: [f"The photo is only {width} by {height} pixels: take it again."]}
            )
        try:
            picture.load()
            upright = ImageOps.exif_transpose(picture)
        # decoders raise whatever a broken file leads them into
        except (OSError, ValueError, SyntaxError, ArithmeticError, LookupError, EOFError):
            raise unreadable from None
        return _flat(_in_srgb(upright))


def _too_many(field: str) -> Refused:
    most = LARGEST_PIXELS // 1_000_000
    return Refused({field: [f"The photo has more than {most} million pixels: take a smaller one."]})


def _in_srgb(picture: Image.Image) -> Image.Image:
    """Wide-gamut phones say so in a profile; dropping it without converting would dull colours."""
    profile = picture.info.get("icc_profile")
    if not profile or picture.mode not in {"RGB", "RGBA", "CMYK"}:
        return picture
    try:
        converted = ImageCms.profileToProfile(
            picture,
            ImageCms.ImageCmsProfile(BytesIO(profile)),
            ImageCms.createProfile("sRGB"),
            outputMode="RGB" if picture.mode == "CMYK" else picture.mode,
        )
    except (ImageCms.PyCMSError, OSError, ValueError):
        return picture  # a broken profile says nothing about the colours
    return converted if converted is not None else picture


def _flat(picture: Image.Image) -> Image.Image:
    """Three colours, transparent parts on white."""
    if picture.mode in {"RGBA", "LA", "PA"} or "transparency" in picture.info:
        layered = picture.convert("RGBA")
        ground = Image.new("RGB", layered.size, "white")
        ground.paste(layered, mask=layered.getchannel("A"))
        return ground
    return picture.convert("RGB")


def _encoded(picture: Image.Image, quality: int) -> Picture:
    # a fresh image holds pixels only: nothing of `info` can be written along
    bare = Image.new("RGB", picture.size)
    bare.paste(picture)
    out = BytesIO()
    bare.save(out, "JPEG", quality=quality, optimize=True, progressive=True)
    return Picture(out.getvalue(), bare.width, bare.height)
