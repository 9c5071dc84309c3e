"""A trend over service in words, as a page shows it. No Django here."""

from typing import Any

from reports import words
from reports.trends import DRIVERS, Driver
from reports.words import NBSP

SHOWN_POINTS = 5  # of the band's points in the table: none, three between, the longest


def trend_words(
    *, driver_key: str, refusal: str, details: dict[str, Any], level: float, name: str
) -> dict[str, Any]:
    """Words and figures of one trend; `name` is the property's."""
    driver = next(d for d in DRIVERS if d.key == driver_key)
    base = {
        "property": name,
        "driver": driver.key,
        "driver_words": driver.words,
        "driver_unit": driver.unit,
        "level_words": words.level_words(level),
        "refusal": refusal,
        "notes": details["notes"],
        "specimen_count": details["specimen_count"],
        "sentence": "",
        "limit_sentence": "",
        "fit_sentence": "",
        "rows": [],
        "points": [],
        "exposures": details["exposures"],
    }
    if refusal:
        return base
    points = details["points"]
    shown = [round(k * (len(points) - 1) / (SHOWN_POINTS - 1)) for k in range(SHOWN_POINTS)]
    return base | {
        "sentence": _sentence(details, driver, level),
        "limit_sentence": _limit_sentence(details, driver),
        "fit_sentence": _fit_sentence(details),
        "points": points,
        "rows": [
            {
                "exposure": service(points[k]["exposure"], driver),
                "retention": words.percent(points[k]["retention"]),
                "interval": words.percent_range(points[k]["low"], points[k]["high"]),
            }
            for k in shown
        ],
    }


def service(exposure: float, driver: Driver) -> str:
    """An exposure with its unit."""
    return f"{words.figures(exposure, 3) if exposure else '0'}{NBSP}{driver.unit}"


def _sentence(details: dict[str, Any], driver: Driver, level: float) -> str:
    low, middle, high = (
        words.change(details[key] * driver.step) for key in ("slope_low", "slope", "slope_high")
    )
    return (
        f"For every {driver.step_words}, what is kept changes by {middle}{NBSP}% "
        f"({words.level_words(level)} interval {low} to {high}{NBSP}%), counted over up to "
        f"{service(details['longest'], driver)}."
    )


def _limit_sentence(details: dict[str, Any], driver: Driver) -> str:
    crossing = details["crossing"]
    limit = words.percent(crossing["share"])
    longest = service(details["longest"], driver)
    if crossing["low"] is None:
        return f"{limit} is not reached within the {longest} tested."
    if crossing["exposure"] is None:
        return (
            f"{limit} may be reached from {service(crossing['low'], driver)} on; the best figure "
            f"does not reach it within the {longest} tested."
        )
    span = f"from {service(crossing['low'], driver)} on"
    if crossing["high"] is not None:
        span = f"{service(crossing['low'], driver)} to {service(crossing['high'], driver)}"
    return f"{limit} is reached at about {service(crossing['exposure'], driver)} ({span})."


def _fit_sentence(details: dict[str, Any]) -> str:
    p = details["lack_of_fit_p"]
    if p is None:
        return ""
    if p < 0.05:
        return f"The ages do not lie well on a line (lack of fit, p = {p:.2g}): read it with care."
    return f"The ages lie no further off a line than their scatter explains (p = {p:.2g})."
