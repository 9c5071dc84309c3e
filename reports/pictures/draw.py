"""The six pictures. Each takes plain values and words, and gives an SVG."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape

from reports.pictures.canvas import (
    ACCENT,
    BAND,
    HUES,
    INK,
    RULE,
    SOFT,
    Shape,
    Sheet,
    Stroke,
    Type,
    fitted,
    nice_steps,
)
from reports.pictures.png import text_width
from reports.pictures.survival import Step, at_risk


@dataclass(frozen=True)
class Frame:
    """What every picture carries: its shape, ground, title, source line and words instead."""

    shape: Shape
    clear: bool
    title: str
    source: str
    alternative: str

    def sheet(self) -> Sheet:
        """An empty sheet."""
        return Sheet(self.shape, self.clear, self.title, self.source, self.alternative)


@dataclass(frozen=True)
class Kept:
    """One finding; None ends are open."""

    label: str
    words: str
    retention: float | None
    low: float | None
    high: float | None
    margin: float


@dataclass(frozen=True)
class Read:
    """One reading or bracket of one item; `high` None means it had not failed."""

    group: int  # which arm
    item: str
    low: float
    high: float | None
    words: str
    is_void: bool = False


@dataclass(frozen=True)
class Group:
    """An arm and how many of its items were read."""

    label: str
    count: int


def _number(value: float) -> str:
    text = f"{value:.10g}"
    if abs(value) >= 10_000 and "." not in text and "e" not in text:
        text = f"{value:,.0f}".replace(",", "\u00a0")
    return text.replace("-", "\u2212")


def retention(frame: Frame, rows: Sequence[Kept]) -> str:
    """A dot and an interval for each property, from nothing past 100 %, the margin as a band."""
    sheet = frame.sheet()
    size = frame.shape.label
    ends = [r.high for r in rows if r.high is not None] + [r.retention or 0 for r in rows]
    top = min(2.0, max(1.3, *(end * 1.05 for end in ends), 0))
    names = frame.shape.width * (0.34 if frame.shape.width > frame.shape.height else 0.42)
    left, right = sheet.left + names, sheet.right - size
    floor = sheet.bottom - size * 2.1

    def x(share: float) -> float:
        return left + (right - left) * min(max(share, 0), top) / top

    step = (floor - sheet.top) / max(len(rows), 1)
    for place, row in enumerate(rows):
        y = sheet.top + step * (place + 0.5)
        low_band, high_band = x(1 - row.margin), x(1 / (1 - row.margin))
        edge_up, edge_down = y - step * 0.4, y + step * 0.4
        sheet.area(
            [
                (low_band, edge_up),
                (high_band, edge_up),
                (high_band, edge_down),
                (low_band, edge_down),
            ]
        )
        _row_name(sheet, row.label, y, names - size, step)
    sheet.line((x(1), sheet.top), (x(1), floor), Stroke(INK, 3))
    for place, row in enumerate(rows):
        _kept_row(sheet, row, sheet.top + step * (place + 0.5), x, top)
    for share, words in ((0, "nothing"), (0.5, "50 %"), (1, "100 %"), (1.5, "150 %")):
        if share <= top:
            sheet.line((x(share), floor), (x(share), floor + 14), Stroke(INK, 3))
            sheet.text(words, x(share), floor + size * 1.3, Type(size=size * 0.85, anchor="middle"))
    return sheet.svg()


def _row_name(sheet: Sheet, label: str, y: float, width: float, step: float) -> None:
    """A row's name, as large as its row lets it be: on one line if it fits, else on two."""
    size = min(sheet.shape.label, step * 0.72)
    fits = size * width / max(text_width(label, size), 1)
    if fits >= sheet.shape.source * 0.9 or fits >= size:
        size = min(size, fits)
        sheet.text(label, sheet.left, y + size * 0.33, Type(size=size))
        return
    size = min(sheet.shape.label, step * 0.42)
    for number, line in enumerate(fitted(label, size, width)):
        sheet.text(line, sheet.left, y - size * 0.1 + number * size * 1.05, Type(size=size))


def _kept_row(sheet: Sheet, row: Kept, y: float, x: Callable[[float], float], top: float) -> None:
    place = x
    told = f"{row.label}: {row.words}"
    if row.low is not None or row.high is not None:
        is_open = ("low" if row.low is None else "") + (
            "high" if row.high is None or row.high > top else ""
        )
        high = top if row.high is None else row.high
        sheet.span(place(row.low or 0.0), place(high), y, told, open_ends=is_open)
    if row.retention is not None:
        has = row.low is not None or row.high is not None
        sheet.parts.append(
            f"<g><title>{escape(told)}</title>"
            f'<circle cx="{place(row.retention):.1f}" cy="{y:.1f}" r="17" '
            f'fill="{ACCENT if has else "none"}" stroke="{ACCENT}" stroke-width="5" '
            f'data-kept="{row.retention:.6g}"/></g>'
        )


@dataclass
class _Axes:
    """A level axis along the bottom in the unit of the readings."""

    sheet: Sheet
    left: float
    right: float
    floor: float
    top: float
    steps: list[float]

    def x(self, value: float) -> float:
        return self.left + (self.right - self.left) * min(value, self.top) / self.top

    def draw(self, name: str) -> None:
        size = self.sheet.shape.label * 0.85
        self.sheet.line((self.left, self.floor), (self.right, self.floor), Stroke(INK, 3))
        for step in self.steps:
            self.sheet.line(
                (self.x(step), self.floor), (self.x(step), self.floor + 14), Stroke(INK, 3)
            )
            self.sheet.text(
                _number(step),
                self.x(step),
                self.floor + size * 1.35,
                Type(size=size, anchor="middle"),
            )
        self.sheet.text(
            name, self.right, self.floor + size * 2.6, Type(size=size, anchor="end", fill=SOFT)
        )


def _level_axes(sheet: Sheet, readings: Sequence[Read], names: float) -> _Axes:
    ends = [r.low if r.high is None else r.high for r in readings]
    steps = nice_steps(max([*ends, 1e-9]) * 1.08)
    size = sheet.shape.label
    return _Axes(
        sheet, sheet.left + names, sheet.right - size, sheet.bottom - size * 3, steps[-1], steps
    )


def _key(sheet: Sheet, groups: Sequence[Group]) -> None:
    """Which shape is which arm, and how many items it had, in a row under the title."""
    size = sheet.shape.label * 0.85
    x, y = sheet.left, sheet.top + size * 0.5
    for place, group in enumerate(groups):
        words = f"{group.label}: {group.count} item{'' if group.count == 1 else 's'}"
        width = text_width(words, size) + size * 2.2
        if x + width > sheet.right and x > sheet.left:
            x, y = sheet.left, y + size * 1.35
        sheet.mark(place, x + size * 0.45, y - size * 0.32, "", size=size * 0.36)
        sheet.text(words, x + size * 1.2, y, Type(size=size))
        x += width
    sheet.top = y + size * 0.9


def readings_strip(
    frame: Frame, groups: Sequence[Group], readings: Sequence[Read], axis: str
) -> str:
    """Every raw reading, a row for each item; open ends run on, void ones are hollow."""
    sheet = frame.sheet()
    _key(sheet, groups)
    items = list(dict.fromkeys((r.group, r.item) for r in readings))
    axes = _level_axes(sheet, readings, frame.shape.label * 4.6)
    step = (axes.floor - sheet.top) / max(len(items), 1)
    small = min(frame.shape.label * 0.8, step * 0.95)
    has_names = small >= frame.shape.source * 0.85  # smaller ones could not be read on a phone
    for place, (group, item) in enumerate(items):
        y = sheet.top + step * (place + 0.5)
        if has_names:
            sheet.text(item, sheet.left, y + small * 0.33, Type(size=small))
        sheet.line((axes.left, y), (axes.right, y), Stroke(BAND, 2))
        for one in [r for r in readings if (r.group, r.item) == (group, item)]:
            _reading(sheet, axes, one, y, min(16, step * 0.36))
    axes.draw(axis)
    return sheet.svg()


def _reading(sheet: Sheet, axes: _Axes, one: Read, y: float, size: float) -> None:
    told = f"{one.item}: {one.words}"
    colour = HUES[one.group % len(HUES)]
    low, high = axes.x(one.low), axes.x(axes.top if one.high is None else one.high)
    if one.high is None:
        sheet.line((low, y), (high, y), Stroke(colour, 5, dash="4 14"))
        sheet.mark(one.group, low, y, f"{told} (had not failed)", size=size, hollow=one.is_void)
        return
    if high - low > size * 2:
        sheet.line((low, y), (high, y), Stroke(colour, 6))
    sheet.mark(one.group, (low + high) / 2, y, told, size=size, hollow=one.is_void)


def ladder(
    frame: Frame,
    groups: Sequence[Group],
    readings: Sequence[Read],
    levels: Sequence[float],
    axis: str,
) -> str:
    """Rising steps: for each item a bar from the last level it held to the first it failed at."""
    sheet = frame.sheet()
    _key(sheet, groups)
    size = frame.shape.label
    rungs = _rungs(readings, levels)
    left, right = sheet.left + size * 3.2, sheet.right
    floor, top = sheet.bottom - size * 2.6, sheet.top + size * 0.4
    step = (floor - top) / max(len(rungs), 1)

    def y(level: float) -> float:
        below = sum(1 for rung in rungs if rung <= level + 1e-12)
        return floor - step * min(below, len(rungs))

    for place, level in enumerate(rungs, start=1):
        at = floor - step * place
        sheet.line((left, at), (right, at), Stroke(BAND, 3))
        sheet.text(
            _number(level), left - size * 0.4, at + size * 0.3, Type(size=size * 0.8, anchor="end")
        )
    items = list(dict.fromkeys((r.group, r.item) for r in readings))
    width = (right - left) / max(len(items), 1)
    small = min(size * 0.8, width * 0.26)
    has_names = small >= frame.shape.source * 0.85  # smaller ones could not be read on a phone
    for place, (group, item) in enumerate(items):
        mine = [r for r in readings if (r.group, r.item) == (group, item) and not r.is_void]
        for number, one in enumerate(mine):
            x = left + width * (place + (number + 1) / (len(mine) + 1))
            _bracket(sheet, one, (x, min(15, width / (len(mine) + 1) * 0.4)), y, (top, floor))
        if has_names:
            look = Type(size=small, anchor="middle")
            sheet.text(item, left + width * (place + 0.5), floor + small * 1.6, look)
    sheet.text(axis, sheet.left, floor + size * 2.1, Type(size=size * 0.8, fill=SOFT))
    return sheet.svg()


def _rungs(readings: Sequence[Read], levels: Sequence[float]) -> list[float]:
    """The levels that were reached, and one more on either side."""
    ends = [end for r in readings for end in (r.low, r.high) if end]
    if not ends:
        return list(levels)
    first = max(sum(1 for level in levels if level < min(ends)) - 1, 0)
    last = sum(1 for level in levels if level <= max(ends)) + 1
    return list(levels[first:last])


def _bracket(
    sheet: Sheet,
    one: Read,
    place: tuple[float, float],
    y: Callable[[float], float],
    ends: tuple[float, float],
) -> None:
    """A bar at (x, size of its marks) between the heights of `ends` (top, floor)."""
    (x, size), (top, floor) = place, ends
    colour = HUES[one.group % len(HUES)]
    held = y(one.low) if one.low > 0 else floor
    failed = top if one.high is None else y(one.high)
    dash = "4 16" if one.high is None else ""
    sheet.line((x, held), (x, failed), Stroke(colour, size * 0.6, dash))
    told = f"{one.item}: {one.words}"
    if one.low > 0:
        sheet.mark(one.group, x, held, f"{told}, held", size=size)
    if one.high is not None:
        sheet.mark(one.group, x, failed, f"{told}, failed", size=size, hollow=True)


@dataclass(frozen=True)
class BandPoint:
    """A place on a trend."""

    exposure: float
    retention: float
    low: float
    high: float


def trend(frame: Frame, points: Sequence[BandPoint], exposures: Sequence[float], axis: str) -> str:
    """The line and its band, to the longest service tested and no further; a tick for each item."""
    sheet = frame.sheet()
    size = frame.shape.label
    steps = nice_steps(max([*exposures, points[-1].exposure]))
    ceiling = max(1.1, *(p.high for p in points)) * 1.02
    axes = _Axes(
        sheet, sheet.left + size * 3, sheet.right - size, sheet.bottom - size * 3, steps[-1], steps
    )

    def y(share: float) -> float:
        return axes.floor - (axes.floor - sheet.top) * share / ceiling

    sheet.area(
        [(axes.x(p.exposure), y(p.high)) for p in points]
        + [(axes.x(p.exposure), y(p.low)) for p in reversed(points)]
    )
    for share, words in ((0.0, "0 %"), (0.5, "50 %"), (1.0, "100 %")):
        sheet.line(
            (axes.left, y(share)), (axes.right, y(share)), Stroke(RULE if share == 1 else BAND, 3)
        )
        sheet.text(
            words, axes.left - 14, y(share) + size * 0.3, Type(size=size * 0.85, anchor="end")
        )
    sheet.path([(axes.x(p.exposure), y(p.retention)) for p in points], ACCENT, 9)
    for exposure in exposures:
        sheet.line(
            (axes.x(exposure), axes.floor - 26), (axes.x(exposure), axes.floor), Stroke(INK, 5)
        )
    last = points[-1]
    ends = f"{100 * last.retention:.3g} % at {_number(round(last.exposure))}"
    sheet.mark(1, axes.x(last.exposure), y(last.retention), ends, size=15)
    axes.draw(axis)
    return sheet.svg()


def survival(
    frame: Frame, groups: Sequence[Group], curves: Sequence[Sequence[Step]], axis: str
) -> str:
    """The share of runs still whole, in steps; a tick where a run was stopped; how many are left."""
    sheet = frame.sheet()
    _key(sheet, groups)
    size = frame.shape.label
    ends = [step.at for curve in curves for step in curve]
    steps = nice_steps(max(ends, default=0.0))
    rows = size * 1.05 * len(curves)
    axes = _Axes(
        sheet,
        sheet.left + size * 3,
        sheet.right - size,
        sheet.bottom - size * 3 - rows,
        steps[-1],
        steps,
    )

    def y(share: float) -> float:
        return axes.floor - (axes.floor - sheet.top) * share

    for share, words in ((0.0, "none"), (0.5, "half"), (1.0, "all")):
        sheet.line((axes.left, y(share)), (axes.right, y(share)), Stroke(BAND, 3))
        sheet.text(
            words, axes.left - 14, y(share) + size * 0.3, Type(size=size * 0.85, anchor="end")
        )
    for place, curve in enumerate(curves):
        way = [(axes.left, y(1.0))]
        share = 1.0
        for step in curve:
            way.append((axes.x(step.at), y(share)))
            share = step.share
            way.append((axes.x(step.at), y(share)))
        sheet.path(way, HUES[place % len(HUES)], 8)
        for step in curve:
            told = f"{groups[place].label}: {step.share:.3f} after {_number(step.at)}"
            if step.stopped:
                sheet.line(
                    (axes.x(step.at), y(step.share) - 18),
                    (axes.x(step.at), y(step.share) + 18),
                    Stroke(HUES[place % len(HUES)], 5),
                )
            sheet.mark(place, axes.x(step.at), y(step.share), told, size=11)
    axes.draw(axis)
    below = axes.floor + size * 3.1
    for place, curve in enumerate(curves):
        at = below + size * 1.05 * place
        sheet.mark(place, sheet.left + size * 0.4, at - size * 0.28, "", size=size * 0.3)
        sheet.text("left", sheet.left + size, at, Type(size=size * 0.75, fill=SOFT))
        for rung in axes.steps:
            sheet.text(
                str(at_risk(curve, rung)), axes.x(rung), at, Type(size=size * 0.75, anchor="middle")
            )
    return sheet.svg()


@dataclass(frozen=True)
class Priced:
    """An arm's price and what it took of a property against the baseline."""

    label: str
    price: float
    price_words: str
    retention: float | None
    low: float | None
    high: float | None
    words: str


def price(frame: Frame, arms: Sequence[Priced], currency: str) -> str:
    """What was paid against what was kept, the dear one at 100 %; intervals upright."""
    sheet = frame.sheet()
    size = frame.shape.label
    steps = nice_steps(max(a.price for a in arms) * 1.15)
    ends = [a.high for a in arms if a.high is not None] + [a.retention or 1 for a in arms]
    ceiling = min(2.5, max(1.2, *(end * 1.08 for end in ends)))
    axes = _Axes(
        sheet,
        sheet.left + size * 3,
        sheet.right - size * 2,
        sheet.bottom - size * 3,
        steps[-1],
        steps,
    )

    def y(share: float) -> float:
        return axes.floor - (axes.floor - sheet.top) * min(share, ceiling) / ceiling

    for share, words in ((0.0, "nothing"), (0.5, "50 %"), (1.0, "100 %"), (1.5, "150 %")):
        if share <= ceiling:
            sheet.line(
                (axes.left, y(share)),
                (axes.right, y(share)),
                Stroke(RULE if share == 1 else BAND, 3),
            )
            sheet.text(
                words, axes.left - 14, y(share) + size * 0.3, Type(size=size * 0.75, anchor="end")
            )
    for place, arm in enumerate(arms):
        x = axes.x(arm.price)
        told = f"{arm.label}, {arm.price_words}: {arm.words}"
        if arm.low is not None or arm.high is not None:
            high = ceiling if arm.high is None else arm.high
            sheet.line(
                (x, y(arm.low or 0)),
                (x, y(high)),
                Stroke(
                    HUES[place % len(HUES)],
                    8,
                    dash="4 16" if arm.high is None or arm.low is None else "",
                ),
            )
        if arm.retention is not None:
            sheet.mark(place, x, y(arm.retention), told, size=20)
        at = y(arm.retention if arm.retention is not None else (arm.low or 0))
        anchor = "start" if x < (axes.left + axes.right) / 2 else "end"
        shift = 34 if anchor == "start" else -34
        sheet.text(arm.label, x + shift, at - size * 0.3, Type(anchor=anchor, weight="600"))
        sheet.text(arm.words, x + shift, at + size * 0.8, Type(size=size * 0.85, anchor=anchor))
    axes.draw(f"price paid, {currency}")
    return sheet.svg()
