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

from reports.corrections import Correction, ReadAt, correct, interval_of_control
from reports.degradation import CannotCompare
from reports.degradation.drift import ControlPoint
from reports.queries import MethodInputs, StudyInputs, is_graded
from reports.study_findings import all_trend_rows, finding_rows, rows_without
from reports.words import count, percent_range
from trials.actions import digest_of

# other processors and library releases may differ in a number's last digits
RELATIVE = 1e-9
Place = tuple[str, tuple[float, float]]  # a specimen and the ends of one of its readings
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
    left_out: list[Mapping[str, Any]]
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
        left_out=content.get("left_out", []),
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
            *_check_left_out(published, inputs),
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
            if details.get("is_range_alone"):
                row["retention"] = None
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
    numbers = {method["key"]: place for place, method in enumerate(plain["methods"])}
    numbered = dict(plain)
    numbered["methods"] = [_numbered(method, numbers) for method in plain["methods"]]
    numbered["analyses"] = [
        {**one, "methods": [_numbered(method, numbers) for method in one["methods"]]}
        for one in plain.get("analyses", [])
    ]
    built: StudyInputs = _built(StudyInputs, numbered)
    return built


def _numbered(method: Mapping[str, Any], numbers: Mapping[str, int]) -> dict[str, Any]:
    """The method with numbers in place of the rows of a database."""
    arms = [{**arm, "pk": place} for place, arm in enumerate(method["arms"])]
    return {**method, "revision_pk": numbers[method["key"]], "arms": arms}


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
    for method in inputs.methods:
        used = [
            one
            for one in published.readings
            if one["state"] == "used" and one["method_key"] == method.key
        ]
        given, told = _given(method), _told_of(method, used)
        yield Check(
            f"readings of {method.property}",
            (*_unequal(told, given), *_not_as_read(used)),
        )


def _given(method: MethodInputs) -> Counter[Place]:
    specimens = [specimen for arm in method.arms for specimen in arm.specimens]
    if is_graded(method):
        return Counter((s.code, (float(grade), 0.0)) for s in specimens for _, grade in s.grades)
    return Counter((s.code, _rounded(b.low, b.high)) for s in specimens for b in s.bounds)


def _told_of(method: MethodInputs, used: Iterable[Mapping[str, Any]]) -> Counter[Place]:
    if is_graded(method):
        return Counter((str(r["specimen"]), (float(r["grade"]), 0.0)) for r in used)
    return Counter((str(r["specimen"]), _rounded(*_used_ends(r))) for r in used)


def _used_ends(reading: Mapping[str, Any]) -> tuple[float, float | None]:
    low = reading.get("used_low", reading["low"])
    return (0.0 if low is None else low, reading.get("used_high", reading["high"]))


def _not_as_read(used: Iterable[Mapping[str, Any]]) -> Iterable[str]:
    """Readings whose used ends are not those read, and nothing says why."""
    for one in used:
        if one["grade"] is not None or one.get("used_words"):
            continue
        read = _rounded(0.0 if one["low"] is None else one["low"], one["high"])
        if read != _rounded(*_used_ends(one)):
            yield f"{one['specimen']}: read {_shown(read)}, and used otherwise without a reason"


def _unequal(told: Counter[Place], given: Counter[Place]) -> Iterable[str]:
    for specimen, ends in sorted((told - given).elements()):
        yield f"{specimen}: the table has {_shown(ends)}, which the analysis was not given"
    for specimen, ends in sorted((given - told).elements()):
        yield f"{specimen}: the analysis was given {_shown(ends)}, which the table has not"


def _shown(ends: tuple[float, float]) -> str:
    low, high = ends
    if high == 0.0:
        return f"grade {low:g}"  # no interval ends at nothing
    return f"at least {low:g}" if math.isinf(high) else f"{low:g} to {high:g}"


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
        worked_out: Counter[Place] = Counter(
            (source["readings"][k]["specimen"], _rounded(low, high))
            for k, (low, high) in ends.items()
        )
        yield Check(
            what,
            (*_unequal(worked_out, _given(method)), *_other_factors(known, correction)),
        )


FACTORS = ("least_factor", "most_factor", "control_count", "variance", "degrees_of_freedom")


def _other_factors(was: Correction, now: Correction) -> Iterable[str]:
    """Where the factors, or what the control runs leave open of them, are not those published."""
    for name in FACTORS:
        if not _same(getattr(was, name), getattr(now, name)):
            published, again = _said(getattr(was, name)), _said(getattr(now, name))
            yield f"{name}: published {published}, worked out {again}"
    known, again_by_arm = dict(was.weights), dict(now.weights)
    for arm in sorted(known.keys() | again_by_arm.keys()):
        one, other = known.get(arm, ()), again_by_arm.get(arm, ())
        if len(one) != len(other) or not all(map(_same, one, other)):
            yield f"weights of the control runs in {arm}: not those published"


def taken_as_published(published: Published) -> list[str]:
    """What no check above works out again, because the data do not hold what it is made from."""
    taken = ["the step from each entry at the bench to the ends of its reading"]
    moved = sum(
        one["state"] == "used" and bool(one.get("used_words")) for one in published.readings
    )
    if moved:
        taken.append(
            f"what calibrations and indicators make of {count(moved, 'reading', 'readings')}: the "
            "table says as read, as used, and why"
        )
    methods = inputs_of(published.analysis["inputs"]).methods
    for method in methods:
        if method.calibrated is not None:
            taken.append(f"the calibrations' own share in the interval of {method.property}")
        if method.controls:
            taken.append(f"the control runs behind the record of {method.property}")
    return taken


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


def _check_left_out(published: Published, inputs: StudyInputs) -> Iterable[Check]:
    """The analyses that leave valid runs out, as far as their words were published."""
    again = iter(rows_without(inputs, finding_rows(inputs)) if inputs.analyses else [])
    for analysis in published.left_out:
        for one in analysis["findings"]:
            row, was = next(again, None), one["without"]
            what = f"{one['property']}, {one['arm_label']}, {analysis['name']}"
            if row is None:
                yield Check(what, ("published, and not to be worked out",))
                continue
            told = row | {"interval_words": percent_range(row["low"], row["high"])}
            names = ["verdict", "refusal", "n_baseline", "n_other"]
            names += ["interval_words"] if was["interval_words"] else []
            yield Check(
                what,
                tuple(
                    f"{name}: published {_said(was[name])}, worked out {_said(told[name])}"
                    for name in names
                    if was[name] != told[name]
                ),
            )


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
