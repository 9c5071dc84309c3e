"""Pictures compared by what stands in them: values, words, sizes; never by pixel."""

import io
import re
import xml.etree.ElementTree as ET

import pytest
from PIL import Image

from reports.pictures import draw
from reports.pictures.canvas import HUES, PAPER, SHAPE_NAMES, SQUARE, WIDE, nice_steps
from reports.pictures.png import to_png

SVG = "{http://www.w3.org/2000/svg}"
ROWS = [
    draw.Kept("Abrasion resistance", "Clear loss", 0.72, 0.62, 0.83, 0.1),
    draw.Kept("Water uptake", "Clear loss", None, None, 0.07, 0.25),
    draw.Kept("Seam strength", "Not resolved", 0.93, 0.71, None, 0.1),
]
GROUPS = [draw.Group("New", 2), draw.Group("Worn", 1)]
READINGS = [
    draw.Read(0, "A-1", 4.0, 4.5, "failed at 4.25 s"),
    draw.Read(0, "B-2", 5.0, None, "stopped at 5 s"),
    draw.Read(1, "C-3", 2.0, 2.5, "failed at 2.25 s"),
    draw.Read(1, "C-3", 0.5, 1.0, "slipped", is_void=True),
]
POINTS = [
    draw.BandPoint(0, 1.0, 1.0, 1.0),
    draw.BandPoint(10_000, 0.8, 0.7, 0.9),
    draw.BandPoint(20_000, 0.62, 0.5, 0.78),
]
ARMS = [
    draw.Priced("Dear", 94, "£94", 1.0, None, None, "100 %"),
    draw.Priced("Cheap", 29, "£29", 0.55, 0.26, 0.89, "55 %"),
]


def frame(shape=WIDE, *, clear: bool = False) -> draw.Frame:
    return draw.Frame(
        shape, clear, "A title & more", "Source: a lab. Items: 4 against 4.", "In words."
    )


def curves() -> list:
    from reports.pictures.survival import product_limit

    return [product_limit([(1, True), (2, False), (3, True)]), product_limit([(2, True)])]


ALL = {
    "retention": lambda f: draw.retention(f, ROWS),
    "strip": lambda f: draw.readings_strip(f, GROUPS, READINGS, "time, s"),
    "ladder": lambda f: draw.ladder(
        f, GROUPS, READINGS, [0.5, 1, 2, 2.5, 4, 4.5, 5, 6], "level, s"
    ),
    "trend": lambda f: draw.trend(f, POINTS, [0, 9_500, 20_000], "distance, km"),
    "survival": lambda f: draw.survival(f, GROUPS, curves(), "time, s"),
    "price": lambda f: draw.price(f, ARMS, "£"),
}


def texts(svg: str) -> list[str]:
    return ["".join(node.itertext()) for node in ET.fromstring(svg).iter(f"{SVG}text")]


def titles(svg: str) -> list[str]:
    return [node.text or "" for node in ET.fromstring(svg).iter(f"{SVG}title")]


@pytest.mark.parametrize("shape", SHAPE_NAMES.values(), ids=list(SHAPE_NAMES))
@pytest.mark.parametrize("name", ALL)
class TestEvery:
    def test_no_line_leaves_it_whatever_typeface_stands_in(self, name, shape) -> None:
        """A viewer without the typeface keeps to the width that a line says for itself."""
        for line in ET.fromstring(ALL[name](frame(shape))).iter(f"{SVG}text"):
            assert line.get("lengthAdjust") == "spacingAndGlyphs"
            length, x = float(line.get("textLength")), float(line.get("x"))
            share = {"start": 0.0, "middle": 0.5, "end": 1.0}[line.get("text-anchor")]
            assert x - share * length >= 0
            assert x + (1 - share) * length <= shape.width

    def test_has_its_size_source_items_and_words(self, name, shape) -> None:
        root = ET.fromstring(ALL[name](frame(shape)))
        assert (int(root.get("width")), int(root.get("height"))) == (shape.width, shape.height)
        assert root.find(f"{SVG}title").text == "A title & more"
        assert root.find(f"{SVG}desc").text == "In words."
        said = " ".join("".join(node.itertext()) for node in root.iter(f"{SVG}text"))
        assert "Source: a lab. Items: 4 against 4." in said
        assert "A title & more" in said

    def test_type_can_be_read_on_a_phone(self, name, shape) -> None:
        """A square picture on a phone 360 wide is a third as large: 25 px become 8."""
        root = ET.fromstring(ALL[name](frame(shape)))
        sizes = [float(node.get("font-size")) for node in root.iter(f"{SVG}text")]
        assert min(sizes) >= shape.source * 0.85
        assert min(sizes) >= 25

    def test_nothing_is_drawn_outside_the_sheet(self, name, shape) -> None:
        svg = ALL[name](frame(shape))
        for key, most in (("x", shape.width), ("y", shape.height)):
            places = re.findall(rf' (?:c?{key}|{key}1|{key}2)="(-?[\d.]+)"', svg)
            assert places
            assert all(0 <= float(place) <= most for place in places)

    def test_is_paper_or_clear(self, name, shape) -> None:
        def corner(clear: bool) -> tuple[int, ...]:
            png = to_png(ALL[name](frame(shape, clear=clear)), width=192)
            return Image.open(io.BytesIO(png)).convert("RGBA").getpixel((1, 1))

        assert corner(clear=True)[3] == 0
        assert "#{:02x}{:02x}{:02x}".format(*corner(clear=False)[:3]) == PAPER

    def test_needs_no_style_and_no_script(self, name, shape) -> None:
        svg = ALL[name](frame(shape))
        assert "style" not in svg
        assert "<script" not in svg


def test_retention_places_dot_and_ends_on_one_scale() -> None:
    """Three places on a level line: the share between them follows from the axis' own ticks."""
    root = ET.fromstring(draw.retention(frame(), ROWS[:1]))
    ticks = {
        "".join(node.itertext()): float(node.get("x"))
        for node in root.iter(f"{SVG}text")
        if node.get("text-anchor") == "middle"
    }
    nothing, hundred = ticks["nothing"], ticks["100 %"]
    dot = next(node for node in root.iter(f"{SVG}circle") if node.get("data-kept"))
    assert float(dot.get("data-kept")) == 0.72
    assert (float(dot.get("cx")) - nothing) / (hundred - nothing) == pytest.approx(0.72, abs=0.001)
    bar = max(
        (n for n in root.iter(f"{SVG}line") if n.get("stroke-width") == "8"),
        key=lambda n: float(n.get("x2")),
    )
    ends = [(float(bar.get(k)) - nothing) / (hundred - nothing) for k in ("x1", "x2")]
    assert ends == pytest.approx([0.62, 0.83], abs=0.001)


def test_open_ends_are_arrows_and_closed_ones_bars() -> None:
    closed, open_low, open_high = (
        draw.retention(frame(), [row]).count("<polyline") for row in ROWS
    )
    assert (closed, open_low, open_high) == (0, 1, 1)


def test_the_strip_says_every_reading_and_marks_void_ones_hollow() -> None:
    svg = draw.readings_strip(frame(), GROUPS, READINGS, "time, s")
    said = titles(svg)
    for reading in READINGS:
        assert any(reading.words in one for one in said)
    assert "B-2: stopped at 5 s (had not failed)" in said
    assert svg.count('fill="none" stroke="#0072b2"') == 1
    assert {"A-1", "B-2", "C-3", "New: 2 items", "Worn: 1 item"} <= set(texts(svg))


def test_the_ladder_has_only_rungs_near_what_was_tried() -> None:
    levels = [0.1, 0.2, 0.4, 0.8, 1.6, 3.2, 6.4]
    read = [draw.Read(0, "A", 0.8, 1.6, "held at 0.8, failed at 1.6")]
    shown = texts(draw.ladder(frame(), GROUPS[:1], read, levels, "J"))
    assert {"0.4", "0.8", "1.6", "3.2"} <= set(shown)
    assert not {"0.1", "0.2", "6.4"} & set(shown)


def test_a_trend_ends_at_the_longest_service_tested() -> None:
    root = ET.fromstring(draw.trend(frame(), POINTS, [0, 9_500, 20_000], "distance, km"))
    line = max(root.iter(f"{SVG}polyline"), key=lambda node: len(node.get("points")))
    last = float(line.get("points").split()[-1].split(",")[0])
    ticks = {
        "".join(node.itertext()): float(node.get("x"))
        for node in root.iter(f"{SVG}text")
        if node.get("text-anchor") == "middle"
    }
    assert last == pytest.approx(ticks["20\u00a0000"], abs=0.2)
    assert "62 % at 20\u00a0000" in titles(ET.tostring(root, encoding="unicode"))


def test_price_names_price_and_figure_of_each_arm() -> None:
    svg = draw.price(frame(SQUARE), ARMS, "£")
    assert {"Dear", "Cheap", "55 %", "100 %", "price paid, £"} <= set(texts(svg))
    assert "Cheap, £29: 55 %" in titles(svg)


def test_hues_keep_their_contrast_on_paper() -> None:
    """Contrast by the formula of WCAG 2.2, at least 3:1 for graphics (SC 1.4.11)."""

    def light(colour: str) -> float:
        parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
        red, green, blue = (
            p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts
        )
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue

    for hue in HUES:
        assert (light(PAPER) + 0.05) / (light(hue) + 0.05) >= 3, hue


@pytest.mark.parametrize(
    ("top", "steps"),
    [
        (4.2, [0, 1, 2, 3, 4, 5]),
        (31_000, [0, 10_000, 20_000, 30_000, 40_000]),
        (0.9, [0, 0.2, 0.4, 0.6, 0.8, 1.0]),
        (94 * 1.15, [0, 25, 50, 75, 100, 125]),
    ],
)
def test_axis_steps_are_round_and_reach_the_top(top: float, steps: list[float]) -> None:
    assert nice_steps(top) == pytest.approx(steps)


@pytest.mark.parametrize("top", [1e-30, 1e-12, 1e-9, 1e-6, 0.003, 0.07, 1, 9.99, 123, 4567, 1e9])
def test_axis_steps_are_few_and_cover(top: float) -> None:
    steps = nice_steps(top)
    assert steps[0] == 0
    assert steps[-1] >= top
    assert 2 <= len(steps) <= 8
