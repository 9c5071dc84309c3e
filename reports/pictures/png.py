"""Turns our SVG into PNG, with one typeface from the package index and none of the machine's.

The same SVG gives the same bytes on every machine: no system font is looked at.
"""

from functools import cache
from pathlib import Path

import font_source_sans_pro
import resvg_py
from PIL import ImageFont

TYPEFACE = "Source Sans Pro"
# what an SVG should name: on a machine without the typeface its viewer takes the next one
FONT_FAMILY = f"{TYPEFACE}, system-ui, sans-serif"
_FOLDER = Path(font_source_sans_pro.__file__).parent / "files"
_FILES = {
    "400": _FOLDER / "SourceSansPro-Regular.ttf",
    "600": _FOLDER / "SourceSansPro-Semibold.ttf",
    "700": _FOLDER / "SourceSansPro-Bold.ttf",
}
# signs that the typeface lacks, and what stands for them; and those that no XML may hold
_STAND_INS = str.maketrans({"\u2009": "\u00a0", "\u202f": "\u00a0"}) | {
    number: "\ufffd"
    for number in (*range(0x20), *range(0xD800, 0xE000), 0xFFFE, 0xFFFF)
    if number not in (0x9, 0xA, 0xD)
}
_MEASURED_AT = 100


def to_png(svg: str, *, width: int | None = None) -> bytes:
    """Draw an SVG; `width` in pixels, the SVG's own by default. Where it draws nothing it is clear.

    Raises
    ------
    ValueError
        If the text is not an SVG.
    """
    drawn: bytes = resvg_py.svg_to_bytes(
        svg_string=drawable(svg),
        width=width,
        skip_system_fonts=True,
        font_files=[str(path) for path in _FILES.values()],
        font_family=TYPEFACE,
        sans_serif_family=TYPEFACE,
        serif_family=TYPEFACE,
    )
    return bytes(drawn)


def drawable(text: str) -> str:
    """The text with signs that the typeface has and that an SVG may hold."""
    return text.translate(_STAND_INS)


def text_width(text: str, size: float, *, weight: str = "400") -> float:
    """How wide a line of text is, in the unit of `size`."""
    return float(_font(weight).getlength(drawable(text))) * size / _MEASURED_AT


def wrapped(text: str, size: float, width: float, *, weight: str = "400") -> list[str]:
    """The text in lines no wider than `width`; a single word that is wider stays whole.

    Non-breaking spaces keep a number and its unit together.
    """
    lines: list[str] = []
    for word in text.split(" "):
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_width(longer, size, weight=weight) <= width:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


@cache
def _font(weight: str) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(_FILES[weight], _MEASURED_AT)
