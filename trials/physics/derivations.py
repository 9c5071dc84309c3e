"""The derivations a method revision can name, such as "impact.energy_from_height".

A derivation turns what is typed at the bench into the quantity shown beside it. It takes one
value and the settings of the method, and knows its own units. Names, once published with a method
revision, keep their meaning for good: a changed formula gets a new name.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from trials.physics import impact
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
