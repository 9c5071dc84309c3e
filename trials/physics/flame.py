"""Small flames: how long burning and glowing last, and a first grade from what was seen."""

from __future__ import annotations

from dataclasses import dataclass

from trials.physics.checks import not_negative, positive, whole
from trials.physics.errors import OutOfRange


def time_from_frame(frame_number: int, *, frames_per_second: float) -> float:
    """Return the time in s of a video frame, the first frame being number 0.

    A time marked on a video is known to one frame: 0.04 s at 25 frames per second.

    Raises
    ------
    OutOfRange
        When the frame number is not a whole number of 0 or more, or the rate is not above zero.
    """
    frame_number = whole(frame_number, "Frame number", at_least=0)
    return frame_number / positive(frames_per_second, "Frame rate", "frames per second")


def time_between_marks(
    from_s: float, to_s: float, *, frames_per_second: float
) -> tuple[float, float]:
    """Return least and most time between two moments marked on a film.

    A moment is marked on the first frame that shows it, so it came in the interval between that
    frame and the one before. The difference of two such moments lies within one frame either way
    of the difference of the marks, and the marks are taken to the nearest frame.

    Parameters
    ----------
    from_s, to_s : float
        The two marks, s from the start of the film, 0 or more.
    frames_per_second : float
        Constant over the film, above 0. A camera that varies its rate gives no time.

    Returns
    -------
    least_s, most_s : float
        0 or more.

    Raises
    ------
    OutOfRange
        When a mark or the rate is not a number in range, or the second mark comes first.
    """
    rate = positive(frames_per_second, "Frame rate", "frames per second")
    first = round(not_negative(from_s, "First mark", "s") * rate)
    last = round(not_negative(to_s, "Second mark", "s") * rate)
    if last < first:
        raise OutOfRange(
            f"The second mark ({to_s:g} s) comes before the first ({from_s:g} s) on the film."
        )
    return max(0.0, (last - first - 1) / rate), (last - first + 1) / rate


@dataclass(frozen=True)
class FlameTimes:
    """What went on after the flame was taken away.

    Attributes
    ----------
    after_flame_s : float
        Time for which it went on burning with a flame, s. Zero when it went out at once.
    after_glow_s : float
        Time for which it went on glowing once no flame was left, s.
    """

    after_flame_s: float
    after_glow_s: float


def flame_times(
    *,
    flame_removed_at_s: float,
    flaming_ended_at_s: float | None,
    glowing_ended_at_s: float | None,
) -> FlameTimes:
    """Return after-flame and after-glow times from three moments on one clock.

    Parameters
    ----------
    flame_removed_at_s : float
        When the burner was taken away, s, zero or more.
    flaming_ended_at_s : float or None
        When the last flame on the specimen went out, s. None when none was left as the burner
        was taken away.
    glowing_ended_at_s : float or None
        When the last glow went out, s. None when nothing glowed.

    Returns
    -------
    FlameTimes
        After-glow is counted from the end of flaming, so that no second is counted twice.

    Raises
    ------
    OutOfRange
        When the moments are not in this order or not finite numbers.
    """
    removed = not_negative(flame_removed_at_s, "Moment the flame was taken away", "s")
    flame_end = removed
    if flaming_ended_at_s is not None:
        flame_end = not_negative(flaming_ended_at_s, "Moment flaming ended", "s")
    if flame_end < removed:
        raise OutOfRange(
            f"Flaming cannot end ({flame_end:g} s) before the flame was taken away ({removed:g} s)."
        )
    glow_end = flame_end
    if glowing_ended_at_s is not None:
        glow_end = not_negative(glowing_ended_at_s, "Moment glowing ended", "s")
    if glow_end < flame_end:
        raise OutOfRange(
            f"Glowing cannot end ({glow_end:g} s) before flaming did ({flame_end:g} s)."
        )
    return FlameTimes(after_flame_s=flame_end - removed, after_glow_s=glow_end - flame_end)


@dataclass(frozen=True)
class DamageSigns:
    """What a rater sees after a small flame; each sign is ticked or not."""

    is_scorched: bool = False
    is_charred_or_melted: bool = False
    has_hole_in_outer_layer: bool = False
    has_hole_through_all_layers: bool = False
    had_flaming_drips: bool = False
    burned_on_after_removal: bool = False


def suggested_grade(signs: DamageSigns) -> int:
    """Return the grade, 1 (best) to 5, that the worst sign stands for.

    A suggestion for the rater, who decides. The scale is the bench method's own, not that of a
    standard: 1 no visible mark, 2 scorched with the surface whole, 3 charred or melted without a
    hole, 4 a hole in the outer layer, 5 a hole through all layers, flaming drips, or burning after
    the flame was taken away.

    Parameters
    ----------
    signs : DamageSigns

    Returns
    -------
    int
    """
    worst_first = (
        (5, signs.has_hole_through_all_layers),
        (5, signs.had_flaming_drips),
        (5, signs.burned_on_after_removal),
        (4, signs.has_hole_in_outer_layer),
        (3, signs.is_charred_or_melted),
        (2, signs.is_scorched),
    )
    return next((grade for grade, is_seen in worst_first if is_seen), 1)
