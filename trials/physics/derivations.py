"""The derivations a method revision can name, such as "impact.energy_from_height".

A derivation turns what is typed at the bench into the quantity shown beside it. It takes one
value and the settings of the method, and knows its own units. Names, once published with a method
revision, keep their meaning for good: a changed formula gets a new name.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from trials.physics import abrasion, heat, impact, puncture, seam, water
from trials.physics.checks import finite
from trials.physics.errors import BadSettings, OutOfRange, UnknownDerivation
from trials.physics.units import convert

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping


@dataclass(frozen=True)
class Setting:
    """A number that a derivation needs beside the value, fixed with the method revision.

    Attributes
    ----------
    key : str
        Name of the keyword, ending in its unit, for example "mass_kg".
    words : str
        What it is, for example "falling mass".
    unit : str
        Its unit.
    """

    key: str
    words: str
    unit: str


@dataclass(frozen=True)
class Derivation:
    """One derivation.

    Attributes
    ----------
    name : str
        Family and function, for example "impact.energy_from_height".
    function : callable
        Takes the value in `input_unit` and the settings as keywords; returns `output_unit`.
    input_words, input_unit : str
        What is typed.
    output_words, output_unit : str
        What is shown.
    settings : tuple of Setting
        What the method revision must fix.
    """

    name: str
    function: Callable[..., float]
    input_words: str
    input_unit: str
    output_words: str
    output_unit: str
    settings: tuple[Setting, ...] = ()

    @property
    def words(self) -> str:
        """What is made of what, for example "impact energy from drop height"."""
        return f"{self.output_words} from {self.input_words}"


_FALLING_MASS = Setting("mass_kg", "falling mass", "kg")
_PROJECTILE_MASS = Setting("mass_g", "mass of the projectile", "g")
_TIP_DIAMETER = Setting("diameter_mm", "diameter of the part that meets the specimen", "mm")
_BELT_SPEED = Setting("belt_speed_m_s", "belt speed", "m/s")
_RADIUS = Setting("radius_m", "radius", "m")
_PITCH = Setting("pitch_mm", "travel for one turn", "mm")
_WETTED_AREA = Setting("area_cm2", "wetted area", "cm2")
_SPRAY_TIME = Setting("spray_minutes", "spray time", "min")

_ALL = (
    Derivation(
        "impact.velocity_from_height",
        impact.velocity_from_height,
        "drop height",
        "m",
        "impact velocity",
        "m/s",
    ),
    Derivation(
        "impact.height_from_velocity",
        impact.height_from_velocity,
        "impact velocity",
        "m/s",
        "free-fall height",
        "m",
    ),
    Derivation(
        "impact.energy_from_height",
        impact.energy_from_height,
        "drop height",
        "m",
        "impact energy",
        "J",
        (_FALLING_MASS,),
    ),
    Derivation(
        "impact.height_from_energy",
        impact.height_from_energy,
        "impact energy",
        "J",
        "drop height",
        "m",
        (_FALLING_MASS,),
    ),
    Derivation(
        "impact.energy_from_velocity",
        impact.energy_from_velocity,
        "impact velocity",
        "m/s",
        "impact energy",
        "J",
        (_FALLING_MASS,),
    ),
    Derivation(
        "impact.velocity_from_energy",
        impact.velocity_from_energy,
        "impact energy",
        "J",
        "impact velocity",
        "m/s",
        (_FALLING_MASS,),
    ),
    Derivation(
        "puncture.projectile_energy",
        puncture.projectile_energy,
        "projectile velocity",
        "m/s",
        "projectile energy",
        "J",
        (_PROJECTILE_MASS,),
    ),
    Derivation(
        "puncture.projectile_velocity",
        puncture.projectile_velocity,
        "projectile energy",
        "J",
        "projectile velocity",
        "m/s",
        (_PROJECTILE_MASS,),
    ),
    Derivation(
        "puncture.energy_per_area",
        puncture.energy_per_area,
        "energy",
        "J",
        "energy per area",
        "J/cm2",
        (_TIP_DIAMETER,),
    ),
    Derivation(
        "puncture.energy_per_area_from_velocity",
        puncture.energy_per_area_from_velocity,
        "projectile velocity",
        "m/s",
        "energy per area",
        "J/cm2",
        (
            _PROJECTILE_MASS,
            _TIP_DIAMETER,
        ),
    ),
    Derivation(
        "abrasion.distance_from_time",
        abrasion.distance_from_time,
        "time on the belt",
        "s",
        "sliding distance",
        "m",
        (_BELT_SPEED,),
    ),
    Derivation(
        "abrasion.time_from_distance",
        abrasion.time_from_distance,
        "sliding distance",
        "m",
        "time on the belt",
        "s",
        (_BELT_SPEED,),
    ),
    Derivation(
        "abrasion.speed_from_rpm",
        abrasion.speed_from_rpm,
        "rotational speed",
        "rpm",
        "speed",
        "m/s",
        (_RADIUS,),
    ),
    Derivation(
        "abrasion.normalised_time",
        abrasion.normalised_time,
        "time on the belt",
        "s",
        "time on a nominal belt",
        "s",
        (
            Setting("reference_nominal_s", "nominal time of the reference fabric", "s"),
            Setting("reference_measured_s", "measured time of the reference fabric", "s"),
        ),
    ),
    Derivation(
        "abrasion.wear_index_from_loss",
        abrasion.wear_index_from_loss,
        "mass lost",
        "mg",
        "wear index",
        "mg/1000 cycles",
        (Setting("cycle_count", "number of cycles", "cycles"),),
    ),
    Derivation(
        "seam.opening_from_turns",
        seam.opening_from_turns,
        "number of turns",
        "turns",
        "opening",
        "mm",
        (_PITCH,),
    ),
    Derivation(
        "seam.turns_from_opening",
        seam.turns_from_opening,
        "opening",
        "mm",
        "number of turns",
        "turns",
        (_PITCH,),
    ),
    Derivation(
        "seam.force_per_width",
        seam.force_per_width,
        "breaking force",
        "N",
        "seam strength",
        "N/mm",
        (Setting("seam_width_mm", "length of seam under load", "mm"),),
    ),
    Derivation(
        "water.uptake_share",
        water.uptake_share,
        "water taken up",
        "g",
        "uptake as a share of dry mass",
        "1",
        (Setting("dry_mass_g", "dry mass", "g"),),
    ),
    Derivation(
        "water.uptake_per_area",
        water.uptake_per_area,
        "water taken up",
        "g",
        "uptake per area",
        "g/m2",
        (_WETTED_AREA,),
    ),
    Derivation(
        "water.uptake_rate",
        water.uptake_rate,
        "water taken up",
        "g",
        "mean rate of uptake",
        "g/min",
        (_SPRAY_TIME,),
    ),
    Derivation(
        "water.uptake_per_area_and_time",
        water.uptake_per_area_and_time,
        "water taken up",
        "g",
        "mean uptake per area and time",
        "g/m2/h",
        (
            _WETTED_AREA,
            _SPRAY_TIME,
        ),
    ),
    Derivation(
        "water.head_from_pressure",
        water.head_from_pressure,
        "pressure",
        "Pa",
        "head of water",
        "mm",
    ),
    Derivation(
        "water.pressure_from_head",
        water.pressure_from_head,
        "head of water",
        "mm",
        "pressure",
        "Pa",
    ),
    Derivation(
        "heat.mean_rise_rate",
        heat.mean_rise_rate,
        "time to the stated rise",
        "s",
        "mean rate of rise",
        "degC/s",
        (Setting("rise_k", "stated temperature rise", "K rise"),),
    ),
)

DERIVATIONS: Mapping[str, Derivation] = {derivation.name: derivation for derivation in _ALL}


def derivation_names() -> tuple[str, ...]:
    """Return the names of all derivations, in the order of the table."""
    return tuple(DERIVATIONS)


def derivation(name: str) -> Derivation:
    """Return the derivation of this name.

    Raises
    ------
    UnknownDerivation
        When there is none.
    """
    try:
        return DERIVATIONS[name]
    except KeyError:
        raise UnknownDerivation(
            f"There is no derivation called {name!r}. Choose one of: {', '.join(DERIVATIONS)}."
        ) from None


def check_settings(name: str, settings: Mapping[str, object]) -> dict[str, float]:
    """Return the settings of a derivation as numbers, or refuse them.

    Parameters
    ----------
    name : str
        Name of the derivation.
    settings : mapping of str to number
        Exactly the keys that the derivation asks for.

    Returns
    -------
    dict of str to float

    Raises
    ------
    UnknownDerivation
        When no derivation has this name.
    BadSettings
        When a key is missing or unknown, or its value is not a finite number.
    """
    wanted = {setting.key: setting for setting in derivation(name).settings}
    missing = [
        f"{s.words} ({s.key}, in {s.unit})" for s in wanted.values() if s.key not in settings
    ]
    if missing:
        raise BadSettings(f"{name} needs a setting for {', '.join(missing)}.")
    unknown = [key for key in settings if key not in wanted]
    if unknown:
        raise BadSettings(f"{name} has no setting called {', '.join(map(repr, unknown))}.")
    numbers: dict[str, float] = {}
    for key, setting in wanted.items():
        try:
            numbers[key] = finite(settings[key], setting.words.capitalize(), setting.unit)  # type: ignore[arg-type]
        except OutOfRange as error:
            raise BadSettings(f"{name}: {error}") from error
    return numbers


def derive(
    name: str,
    value: float,
    settings: Mapping[str, object] | None = None,
    *,
    unit: str | None = None,
) -> tuple[float, str]:
    """Derive a quantity from a value as typed.

    Parameters
    ----------
    name : str
        Name of the derivation, for example "impact.energy_from_height".
    value : float
        The value as typed.
    settings : mapping of str to number, optional
        The method's settings, for example {"mass_kg": 5.0}; keys say their units.
    unit : str, optional
        Unit of `value` where it is not the derivation's own, for example "cm".

    Returns
    -------
    value : float
        The derived quantity.
    unit : str
        Its unit.

    Raises
    ------
    UnknownDerivation
        When no derivation has this name.
    BadSettings
        When settings are missing, unknown or not numbers.
    UnknownUnit, UnitMismatch
        When `unit` does not fit the derivation.
    OutOfRange
        When a number cannot be what it is said to be.

    Examples
    --------
    >>> energy, unit = derive("impact.energy_from_height", 1.0, {"mass_kg": 5.0})
    >>> f"{energy:.2f} {unit}"
    '49.03 J'
    """
    chosen = derivation(name)
    numbers = check_settings(name, settings or {})
    typed = finite(value, chosen.input_words.capitalize(), unit or chosen.input_unit)
    if unit is not None:
        typed = convert(typed, unit, chosen.input_unit)
    return chosen.function(typed, **numbers), chosen.output_unit


class PowerLaw(NamedTuple):
    """A derivation at fixed settings: output = factor * typed**power.

    Attributes
    ----------
    factor : float
        Output for a typed value of 1, in `unit`.
    power : float
        1 (distance from time), 2 (energy from velocity), 0.5 (velocity from height) or -1.
    words, unit : str
        What comes out.
    """

    factor: float
    power: float
    words: str
    unit: str


def power_law(
    name: str, settings: Mapping[str, object] | None = None, *, unit: str | None = None
) -> PowerLaw:
    """Return the derivation of a method as one factor and one power.

    Every derivation of this table is a power of what is typed once its settings stand, so a page
    that has no network can work it out from two numbers.

    Parameters
    ----------
    name, settings, unit
        As for `derive`.
    """
    at_one, out_unit = derive(name, 1.0, settings, unit=unit)
    at_four, _ = derive(name, 4.0, settings, unit=unit)
    # powers are halves or whole numbers; rounding takes the binary dust of the logarithms away
    power = round(2 * math.log(at_four / at_one, 4)) / 2
    return PowerLaw(at_one, power, derivation(name).output_words, out_unit)
