"""The sheet every picture is drawn on: size, ground, type, title above, source line burnt in below.

Sizes are chosen for a phone: a picture 1920 wide on a phone held upright is a fifth as large, and a
square one a third.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape

from reports.pictures.png import FONT_FAMILY, drawable, text_width, wrapped

# The first four hues are of Okabe and Ito's set for colour-blind readers, dark enough on paper (at
# least 3:1); each goes with a shape, which says the same.
INK, PAPER, SOFT, RULE = "#1c1a17", "#f5f1e6", "#4b463c", "#746c5a"
BAND, ACCENT = "#dfd7c1", "#4b2a86"
HUES = ("#1c1a17", "#0072b2", "#d55e00", "#009e73", "#aa3377", "#6a6354")
SHAPES = ("circle", "square", "triangle", "diamond", "cross", "ring")


@dataclass(frozen=True)
class Shape:
    """A size of picture. Type sizes are in pixels."""

    name: str
    width: int
    height: int
    title: int
    label: int
    source: int
    edge: int


WIDE = Shape("wide", 1920, 1080, 72, 48, 38, 72)
SQUARE = Shape("square", 1080, 1080, 56, 38, 30, 54)
SHAPE_NAMES = {"wide": WIDE, "square": SQUARE}


Point = tuple[float, float]


@dataclass(frozen=True)
class Type:
    """How a line of type looks; without a size it has the labels' size."""

    size: float | None = None
    anchor: str = "start"
    weight: str = "400"
    fill: str = INK


@dataclass(frozen=True)
class Stroke:
    """How a line looks."""

    colour: str = INK
    width: float = 4
    dash: str = ""


@dataclass
class Sheet:
    """Collects what is drawn. `clear` leaves the ground transparent, for use over film."""

    shape: Shape
    clear: bool
    title: str
    source: str
    alternative: str
    parts: list[str] = field(default_factory=list)
    top: float = 0.0
    bottom: float = 0.0

    def __post_init__(self) -> None:
        shape = self.shape
        y = float(shape.edge)
        for line in wrapped(self.title, shape.title, shape.width - 2 * shape.edge, weight="600"):
            y += shape.title
            self.text(line, shape.edge, y, Type(size=shape.title, weight="600"))
            y += shape.title * 0.16
        self.top = y + shape.label * 0.6
        lines = wrapped(self.source, shape.source, shape.width - 2 * shape.edge)
        step = shape.source * 1.25
        self.bottom = shape.height - shape.edge - step * len(lines) - shape.source * 0.4
        self.line((shape.edge, self.bottom), (self.right, self.bottom), Stroke(RULE, 2))
        look = Type(size=shape.source, fill=SOFT)
        for place, line in enumerate(lines, start=1):
            self.text(line, shape.edge, self.bottom + step * place + 6, look)

    @property
    def left(self) -> float:
        """Left edge of what may be drawn on."""
        return float(self.shape.edge)

    @property
    def right(self) -> float:
        """Right edge of what may be drawn on."""
        return float(self.shape.width - self.shape.edge)

    def text(self, words: str, x: float, y: float, type_: Type | None = None) -> None:
        """A line of type with its baseline at y; with a halo of paper, over lines and over film."""
        look = type_ or Type()
        size = self.shape.label if look.size is None else look.size
        halo = (
            f' stroke="{PAPER}" stroke-width="{size * 0.16:.3g}" paint-order="stroke" '
            'stroke-linejoin="round"'
        )
        # on a machine without the typeface another, often wider one stands in: it keeps the width
        length = text_width(words, size, weight=look.weight)
        self.parts.append(
            f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" text-anchor="{look.anchor}" '
            f'font-weight="{look.weight}" fill="{look.fill}"{halo} textLength="{length:.1f}" '
            f'lengthAdjust="spacingAndGlyphs">{escape(words)}</text>'
        )

    def line(self, start: Point, end: Point, stroke: Stroke | None = None) -> None:
        """A straight line."""
        look = stroke or Stroke()
        dashed = f' stroke-dasharray="{look.dash}"' if look.dash else ""
        self.parts.append(
            f'<line x1="{start[0]:.1f}" y1="{start[1]:.1f}" x2="{end[0]:.1f}" y2="{end[1]:.1f}" '
            f'stroke="{look.colour}" stroke-width="{look.width:g}" stroke-linecap="round"{dashed}/>'
        )

    def path(self, points: Sequence[tuple[float, float]], colour: str, width: float = 6) -> None:
        """A line through points."""
        way = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
        self.parts.append(
            f'<polyline points="{way}" fill="none" stroke="{colour}" stroke-width="{width:g}" '
            'stroke-linejoin="round"/>'
        )

    def area(self, points: Sequence[tuple[float, float]], colour: str = BAND) -> None:
        """A filled shape."""
        way = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
        self.parts.append(f'<polygon points="{way}" fill="{colour}"/>')

    def mark(
        self, kind: int, x: float, y: float, told: str, *, size: float = 16, hollow: bool = False
    ) -> None:
        """One of the shapes, with what it stands for as its title."""
        colour = HUES[kind % len(HUES)]
        fill = "none" if hollow else colour
        paint = f'fill="{fill}" stroke="{colour}" stroke-width="4"'
        shape = SHAPES[kind % len(SHAPES)]
        self.parts.append(f"<g>{_title(told)}{_drawn(shape, x, y, size, paint)}</g>")

    def span(
        self, x1: float, x2: float, y: float, told: str, *, colour: str = INK, open_ends: str = ""
    ) -> None:
        """A level bar; open ends end in an arrow."""
        self.parts.append(f"<g>{_title(told)}")
        self.line((x1, y), (x2, y), Stroke(colour, 8))
        reach = 18
        sides: tuple[tuple[str, float, int], ...] = (("low", x1, 1), ("high", x2, -1))
        for side, x, way in sides:
            if side in open_ends:
                self.path(
                    [(x + way * reach, y - reach), (x, y), (x + way * reach, y + reach)], colour
                )
            else:
                self.line((x, y - 14), (x, y + 14), Stroke(colour, 6))
        self.parts.append("</g>")

    def svg(self) -> str:
        """The whole picture."""
        shape = self.shape
        ground = "" if self.clear else f'<rect width="100%" height="100%" fill="{PAPER}"/>'
        return drawable(
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{shape.width}" '
            f'height="{shape.height}" viewBox="0 0 {shape.width} {shape.height}" role="img" '
            f'font-family="{FONT_FAMILY}"><title>{escape(self.title)}</title>'
            f"<desc>{escape(self.alternative)}</desc>{ground}{''.join(self.parts)}</svg>"
        )


def _title(told: str) -> str:
    return f"<title>{escape(told)}</title>" if told else ""


def _drawn(shape: str, x: float, y: float, size: float, paint: str) -> str:
    if shape == "circle":
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{size:g}" {paint}/>'
    if shape == "ring":
        ring = paint.replace('fill="#6a6354"', 'fill="none"')
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{size:g}" {ring}/>'
    outlines: dict[str, list[Point]] = {
        "square": [(-1, -1), (1, -1), (1, 1), (-1, 1)],
        "triangle": [(0, -1.2), (1.15, 0.9), (-1.15, 0.9)],
        "diamond": [(0, -1.35), (1.1, 0), (0, 1.35), (-1.1, 0)],
        "cross": [
            (-0.35, -1.1), (0.35, -1.1), (0.35, -0.35), (1.1, -0.35), (1.1, 0.35), (0.35, 0.35),
            (0.35, 1.1), (-0.35, 1.1), (-0.35, 0.35), (-1.1, 0.35), (-1.1, -0.35), (-0.35, -0.35),
        ],
    }  # fmt: skip
    way = " ".join(f"{x + dx * size:.1f},{y + dy * size:.1f}" for dx, dy in outlines[shape])
    return f'<polygon points="{way}" {paint}/>'


def fitted(words: str, size: float, width: float) -> list[str]:
    """At most two lines; what does not fit is cut with an ellipsis."""
    lines = wrapped(words, size, width)
    if len(lines) <= 2:
        return lines
    last = lines[1]
    while last and text_width(f"{last}…", size) > width:
        last = last.rpartition(" ")[0]
    return [lines[0], f"{last}…"]


def nice_steps(top: float, count: int = 5) -> list[float]:
    """Round numbers from nothing to at least `top`."""
    if top <= 0:
        return [0.0, 1.0]
    raw = top / count
    power = 10.0 ** len(str(int(raw))) / 10 if raw >= 1 else 10.0 ** -_zeros(raw)
    step = next(s * power for s in (1, 2, 2.5, 5, 10) if s * power >= raw * (1 - 1e-9))
    steps = [0.0]
    while steps[-1] < top * (1 - 1e-9):
        steps.append(float(f"{step * len(steps):.12g}"))
    return steps


def _zeros(number: float) -> int:
    places = 0
    while number < 1:
        number *= 10
        places += 1
    return places
