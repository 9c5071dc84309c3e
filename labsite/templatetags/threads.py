"""The retention thread and the mark of a verdict.

A list of cards draws some hundred of them, so they are put together here and not by templates that
include each other: a page of the index takes half the time. Positions are numbers of our own.
"""

from collections.abc import Mapping
from functools import lru_cache
from typing import Any

from django import template
from django.utils.html import conditional_escape
from django.utils.safestring import SafeString
from django.utils.text import slugify

register = template.Library()

_SOLID_DOWN = '<path class="solid" d="M1 2h12L7 13z" />'
_SOLID_UP = '<path class="solid" d="M1 12h12L7 1z" />'
_BRACKETS = '<path d="M4 1H1v12h3M10 1h3v12h-3" />'
_MARKS = {
    "clear loss": _SOLID_DOWN,
    "graded worse": _SOLID_DOWN,
    "some loss": '<path d="M1 2h12L7 13z" />',
    "held": '<path d="M0 4.5h14M0 9.5h14" />',
    "some gain": '<path d="M1 12h12L7 1z" />',
    "clear gain": _SOLID_UP,
    "graded better": _SOLID_UP,
}
_slug = lru_cache(maxsize=100)(slugify)


@register.simple_tag
def verdict(verdict: str, words: str | SafeString = "") -> SafeString:
    """One of the plain verdict words with its mark; `words` is how the page says it."""
    said = conditional_escape(words or verdict)
    return SafeString(  # nosec B703  # `said` is escaped, the rest is ours
        f'<span class="verdict verdict-{_slug(str(verdict))}">'
        '<svg class="verdict-mark" viewBox="0 0 14 14" aria-hidden="true" focusable="false">'
        f"{_MARKS.get(verdict, _BRACKETS)}</svg> <span>{said[:1].upper()}{said[1:]}</span></span>"
    )


@register.simple_tag
def strip(
    chart: Mapping[str, Any], verdict: str, *, label: str = "", bare: bool = False
) -> SafeString:
    """Draw the retention thread.

    `chart` holds positions in percent of the width, worked out on the server: x_low, x_high,
    x_point, open_low, open_high, margin_low, margin_width, hundred, and optionally ticks, a list of
    {"x"}. `verdict` is a plain verdict word or "pooled". `label` says the picture in words; without
    it the picture is hidden from screen readers, because words beside it say all. `bare` leaves out
    the words under the line. Everything is placed by attributes, so no style attribute is needed,
    and stands at half the height, so that the page may give a thread the height of its row.
    """
    told = (
        f'role="img" aria-label="{conditional_escape(label)}"'
        if label
        else 'aria-hidden="true" focusable="false"'
    )
    hundred = chart["hundred"]
    lines = [
        (
            f'<svg class="strip strip-{_slug(str(verdict))}{"" if bare else " strip-worded"}" {told}'
            f' width="100%" height="{40 if bare else 60}">'
            f'<svg width="100%" height="{"100%" if bare else 40}" overflow="visible">'
            f'<rect class="strip-band" x="{chart["margin_low"]}%" y="0"'
            f' width="{chart["margin_width"]}%" height="100%" />'
        ),
        *(_at(tick["x"], "strip-tick", "M0 -5v10") for tick in chart.get("ticks", ())),
        (
            '<line class="strip-zero" x1="0%" x2="0%" y1="0" y2="100%" />'
            f'<line class="strip-hundred" x1="{hundred}%" x2="{hundred}%" y1="0" y2="100%" />'
        ),
        *_interval(chart, verdict),
    ]
    if chart["x_point"] is not None:
        lines.append(f'<circle class="strip-point" cx="{chart["x_point"]}%" cy="50%" r="5.5" />')
    lines.append("</svg>")
    if not bare:
        lines.append(
            '<text class="strip-words" x="0%" y="55">0</text>'
            f'<text class="strip-words" x="{hundred}%" y="55" text-anchor="middle">100&nbsp;%</text>'
        )
    drawn = "".join([*lines, "</svg>"])
    return SafeString(drawn)  # nosec B703  # numbers and an escaped label


def _interval(chart: Mapping[str, Any], verdict: str) -> list[str]:
    low, high, hundred = chart["x_low"], chart["x_high"], chart["hundred"]
    if low is None or high is None:
        return []
    is_doubtful = verdict in ("not resolved", "pooled")
    lines = [] if chart["open_low"] else [_line("strip-thread", 0, low)]
    if high < hundred:
        lines.append(_line("strip-gone", high, hundred))
    bars = ["strip-doubt"] if is_doubtful else ["strip-bar", "strip-bar-in"]
    lines += [_line(bar, low, high) for bar in bars]
    if chart["open_low"]:
        lines.append(_at(low, "strip-end", "M9 -8 1 0l8 8"))
    else:
        lines.append(_at(low, "strip-end", "M6 -8H1V8h5" if is_doubtful else "M0 -8V8"))
    if chart["open_high"]:
        lines.append(_at(high, "strip-end", "M-9 -8-1 0l-8 8"))
    else:
        lines.append(_at(high, "strip-end", "M-6 -8H-1V8h-5" if is_doubtful else "M0 -8V8"))
    return lines


def _line(name: str, start: float, end: float) -> str:
    return f'<line class="{name}" x1="{start}%" x2="{end}%" y1="50%" y2="50%" />'


def _at(x: float, name: str, path: str) -> str:
    return (
        f'<svg x="{x}%" y="50%" width="1" height="1" overflow="visible">'
        f'<path class="{name}" d="{path}" /></svg>'
    )
