"""Seams on a hand-cranked jaw or a tensile machine."""

from __future__ import annotations

from trials.physics.checks import computed, not_negative, positive


def opening_from_turns(turns: float, *, pitch_mm: float) -> float:
    """Return how far a screw-driven jaw has moved.

    Parameters
    ----------
    turns : float
        Turns of the crank, zero or more; parts of a turn are allowed.
    pitch_mm : float
        Travel of the jaw for one turn, mm, more than zero.

    Returns
    -------
    float
        Opening, mm.

    Raises
    ------
    OutOfRange
        When a number is out of its range or not finite.
    """
    turns = not_negative(turns, "Number of turns", "")
    pitch_mm = positive(pitch_mm, "Travel for one turn", "mm")
    return computed(turns * pitch_mm, "Opening", "mm")


def turns_from_opening(opening_mm: float, *, pitch_mm: float) -> float:
    """Return the turns that move a jaw by an opening in mm, with a pitch in mm for one turn.

    Raises
    ------
    OutOfRange
        When a number is out of its range or not finite.
    """
    opening_mm = not_negative(opening_mm, "Opening", "mm")
    pitch_mm = positive(pitch_mm, "Travel for one turn", "mm")
    return computed(opening_mm / pitch_mm, "Number of turns", "")


def force_per_width(force_n: float, *, seam_width_mm: float) -> float:
    """Return the force on each millimetre of seam.

    Parameters
    ----------
    force_n : float
        Breaking force, N, zero or more.
    seam_width_mm : float
        Length of seam under load, mm, more than zero.

    Returns
    -------
    float
        N/mm.

    Raises
    ------
    OutOfRange
        When a number is out of its range or not finite.

    References
    ----------
    .. [1] Breaking force over length of tested seam, as EN 17092 states seam strength (described
       at https://www.satra.com/ppe/PrEN17092.php).
    """
    force_n = not_negative(force_n, "Breaking force", "N")
    seam_width_mm = positive(seam_width_mm, "Length of seam", "mm")
    return computed(force_n / seam_width_mm, "Seam strength", "N/mm")


def seam_efficiency_share(*, seam_force_n: float, fabric_force_n: float) -> float:
    """Return the strength of a seam as a share of the unseamed fabric's (1 = as strong).

    Both forces in N over the same width; the fabric's more than zero.

    Raises
    ------
    OutOfRange
        When a number is out of its range or not finite.
    """
    seam_force_n = not_negative(seam_force_n, "Breaking force of the seam", "N")
    fabric_force_n = positive(fabric_force_n, "Breaking force of the fabric", "N")
    return computed(seam_force_n / fabric_force_n, "Seam efficiency", "")
