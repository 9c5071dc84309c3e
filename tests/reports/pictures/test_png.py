"""One typeface, the same bytes everywhere, text that fits."""

import io

import pytest
from PIL import Image

from reports.pictures.png import text_width, to_png, wrapped

SVG = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="400" height="100" viewBox="0 0 400 100">'
    '<text x="10" y="70" font-family="{family}" font-size="60" fill="#000">Kept 81 %</text></svg>'
)


def picture(svg: str, **options: int) -> Image.Image:
    return Image.open(io.BytesIO(to_png(svg, **options)))


def ink(image: Image.Image) -> int:
    return sum(image.getchannel("A").histogram()[128:])


def test_a_png_has_the_size_of_its_svg_or_the_one_asked_for() -> None:
    assert picture(SVG.format(family="sans-serif")).size == (400, 100)
    assert picture(SVG.format(family="sans-serif"), width=1200).size == (1200, 300)


def test_text_is_drawn_in_our_typeface_whatever_family_is_named() -> None:
    ours = to_png(SVG.format(family="Source Sans Pro"))
    assert ink(Image.open(io.BytesIO(ours))) > 1000
    assert to_png(SVG.format(family="sans-serif")) == ours
    assert to_png(SVG.format(family="serif")) == ours


@pytest.mark.parametrize("sign", "£€–—’≥≤±×−·éöüßçœ°²½\u2009\u202f\u00a0")
def test_the_typeface_has_the_signs_of_our_pages(sign: str) -> None:
    # a sign that is missing would be drawn as a box
    lone = SVG.replace("Kept 81 %", f"x{sign}x").format(family="sans-serif")
    boxed = SVG.replace("Kept 81 %", "x\U0001f5ffx").format(family="sans-serif")
    assert to_png(lone) != to_png(boxed)
    assert text_width(f"x{sign}x", 40) > text_width("xx", 40)


def test_text_is_as_wide_as_measured() -> None:
    image = picture(SVG.format(family="sans-serif"))
    left, _, right, _ = image.getchannel("A").point(lambda a: 255 * (a > 64)).getbbox()
    # side bearings of the first and the last letter are not ink
    assert right - left == pytest.approx(text_width("Kept 81 %", 60), abs=10)


def test_lines_are_no_wider_than_asked_and_lose_no_word() -> None:
    text = "Kept of the abrasion resistance of new jackets, with 95\u00a0% intervals"
    lines = wrapped(text, 40, 400)
    assert " ".join(lines) == text
    assert len(lines) > 2
    assert all(text_width(line, 40) <= 400 for line in lines)
    assert wrapped("Unbreakable", 40, 10) == ["Unbreakable"]


def test_what_is_no_svg_is_refused() -> None:
    with pytest.raises(ValueError, match=r"."):
        to_png("no picture")
