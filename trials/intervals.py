"""From what was typed at the bench to an interval. No Django here.

Every reading of a positive quantity is an interval ``[low, high]``; ``high`` may be infinite.
A grade is no interval: it stays an ordered grade with its rater.

=============  =========================================  =======================
kind           what happened                              interval
=============  =========================================  =======================
value          y read with resolution r                   [y - r/2, y + r/2]
value          nothing seen above the detection limit d   [0, d]
timer          failed at t, resolution r                  [t - r/2, t + r/2]
timer          stopped at t before it failed              [t, inf)
timer          marks on a film a time t apart, f frames/s  [t - 1/f, t + 1/f]
tally          failed during turn k                       [k - 1, k]
tally          stopped after k whole turns                [k, inf)
rising steps   held at a, failed at the next level b      [a, b]
challenge      held at c / failed at c                    [c, inf) / [0, c]
mass gain      two masses, each with resolution r         [net - r, net + r]
=============  =========================================  =======================
"""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from trials.physics.errors import OutOfRange
from trials.physics.flame import time_between_marks

TWO_WAYS = re.compile(r"[+-]?[1-9][0-9]{0,2},[0-9]{3}")
MOST_FRAMES = 10_000  # a second; no camera of a bench takes more
LARGEST = 1e9  # nothing on a bench is larger in the units methods use; guards against slips


class ReadingKind(StrEnum):
    """What a method asks the technician to enter."""

    VALUE = "value"
    TIMER = "timer"
    TALLY = "tally"
    RISING_STEPS = "rising_steps"
    CHALLENGE = "challenge"
    MASS_GAIN = "mass_gain"
    GRADE = "grade"


class BadEntry(ValueError):
    """What was typed cannot be a reading; `problems` maps each field to a sentence."""

    def __init__(self, problems: Mapping[str, str]) -> None:
        super().__init__(" ".join(problems.values()))
        self.problems = dict(problems)


@dataclass(frozen=True)
class Bounds:
    """Lower and upper end of a reading, in the method's unit; `high` may be ``inf``."""

    low: float
    high: float

    def __post_init__(self) -> None:
        """Refuse NaN, a negative low end and ends the wrong way round."""
        if math.isnan(self.low) or math.isnan(self.high):
            raise ValueError("an end of an interval is not a number")
        if not 0 <= self.low <= self.high or math.isinf(self.low):
            raise ValueError(f"an interval needs 0 <= low <= high, got [{self.low}, {self.high}]")


@dataclass(frozen=True)
class Scale:
    """How a method revision reads: unit, resolution, limits and levels (all in `unit`)."""

    kind: ReadingKind
    unit: str
    resolution: float
    detection_limit: float | None = None
    range_low: float = 0.0
    range_high: float = LARGEST
    levels: tuple[float, ...] = ()
    grades: tuple[int, ...] = ()
    grade_words: tuple[str, ...] = ()


@dataclass(frozen=True)
class Entry:
    """A checked entry: the interval, or the grade, and the same in words."""

    bounds: Bounds | None
    grade: int | None
    words: str


def parse_number(raw: object) -> float:
    """A number as typed: int, float, or text with a decimal point or one decimal comma.

    Raises
    ------
    ValueError
        With a sentence, for text, NaN, infinity and numbers beyond `LARGEST`.
    """
    if isinstance(raw, bool) or raw is None or raw == "":
        raise ValueError("Enter a number.")
    if isinstance(raw, str):
        # thin and no-break spaces come from copied tables; a true minus from copied text
        text = "".join(raw.split()).replace("\u2212", "-")
        _check_comma(text)
        if text.count(",") == 1 and "." not in text:
            text = text.replace(",", ".")
        # float() would also take '1_000', 'nan' and 'infinity'
        if not text or any(c not in "+-.0123456789eE" for c in text):
            raise ValueError(f"'{raw[:40]}' is not a number.")
        try:
            number = float(text)
        except ValueError:
            raise ValueError(f"'{raw[:40]}' is not a number.") from None
    elif isinstance(raw, int | float):
        # a huge int would overflow float()
        number = math.inf if isinstance(raw, int) and abs(raw) > LARGEST else float(raw)
    else:
        raise ValueError("Enter a number.")
    if math.isnan(number) or abs(number) > LARGEST:
        raise ValueError("That is no number a bench can read.")
    return number


def _check_comma(text: str) -> None:
    """Refuse 1,234, which is a thousand to some and one and a bit to others; 0,234 is clear."""
    if TWO_WAYS.fullmatch(text):
        pointed, whole = text.replace(",", "."), text.replace(",", "")
        raise ValueError(
            f"'{text}' can be read in two ways. Did you mean {pointed} or {whole}? "
            "Type that number, with a point or without a comma."
        )


def plain(number: float) -> str:
    """A number as people write it: at most six significant figures, no exponent."""
    if math.isinf(number):
        return "no end"
    text = f"{number:.6g}"
    if "e" in text:
        text = f"{number:.12f}" if abs(number) < 1 else f"{number:.0f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return text.replace("-", "\u2212") or "0"


def with_unit(number: float, unit: str) -> str:
    """Number and unit held together by a no-break space."""
    return f"{plain(number)}\u00a0{unit}"


class _Fields:
    """Collects a raw entry's numbers and every problem, so that all are told at once."""

    def __init__(self, raw: Mapping[str, Any], allowed: set[str]) -> None:
        self.raw = raw
        self.problems: dict[str, str] = {}
        for unknown in sorted(set(map(str, raw)) - allowed):
            self.problems[unknown] = "This kind of reading has no such field."

    def number(self, field: str, scale: Scale | None = None) -> float:
        try:
            number = parse_number(self.raw.get(field))
        except ValueError as why:
            self.problems[field] = str(why)
            return math.nan
        if number < 0:
            self.problems[field] = "A reading cannot be below zero."
        elif scale and not scale.range_low <= number <= scale.range_high:
            self.problems[field] = (
                f"{with_unit(number, scale.unit)} is outside what this method can read "
                f"({plain(scale.range_low)} to {with_unit(scale.range_high, scale.unit)})."
            )
        return number

    def optional_number(self, field: str, scale: Scale) -> float | None:
        if self.raw.get(field) in (None, ""):
            return None
        return self.number(field, scale)

    def choice(self, field: str, options: tuple[str, ...]) -> str:
        got = self.raw.get(field)
        if got not in options:
            self.problems[field] = f"Say {' or '.join(options)}."
            return ""
        return str(got)

    def done(self) -> None:
        if self.problems:
            raise BadEntry(self.problems)


def entry_of(raw: Mapping[str, Any], scale: Scale) -> Entry:
    """Check a raw entry and turn it into an interval or a grade.

    Parameters
    ----------
    raw : mapping
        Fields as typed, by kind: ``value`` or ``below_limit``; ``seconds`` or ``turns`` with
        ``ended`` (failed, stopped); ``from_s``, ``to_s`` and ``frames_per_second`` in place of
        ``seconds`` for a time from a film; ``held_at`` and ``failed_at``; ``level`` with ``outcome``
        (held, failed); ``before_g`` and ``after_g``; ``grade``. Numbers in the method's unit.
    scale : Scale
        The method revision's scale.

    Returns
    -------
    Entry

    Raises
    ------
    BadEntry
        With one sentence for each field that is wrong.
    """
    return _READERS[scale.kind](raw, scale)


def _value(raw: Mapping[str, Any], scale: Scale) -> Entry:
    fields = _Fields(raw, {"value", "below_limit"})
    limit = scale.detection_limit
    if raw.get("below_limit") is True:
        if limit is None:
            fields.problems["below_limit"] = "This method has no detection limit."
        if raw.get("value") not in (None, ""):
            fields.problems["value"] = "Either a value or 'below the limit', not both."
        fields.done()
        return _below(limit or 0.0, scale)
    value = fields.number("value", scale)
    fields.done()
    if limit is not None and value <= limit:
        return _below(limit, scale)
    return Entry(_around(value, scale.resolution / 2), None, with_unit(value, scale.unit))


def _timer(raw: Mapping[str, Any], scale: Scale) -> Entry:
    if "frames_per_second" in raw:
        return _marked(raw, scale)
    fields = _Fields(raw, {"seconds", "ended"})
    seconds = fields.number("seconds", scale)
    ended = fields.choice("ended", ("failed", "stopped"))
    limit = scale.detection_limit
    if limit is not None and ended == "failed" and 0 <= seconds <= limit:
        fields.done()
        return _below(limit, scale)
    if seconds == 0:
        fields.problems["seconds"] = "A time of zero is no reading: void the run instead."
    fields.done()
    if ended == "stopped":
        words = f"had not failed when stopped at {with_unit(seconds, scale.unit)}"
        return Entry(Bounds(seconds, math.inf), None, words)
    words = f"failed at {with_unit(seconds, scale.unit)}"
    return Entry(_around(seconds, scale.resolution / 2), None, words)


def _marked(raw: Mapping[str, Any], scale: Scale) -> Entry:
    """A time between two marks on a film: known to one frame either way."""
    fields = _Fields(raw, {"from_s", "to_s", "frames_per_second", "ended"})
    first, last = fields.number("from_s"), fields.number("to_s")
    rate = fields.number("frames_per_second")
    ended = fields.choice("ended", ("failed", "stopped"))
    if "frames_per_second" not in fields.problems and not 1 <= rate <= MOST_FRAMES:
        fields.problems["frames_per_second"] = f"From 1 to {MOST_FRAMES} frames a second."
    fields.done()
    try:
        low, high = time_between_marks(first, last, frames_per_second=rate)
    except OutOfRange as why:
        raise BadEntry({"to_s": str(why)}) from why
    middle = round(last * rate) / rate - round(first * rate) / rate
    if middle > scale.range_high:
        raise BadEntry(
            {
                "to_s": f"{with_unit(middle, scale.unit)} is more than this method can read "
                f"({with_unit(scale.range_high, scale.unit)})."
            }
        )
    told = f"{with_unit(round(middle, 3), scale.unit)} on a film of {plain(rate)} frames a second"
    if ended == "stopped":
        if low <= 0:
            raise BadEntry({"to_s": "The film ends with the first mark: it shows no time at all."})
        return Entry(Bounds(round(low, 9), math.inf), None, f"had not ended after {told}")
    return Entry(Bounds(round(low, 9), round(high, 9)), None, f"ended at {told}")


def _tally(raw: Mapping[str, Any], scale: Scale) -> Entry:
    fields = _Fields(raw, {"turns", "ended"})
    turns = fields.number("turns", scale)
    ended = fields.choice("ended", ("failed", "stopped"))
    if "turns" not in fields.problems and (turns != int(turns) or turns < 1):
        fields.problems["turns"] = "Count whole turns, at least one."
    fields.done()
    count = f"{plain(turns)}\u00a0{_unit_for(turns, scale.unit)}"
    if ended == "stopped":
        return Entry(Bounds(turns, math.inf), None, f"had not failed after {count}")
    return Entry(Bounds(turns - 1, turns), None, f"failed during turn {plain(turns)}")


def _rising_steps(raw: Mapping[str, Any], scale: Scale) -> Entry:
    fields = _Fields(raw, {"held_at", "failed_at"})
    held = fields.optional_number("held_at", scale)
    failed = fields.optional_number("failed_at", scale)
    for field, level in (("held_at", held), ("failed_at", failed)):
        _check_level(fields, field, level, scale)
    if held is None and failed is None:
        fields.problems.setdefault(
            "held_at", "Enter the level it held, the one it failed, or both."
        )
    elif held is not None and failed is not None and not fields.problems and held >= failed:
        fields.problems["failed_at"] = (
            f"It cannot fail at {with_unit(failed, scale.unit)} after holding at "
            f"{with_unit(held, scale.unit)}: the failed level must be higher."
        )
    fields.done()
    low = held or 0.0
    high = math.inf if failed is None else failed
    parts = []
    if held is not None:
        parts.append(f"held at {with_unit(held, scale.unit)}")
    if failed is not None:
        parts.append(f"failed at {with_unit(failed, scale.unit)}")
    if failed is None:
        parts.append("never failed")
    elif held is None:
        parts.append("the first level")
    return Entry(Bounds(low, high), None, ", ".join(parts))


def _challenge(raw: Mapping[str, Any], scale: Scale) -> Entry:
    fields = _Fields(raw, {"level", "outcome"})
    level = fields.number("level", scale)
    _check_level(fields, "level", level, scale)
    outcome = fields.choice("outcome", ("held", "failed"))
    fields.done()
    bounds = Bounds(level, math.inf) if outcome == "held" else Bounds(0.0, level)
    return Entry(bounds, None, f"{outcome} at {with_unit(level, scale.unit)}")


def _mass_gain(raw: Mapping[str, Any], scale: Scale) -> Entry:
    fields = _Fields(raw, {"before_g", "after_g"})
    before = fields.number("before_g")
    after = fields.number("after_g")
    if before == 0:
        fields.problems["before_g"] = "A specimen cannot weigh nothing."
    # the net of two masses typed in tenths is a number in tenths; binary dust is not a reading
    net = round(after - before, 6)
    if not fields.problems and net < -scale.resolution:
        fields.problems["after_g"] = (
            f"It weighs less after ({with_unit(after, 'g')}) than before "
            f"({with_unit(before, 'g')}): check both."
        )
    elif not fields.problems and net > scale.range_high:
        fields.problems["after_g"] = (
            f"A gain of {with_unit(net, 'g')} is more than this method can read "
            f"({with_unit(scale.range_high, scale.unit)})."
        )
    fields.done()
    limit = scale.detection_limit if scale.detection_limit is not None else scale.resolution
    if net <= limit:
        return _below(limit, scale)
    words = f"took up {with_unit(net, scale.unit)}"
    return Entry(_around(net, scale.resolution), None, words)


def _grade(raw: Mapping[str, Any], scale: Scale) -> Entry:
    fields = _Fields(raw, {"grade"})
    number = fields.number("grade")
    if "grade" not in fields.problems and number not in scale.grades:
        grades = ", ".join(map(str, scale.grades))
        fields.problems["grade"] = f"The grades of this method are {grades}."
    fields.done()
    grade = int(number)
    words = scale.grade_words[scale.grades.index(grade)] if scale.grade_words else ""
    return Entry(None, grade, f"grade {grade}" + (f", {words}" if words else ""))


def _around(value: float, half: float) -> Bounds:
    # value plus or minus half a step, without the binary dust that would make equal readings differ
    return Bounds(max(0.0, round(value - half, 9)), round(value + half, 9))


def _below(limit: float, scale: Scale) -> Entry:
    return Entry(
        Bounds(0.0, limit), None, f"below {with_unit(limit, scale.unit)}, the least we can see"
    )


def _unit_for(count: float, unit: str) -> str:
    return unit.removesuffix("s") if count == 1 else unit


def _check_level(fields: _Fields, field: str, level: float | None, scale: Scale) -> None:
    if level is None or field in fields.problems:
        return
    if level == 0:
        fields.problems[field] = "A level must be more than zero."
    elif scale.levels and not any(math.isclose(level, a, rel_tol=1e-6) for a in scale.levels):
        levels = ", ".join(plain(a) for a in scale.levels)
        fields.problems[field] = (
            f"{with_unit(level, scale.unit)} is not a level of this method: {levels}."
        )


_READERS = {
    ReadingKind.VALUE: _value,
    ReadingKind.TIMER: _timer,
    ReadingKind.TALLY: _tally,
    ReadingKind.RISING_STEPS: _rising_steps,
    ReadingKind.CHALLENGE: _challenge,
    ReadingKind.MASS_GAIN: _mass_gain,
    ReadingKind.GRADE: _grade,
}
