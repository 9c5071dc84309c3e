"""A distance from two readings of an odometer."""

from labsite.errors import Refused

ODOMETER_DOUBT = 0.02  # an odometer reads a few per cent high or low; common practice, no source


def odometer_distance(start_km: float, end_km: float) -> tuple[float, float, float]:
    """Lowest, best and highest distance between two readings of an odometer.

    Its own error of about two per cent is put on both sides.
    """
    best = end_km - start_km
    return best * (1 - ODOMETER_DOUBT), best, best * (1 + ODOMETER_DOUBT)


def from_odometer(
    start_km: float | None, end_km: float | None, *, is_told: bool
) -> tuple[float, float, float] | None:
    """The distance between two readings; None where neither was given.

    `is_told` is True where a distance was typed as well, which cannot both stand.
    """
    if start_km is None and end_km is None:
        return None
    if start_km is None or end_km is None:
        missing = "odometer_start_km" if start_km is None else "odometer_end_km"
        raise Refused({missing: ["Give both readings of the odometer or none."]})
    if is_told:
        raise Refused({"distance_km_best": ["Give a distance or two odometer readings, not both."]})
    if end_km < start_km:
        raise Refused({"odometer_end_km": ["The odometer cannot run back."]})
    return odometer_distance(start_km, end_km)
