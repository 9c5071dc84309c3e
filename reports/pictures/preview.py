"""The picture that a link to a scorecard shows elsewhere: the question and what was kept.

No Django here. It says nothing that the card does not: verdicts in words, intervals drawn, how many
items, and that it certifies nothing.
"""

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

from reports.pictures.png import FONT_FAMILY, drawable, text_width, wrapped

WIDTH, HEIGHT = 1200, 630
EDGE = 64
MOST_STRIPS = 4
# the page's colours in light (labsite/css/tokens.css)
PAPER, INK, SOFT, RULE, ACCENT, BAND = (
    "#f5f1e6",
    "#1c1a17",
    "#4b463c",
    "#746c5a",
    "#4b2a86",
    "#dfd7c1",
)
STRIP_LEFT, STRIP_WIDTH = 560, 400
VERDICT_LEFT = STRIP_LEFT + STRIP_WIDTH + 28


def preview_svg(content: Mapping[str, Any], notice: str = "") -> str:
    """The picture as SVG; `notice` is a word such as 'Withdrawn'."""
    question, size = _fitted(content["study"]["question"])
    parts = [
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="{PAPER}"/>',
        f'<rect width="14" height="{HEIGHT}" fill="{ACCENT}"/>',
        _text(_folio(content, notice), EDGE, 74, 26, fill=ACCENT, weight="600"),
    ]
    top = 74 + size * 1.35
    for line in question:
        parts.append(_text(line, EDGE, top, size, weight="700"))
        top += size * 1.18
    findings = [one for one in content["findings"] if one.get("chart")]
    shown = _chosen(findings)
    place = max(top + 14, HEIGHT - 92 - 62 * len(shown))
    for finding in shown:
        parts += _strip(finding, place, with_arm=_has_arms(content["findings"]))
        place += 62
    parts.append(
        _text(_foot(content, len(findings) - len(shown)), EDGE, HEIGHT - 32, 24, fill=SOFT)
    )
    label = escape(drawable(alt_text(content)))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH}" height="{HEIGHT}" '
        f'viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{label}" '
        f'font-family="{FONT_FAMILY}">{"".join(parts)}</svg>'
    )


def alt_text(content: Mapping[str, Any]) -> str:
    """The picture in words, for who cannot see it."""
    told = [
        f"{one['property'].capitalize()}, {one['arm_label']}: {one['verdict_words'].lower()}"
        for one in content["findings"]
    ]
    return f"{content['study']['question']} {'. '.join(told)}."


def _folio(content: Mapping[str, Any], notice: str) -> str:
    lab = content.get("licence", {}).get("publisher") or "Wornproof"
    parts = [notice, lab, f"edition {content['edition']['number']}"]
    if content["invented"]:
        parts.append("invented example")
    return "  ·  ".join(part for part in parts if part)


def _fitted(question: str) -> tuple[list[str], float]:
    for size in (46, 42, 38, 34):
        lines = wrapped(question, size, WIDTH - 2 * EDGE, weight="700")
        if len(lines) <= 3:
            return lines, size
    return [*lines[:2], f"{lines[2]} …"], size


def _chosen(findings: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """All, where they fit; else the last arm of each property, in the card's order."""
    if len(findings) <= MOST_STRIPS:
        return list(findings)
    last = {one["property"]: one for one in findings}
    return list(last.values())[:MOST_STRIPS]


def _has_arms(findings: Sequence[Mapping[str, Any]]) -> bool:
    return len({one["arm"] for one in findings}) > 1


def _strip(finding: Mapping[str, Any], y: float, *, with_arm: bool) -> list[str]:
    """One property: its name, its interval on the line from nothing past 100 %, its verdict."""
    chart = finding["chart"]

    def x(percent: float) -> float:
        return STRIP_LEFT + STRIP_WIDTH * percent / 100

    middle = y + 18
    name = finding["property"].capitalize()
    if with_arm:
        name = f"{name}, {finding['arm_label'].lower()}"
    parts = [
        _text(_cut(name, 28, STRIP_LEFT - EDGE - 24), EDGE, y + 27, 28),
        _box(x(chart["margin_low"]), middle - 19, x(chart["margin_high"]), middle + 19, BAND),
        _line(STRIP_LEFT, middle, STRIP_LEFT + STRIP_WIDTH, middle, RULE, 2),
        _line(x(chart["hundred"]), middle - 21, x(chart["hundred"]), middle + 21, INK, 3),
    ]
    if chart["x_low"] is not None:
        parts.append(_line(x(chart["x_low"]), middle, x(chart["x_high"]), middle, ACCENT, 9))
    if chart["x_point"] is not None:
        parts.append(f'<circle cx="{x(chart["x_point"]):.1f}" cy="{middle}" r="11" fill="{INK}"/>')
    words = finding["verdict_words"]
    parts.append(_text(words, VERDICT_LEFT, y + 27, 28, weight="600"))
    return parts


def _foot(content: Mapping[str, Any], left_out: int) -> str:
    counts = [len(arm["specimens"]) for arm in content["arms"]]
    items = f"{sum(counts)} items" if sum(counts) != 1 else "1 item"
    more = f", {left_out} more on the page" if left_out else ""
    return f"What was kept, 100 % at the black line{more}. {items}. A scorecard certifies nothing."


def _cut(text: str, size: float, width: float) -> str:
    if text_width(text, size) <= width:
        return text
    while text and text_width(f"{text}…", size) > width:
        text = text[:-1]
    return f"{text.rstrip(' ,')}…"


def _text(
    text: str, x: float, y: float, size: float, *, fill: str = INK, weight: str = "400"
) -> str:
    return (
        f'<text x="{x:g}" y="{y:.1f}" font-size="{size:g}" font-weight="{weight}" fill="{fill}" '
        f'xml:space="preserve">{escape(drawable(text))}</text>'
    )


def _box(x1: float, y1: float, x2: float, y2: float, fill: str) -> str:
    return (
        f'<rect x="{x1:.1f}" y="{y1:.1f}" width="{x2 - x1:.1f}" height="{y2 - y1:.1f}" '
        f'fill="{fill}"/>'
    )


def _line(x1: float, y1: float, x2: float, y2: float, stroke: str, width: float) -> str:
    return (
        f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{stroke}" '
        f'stroke-width="{width:g}"/>'
    )
