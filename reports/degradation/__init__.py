"""What was lost, and how sure that is: the pure statistics of degradation.

Readings and records
    ``Interval(low, high)``, ``Record(variance, degrees_of_freedom)``,
    ``specimen_interval(readings)``, ``CannotCompare`` (the named refusal).
Two arms
    ``compare(baseline, other, ...)`` and ``compare_many(pairs, ...)`` give a ``Comparison``;
    ``verdict_of(low, high, margin)``, ``sidak_level(level, count)``, ``VERDICTS``, ``SCALES``,
    ``ENGINE_VERSION``.
Trends, pairs, plans
    ``trend(specimens, ...)``, ``paired(pairs, ...)``, ``sensitivity_cautions(arms, found, ...)``,
    ``specimens_needed(...)``.

The model, its limits and its measured coverage and speed are in METHOD.md beside this file.
"""

from reports.degradation.compare import (
    ENGINE_VERSION,
    SCALES,
    VERDICTS,
    Comparison,
    compare,
    compare_many,
    sidak_level,
    verdict_of,
)
from reports.degradation.intervals import CannotCompare, Interval, Record, specimen_interval
from reports.degradation.pairs import paired
from reports.degradation.planning import specimens_needed
from reports.degradation.sensitivity import Arms, sensitivity_cautions
from reports.degradation.trend import Trend, trend

__all__ = [
    "ENGINE_VERSION",
    "SCALES",
    "VERDICTS",
    "Arms",
    "CannotCompare",
    "Comparison",
    "Interval",
    "Record",
    "Trend",
    "compare",
    "compare_many",
    "paired",
    "sensitivity_cautions",
    "sidak_level",
    "specimen_interval",
    "specimens_needed",
    "trend",
    "verdict_of",
]
