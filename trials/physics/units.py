"""Units as the bench writes them, converted by one pint registry.

Only the units in the table below exist. Each belongs to one quantity, and only units of one
quantity convert into each other. That is stricter than comparing dimensions, on purpose: newton
metres are not joules here, turns of a screw are neither radians nor cycles, and a temperature of
10 degC is not a rise of 10 degC.
"""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np

from trials.physics.errors import OutOfRange, UnitMismatch, UnknownUnit

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

_WRITTEN = {
    "degC": "°C",
    "degC rise": "°C",
    "degC/s": "°C/s",
    "degC/min": "°C/min",
    "degF": "°F",
    "degF rise": "°F",
    "deg": "°",
    "g_n": "times gravity",
    "count": "",
}


def written(unit: str) -> str:
    """Return a unit of the table below as people write it; a count has none."""
    return _WRITTEN.get(unit, unit)


@dataclass(frozen=True)
class Unit:
    """One unit.

    Attributes
    ----------
    name : str
        How the unit is written on pages and in files.
    definition : str
        The same unit as an expression the pint registry understands.
    quantity : str
        What it measures, as words that fit "is a unit of ...".
    aliases : tuple of str
        Other spellings that mean exactly this unit.
    """

    name: str
    definition: str
    quantity: str
    aliases: tuple[str, ...] = ()


# What pint does not know or would take for something else. Counts get dimensions of their own,
# because pint holds a turn to be 2 pi radians and a count to be a bare number.
_DEFINITIONS = (
    "lab_turn = [lab_turn]",
    "lab_cycle = [lab_cycle]",
    "lab_grade = [lab_grade]",
    "lab_layer = [lab_layer]",
    "lab_count = [lab_count]",
    "lab_mm_water = 9.80665 pascal",  # conventional, exact: constants.PA_PER_MM_H2O
    "lab_cm_water = 98.0665 pascal",
    "lab_wear = 0.001 milligram / lab_cycle",
)

_MASS = "mass"
_LENGTH = "length"
_AREA = "area"
_VOLUME = "volume"
_TIME = "time"
_SPEED = "speed"
_ACCELERATION = "acceleration"
_FORCE = "force"
_ENERGY = "energy"
_TORQUE = "torque"
_PRESSURE = "pressure"
_FORCE_PER_WIDTH = "force per width"
_ENERGY_PER_AREA = "energy per area"
_MASS_PER_AREA = "mass per area"
_MASS_RATE = "mass per time"
_FLOW = "flow"
_TEMPERATURE = "temperature"
_RISE = "temperature difference"
_RISE_RATE = "temperature rise per time"
_SPIN = "rotational speed"
_SHARE = "share"

UNITS: tuple[Unit, ...] = (
    Unit("mg", "milligram", _MASS, ("milligram", "milligrams")),
    Unit("g", "gram", _MASS, ("gram", "grams", "gramme", "grammes")),
    Unit("kg", "kilogram", _MASS, ("kilogram", "kilograms")),
    Unit("oz", "ounce", _MASS, ("ounce", "ounces")),
    Unit("lb", "pound", _MASS, ("lbs", "pound", "pounds")),
    Unit("um", "micrometer", _LENGTH, ("µm", "micrometre", "micrometres", "micron", "microns")),
    Unit("mm", "millimeter", _LENGTH, ("millimetre", "millimetres", "millimeter", "millimeters")),
    Unit("cm", "centimeter", _LENGTH, ("centimetre", "centimetres", "centimeter", "centimeters")),
    Unit("m", "meter", _LENGTH, ("metre", "metres", "meter", "meters")),
    Unit("km", "kilometer", _LENGTH, ("kilometre", "kilometres", "kilometer", "kilometers")),
    Unit("in", "inch", _LENGTH, ("inch", "inches")),
    Unit("ft", "foot", _LENGTH, ("foot", "feet")),
    Unit("mile", "mile", _LENGTH, ("miles", "mi")),
    Unit("mm2", "millimeter ** 2", _AREA),
    Unit("cm2", "centimeter ** 2", _AREA),
    Unit("m2", "meter ** 2", _AREA),
    Unit("ml", "milliliter", _VOLUME, ("mL", "millilitre", "millilitres", "cm3", "cc")),
    Unit("l", "liter", _VOLUME, ("L", "litre", "litres", "liter", "liters")),
    Unit("us", "microsecond", _TIME, ("µs", "microsecond", "microseconds")),
    Unit("ms", "millisecond", _TIME, ("millisecond", "milliseconds")),
    Unit("s", "second", _TIME, ("sec", "secs", "second", "seconds")),
    Unit("min", "minute", _TIME, ("mins", "minute", "minutes")),
    Unit("h", "hour", _TIME, ("hr", "hrs", "hour", "hours")),
    Unit("day", "day", _TIME, ("days", "d")),
    Unit("mm/min", "millimeter / minute", _SPEED),
    Unit("in/min", "inch / minute", _SPEED),
    Unit("mm/s", "millimeter / second", _SPEED),
    Unit("m/min", "meter / minute", _SPEED),
    Unit("m/s", "meter / second", _SPEED),
    Unit("km/h", "kilometer / hour", _SPEED, ("kph", "kmh")),
    Unit("mph", "mile / hour", _SPEED, ("mile/h", "miles/h")),
    Unit("ft/s", "foot / second", _SPEED, ("fps",)),
    Unit("m/s2", "meter / second ** 2", _ACCELERATION, ("m/s/s",)),
    Unit("ft/s2", "foot / second ** 2", _ACCELERATION),
    Unit("g_n", "standard_gravity", _ACCELERATION, ("gn", "g0", "g_0", "g-force")),
    Unit("mN", "millinewton", _FORCE),
    Unit("N", "newton", _FORCE, ("newton", "newtons")),
    Unit("daN", "decanewton", _FORCE),
    Unit("kN", "kilonewton", _FORCE, ("kilonewton", "kilonewtons")),
    Unit("kgf", "kilogram_force", _FORCE),
    Unit("lbf", "pound_force", _FORCE),
    Unit("mJ", "millijoule", _ENERGY),
    Unit("J", "joule", _ENERGY, ("joule", "joules")),
    Unit("kJ", "kilojoule", _ENERGY),
    Unit("ft lbf", "foot * pound_force", _ENERGY, ("ft.lbf", "ft-lbf", "ft lb")),
    Unit("N m", "newton * meter", _TORQUE, ("Nm", "N.m")),
    Unit("Pa", "pascal", _PRESSURE, ("pascal", "pascals")),
    Unit("hPa", "hectopascal", _PRESSURE),
    Unit("kPa", "kilopascal", _PRESSURE),
    Unit("MPa", "megapascal", _PRESSURE, ("N/mm2",)),
    Unit("mbar", "millibar", _PRESSURE),
    Unit("bar", "bar", _PRESSURE),
    Unit("psi", "pound_force_per_square_inch", _PRESSURE),
    Unit("kgf/cm2", "kilogram_force / centimeter ** 2", _PRESSURE),
    Unit("mm H2O", "lab_mm_water", _PRESSURE, ("mmH2O", "mm water", "mm of water")),
    Unit("cm H2O", "lab_cm_water", _PRESSURE, ("cmH2O", "cm water", "cm of water")),
    Unit("N/mm", "newton / millimeter", _FORCE_PER_WIDTH, ("kN/m",)),
    Unit("N/cm", "newton / centimeter", _FORCE_PER_WIDTH),
    Unit("N/m", "newton / meter", _FORCE_PER_WIDTH),
    Unit("lbf/in", "pound_force / inch", _FORCE_PER_WIDTH),
    Unit("J/mm2", "joule / millimeter ** 2", _ENERGY_PER_AREA),
    Unit("J/cm2", "joule / centimeter ** 2", _ENERGY_PER_AREA),
    Unit("J/m2", "joule / meter ** 2", _ENERGY_PER_AREA),
    Unit("g/m2", "gram / meter ** 2", _MASS_PER_AREA, ("gsm",)),
    Unit("mg/cm2", "milligram / centimeter ** 2", _MASS_PER_AREA),
    Unit("kg/m2", "kilogram / meter ** 2", _MASS_PER_AREA),
    Unit("oz/yd2", "ounce / yard ** 2", _MASS_PER_AREA),
    Unit("ml/min", "milliliter / minute", _FLOW, ("mL/min",)),
    Unit("l/min", "liter / minute", _FLOW, ("L/min",)),
    Unit("g/min", "gram / minute", _MASS_RATE),
    Unit("g/h", "gram / hour", _MASS_RATE),
    Unit("g/m2/h", "gram / meter ** 2 / hour", "mass per area and time"),
    Unit("mg/1000 cycles", "lab_wear", "mass lost per cycle"),
    Unit("degC", "degree_Celsius", _TEMPERATURE, ("°C", "deg C", "C")),
    Unit("degF", "degree_Fahrenheit", _TEMPERATURE, ("°F", "deg F", "F")),
    Unit("K", "kelvin", _TEMPERATURE, ("kelvin",)),
    Unit("degC rise", "delta_degree_Celsius", _RISE, ("°C rise", "deg C rise", "degC difference")),
    Unit(
        "degF rise", "delta_degree_Fahrenheit", _RISE, ("°F rise", "deg F rise", "degF difference")
    ),
    Unit("K rise", "kelvin", _RISE, ("K difference", "kelvin rise")),
    Unit("degC/s", "delta_degree_Celsius / second", _RISE_RATE, ("°C/s", "K/s")),
    Unit("degC/min", "delta_degree_Celsius / minute", _RISE_RATE, ("°C/min", "K/min")),
    Unit("deg", "degree", "angle", ("°", "degree", "degrees")),
    Unit("rad", "radian", "angle", ("radian", "radians")),
    Unit("rpm", "revolution / minute", _SPIN, ("rev/min", "r/min")),
    Unit("rad/s", "radian / second", _SPIN),
    Unit("rad/s2", "radian / second ** 2", "rotational acceleration"),
    Unit("Hz", "hertz", "frequency", ("hertz",)),
    Unit("kHz", "kilohertz", "frequency"),
    Unit("mm/turn", "millimeter / lab_turn", "screw pitch"),
    Unit("turns", "lab_turn", "count of turns", ("turn",)),
    Unit("cycles", "lab_cycle", "count of cycles", ("cycle", "rubs", "rub")),
    Unit("count", "lab_count", "count of things"),
    Unit("layers", "lab_layer", "count of layers", ("layer",)),
    Unit("grade", "lab_grade", "grade on a scale", ("grades",)),
    Unit("%", "percent", _SHARE, ("percent", "per cent")),
    Unit("1", "dimensionless", _SHARE, ("", "ratio", "share")),
    Unit("HIC", "dimensionless", "head injury criterion"),
)


def _tidied(text: str) -> str:
    """Write superscripts, the two micro signs and stray spaces in the table's own way."""
    plain = text.replace("²", "2").replace("³", "3").replace("^", "").replace("\u03bc", "\u00b5")
    plain = plain.replace("\u00ba", "\u00b0").replace("₂", "2").replace("·", " ")
    plain = " ".join(plain.split())
    return plain.replace(" /", "/").replace("/ ", "/")


@cache
def _by_spelling() -> Mapping[str, Unit]:
    spellings: dict[str, Unit] = {}
    for unit in UNITS:
        for spelling in (unit.name, *unit.aliases):
            spellings[_tidied(spelling)] = unit
    return spellings


@cache
def _registry() -> Any:
    # pint takes longer to load than most pages take to render, and most requests convert nothing:
    # so it is imported at the first conversion, not with this module.
    import pint

    registry: Any = pint.UnitRegistry(on_redefinition="raise", cache_folder=None)
    for definition in _DEFINITIONS:
        registry.define(definition)
    return registry


def _suggestion(tidy: str) -> str:
    spellings = _by_spelling()
    same_letters = sorted({u.name for s, u in spellings.items() if s.casefold() == tidy.casefold()})
    close = [
        spellings[s].name for s in difflib.get_close_matches(tidy, spellings, n=1, cutoff=0.75)
    ]
    offers = same_letters or close
    return f" Did you mean {' or '.join(offers)}?" if offers and tidy else ""


def unit_of(text: str) -> Unit:
    """Return the unit that a spelling stands for.

    Capital and small letters are told apart (mN is not MN), so a wrong one is refused with the
    likely spelling rather than guessed.

    Parameters
    ----------
    text : str
        The unit as written in a file or form, for example "N/mm", "°C", "mm H2O".

    Returns
    -------
    Unit

    Raises
    ------
    UnknownUnit
        When the spelling is not in the table.
    """
    tidy = _tidied(str(text))
    try:
        return _by_spelling()[tidy]
    except KeyError:
        raise UnknownUnit(f"The unit {text!r} is not known here.{_suggestion(tidy)}") from None


def unit_names() -> tuple[str, ...]:
    """Return the name of every unit, grouped by quantity as in the table."""
    return tuple(unit.name for unit in UNITS)


def quantity_of(text: str) -> str:
    """Return in words what a unit measures, for example "force per width"."""
    return unit_of(text).quantity


def is_convertible(first_unit: str, second_unit: str) -> bool:
    """Say whether values in one unit can be written in the other.

    Parameters
    ----------
    first_unit, second_unit : str
        Spellings of two units.

    Returns
    -------
    bool
        True when both measure the same quantity.

    Raises
    ------
    UnknownUnit
        When either spelling is not in the table.
    """
    return unit_of(first_unit).quantity == unit_of(second_unit).quantity


def _pair(from_unit: str, to_unit: str) -> tuple[Unit, Unit]:
    source, target = unit_of(from_unit), unit_of(to_unit)
    if source.quantity == target.quantity:
        return source, target
    hint = ""
    if source.name == "g" and target.quantity == _ACCELERATION:
        hint = " g means gram here; write g_n for multiples of standard gravity."
    if {source.quantity, target.quantity} == {_TEMPERATURE, _RISE}:
        hint = " Write 'rise' after the unit when a difference is meant."
    raise UnitMismatch(
        f"{source.name or from_unit} is a unit of {source.quantity} and {target.name} is a unit of "
        f"{target.quantity}, so one cannot be turned into the other.{hint}"
    )


def convert(value: float, from_unit: str, to_unit: str) -> float:
    """Convert one value.

    Parameters
    ----------
    value : float
        The value in `from_unit`. An infinite value stays infinite, because an open end of an
        interval is open in every unit.
    from_unit, to_unit : str
        Spellings of two units of the same quantity. "degC" is a point on the scale (0 degC is
        273.15 K); "degC rise" is a difference (a rise of 10 degC is one of 18 degF).

    Returns
    -------
    float
        The value in `to_unit`.

    Raises
    ------
    UnknownUnit
        When a spelling is not in the table.
    UnitMismatch
        When the units measure different quantities.
    OutOfRange
        When the value is not a number, or too large in the new unit.

    References
    ----------
    .. [1] Unit definitions: BIPM, The International System of Units, 9th edition; ISO 80000-4
       for the pound-force and the kilogram-force.

    Examples
    --------
    >>> convert(300, "g", "kg")
    0.3
    >>> round(convert(10, "degC rise", "degF rise"), 9)
    18.0
    """
    source, target = _pair(from_unit, to_unit)
    try:
        number = float(value)
    except (TypeError, ValueError, OverflowError) as error:
        raise OutOfRange(
            f"A value in {source.name} must be a number, but got {value!r}."
        ) from error
    if math.isnan(number):
        raise OutOfRange(f"A value in {source.name} is not a number.")
    if source is target or math.isinf(number):
        return number
    registry = _registry()
    answer = float(registry.Quantity(number, source.definition).to(target.definition).magnitude)
    if not math.isfinite(answer):
        raise OutOfRange(f"{number:g} {source.name} is too large to be written in {target.name}.")
    return answer


def convert_array(values: NDArray[np.float64], from_unit: str, to_unit: str) -> NDArray[np.float64]:
    """Convert an array of values; see `convert`. NaN stays NaN, for the caller to judge.

    Parameters
    ----------
    values : ndarray of float, any shape
        Values in `from_unit`.
    from_unit, to_unit : str
        Spellings of two units of the same quantity.

    Returns
    -------
    ndarray of float, same shape
        A new array in `to_unit`.

    Raises
    ------
    UnknownUnit, UnitMismatch
        As `convert`.
    """
    source, target = _pair(from_unit, to_unit)
    array = np.array(values, dtype=np.float64)
    if source is target:
        return array
    registry = _registry()
    converted = registry.Quantity(array, source.definition).to(target.definition).magnitude
    return np.asarray(converted, dtype=np.float64)
