"""Cleaning of photos: what is refused, what is dropped and what is kept.

Checked against the formats' own rules: EXIF 2.32 orientation values (CIPA DC-008, table 6), the
JPEG and PNG signatures (ISO/IEC 10918-1; ISO/IEC 15948), and pictures whose pixels are known.
"""

from io import BytesIO

import pytest
from PIL import Image, ImageCms

from labsite.errors import Refused
from labsite.images import LARGEST_BYTES, clean_photo, kind_of

ORIENTATION, MAKE, GPS, LATITUDE = 0x0112, 0x010F, 0x8825, 2


def picture(size=(64, 48), colour=(200, 30, 30), mode="RGB"):
    return Image.new(mode, size, colour)


def encoded(image, kind="JPEG", **how):
    out = BytesIO()
    image.save(out, kind, **how)
    return out.getvalue()


def with_location(orientation=1):
    image = picture()
    # the left quarter is blue, so that turning shows
    image.paste((20, 20, 200), (0, 0, 16, 48))
    exif = Image.Exif()
    exif[ORIENTATION] = orientation
    exif[MAKE] = "Invented Camera Works"
    exif.get_ifd(GPS)[LATITUDE] = (51.0, 30.0, 26.0)
    return encoded(image, exif=exif, comment=b"51.5074 N, 0.1278 W", quality=95)


def opened(content):
    return Image.open(BytesIO(content))


class TestWhatIsDropped:
    def test_location_camera_and_comment_do_not_survive(self):
        source = with_location() + b"trailing secret"
        assert opened(source).getexif().get_ifd(GPS)
        clean = clean_photo(source)
        for kept in (clean.full, clean.display):
            assert not opened(kept.content).getexif()
            assert "comment" not in opened(kept.content).info
            for trace in (b"Invented Camera", b"51.5074", b"Exif", b"trailing secret", b"ICC"):
                assert trace not in kept.content

    def test_png_text_and_webp_metadata_do_not_survive(self):
        from PIL.PngImagePlugin import PngInfo

        text = PngInfo()
        text.add_text("Location", "by the canal")
        exif = Image.Exif()
        exif[MAKE] = "Invented Camera Works"
        for source in (
            encoded(picture(), "PNG", pnginfo=text, exif=exif),
            encoded(picture(), "WEBP", exif=exif),
        ):
            kept = clean_photo(source).full.content
            assert b"canal" not in kept
            assert b"Invented" not in kept
            assert kind_of(kept) == "JPEG"


class TestWhatIsKept:
    @pytest.mark.parametrize(
        ("orientation", "size", "blue_at"),
        [
            # EXIF 2.32: where row 0 and column 0 of the stored picture belong
            (1, (64, 48), (2, 24)),
            (3, (64, 48), (61, 24)),
            (6, (48, 64), (24, 2)),
            (8, (48, 64), (24, 61)),
        ],
    )
    def test_orientation_is_applied_to_the_pixels(self, orientation, size, blue_at):
        kept = clean_photo(with_location(orientation)).full
        assert (kept.width_px, kept.height_px) == size
        image = opened(kept.content)
        assert image.size == size
        red, _, blue = image.getpixel(blue_at)
        assert blue > 150
        assert red < 80

    def test_all_pixels_are_kept_beside_a_smaller_one(self):
        clean = clean_photo(encoded(picture((2400, 1800))))
        assert (clean.full.width_px, clean.full.height_px) == (2400, 1800)
        assert (clean.display.width_px, clean.display.height_px) == (1600, 1200)

    def test_a_small_photo_is_never_made_larger(self):
        clean = clean_photo(encoded(picture((300, 200))))
        assert (clean.display.width_px, clean.display.height_px) == (300, 200)

    def test_transparent_parts_become_white(self):
        image = Image.new("RGBA", (32, 32), (0, 0, 0, 0))
        kept = opened(clean_photo(encoded(image, "PNG")).full.content)
        assert min(kept.getpixel((16, 16))) > 250

    @pytest.mark.parametrize("mode", ["L", "P", "1", "CMYK", "I;16"])
    def test_other_colour_models_become_three_colours(self, mode):
        source = encoded(Image.new(mode, (32, 32)), "JPEG" if mode == "CMYK" else "PNG")
        assert opened(clean_photo(source).full.content).mode == "RGB"

    def test_a_profile_of_srgb_leaves_the_colours(self):
        srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB"))
        source = encoded(picture(), "PNG", icc_profile=srgb.tobytes())
        red, green, blue = opened(clean_photo(source).full.content).getpixel((30, 30))
        # sRGB to sRGB changes nothing beyond what the encoder does
        assert abs(red - 200) < 4
        assert abs(green - 30) < 4
        assert abs(blue - 30) < 4

    def test_a_broken_profile_is_passed_over(self):
        source = encoded(picture(), "PNG", icc_profile=b"no profile at all")
        assert clean_photo(source).full.width_px == 64


class TestWhatIsRefused:
    @pytest.mark.parametrize(
        ("content", "why"),
        [
            (b"", "empty"),
            (b"<svg xmlns='http://www.w3.org/2000/svg'><script/></svg>", "no JPEG"),
            (b"GIF89a" + bytes(40), "no JPEG"),
            (b"%PDF-1.7", "no JPEG"),
            (b"<html>", "no JPEG"),
            (b"\xff\xd8\xff" + b"<script>alert(1)</script>", "damaged"),
            (b"\x89PNG\r\n\x1a\n" + bytes(30), "damaged"),
            (b"RIFF\x10\x00\x00\x00WEBPVP8 " + bytes(8), "damaged"),
            (b"\xff\xd8\xff" + bytes(LARGEST_BYTES), "larger than 20 MB"),
        ],
    )
    def test_what_is_no_photo_is_told_in_words(self, content, why):
        with pytest.raises(Refused, match=why):
            clean_photo(content)

    def test_half_a_photo_is_damaged(self):
        whole = encoded(picture((800, 600), (1, 200, 3)), quality=95)
        with pytest.raises(Refused, match="damaged"):
            clean_photo(whole[: len(whole) // 2])

    def test_a_bomb_is_refused_before_it_is_decoded(self):
        """20,000 by 20,000 black pixels make a PNG of about 50 kB and 400 MB decoded."""
        import struct
        import zlib

        def chunk(kind, body):
            crc = struct.pack(">I", zlib.crc32(kind + body))
            return struct.pack(">I", len(body)) + kind + body + crc

        head = struct.pack(">IIBBBBB", 20_000, 20_000, 8, 0, 0, 0, 0)
        body = zlib.compress(bytes(20_001) * 100)
        bomb = (
            b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", body) + chunk(b"IEND", b"")
        )
        with pytest.raises(Refused, match="60 million pixels"):
            clean_photo(bomb)

    def test_eight_by_eight_pixels_are_no_photo(self):
        with pytest.raises(Refused, match="8 by 8"):
            clean_photo(encoded(picture((8, 8))))
