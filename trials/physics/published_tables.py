"""What tables in published standards call a value: levels, classes and letters.

Context only. A value has the name of a table only where the quantity, the settings and the number
of specimens are those of the standard, which the method revision has to say (`Table.differences`);
and even then it is no certification. Tables that could not be read anywhere are not here: a lab
enters those itself, as words.

How each table is known stands in its `known_from`; no standard itself was read.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING, Literal

from trials.physics.checks import not_negative
from trials.physics.errors import OutOfRange, UnknownTable
from trials.physics.units import convert, is_convertible, written

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

Counts = Literal["lowest", "highest", "mean", "each"]

_SUPPLIERS = "printed alike by several makers and suppliers"
_LABORATORY = "printed by a test laboratory"
_MEMORY = "from memory, very sure"


@dataclass(frozen=True)
class Step:
    """One name of a table and what it asks for.

    Attributes
    ----------
    name : str
        For example "level 2".
    bound : float
        In the table's unit; the value must reach it, or not pass it, as the table says.
    most : float, optional
        Where a mean is asked for: no single value may be above this, in the table's unit.
    at : float, optional
        The step holds for this value of the table's setting only.
    """

    name: str
    bound: float
    most: float | None = None
    at: float | None = None


@dataclass(frozen=True)
class Table:
    """One table of a published standard.

    Attributes
    ----------
    key : str
        Name in the program, which never changes its meaning.
    standard, edition : str
        Edition is empty where the source did not say it; see `named`.
    what : str
        What is measured, as words that fit "for ...".
    unit : str
        Unit of the bounds.
    steps : tuple of Step
        From the least to the most demanding.
    known_from : str
        How the bounds are known.
    higher_is_better : bool
        A value must be at least the bound; otherwise at most (or below, see `is_strict`).
    is_strict : bool
        The bound itself does not count.
    counts : {"lowest", "highest", "mean", "each"}
        Which value of the specimens the table speaks of.
    specimen_count : int
        How many specimens it asks for at least.
    setting : str
        Key of a setting of the method that chooses among the steps (their `at`).
    setting_unit : str
        Unit of that setting, as written.
    needs : mapping
        Settings the method must have, with least and most allowed.
    also : str
        What else the table asks for; then a name from here is the best that could come out.
    """

    key: str
    standard: str
    edition: str
    what: str
    unit: str
    steps: tuple[Step, ...]
    known_from: str = _SUPPLIERS
    higher_is_better: bool = True
    is_strict: bool = False
    counts: Counts = "each"
    specimen_count: int = 1
    setting: str = ""
    setting_unit: str = ""
    needs: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    also: str = ""

    @property
    def edition_words(self) -> str:
        """The edition, or that it was not stated where the table was read."""
        return self.edition or "edition not stated"

    @property
    def named(self) -> str:
        """The standard with its edition."""
        return f"{self.standard} ({self.edition_words})"

    def steps_for(self, settings: Mapping[str, float] | None = None) -> tuple[Step, ...]:
        """Return the steps that hold under a method's settings (key to number)."""
        if not self.setting:
            return self.steps
        at = (settings or {}).get(self.setting)
        return tuple(step for step in self.steps if at is not None and step.at == at)

    def name_of(self, value: float, *, settings: Mapping[str, float] | None = None) -> str:
        """Return the most demanding name that one value reaches; empty where it reaches none.

        Parameters
        ----------
        value : float
            In the table's unit, zero or more; infinity for a reading without an upper end.
        settings : mapping, optional
            The method's settings, for a table whose steps depend on one.

        Raises
        ------
        OutOfRange
            When the value is negative or not a number.
        """
        if value != math.inf:
            value = not_negative(value, "Value", self.unit)
        return self._last([step for step in self.steps_for(settings) if self._meets(step, value)])

    def names_of(
        self,
        readings: Sequence[tuple[float, float]],
        *,
        settings: Mapping[str, float] | None = None,
    ) -> tuple[str, str]:
        """Return the least and the most demanding name that readings with two ends leave possible.

        Parameters
        ----------
        readings : sequence of tuple of float
            Lower and upper end of each specimen's value, in the table's unit; the upper end may be
            infinity.
        settings : mapping, optional
            See `name_of`.

        Returns
        -------
        tuple of str
            Equal names where the ends leave no doubt; an empty name is no level at all.

        Raises
        ------
        OutOfRange
            When there are fewer specimens than the table asks for, or an end is not a number from
            zero up.
        """
        if len(readings) < self.specimen_count:
            raise OutOfRange(
                f"The table asks for {self.specimen_count} specimens, but there are "
                f"{len(readings)}."
            )
        for ends in readings:
            for end in ends:
                if end != math.inf:
                    not_negative(end, "Value", self.unit)
        lows, highs = [low for low, _ in readings], [high for _, high in readings]
        worse, better = (lows, highs) if self.higher_is_better else (highs, lows)
        steps = self.steps_for(settings)
        return (
            self._last([step for step in steps if self._all_meet(step, worse)]),
            self._last([step for step in steps if self._all_meet(step, better)]),
        )

    def differences(
        self, *, unit: str, higher_is_better: bool, settings: Mapping[str, float]
    ) -> list[str]:
        """Return what keeps a method from being read in this table, as sentences; often empty.

        Only what can be seen from unit, direction and settings. Whether everything else is done as
        the standard says is for a person to say.
        """
        found = []
        if not is_convertible(unit, self.unit):
            found.append(f"The method reads in {unit}, the table is in {self.unit}.")
        if higher_is_better != self.higher_is_better:
            found.append("In the method and in the table the better end is not the same.")
        if self.setting and not self.steps_for(settings):
            places = ", ".join(
                f"{one:g}" for one in sorted({step.at or 0.0 for step in self.steps})
            )
            found.append(f"The table has its steps at {_words(self.setting)} of {places} only.")
        for key, (least, most) in self.needs.items():
            value = settings.get(key)
            if value is None or not least <= value <= most:
                asked = f"{least:g}" if least == most else f"{least:g} to {most:g}"
                if math.isinf(most):
                    asked = f"at least {least:g}"
                found.append(f"The table asks for {_words(key)} of {asked}.")
        return found

    def in_unit(self, value: float, unit: str) -> float:
        """Return a value of a method in the table's unit; infinity stays."""
        return value if math.isinf(value) else convert(value, unit, self.unit)

    def bound_words(self, step: Step) -> str:
        """Return what a step asks for, in words: "at least 250 N"."""
        if self.higher_is_better:
            asked = f"at least {self._amount(step.bound)}"
        elif self.is_strict:
            asked = f"below {self._amount(step.bound)}"
        else:
            asked = f"at most {self._amount(step.bound)}"
        if self.counts == "mean":
            asked = f"mean {asked}"
        if step.most is not None:
            asked += f", no single one above {self._amount(step.most)}"
        return asked if step.at is None else f"{asked}, at {step.at:g} {self.setting_unit}"

    def _amount(self, bound: float) -> str:
        return f"grade {bound:g}" if self.unit == "grade" else f"{bound:g} {written(self.unit)}"

    def _meets(self, step: Step, value: float) -> bool:
        if self.higher_is_better:
            return value >= step.bound
        fits = value < step.bound if self.is_strict else value <= step.bound
        return fits and (step.most is None or value <= step.most)

    def _all_meet(self, step: Step, values: Sequence[float]) -> bool:
        if self.counts != "mean":
            return all(self._meets(step, value) for value in values)
        if step.most is not None and max(values) > step.most:
            return False
        mean = math.fsum(values) / len(values) if max(values) < math.inf else math.inf
        return mean < step.bound if self.is_strict else mean <= step.bound

    @staticmethod
    def _last(steps: Sequence[Step]) -> str:
        return steps[-1].name if steps else ""


def _words(key: str) -> str:
    return key.replace("_", " ")


def _ladder(word: str, *bounds: float, names: str = "") -> tuple[Step, ...]:
    called = names.split() or [str(number) for number in range(1, len(bounds) + 1)]
    return tuple(Step(f"{word} {name}", bound) for name, bound in zip(called, bounds, strict=True))


_BELOW_24 = math.nextafter(24.0, 0.0)
_FLAME = "after-glow: none stated for level 1, at most 120 s, 25 s and 5 s for levels 2 to 4"

_ALL = (
    Table(
        "en-388-abrasion",
        "EN 388",
        "",
        "abrasion of gloves on abrasive paper",
        "cycles",
        _ladder("level", 100, 500, 2000, 8000),
        counts="lowest",
        specimen_count=4,
    ),
    Table(
        "en-388-puncture",
        "EN 388",
        "",
        "puncture of gloves by a slow point",
        "N",
        _ladder("level", 20, 60, 100, 150),
        needs={"jaw_speed_mm_min": (100, 100)},
        counts="lowest",
        specimen_count=4,
    ),
    Table(
        "en-388-tear",
        "EN 388",
        "",
        "tear of gloves",
        "N",
        _ladder("level", 10, 25, 50, 75),
        counts="lowest",
        specimen_count=4,
    ),
    Table(
        "iso-13997-cut",
        "EN 388, cut by ISO 13997",
        "",
        "force for a cut through after a stroke of 20 mm",
        "N",
        _ladder("letter", 2, 5, 10, 15, 22, 30, names="A B C D E F"),
        needs={"stroke_mm": (20, 20)},
    ),
    Table(
        "en-530-abrasion",
        "EN 530, method 2",
        "",
        "abrasion of suits against chemicals",
        "cycles",
        _ladder("class", 10, 100, 500, 1000, 1500, 2000),
        known_from="printed by a fabric maker",
    ),
    Table(
        "en-863-puncture",
        "EN 863",
        "",
        "puncture of suits by a slow point",
        "N",
        _ladder("class", 5, 10, 50, 100, 150, 250),
        known_from="printed by a fabric maker",
    ),
    Table(
        "en-13594-seam",
        "EN 13594",
        "2015",
        "main seams of gloves for riders",
        "N/mm",
        _ladder("level", 6, 10),
        known_from=_LABORATORY,
        specimen_count=3,
        needs={"jaw_speed_mm_min": (100, 100), "seam_width_mm": (10, math.inf)},
    ),
    Table(
        "en-13594-side-seam",
        "EN 13594",
        "2015",
        "seams between the fingers of gloves for riders",
        "N/mm",
        _ladder("level", 4, 7),
        known_from=_LABORATORY,
        specimen_count=3,
        needs={"jaw_speed_mm_min": (100, 100), "seam_width_mm": (10, math.inf)},
    ),
    Table(
        "en-13034-tear",
        "EN 13034",
        "",
        "tear of suits against chemicals",
        "N",
        _ladder("class", 10, 20, 40, 60, 100, 150),
        known_from="printed by a fabric maker",
    ),
    Table(
        "en-13034-pull",
        "EN 13034",
        "",
        "strength in a pull of suits against chemicals",
        "N",
        _ladder("class", 30, 60, 100, 150, 500, 1000),
        known_from="printed by a fabric maker",
    ),
    Table(
        "en-343-water",
        "EN 343",
        "2019",
        "water pressure that new cloth keeps out before any treatment",
        "Pa",
        (Step("class 1", 8000),),
        also="Classes 2 to 4 are decided after washing, flexing and other treatments.",
    ),
    Table(
        "en-407-contact",
        "EN 407, contact heat",
        "",
        "time to a rise of 10 °C in contact with something hot",
        "s",
        tuple(
            Step(f"level {number}", 15, at=at) for number, at in enumerate((100, 250, 350, 500), 1)
        ),
        setting="plate_temperature_degc",
        setting_unit="°C",
        needs={"temperature_rise_degc": (10, 10)},
    ),
    Table(
        "en-407-flame",
        "EN 407, limited burning",
        "",
        "after-flame time behind a flame of 10 s",
        "s",
        _ladder("level", 15, 10, 3, 2),
        known_from="printed by a maker",
        higher_is_better=False,
        needs={"flame_seconds": (10, 10)},
        also=f"The table also asks for {_FLAME}; the lower of the two counts.",
    ),
    Table(
        "en-407-convective",
        "EN 407, convective heat",
        "",
        "time to a rise of 24 °C behind a flame",
        "s",
        _ladder("level", 4, 7, 10, 18),
        known_from="printed by a maker",
    ),
    Table(
        "en-407-radiant",
        "EN 407, radiant heat",
        "",
        "time to a rise of 24 °C behind a radiator",
        "s",
        _ladder("level", 7, 20, 50, 95),
        known_from="printed by a maker",
    ),
    Table(
        "en-1621-1",
        "EN 1621-1",
        "2012",
        "force let through by limb protectors",
        "kN",
        (Step("lowest level", 35, most=50),),
        known_from=_LABORATORY,
        higher_is_better=False,
        is_strict=True,
        counts="mean",
        specimen_count=9,
        needs={"mass_kg": (5, 5), "anvil_radius_mm": (50, 50)},
    ),
    Table(
        "en-1621-2",
        "EN 1621-2",
        "2014",
        "force let through by back protectors",
        "kN",
        # a single blow is to stay below 24 kN; level 2 cannot allow one that level 1 does not
        (Step("level 1", 18, most=_BELOW_24), Step("level 2", 9, most=_BELOW_24)),
        known_from=_LABORATORY,
        higher_is_better=False,
        is_strict=True,
        counts="mean",
        needs={"mass_kg": (5, 5)},
        also="24 kN is the limit of a single blow for level 1; that of level 2 and the number of "
        "blows could not be read.",
    ),
    Table(
        "en-13594-knuckle",
        "EN 13594",
        "2015",
        "force let through by knuckle protectors at 5 J",
        "kN",
        (Step("level 1", 7, most=9),),
        higher_is_better=False,
        counts="mean",
        also="Over how many blows the mean is taken was not stated where it was read.",
    ),
    Table(
        "iso-4920-spray",
        "ISO 4920",
        "",
        "wetting of cloth under a spray, as the figure that AATCC 22 gives it",
        "grade",
        tuple(
            Step(f"figure {figure}", grade) for grade, figure in enumerate((0, 50, 70, 80, 90, 100))
        ),
        known_from="printed by a supplier",
        needs={"water_ml": (248, 252)},
        also="The steps are not equally far apart: neither grades nor figures have a mean.",
    ),
    Table(
        "cpsc-1203-peak",
        "16 CFR 1203",
        "section 1203.12 (d) (2)",
        "peak acceleration in bicycle helmets",
        "g_n",
        (Step("within the limit", 300),),
        known_from="the text of the law",
        higher_is_better=False,
        counts="each",
    ),
    Table(
        "en-1078-peak",
        "EN 1078",
        "",
        "peak acceleration in bicycle helmets",
        "g_n",
        (Step("within the limit", 250),),
        known_from="printed by an encyclopaedia",
        higher_is_better=False,
        is_strict=True,
        needs={"impact_speed_m_s": (5.42, 5.52)},
    ),
    Table(
        "fmvss-218-peak",
        "49 CFR 571.218",
        "section S5.1",
        "peak acceleration in motorcycle helmets",
        "g_n",
        (Step("within the limit", 400),),
        known_from=_MEMORY,
        higher_is_better=False,
        also="The law also limits the time above 150 g and above 200 g.",
    ),
    Table(
        "un-r22-05-criterion",
        "UN Regulation 22",
        "05 series",
        "head injury criterion in motorcycle helmets at 7.5 m/s",
        "HIC",
        (Step("within the limit", 2400),),
        known_from=_MEMORY,
        higher_is_better=False,
        needs={"impact_speed_m_s": (7.5, 7.5)},
        also="The regulation also limits the peak to 275 g.",
    ),
)

TABLES: Mapping[str, Table] = MappingProxyType({table.key: table for table in _ALL})


def table_named(key: str) -> Table:
    """Return a table by its key.

    Raises
    ------
    UnknownTable
        When there is none of that name.
    """
    try:
        return TABLES[key]
    except KeyError:
        raise UnknownTable(f"There is no published table called '{key}'.") from None


def water_penetration_class(*, new_pa: float, treated_pa: float | None = None) -> str:
    """Return the class of EN 343:2019 for the water pressure that cloth keeps out.

    Parameters
    ----------
    new_pa : float
        Before any treatment, Pa.
    treated_pa : float, optional
        The least of the values after each treatment that the standard asks for, Pa; without it
        only class 1 can be said.

    Returns
    -------
    str
        "class 1" to "class 4", or empty.

    Raises
    ------
    OutOfRange
        When a pressure is negative or not finite.
    """
    new_pa = not_negative(new_pa, "Water pressure before treatment", "Pa")
    if treated_pa is not None:
        treated_pa = not_negative(treated_pa, "Water pressure after treatment", "Pa")
        for bound, name in ((20_000, "class 4"), (13_000, "class 3"), (8_000, "class 2")):
            if treated_pa >= bound:
                return name
    return TABLES["en-343-water"].name_of(new_pa)


def limited_burning_level(*, after_flame_s: float, after_glow_s: float) -> str:
    """Return the level of EN 407 for limited burning: the lower of its two criteria.

    Both times in s, zero or more.

    Raises
    ------
    OutOfRange
        When a time is negative or not finite.
    """
    after_glow_s = not_negative(after_glow_s, "After-glow time", "s")
    by_flame = TABLES["en-407-flame"].name_of(after_flame_s)
    # level 1 asks nothing of the glow
    by_glow = next(
        (f"level {n}" for n, most_s in ((4, 5), (3, 25), (2, 120)) if after_glow_s <= most_s),
        "level 1",
    )
    return min(by_flame, by_glow)
