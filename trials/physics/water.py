"""Water: uptake by mass, area and time, spray grades, hydrostatic head."""

from __future__ import annotations

from trials.physics.checks import computed, finite, not_negative, positive
from trials.physics.constants import PA_PER_MM_H2O
from trials.physics.errors import OutOfRange

_CM2_PER_M2 = 10_000.0
_MINUTES_PER_HOUR = 60.0

# The two scales of spray wetting in common use, best first: ISO 4920 grades and the percentages
# of AATCC TM22 (http://gellowen.co.uk/News/342.html). They are ordered names, not amounts.
_ISO_TO_AATCC = {5: 100, 4: 90, 3: 80, 2: 70, 1: 50, 0: 0}
_AATCC_TO_ISO = {aatcc: iso for iso, aatcc in _ISO_TO_AATCC.items()}


def uptake(*, mass_before_g: float, mass_after_g: float) -> float:
    """Return the mass of water taken up in g, from the masses before and after in g.

    Below zero when the specimen dried. Nothing is cut off at zero: whether a small difference
    counts as nothing is for the method's detection limit to say.

    Raises
    ------
    OutOfRange
        When a mass is zero, negative or not finite.
    """
    before_g = positive(mass_before_g, "Mass before", "g")
    after_g = positive(mass_after_g, "Mass after", "g")
    return after_g - before_g


def uptake_share(uptake_g: float, *, dry_mass_g: float) -> float:
    """Return the water taken up as a share of the dry mass (0.25 = a quarter), both in g.

    Raises
    ------
    OutOfRange
        When a number is out of its range or not finite.
    """
    uptake_g = finite(uptake_g, "Water taken up", "g")
    dry_mass_g = positive(dry_mass_g, "Dry mass", "g")
    return computed(uptake_g / dry_mass_g, "Uptake", "")


def uptake_per_area(uptake_g: float, *, area_cm2: float) -> float:
    """Return the water taken up over the wetted area.

    Parameters
    ----------
    uptake_g : float
        Water taken up, g.
    area_cm2 : float
        Area under the spray, cm^2, more than zero.

    Returns
    -------
    float
        g/m^2.

    Raises
    ------
    OutOfRange
        When a number is out of its range or not finite.
    """
    uptake_g = finite(uptake_g, "Water taken up", "g")
    area_cm2 = positive(area_cm2, "Wetted area", "cm2")
    return computed(uptake_g / area_cm2 * _CM2_PER_M2, "Uptake per area", "g/m2")


def uptake_rate(uptake_g: float, *, spray_minutes: float) -> float:
    """Return the mean rate of uptake in g/min over a spray time in min, more than zero.

    Raises
    ------
    OutOfRange
        When a number is out of its range or not finite.
    """
    uptake_g = finite(uptake_g, "Water taken up", "g")
    spray_minutes = positive(spray_minutes, "Spray time", "min")
    return computed(uptake_g / spray_minutes, "Uptake rate", "g/min")


def uptake_per_area_and_time(uptake_g: float, *, area_cm2: float, spray_minutes: float) -> float:
    """Return the mean uptake in g/(m^2 h) from g, a wetted area in cm^2 and a spray time in min.

    Raises
    ------
    OutOfRange
        When a number is out of its range or not finite.
    """
    per_minute = uptake_rate(
        uptake_per_area(uptake_g, area_cm2=area_cm2), spray_minutes=spray_minutes
    )
    return computed(per_minute * _MINUTES_PER_HOUR, "Uptake per area and time", "g/m2/h")


def spray_percentage_from_grade(iso_grade: int) -> int:
    """Return the AATCC spray figure (100, 90, 80, 70, 50 or 0) of an ISO 4920 grade (5 to 0).

    The steps are not equally far apart, so neither scale may be averaged.

    Raises
    ------
    OutOfRange
        When the grade is not on the scale.
    """
    if isinstance(iso_grade, bool) or iso_grade not in _ISO_TO_AATCC:
        raise OutOfRange(f"A spray grade must be one of 5, 4, 3, 2, 1, 0, but got {iso_grade!r}.")
    return _ISO_TO_AATCC[iso_grade]


def spray_grade_from_percentage(aatcc_figure: int) -> int:
    """Return the ISO 4920 grade (5 to 0) of an AATCC spray figure (100, 90, 80, 70, 50 or 0).

    Raises
    ------
    OutOfRange
        When the figure is not on the scale.
    """
    if isinstance(aatcc_figure, bool) or aatcc_figure not in _AATCC_TO_ISO:
        raise OutOfRange(
            f"A spray figure must be one of 100, 90, 80, 70, 50, 0, but got {aatcc_figure!r}."
        )
    return _AATCC_TO_ISO[aatcc_figure]


def head_from_pressure(pressure_pa: float) -> float:
    """Return the head of water in mm that gives a pressure in Pa.

    Conventional water of 1000 kg/m^3 under standard gravity: 9.80665 Pa for each millimetre,
    exactly.

    Raises
    ------
    OutOfRange
        When the pressure is negative or not finite.
    """
    return not_negative(pressure_pa, "Pressure", "Pa") / PA_PER_MM_H2O


def pressure_from_head(head_mm: float) -> float:
    """Return the pressure in Pa under a head of water in mm; see `head_from_pressure`.

    Raises
    ------
    OutOfRange
        When the head is negative, not finite or too large.
    """
    return computed(not_negative(head_mm, "Head of water", "mm") * PA_PER_MM_H2O, "Pressure", "Pa")
