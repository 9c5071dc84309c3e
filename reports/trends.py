"""Retention over service from a study's inputs. No Django here."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Protocol

from reports.calibrations import slope_variance
from reports.degradation import Interval
from reports.degradation.trend import TOGETHER, service_correlation, trend, with_slope_error


@dataclass(frozen=True)
class Driver:
    """A measure of service: how it is named, its unit, and the step that people speak of."""

    key: str
    words: str
    unit: str
    step: float
    step_words: str


DRIVERS = (
    Driver("distance_km", "distance", "km", 10_000, "10\u202f000\u00a0km"),
    Driver("months", "months in service", "months", 12, "12\u00a0months"),
    Driver("wash_count", "washes", "washes", 10, "10\u00a0washes"),
)


class Served(Protocol):
    """What a specimen had been through; None is not known."""

    @property
    def distance_km(self) -> float | None:
        """Kilometres."""

    @property
    def months(self) -> float:
        """Months in service."""

    @property
    def wash_count(self) -> int | None:
        """Washes."""


def trend_rows(
    specimens: Sequence[tuple[Served, Interval, Mapping[str, float]]],
    *,
    higher_is_better: bool,
    level: float,
    limit: float,
) -> list[dict[str, Any]]:
    """One row of plain data for each measure of service; none is ever a cause.

    Each specimen comes with its service, its value, and what each calibration behind it leaves
    open in its log value (standard uncertainty).
    """
    rows = []
    for driver in DRIVERS:
        known = [
            (float(x), value, behind)
            for service, value, behind in specimens
            if (x := getattr(service, driver.key)) is not None
        ]
        added = slope_variance([(x, behind) for x, _, behind in known]) if known else 0.0
        found = trend(
            [(x, value) for x, value, _ in known],
            higher_is_better=higher_is_better,
            level=level,
            limit=limit,
        )
        found = with_slope_error(found, variance=added)
        notes = [*found.notes, *_together(driver, [service for service, _, _ in specimens])]
        if added and found.slope is not None:
            notes.append(
                "What the calibrations of the instruments leave open is in this range: "
                f"{100 * math.sqrt(added) * found.longest:.2g} % (standard uncertainty) over the "
                "longest service tested."
            )
        if len(known) < len(specimens):
            notes.append(
                f"Left out because their {driver.words} is not known: "
                f"{len(specimens) - len(known)}."
            )
        details = asdict(found)
        details.update(
            notes=notes, specimen_count=len(known), exposures=sorted({x for x, _, _ in known})
        )
        rows.append({"driver": driver.key, "refusal": details.pop("refusal"), "details": details})
    return rows


def _together(driver: Driver, services: Sequence[Served]) -> list[str]:
    notes = []
    for other in DRIVERS:
        if other is driver:
            continue
        both = [
            (float(a), float(b))
            for service in services
            if (a := getattr(service, driver.key)) is not None
            and (b := getattr(service, other.key)) is not None
        ]
        found = service_correlation([a for a, _ in both], [b for _, b in both]) if both else None
        if found is not None and abs(found) >= TOGETHER:
            notes.append(
                f"{driver.words.capitalize()} and {other.words} move together here "
                f"(correlation {found:.2f}): the readings cannot tell which of them did it."
            )
    return notes
