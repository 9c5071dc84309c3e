"""Numbers and verdicts in the words of a page. No Django here."""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from trials.intervals import plain, with_unit

NBSP = "\u00a0"
# a result as a share or a multiple; prices, kilometres and counts of items are none
FIGURE = re.compile(
    r"\d\s*(%|per ?cent\b|times\b|prozent\b|-?fach\b)|(?<!\w)[×x]\s?\d", re.IGNORECASE
)

VERDICT_WORDS = {
    "clear loss": "Clear loss",
    "some loss": "Some loss",
    "held": "Held",
    "some gain": "Some gain",
    "clear gain": "Clear gain",
    "not resolved": "Not resolved",
}
# for grades, where there is no amount
GRADE_VERDICT_WORDS = {
    "graded worse": "Graded worse",
    "graded better": "Graded better",
    "not resolved": "Not resolved",
}


def figures(number: float, count: int = 2) -> str:
    """A number to so many significant figures, without exponent, with a thin space for thousands."""
    if number == 0:
        return "0"
    places = count - 1 - math.floor(math.log10(abs(number)))
    rounded = round(number, places)
    # 99.96 rounds up into another figure before the point
    places = count - 1 - math.floor(math.log10(abs(rounded)))
    text = f"{rounded:,.{max(places, 0)}f}".replace(",", "\u2009")
    return text.replace("-", "\u2212")


def percent(share: float) -> str:
    """A share as a percentage: 0.812 is '81 %'; three figures from 100 % up."""
    value = share * 100
    return f"{figures(value, 3 if value >= 99.5 else 2)}{NBSP}%"


def percent_range(low: float | None, high: float | None) -> str:
    """An interval of shares; an open end is said in words."""
    if low is not None and high is not None:
        return f"{percent(low).removesuffix(f'{NBSP}%')} to {percent(high)}"
    if low is not None:
        return f"at least {percent(low)}, no upper end"
    if high is not None:
        return f"at most {percent(high)}, no lower end"
    return "no interval"


def level_words(level: float) -> str:
    """A level such as '95 %'."""
    return f"{plain(round(level * 100, 4))}{NBSP}%"


@dataclass(frozen=True)
class RatioFigures:
    """What a sentence about a retention needs."""

    arm: str
    baseline: str
    property: str
    higher_is_better: bool
    retention: float | None
    low: float | None
    high: float | None
    level: float
    verdict: str
    smallest_visible_loss: float | None
    margin: float


def retention_sentence(found: RatioFigures) -> str:
    """One plain sentence: the estimate and its interval, never one without the other."""
    level = level_words(found.level)
    start, whole = f"{found.arm} kept", f"the {found.property} of {found.baseline}"
    if not found.higher_is_better:
        start = f"On {found.property}, where less is better, {found.arm} comes to"
        whole = found.baseline
    if found.low is None and found.high is None:
        if found.retention is None:
            return f"{found.arm}: nothing can be said of its {found.property}."
        return (
            f"{start} {percent(found.retention)} of {whole} here, with no range we can stand "
            "behind, so we claim nothing."
        )
    if found.retention is None:
        return f"{start} {_bound(found)} of {whole} (at the {level} level)."
    interval = f"{level} interval {percent_range(found.low, found.high)}"
    return f"{start} about {percent(found.retention)} of {whole} ({interval})."


def times_sentence(found: RatioFigures) -> str:
    """For 'less is better': the same as how many times as much, which readers find plainer."""
    if found.higher_is_better or (found.low is None and found.high is None):
        return ""
    most = None if not found.low else 1 / found.low
    least = None if found.high is None else 1 / found.high
    if most is not None and least is not None:
        span = f"{figures(least)} to {figures(most)}{NBSP}times"
    elif least is not None:
        span = f"at least {figures(least)}{NBSP}times"
    elif most is not None:
        span = f"at most {figures(most)}{NBSP}times"
    else:
        return ""
    about = f"about {figures(1 / found.retention)}{NBSP}times" if found.retention else ""
    amount = f"{about} ({span})" if about and (most or least) else span
    return f"That is {amount} the {found.property} of {found.baseline}; less is better."


def _bound(found: RatioFigures) -> str:
    if found.low is not None and found.high is None:
        return f"at least {percent(found.low)}"
    if found.high is not None and found.low is None:
        return f"at most {percent(found.high)}"
    low, high = percent_range(found.low, found.high).split(" to ")
    return f"between {low} and {high}"


def verdict_sentence(found: RatioFigures) -> str:
    """What the verdict means, with the line it was held against."""
    limit = percent(1 - found.margin)
    meanings = {
        "clear loss": f"The whole interval lies below {limit}.",
        "some loss": f"The whole interval lies below 100{NBSP}% and reaches above {limit}.",
        "held": f"The whole interval lies within {limit} and {percent(1 / (1 - found.margin))}.",
        "some gain": f"The whole interval lies above 100{NBSP}%.",
        "clear gain": f"The whole interval lies above {percent(1 / (1 - found.margin))}.",
        "not resolved": "This test cannot tell loss from no loss. That is not the same as no loss.",
    }
    return meanings[found.verdict]


def visible_loss_words(smallest: float | None, verdict: str) -> str:
    """What the test could not have seen; nothing where an open end still carries a verdict."""
    if smallest is None and verdict != "not resolved":
        return ""
    if smallest is None:
        return "This test could not have seen a loss of any size."
    if smallest < 0.005:
        return f"A loss of about {figures(smallest * 100)}{NBSP}% could have been seen."
    return f"A loss smaller than about {percent(smallest)} could not have been seen."


def bound_words(low: float, high: float | None, unit: str) -> str:
    """An interval in the method's unit, as a cell of a table."""
    if high is None:
        return f"at least {with_unit(low, unit)}" if low > 0 else "no limit known"
    if low == 0:
        return f"at most {with_unit(high, unit)}"
    if low == high:
        return with_unit(low, unit)
    return f"{plain(low)} to {with_unit(high, unit)}"


def joined(parts: Sequence[str]) -> str:
    """'a, b and c'."""
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} and {parts[-1]}"


def capital(text: str) -> str:
    """The text with a capital first letter, the rest as it is."""
    return text[:1].upper() + text[1:]


def count(number: int, one: str, many: str) -> str:
    """'1 item', '3 items'."""
    return f"{number} {one if number == 1 else many}"


def scope_words(scope: str) -> str:
    """What a finding speaks of."""
    return {
        "these items": "these items only, not the model",
        "this model": "items like these of this model",
    }.get(scope, scope)


def scale_words(scale: str) -> str:
    """How the arms' scatters were tied."""
    return {
        "linked": "scatters alike but not equal (linked)",
        "separate": "each side its own scatter (separate)",
        "pooled": "one scatter for both sides (pooled)",
        "record": "scatter from the method's record",
        "paired": "matched pairs, one against the other",
    }.get(scale, scale)


def outward(number: float, *, up: bool) -> float:
    """The number to three significant figures, rounded up or down."""
    if number == 0:
        return 0.0
    step = 10.0 ** (math.floor(math.log10(number)) - 2)
    # a billionth of slack: 4.2 stored as 4.2000000000000002 is not above 4.2
    steps = math.ceil(number / step - 1e-9) if up else math.floor(number / step + 1e-9)
    return float(f"{steps * step:.12g}")


def change(log_ratio: float) -> str:
    """A change on the log scale as a signed percentage without its sign of unit: '−8.1'."""
    share = math.expm1(log_ratio) * 100
    if share == 0:
        return "0"
    text = figures(abs(share))
    return f"−{text}" if share < 0 else f"+{text}"


def family_words(level: float, count: int, *, is_simultaneous: bool) -> str:
    """What the level means for the whole card."""
    if count < 2:
        return ""
    if is_simultaneous:
        return f"All {count} intervals hold together at the {level_words(level)} level."
    return (
        f"Each of the {count} intervals holds at the {level_words(level)} level by itself: of so "
        f"many, {figures(count * (1 - level))} miss the truth on average."
    )
