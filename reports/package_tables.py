"""The tables of a data package: their columns, and an edition's content as rows. No Django here."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

Row = dict[str, Any]


@dataclass(frozen=True)
class Column:
    """A column of a table; `unit` in words or as a UCUM sign."""

    name: str
    type: str
    description: str
    unit: str = ""
    is_needed: bool = False
    categories: tuple[str, ...] = ()

    @property
    def field(self) -> Row:
        """The column in Table Schema's words. Units are a property of our own: it has none."""
        field: Row = {"name": self.name, "type": self.type, "description": self.description}
        if self.unit:
            field["unit"] = self.unit
        constraints: Row = {}
        if self.is_needed:
            constraints["required"] = True
        if self.categories:
            constraints["enum"] = list(self.categories)
        if constraints:
            field["constraints"] = constraints
        return field


@dataclass(frozen=True)
class Table:
    """A table of the package."""

    name: str
    title: str
    description: str
    columns: tuple[Column, ...]
    primary_key: tuple[str, ...] = ()
    # column here, table there, column there
    foreign_keys: tuple[tuple[str, str, str], ...] = ()

    @property
    def schema(self) -> Row:
        """The table in Table Schema's words."""
        schema: Row = {
            "fields": [column.field for column in self.columns],
            "missingValues": [""],
        }
        if self.primary_key:
            schema["primaryKey"] = list(self.primary_key)
        if self.foreign_keys:
            schema["foreignKeys"] = [
                {"fields": [mine], "reference": {"resource": table, "fields": [theirs]}}
                for mine, table, theirs in self.foreign_keys
            ]
        return schema


def _text(name: str, description: str, **more: Any) -> Column:
    return Column(name, "string", description, **more)


def _number(name: str, description: str, **more: Any) -> Column:
    return Column(name, "number", description, **more)


def _count(name: str, description: str, **more: Any) -> Column:
    return Column(name, "integer", description, **more)


SPECIMENS = Table(
    "specimens",
    "Items tested",
    "One row for each physical item. The item is the unit of replication.",
    (
        _text("specimen", "Code of the item", is_needed=True),
        _text("arm", "Key of its arm", is_needed=True),
        _text("arm_label", "Its arm in words", is_needed=True),
        Column("is_baseline", "boolean", "The other arms are compared with this one"),
        _text("maker", "Maker"),
        _text("product", "Product"),
        _text("size", "Size as labelled"),
        _text("lot", "Lot as labelled"),
        _number("price", "Price paid", unit="see currency"),
        _text("currency", "ISO 4217 code of the price"),
        _text("source", "Who paid for it, lent it or gave it"),
        _text("pair", "Items of two arms with the same label here are matched"),
        _text("condition", "Condition at intake"),
    ),
    primary_key=("specimen",),
)
SERVICE = Table(
    "service",
    "What the items had been through",
    "One row for each item: totals at its first run, with how they are known. Empty is not known.",
    (
        _text("specimen", "Code of the item", is_needed=True),
        _number("distance_km_low", "Least distance it can be", unit="km"),
        _number("distance_km_best", "Best guess of the distance", unit="km"),
        _number("distance_km_high", "Most distance it can be", unit="km"),
        _number("months", "Months in service", unit="mo"),
        _count("wash_count", "Washes"),
        _text("evidence", "How it is known, weakest first, separated by semicolons"),
        _text("incidents", "Crash, fall, soak or heat, each with its day, separated by semicolons"),
        _text("words", "All of it in words"),
    ),
    primary_key=("specimen",),
    foreign_keys=(("specimen", "specimens", "specimen"),),
)
METHODS = Table(
    "methods",
    "Methods used",
    "One row for each method revision.",
    (
        _text("method", "Key of the method", is_needed=True),
        _count("revision", "Revision of the method", is_needed=True),
        _text("name", "Name"),
        _text("property", "Property that it speaks of"),
        _text("quantity", "Quantity measured"),
        _text("unit", "Unit of low and high in the readings"),
        _text("outcome", "Kind of reading"),
        _text("better", "Which way is better", categories=("higher", "lower")),
        _number("margin", "Change that matters, declared before the first reading", unit="1"),
        _text("resolution", "Resolution"),
        _text("detection_limit", "Below this nothing is seen"),
        _text("relation", "How it stands to a published standard"),
        _text("standard_note", "Which standard, and how the method departs from it"),
    ),
    primary_key=("method",),
)
FINDINGS = Table(
    "findings",
    "Findings",
    "One row for each property and arm held against the baseline. Retention below 1 is worse, "
    "whichever way the property is measured. An empty end is open.",
    (
        _count("number", "Place on the scorecard", is_needed=True),
        _text("method", "Key of the method", is_needed=True),
        _text("property", "Property", is_needed=True),
        _text("arm", "Key of the arm", is_needed=True),
        _text("arm_label", "The arm in words"),
        _text("baseline_label", "What it is held against"),
        _text("kind", "Retention, grades, or refused", categories=("ratio", "grades", "refused")),
        _count("n_arm", "Items in the arm"),
        _count("n_baseline", "Items in the baseline"),
        _number("level", "Level of the interval", unit="1"),
        _number("margin", "Margin that matters", unit="1"),
        _number("retention", "Best figure; empty where the range stands alone", unit="1"),
        _number("low", "Lower end of the interval", unit="1"),
        _number("high", "Upper end of the interval", unit="1"),
        _text("verdict", "Verdict"),
        _number("smallest_visible_loss", "Smallest loss that could have been seen", unit="1"),
        _text("scope", "What the finding speaks for"),
        _text("scale", "How the arms' scatters were tied"),
        _text("refusal", "Why nothing is claimed"),
        _text("sentence", "The finding in words"),
        _text("cautions", "Cautions of this finding"),
    ),
    primary_key=("number",),
    foreign_keys=(("method", "methods", "method"),),
)
READINGS = Table(
    "readings",
    "Every reading",
    "One row for each reading as the bench gave it, also void and replaced ones. A reading is an "
    "interval from low to high; an empty high means no upper end. Grades have no interval.",
    (
        _count("number", "Place in the order of the bench", is_needed=True),
        _text("specimen", "Code of the item", is_needed=True),
        _text("arm_label", "Its arm"),
        _text("property", "Property"),
        _text("method", "Key of the method", is_needed=True),
        _text("zone", "Part of the item"),
        _count("site", "Spot on the part"),
        Column("measured_at", "datetime", "When it was read", is_needed=True),
        _number("low", "Lower end", unit="see unit"),
        _number("high", "Upper end; empty: none", unit="see unit"),
        _number("used_low", "Lower end as it went into the findings", unit="see unit"),
        _number("used_high", "Upper end as it went into the findings", unit="see unit"),
        _text("used_words", "Why the used ends are not those read; empty: they are"),
        _text("unit", "Unit"),
        _count("grade", "Grade, for graded methods"),
        _text("rater", "Which rater, without the name"),
        _text("state", "Used, void, or superseded by a later entry", is_needed=True),
        _text("reason", "Why it is void or superseded"),
        _text("left_out_of", "Named analyses that leave it out, separated by semicolons"),
        _text("words", "The reading in words"),
    ),
    primary_key=("number",),
    foreign_keys=(("specimen", "specimens", "specimen"), ("method", "methods", "method")),
)
CONTROLS = Table(
    "controls",
    "Control runs",
    "One row for each run on a control material: what the methods' own scatter is known from.",
    (
        _count("number", "Place in the table", is_needed=True),
        _text("method", "Key of the method", is_needed=True),
        _text("session", "Material and session"),
        _number("low", "Lower end", unit="see the method"),
        _number("high", "Upper end; empty: none", unit="see the method"),
    ),
    primary_key=("number",),
    foreign_keys=(("method", "methods", "method"),),
)
TRENDS = Table(
    "trends",
    "Retention over service",
    "Points of the line and band of each trend.",
    (
        _count("number", "Place in the table", is_needed=True),
        _count("trend", "Which trend of the scorecard", is_needed=True),
        _text("property", "Property"),
        _text("driver", "Measure of service"),
        _number("exposure", "Amount of service", unit="see driver"),
        _number("retention", "Best figure", unit="1"),
        _number("low", "Lower end of the band", unit="1"),
        _number("high", "Upper end of the band", unit="1"),
    ),
    primary_key=("number",),
)
# what `analyse` reads; the first arm of a property is its baseline
INTERVALS = Table(
    "intervals",
    "Intervals as analysed",
    "The used readings in the form that any program for interval-censored values can take, after "
    "the correction for machine drift where the method has one. The first arm of a property is "
    "its baseline.",
    (
        _text("property", "Property", is_needed=True),
        _text("direction", "What is better", is_needed=True, categories=("higher", "lower")),
        _text("arm", "Arm", is_needed=True),
        _text("specimen", "Code of the item", is_needed=True),
        _number("low", "Lower end", is_needed=True),
        _number("high", "Upper end; empty: none"),
        _text("pair", "Matched items share a label"),
        _number("exposure", "Distance in service, for studies over service", unit="km"),
    ),
    foreign_keys=(("specimen", "specimens", "specimen"),),
)
GRADES = Table(
    "grades",
    "Grades as analysed",
    "The used grades, one row for each item and rater.",
    (
        _text("property", "Property", is_needed=True),
        _text("direction", "What is better", is_needed=True, categories=("higher", "lower")),
        _text("arm", "Arm", is_needed=True),
        _text("specimen", "Code of the item", is_needed=True),
        _count("grade", "Grade", is_needed=True),
        _text("rater", "Which rater", is_needed=True),
    ),
    foreign_keys=(("specimen", "specimens", "specimen"),),
)
TABLES = (
    SPECIMENS,
    SERVICE,
    METHODS,
    READINGS,
    FINDINGS,
    CONTROLS,
    TRENDS,
    INTERVALS,
    GRADES,
)


def rows_of(content: Mapping[str, Any]) -> dict[str, list[Row]]:
    """The rows of every table, by its name."""
    return {
        SPECIMENS.name: list(_specimens(content)),
        SERVICE.name: list(_service(content)),
        METHODS.name: list(_methods(content)),
        READINGS.name: list(_readings(content)),
        FINDINGS.name: list(_findings(content)),
        CONTROLS.name: list(_controls(content)),
        TRENDS.name: list(_trends(content)),
        INTERVALS.name: list(_intervals(content)),
        GRADES.name: list(_grades(content)),
    }


def _inputs(content: Mapping[str, Any]) -> list[Row]:
    # editions published before inputs were kept have none
    methods: list[Row] = content.get("analysis", {}).get("inputs", {}).get("methods", [])
    return methods


def _pairs(content: Mapping[str, Any]) -> dict[str, str]:
    return {
        one["code"]: one["pair"]
        for method in _inputs(content)
        for arm in method["arms"]
        for one in arm["specimens"]
    }


def _specimens(content: Mapping[str, Any]) -> Iterable[Row]:
    pairs = _pairs(content)
    for arm in content["arms"]:
        for one in arm["specimens"]:
            yield {
                "specimen": one["code"],
                "arm": arm["key"],
                "arm_label": arm["label"],
                "is_baseline": arm["is_baseline"],
                "maker": one["maker"],
                "product": one["product"],
                "size": one["size"],
                "lot": one["lot"],
                "price": None if one.get("price_amount") is None else float(one["price_amount"]),
                "currency": one.get("currency", ""),
                "source": one["source_words"],
                "pair": pairs.get(one["code"], ""),
                "condition": one["condition"],
            }


def _service(content: Mapping[str, Any]) -> Iterable[Row]:
    for arm in content["arms"]:
        for one in arm["specimens"]:
            distance = one["distance_km"] or dict.fromkeys(("low", "best", "high"))
            yield {
                "specimen": one["code"],
                "distance_km_low": distance["low"],
                "distance_km_best": distance["best"],
                "distance_km_high": distance["high"],
                "months": one["months"],
                "wash_count": one.get("wash_count"),
                "evidence": "; ".join(one.get("evidence", [])),
                "incidents": "; ".join(
                    f"{told['kind']} {told['on'] or 'on an unknown day'}"
                    for told in one.get("incidents", [])
                ),
                "words": one["service_words"],
            }


def _methods(content: Mapping[str, Any]) -> Iterable[Row]:
    margins = {f["method"]["key"]: f["margin"] for f in content["findings"]}
    better = {f["method"]["key"]: f["direction"] for f in content["findings"]}
    for one in content["methods"]:
        yield {
            "method": one["key"],
            "revision": one["number"],
            "name": one["name"],
            "property": one["property"],
            "quantity": one["quantity"],
            "unit": one["unit"],
            "outcome": one["outcome_words"],
            "better": _direction(better.get(one["key"], "")),
            "margin": margins.get(one["key"]),
            "resolution": one["resolution_words"],
            "detection_limit": one["detection_limit_words"],
            "relation": one["relation"],
            "standard_note": one["standard_note"],
        }


def _direction(stored: str) -> str | None:
    return next((word for word in ("higher", "lower") if stored.startswith(word)), None)


def _readings(content: Mapping[str, Any]) -> Iterable[Row]:
    same = ("specimen", "arm_label", "property", "zone", "site", "measured_at", "low", "high")
    more = ("unit", "grade", "rater", "state", "reason", "words")
    for number, one in enumerate(content["readings"], start=1):
        named = {name: one[name] for name in (*same, *more)}
        used = {
            "used_low": one.get("used_low", one["low"]),
            "used_high": one.get("used_high", one["high"]),
            "used_words": one.get("used_words", ""),
            "left_out_of": "; ".join(one.get("left_out_of", [])),
        }
        yield {"number": number, "method": one["method_key"], **named, **used}


def _findings(content: Mapping[str, Any]) -> Iterable[Row]:
    for number, one in enumerate(content["findings"], start=1):
        yield {
            "number": number,
            "method": one["method"]["key"],
            "n_arm": one["n_other"],
            "cautions": " ".join(one["cautions"]),
        } | {
            name: one[name]
            for name in (
                "property",
                "arm",
                "arm_label",
                "baseline_label",
                "kind",
                "n_baseline",
                "level",
                "margin",
                "retention",
                "low",
                "high",
                "verdict",
                "smallest_visible_loss",
                "scope",
                "scale",
                "refusal",
                "sentence",
            )
        }


def _controls(content: Mapping[str, Any]) -> Iterable[Row]:
    number = 0
    for method in _inputs(content):
        for session, bounds in method["controls"]:
            for bound in bounds:
                number += 1
                yield {
                    "number": number,
                    "method": method["key"],
                    "session": session,
                    "low": bound["low"],
                    "high": bound["high"],
                }


def _trends(content: Mapping[str, Any]) -> Iterable[Row]:
    number = 0
    for place, trend in enumerate(content.get("trends", []), start=1):
        for point in trend["points"]:
            number += 1
            yield {
                "number": number,
                "trend": place,
                "property": trend["property"],
                "driver": trend["driver"],
                **{name: point[name] for name in ("exposure", "retention", "low", "high")},
            }


def _analysed(content: Mapping[str, Any]) -> Iterable[tuple[Row, Row, Row]]:
    """Every item of every method with its method's and arm's words, baseline first."""
    for method in _inputs(content):
        arms = sorted(method["arms"], key=lambda arm: not arm["is_baseline"])
        direction = "higher" if method["higher_is_better"] else "lower"
        for arm in arms:
            named = {
                "property": method["property"],
                "direction": direction,
                "arm": arm["label"],
            }
            for one in arm["specimens"]:
                yield named | {"specimen": one["code"]}, one, method


def _intervals(content: Mapping[str, Any]) -> Iterable[Row]:
    for named, one, _ in _analysed(content):
        service = one.get("service") or {}
        for bound in one["bounds"]:
            yield named | {
                "low": bound["low"],
                "high": bound["high"],
                "pair": one["pair"],
                "exposure": service.get("distance_km"),
            }


def _grades(content: Mapping[str, Any]) -> Iterable[Row]:
    for named, one, _ in _analysed(content):
        for rater, grade in one["grades"]:
            yield named | {"grade": grade, "rater": rater}
