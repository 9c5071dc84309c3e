"""Work the published findings out again from the published data, and say where they differ.

No database: an edition's frozen content or its downloaded package is all that is read.
"""

from __future__ import annotations

import dataclasses
import math
import types
import typing
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from reports.corrections import ReadAt, correct, interval_of_control
from reports.degradation import CannotCompare
from reports.degradation.drift import ControlPoint
from reports.queries import StudyInputs, is_graded
from reports.study_findings import all_trend_rows, finding_rows
from trials.actions import digest_of

# other processors and library releases may differ in a number's last digits
RELATIVE = 1e-9
FIGURES = ("level", "margin", "retention", "low", "high", "smallest_visible_loss")
WORDS = ("kind", "n_baseline", "n_other", "scope", "scale", "verdict", "refusal")


class CannotVerify(ValueError):
    """What was published does not hold what is needed to work it out again."""


@dataclass(frozen=True)
class Published:
    """The part of an edition that can be checked, from whichever form it was published in."""

    name: str
    findings: list[Mapping[str, Any]]
    trends: list[Mapping[str, Any]]
    readings: list[Mapping[str, Any]]
    analysis: Mapping[str, Any]
    inputs_digest: str
    engine: str


@dataclass(frozen=True)
class Check:
    """One comparison: what was looked at, and what differs (nothing when equal)."""

    what: str
    differences: tuple[str, ...] = ()

    @property
    def is_equal(self) -> bool:
        """True when nothing differs."""
        return not self.differences


def published_from(content: Mapping[str, Any]) -> Published:
    """What an edition's frozen content says."""
    name = f"{content['study']['slug']}, edition {content['edition']['number']}"
    if "analysis" not in content:
        raise CannotVerify(
            f"{name} was published before editions kept the inputs of their analysis. Its readings "
            "are there, but the findings can be worked out again only from the lab's database."
        )
    return Published(
        name=name,
        findings=content["findings"],
        trends=content.get("trends", []),
        readings=content["readings"],
        analysis=content["analysis"],
        inputs_digest=content["inputs_digest"],
        engine=content["engine"],
    )


def verify(published: Published) -> list[Check]:
    """Every check, in the order of a reader's doubt: the data, the findings, the trends.

    Raises
    ------
    CannotVerify
        When what was published is not whole.
    """
    inputs = inputs_of(published.analysis["inputs"])
    try:
        return [
            _check_digest(published),
            *_check_readings(published, inputs),
            *_check_drift(published, inputs),
            *_check_findings(published, inputs),
            *_check_trends(published, inputs),
        ]
    except (KeyError, TypeError, AttributeError, CannotCompare) as why:
        raise CannotVerify(f"What was published is not whole: {why}.") from None


def findings_again(published: Published) -> list[dict[str, Any]]:
    """The findings worked out from the published inputs, in the form that `analyse` prints."""
    inputs = inputs_of(published.analysis["inputs"])
    again = iter(finding_rows(inputs))
    found = []
    for method in inputs.methods:
        baseline = next(arm for arm in method.arms if arm.is_baseline)
        for arm in method.arms:
            if arm.is_baseline:
                continue
            row = next(again)
            details = row.pop("details")
            for name in ("revision_id", "arm_id", "baseline_id", "position", "analysis"):
                del row[name]
            found.append(
                {
                    "property": method.property,
                    "direction": "higher" if method.higher_is_better else "lower",
                    "baseline": baseline.label,
                    "arm": arm.label,
                }
                | row
                | ({"grades": details} if row["kind"] == "grades" else {})
            )
    return found


# --- the inputs --------------------------------------------------------------------------------


def inputs_of(plain: Mapping[str, Any]) -> StudyInputs:
    """The inputs of a study's analysis from their plain form.

    Raises
    ------
    CannotVerify
        When a part is there that this version does not know, or one that it needs is not.
    """
    try:
        return _inputs_of(plain)
    except (KeyError, TypeError, AttributeError) as why:
        raise CannotVerify(f"The inputs of the analysis are not whole: {why}.") from None


def _inputs_of(plain: Mapping[str, Any]) -> StudyInputs:
    numbered = dict(plain)
    places = {(m["key"], m["number"]): place for place, m in enumerate(plain["methods"])}
    numbered["methods"] = _numbered(plain["methods"], places)
    numbered["analyses"] = [
        {**analysis, "methods": _numbered(analysis["methods"], places)}
        for analysis in plain.get("analyses", ())
    ]
    built: StudyInputs = _built(StudyInputs, numbered)
    return built


def _numbered(
    methods: Iterable[Mapping[str, Any]], places: Mapping[tuple[str, int], int]
) -> list[dict[str, Any]]:
    return [
        {
            **method,
            "revision_pk": places[method["key"], method["number"]],
            "arms": [{**arm, "pk": k} for k, arm in enumerate(method["arms"])],
        }
        for method in methods
    ]


def _built(kind: Any, value: Any) -> Any:
    if value is None or kind is Any:
        return value
    if dataclasses.is_dataclass(kind):
        return _built_dataclass(kind, value)
    origin, inside = typing.get_origin(kind), typing.get_args(kind)
    if origin in (typing.Union, types.UnionType):
        (wanted,) = (one for one in inside if one is not type(None))
        return _built(wanted, value)
    if origin is tuple:
        if len(inside) == 2 and inside[1] is ...:
            return tuple(_built(inside[0], one) for one in value)
        return tuple(_built(one, part) for one, part in zip(inside, value, strict=True))
    if kind is float:
        return float(value)
    return value


def _built_dataclass(kind: Any, value: Mapping[str, Any]) -> Any:
    hints = typing.get_type_hints(kind)
    strange = sorted(value.keys() - hints.keys())
    if strange:
        raise CannotVerify(f"A newer version published this: '{strange[0]}' is not known here.")
    return kind(**{name: _built(hints[name], part) for name, part in value.items()})


def _check_digest(published: Published) -> Check:
    what = "the inputs' digest"
    found = digest_of(published.analysis["inputs"])
    if found == published.inputs_digest:
        return Check(what)
    return Check(what, (f"published {published.inputs_digest[:12]}, worked out {found[:12]}",))


# --- readings ----------------------------------------------------------------------------------


def _check_readings(published: Published, inputs: StudyInputs) -> Iterable[Check]:
    """Whether the table of readings holds what the analysis was given, method by method."""
    drift = {one["key"]: one for one in published.analysis["drift"]}
    for method in inputs.methods:
        used = [
            one
            for one in published.readings
            if one["state"] == "used" and one["method_key"] == method.key
        ]
        arms = [specimen for arm in method.arms for specimen in arm.specimens]
        given: Counter[tuple[str, Any]]
        told: Counter[tuple[str, Any]]
        if is_graded(method):
            given = Counter((s.code, grade) for s in arms for _, grade in s.grades)
            told = Counter((str(r["specimen"]), _whole(r["grade"])) for r in used)
        elif method.key in drift and method.correction and not method.correction.problem:
            given = Counter(
                (one["specimen"], _ends(one["low"], one["high"]))
                for one in drift[method.key]["readings"]
            )
            told = Counter((str(r["specimen"]), _ends(r["low"], r["high"])) for r in used)
        else:
            given = Counter((s.code, _ends(b.low, b.high)) for s in arms for b in s.bounds)
            told = Counter((str(r["specimen"]), _used_ends(r)) for r in used)
        yield Check(f"readings of {method.property}", tuple(_unequal(told, given)))


def _whole(grade: Any) -> int:
    return int(grade)


def _ends(low: float | None, high: float | None) -> tuple[float, float]:
    return (0.0 if low is None else float(low), math.inf if high is None else float(high))


def _used_ends(row: Mapping[str, Any]) -> tuple[float, float]:
    """What a reading stood for in the analysis: not its ends as read where a calibration moved it."""
    if row.get("used_words"):
        return _ends(row["used_low"], row["used_high"])
    return _ends(row["low"], row["high"])


def _unequal(told: Counter[Any], given: Counter[Any]) -> Iterable[str]:
    for specimen, value in sorted((told - given).elements()):
        yield f"{specimen}: the table has {_shown(value)}, which the analysis was not given"
    for specimen, value in sorted((given - told).elements()):
        yield f"{specimen}: the analysis was given {_shown(value)}, which the table has not"


def _shown(value: Any) -> str:
    if isinstance(value, tuple):
        low, high = value
        return f"at least {low:g}" if math.isinf(high) else f"{low:g} to {high:g}"
    return f"grade {value}"


# --- drift -------------------------------------------------------------------------------------


def _check_drift(published: Published, inputs: StudyInputs) -> Iterable[Check]:
    """Whether the control runs give the factors that the readings were multiplied by."""
    methods = {method.key: method for method in inputs.methods}
    for source in published.analysis["drift"]:
        method = methods[source["key"]]
        correction, ends = correct(
            [ReadAt(**one) for one in source["readings"]],
            [
                ControlPoint(
                    at_s=one["at_s"],
                    reading=interval_of_control(one["low"], one["high"]),
                    group=one["group"],
                )
                for one in source["controls"]
            ],
            reference=source["reference"],
            drift_limit=source["drift_limit"],
        )
        what = f"correction for drift of {method.property}"
        known = method.correction
        if known is None or known.problem or correction.problem:
            same = known is not None and known.problem == correction.problem
            yield Check(what, () if same else ("it can no longer be made as it was",))
            continue
        worked_out = Counter(
            (source["readings"][k]["specimen"], _rounded(low, high))
            for k, (low, high) in ends.items()
        )
        given = Counter(
            (s.code, _rounded(b.low, b.high))
            for arm in method.arms
            for s in arm.specimens
            for b in s.bounds
        )
        yield Check(what, tuple(_unequal(worked_out, given)))


def _rounded(low: float, high: float | None) -> tuple[float, float]:
    return (float(f"{low:.9g}"), math.inf if high is None else float(f"{high:.9g}"))


# --- findings and trends -----------------------------------------------------------------------


def _check_findings(published: Published, inputs: StudyInputs) -> Iterable[Check]:
    again = finding_rows(inputs)
    if len(again) != len(published.findings):
        yield Check(
            "the findings",
            (f"published {len(published.findings)}, worked out {len(again)}",),
        )
        return
    for was, now in zip(published.findings, again, strict=True):
        told = dict(now)
        if now["details"].get("is_range_alone"):
            told["retention"] = None  # such a card prints the range alone
        differences = [
            f"{name}: published {_said(was[name])}, worked out {_said(told[name])}"
            for name in (*WORDS, *FIGURES)
            if name in was and not _same(was[name], told[name])
        ]
        yield Check(f"{was['property']}, {was['arm_label']}", tuple(differences))


def _check_trends(published: Published, inputs: StudyInputs) -> Iterable[Check]:
    again = all_trend_rows(inputs)
    if len(again) != len(published.trends):
        yield Check("the trends", (f"published {len(published.trends)}, worked out {len(again)}",))
        return
    for was, now in zip(published.trends, again, strict=True):
        what = f"{was['property']} over {was['driver']}"
        points = [] if now["refusal"] else now["details"]["points"]
        if len(points) != len(was["points"]):
            yield Check(what, (f"published {len(was['points'])} points, worked out {len(points)}",))
            continue
        yield Check(
            what,
            tuple(
                f"{name} at {one['exposure']:g}: published {_said(old[name])}, "
                f"worked out {_said(one[name])}"
                for old, one in zip(was["points"], points, strict=True)
                for name in ("retention", "low", "high")
                if not _same(old[name], one[name])
            ),
        )


def _same(one: Any, other: Any) -> bool:
    if isinstance(one, float | int) and isinstance(other, float | int):
        return math.isclose(one, other, rel_tol=RELATIVE)
    return bool(one == other)


def _said(value: Any) -> str:
    if value is None:
        return "none"
    return f"{value:.6g}" if isinstance(value, float) else f"'{value}'"
