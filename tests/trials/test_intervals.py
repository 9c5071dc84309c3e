"""From what was typed to an interval: each kind against its definition, on any input.

The intervals are worked out here from the definitions alone: a reading rounded to the resolution r
lies within r/2 of what is shown; a run stopped early is a lower bound; what shows nothing above a
detection limit lies between nothing and that limit; a failure during turn k came after k - 1
whole turns. Interval-censored readings in this sense are standard practice (Helsel, Statistics
for Censored Environmental Data, 2nd ed., chapter 1, from memory).
"""

import math

import pytest
from hypothesis import HealthCheck, assume, example, given, settings
from hypothesis import strategies as st

from trials.intervals import (
    BadEntry,
    Bounds,
    ReadingKind,
    Scale,
    entry_of,
    parse_number,
)

RESOLUTIONS = (0.01, 0.05, 0.1, 0.5, 1.0)
LEVELS = (0.2, 0.25, 0.32, 0.4, 0.5, 0.63, 0.8, 1.0, 1.25, 1.6, 2.0)

resolutions = st.sampled_from(RESOLUTIONS)
steps = st.integers(1, 10_000)
anything = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=20)
    | st.sampled_from(["failed", "stopped", "held", "1,5", "1e400", "-0", "NaN", "1_0"]),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3)
    ),
    max_leaves=5,
)
FIELDS = (
    "value",
    "below_limit",
    "seconds",
    "turns",
    "ended",
    "held_at",
    "failed_at",
    "level",
    "outcome",
    "before_g",
    "after_g",
    "grade",
)


def scale(kind, **changes):
    known = {"unit": "s", "resolution": 0.1, "range_high": 1e6} | changes
    return Scale(kind=ReadingKind(kind), **known)


def shown(step, resolution):
    """A number on the instrument's grid, as its display shows it."""
    return round(step * resolution, 4)


@given(steps, resolutions)
def test_a_value_lies_within_half_a_step(step, resolution):
    y = shown(step, resolution)
    got = entry_of({"value": y}, scale("value", resolution=resolution)).bounds
    assert got.low == pytest.approx(max(0, y - resolution / 2), abs=1e-9)
    assert got.high == pytest.approx(y + resolution / 2, abs=1e-9)


@given(steps, resolutions)
def test_what_was_typed_and_what_was_measured_give_the_same_interval(step, resolution):
    y = shown(step, resolution)
    of_scale = scale("value", resolution=resolution)
    texts = (f"{y:.4f}", f"{y:.4f}".replace(".", ","), f" {y:.4f} ")
    intervals = {entry_of({"value": text}, of_scale).bounds for text in texts}
    assert intervals == {entry_of({"value": y}, of_scale).bounds}


@given(st.floats(0, 5), st.floats(0.01, 5))
def test_nothing_seen_lies_below_the_detection_limit(y, limit):
    of_scale = scale("value", detection_limit=limit)
    below = Bounds(0.0, limit)
    assert entry_of({"below_limit": True}, of_scale).bounds == below
    if y <= limit:
        assert entry_of({"value": y}, of_scale).bounds == below


@given(steps, resolutions)
def test_a_timer_that_failed_and_one_that_was_stopped(step, resolution):
    t = shown(step, resolution)
    of_scale = scale("timer", resolution=resolution)
    failed = entry_of({"seconds": t, "ended": "failed"}, of_scale).bounds
    assert failed.low == pytest.approx(t - resolution / 2, abs=1e-9)
    assert failed.high == pytest.approx(t + resolution / 2, abs=1e-9)
    assert entry_of({"seconds": t, "ended": "stopped"}, of_scale).bounds == Bounds(t, math.inf)


@given(st.integers(1, 100_000))
def test_a_tally_that_failed_and_one_that_was_stopped(turns):
    of_scale = scale("tally", unit="turns", resolution=1)
    failed = entry_of({"turns": turns, "ended": "failed"}, of_scale)
    stopped = entry_of({"turns": turns, "ended": "stopped"}, of_scale)
    assert failed.bounds == Bounds(turns - 1, turns)
    assert stopped.bounds == Bounds(turns, math.inf)
    assert failed.words == f"failed during turn {turns}"


@given(st.floats(0.1, 100).filter(lambda turns: turns != int(turns)))
def test_half_a_turn_is_refused(turns):
    with pytest.raises(BadEntry) as bad:
        entry_of({"turns": turns, "ended": "failed"}, scale("tally", unit="turns"))
    assert set(bad.value.problems) == {"turns"}


@given(st.sampled_from(LEVELS), st.sampled_from(LEVELS))
def test_rising_steps_end_in_a_bracket(held, failed):
    of_scale = scale("rising_steps", unit="m", levels=LEVELS)
    raw = {"held_at": held, "failed_at": failed}
    if held < failed:
        assert entry_of(raw, of_scale).bounds == Bounds(held, failed)
    else:
        with pytest.raises(BadEntry) as bad:
            entry_of(raw, of_scale)
        assert set(bad.value.problems) == {"failed_at"}
    assert entry_of({"held_at": held}, of_scale).bounds == Bounds(held, math.inf)
    assert entry_of({"failed_at": failed}, of_scale).bounds == Bounds(0.0, failed)


@given(st.floats(0.1, 3))
def test_a_level_the_method_does_not_have_is_refused(level):
    assume(all(abs(level - known) > 1e-4 for known in LEVELS))
    for kind, raw in (
        ("rising_steps", {"held_at": level}),
        ("challenge", {"level": level, "outcome": "held"}),
    ):
        with pytest.raises(BadEntry):
            entry_of(raw, scale(kind, levels=LEVELS))


@given(st.sampled_from(LEVELS))
def test_a_challenge_bounds_from_one_side(level):
    of_scale = scale("challenge", unit="J", levels=LEVELS)
    held = entry_of({"level": level, "outcome": "held"}, of_scale).bounds
    failed = entry_of({"level": level, "outcome": "failed"}, of_scale).bounds
    assert held == Bounds(level, math.inf)
    assert failed == Bounds(0.0, level)


@example(before=483, gain=20_000)  # 2048.3 - 48.3 is a hair more than 2000 in binary
@given(st.integers(1, 20_000), st.integers(0, 20_000))
def test_a_gain_of_mass_carries_both_weighings(before, gain):
    """Two weighings to 0.1 g, each within 0.05 g, so the net is within 0.1 g."""
    of_scale = scale("mass_gain", unit="g", resolution=0.1, detection_limit=0.3, range_high=2000)
    raw = {"before_g": before / 10, "after_g": (before + gain) / 10}
    got = entry_of(raw, of_scale).bounds
    if gain <= 3:
        assert got == Bounds(0.0, 0.3)
    else:
        assert got.low == pytest.approx((gain - 1) / 10, abs=1e-6)
        assert got.high == pytest.approx((gain + 1) / 10, abs=1e-6)


@given(st.integers(-3, 9))
def test_a_grade_is_one_of_the_scale_and_no_interval(grade):
    of_scale = scale(
        "grade", unit="grade", resolution=1, grades=(1, 2, 3), grade_words=("a", "b", "c")
    )
    if grade in (1, 2, 3):
        got = entry_of({"grade": grade}, of_scale)
        assert (got.bounds, got.grade) == (None, grade)
    else:
        with pytest.raises(BadEntry):
            entry_of({"grade": grade}, of_scale)


def _read(raw, of_scale):
    try:
        return entry_of(raw, of_scale), {}
    except BadEntry as bad:
        return None, bad.problems


# the first text drawn reads the table of all characters, which takes seconds on a busy machine
@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.sampled_from(list(ReadingKind)), st.dictionaries(st.sampled_from(FIELDS), anything))
def test_any_entry_is_a_reading_or_is_told_field_by_field(kind, raw):
    """Nothing else happens: no other error, no NaN, no end the wrong way round."""
    of_scale = scale(kind, grades=(1, 2, 3), grade_words=("a", "b", "c"), detection_limit=0.2)
    entry, problems = _read(raw, of_scale)
    if entry is None:
        assert problems
        assert all(field and sentence for field, sentence in problems.items())
        return
    assert entry.words
    assert (entry.bounds is None) == (entry.grade is not None)
    if entry.bounds is not None:
        assert 0 <= entry.bounds.low <= entry.bounds.high
        assert math.isfinite(entry.bounds.low)
        assert "nan" not in entry.words.lower()


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.text(max_size=20))
def test_text_is_a_finite_number_or_told(text):
    try:
        number, told = parse_number(text), ""
    except ValueError as why:
        number, told = 0.0, str(why)
    assert math.isfinite(number)
    assert told or any(character.isdigit() for character in text)


@pytest.mark.parametrize(
    ("text", "number"),
    [("4.2", 4.2), ("4,2", 4.2), (" 1\u2009234,5", 1234.5), ("1e3", 1000.0), ("\u22123", -3.0)],
)
def test_numbers_as_people_type_them(text, number):
    assert parse_number(text) == number


@pytest.mark.parametrize(
    "text",
    [
        "",
        "x",
        "nan",
        "inf",
        "1,2,3",
        "1.2.3",
        "1,234.5",
        "1_000",
        "0x1",
        True,
        None,
        [],
        "1e400",
        "²",
    ],
)
def test_what_is_no_number_is_told(text):
    with pytest.raises(ValueError, match=r"number|bench"):
        parse_number(text)


@pytest.mark.parametrize("text", ["1,234", "12,345", "999,000", "-1,234", "1\u20092,345"])
def test_a_comma_before_three_digits_is_asked_about(text):
    with pytest.raises(ValueError, match=r"two ways"):
        parse_number(text)


@pytest.mark.parametrize(
    ("text", "number"),
    [("0,234", 0.234), ("1234,567", 1234.567), ("1,23", 1.23), ("1.234", 1.234)],
)
def test_a_comma_that_can_only_be_decimal_is_read(text, number):
    assert parse_number(text) == number


@pytest.mark.parametrize(
    ("low", "high"), [(1, 0), (-1, 1), (math.nan, 1), (0, math.nan), (math.inf, math.inf)]
)
def test_an_interval_has_its_ends_in_order(low, high):
    with pytest.raises(ValueError, match="interval"):
        Bounds(low, high)
