"""What published standards ask, beside a method revision, and what their tables call a reading.

Context only. A table is read for a method only where the lab says that it measures the same
quantity in the same way, and unit, direction and settings do not say otherwise.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from trials.models import MethodRevision, PublishedLimit
from trials.physics.errors import PhysicsError
from trials.physics.published_tables import TABLES, Table

NO_LEVEL = "no level"


@dataclass(frozen=True)
class LimitBeside:
    """A published limit as it stands beside one revision of its method."""

    limit: PublishedLimit
    table: Table | None
    differences: tuple[str, ...]
    settings: dict[str, float]
    unit: str

    @property
    def is_comparable(self) -> bool:
        """The lab says so, and nothing in the revision says otherwise."""
        return self.limit.is_comparable and not self.differences

    @property
    def why(self) -> str:
        """The lab's reason; where the revision itself differs, that."""
        told = self.differences if self.limit.is_comparable else ()
        return " ".join((*told, self.limit.why))

    @property
    def steps(self) -> list[tuple[str, str]]:
        """Each name of the table and what it asks."""
        if self.table is None:
            return []
        return [(step.name, self.table.bound_words(step)) for step in self.table.steps]

    @property
    def also(self) -> str:
        """What else the table asks."""
        return self.table.also if self.table else ""

    def called(self, readings: Sequence[tuple[float, float | None]]) -> str:
        """What the table would call an arm's readings (two ends each, in the method's unit).

        Empty where the table may not be read.
        """
        if self.table is None or not self.is_comparable or not readings:
            return ""
        table, unit = self.table, self.unit
        ends = [
            (table.in_unit(low, unit), table.in_unit(math.inf if high is None else high, unit))
            for low, high in readings
        ]
        try:
            least, most = (
                name or NO_LEVEL for name in table.names_of(ends, settings=self.settings)
            )
        except PhysicsError as why:
            return f"not said: {why}"
        words = least if least == most else f"from {least} to {most}"
        return f"at best {most}" if table.also and most != NO_LEVEL else words


def limits_beside(revision: MethodRevision) -> list[LimitBeside]:
    """The published limits of a revision's method; of each table, its newest row.

    One query, or none where `method__published_limits` was fetched with the revision.
    """
    newest = {
        limit.table or f"row {limit.pk}": limit
        for limit in sorted(revision.method.published_limits.all(), key=lambda one: one.pk)
    }
    found = []
    for limit in sorted(newest.values(), key=lambda one: (one.standard, one.pk)):
        table = TABLES.get(limit.table)
        told = tuple(differences(revision, table)) if table else ()
        found.append(LimitBeside(limit, table, told, _numbers(revision), revision.unit))
    return found


def differences(revision: MethodRevision, table: Table) -> list[str]:
    """What in a revision keeps it from being read in a table."""
    return table.differences(
        unit=revision.unit,
        higher_is_better=revision.direction == MethodRevision.Direction.HIGHER,
        settings=_numbers(revision),
    )


def _numbers(revision: MethodRevision) -> dict[str, float]:
    said = {one["key"]: one["value"] for one in revision.settings} | revision.derivation_settings
    return {key: float(value) for key, value in said.items() if isinstance(value, int | float)}
