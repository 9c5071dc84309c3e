"""Which pictures a scorecard's content can give, and their SVG. The figures are the page's own."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.utils import timezone

from labsite.models import Lab
from reports import words
from reports.pictures import draw
from reports.pictures.canvas import Shape
from reports.pictures.survival import product_limit
from trials.models import MethodRevision

DRIVERS = {"distance_km": "distance", "months": "months", "wash_count": "washes"}


@dataclass(frozen=True)
class Picture:
    """A picture that can be drawn in any shape, on paper or clear."""

    name: str
    title: str
    alternative: str
    source: str
    draws: Callable[[draw.Frame], str]

    def svg(self, shape: Shape, *, clear: bool = False) -> str:
        """Draw it."""
        return self.draws(draw.Frame(shape, clear, self.title, self.source, self.alternative))


def pictures_of(content: dict[str, Any]) -> list[Picture]:
    """Every picture that the content has figures for, in a fixed order."""
    return [
        *_retention(content),
        *_by_method(content),
        *_trends(content),
        *_prices(content),
    ]


def picture_of(content: dict[str, Any], name: str) -> Picture | None:
    """One picture by its name."""
    return next((one for one in pictures_of(content) if one.name == name), None)


def _source(content: dict[str, Any], counts: str) -> str:
    """The line burnt in: which lab, which study and edition, how many items, which level."""
    lab = Lab.objects.first()
    edition = content.get("edition")
    state = f"edition {edition['number']}" if edition else "not published yet"
    at = timezone.localtime(datetime.fromisoformat(content["computed_at"]))
    parts = [
        f"{lab.name if lab else 'The lab'}: {content['study']['title']}, {state}.",
        f"{counts} {content['study']['level_words']} intervals." if counts else "",
        f"Computed {at:%d.%m.%Y}.",
        "Invented data." if content["invented"] else "",
        "Certifies nothing.",
    ]
    return " ".join(part for part in parts if part)


def _counts(findings: Iterable[dict[str, Any]]) -> str:
    told = sorted({(f["n_other"], f["n_baseline"]) for f in findings})
    return "Items: " + ", ".join(f"{n} against {m}" for n, m in told) + "."


def _retention(content: dict[str, Any]) -> Iterable[Picture]:
    found = [
        f
        for f in content["findings"]
        if f["retention"] is not None or f["low"] is not None or f["high"] is not None
    ]
    several = len({f["arm"] for f in found}) > 1
    if not found:
        return
    rows = [
        draw.Kept(
            label=words.capital(f["property"]) + (f", {f['arm_label']}" if several else ""),
            words=f"{f['verdict_words']}. {f['sentence']}",
            retention=f["retention"],
            low=f["low"],
            high=f["high"],
            margin=f["margin"],
        )
        for f in found
    ]
    baseline = found[0]["baseline_label"]
    yield Picture(
        name=f"kept-{content['study']['slug']}",
        title=f"What was kept, with {baseline} at 100\u00a0%",
        alternative=" ".join(f"{row.label}: {row.words}" for row in rows),
        source=_source(content, _counts(found)),
        draws=lambda frame: draw.retention(frame, rows),
    )


def _by_method(content: dict[str, Any]) -> Iterable[Picture]:
    seen: set[str] = set()
    for found in content["findings"]:
        key = found["method"]["key"]
        if key in seen or found["kind"] == "grades":
            continue
        seen.add(key)
        rows = [
            r
            for r in content["readings"]
            if r["method_key"] == key and r["low"] is not None and r["state"] != "superseded"
        ]
        if rows:
            yield from _readings(content, found, rows)


def _readings(
    content: dict[str, Any], found: dict[str, Any], rows: list[dict[str, Any]]
) -> Iterable[Picture]:
    key, name = found["method"]["key"], words.capital(found["property"])
    labels = [arm["label"] for arm in content["arms"]]
    groups = [
        draw.Group(label, len({r["specimen"] for r in rows if r["arm_label"] == label}))
        for label in labels
    ]
    readings = [
        draw.Read(
            group=labels.index(r["arm_label"]),
            item=r["specimen"],
            low=r["low"],
            high=r["high"],
            words=r["words"],
            is_void=r["state"] == "void",
        )
        for r in sorted(rows, key=lambda r: (labels.index(r["arm_label"]), r["specimen"]))
        if r["arm_label"] in labels
    ]
    method = next((m for m in content["methods"] if m["key"] == key), {"quantity": ""})
    axis = f"{method['quantity']}, {found['unit']}"
    told = f"{len(readings)} readings. " + "; ".join(f"{r.item}: {r.words}" for r in readings)
    counts = _counts(f for f in content["findings"] if f["method"]["key"] == key)
    source = _source(content, counts)
    yield Picture(
        f"readings-{key}",
        f"{name}: every reading",
        told,
        source,
        lambda frame: draw.readings_strip(frame, groups, readings, axis),
    )
    revision = MethodRevision.objects.filter(
        method__key=key, number=found["method"]["number"]
    ).first()
    kind = "" if revision is None else revision.outcome_kind
    if revision is not None and kind in ("rising_steps", "challenge"):
        levels = sorted(float(level) for level in revision.levels)
        yield Picture(
            f"ladder-{key}",
            f"{name}: held and failed",
            told,
            source,
            lambda frame: draw.ladder(frame, groups, readings, levels, axis),
        )
    valid = [r for r in readings if not r.is_void]
    curves = [
        product_limit(
            (r.low if r.high is None else r.high, r.high is not None)
            for r in valid
            if r.group == place
        )
        for place in range(len(labels))
    ]
    if valid and (kind in ("timer", "tally") or any(r.high is None for r in valid)):
        ends = "; ".join(
            f"{label}: {curve[-1].share:.2f} still whole after {curve[-1].at:g} {found['unit']}"
            for label, curve in zip(labels, curves, strict=True)
            if curve
        )
        yield Picture(
            f"whole-{key}",
            f"{name}: runs still whole",
            f"Steps with a tick where a run was stopped. {ends}.",
            source,
            lambda frame: draw.survival(frame, groups, curves, axis),
        )


def _trends(content: dict[str, Any]) -> Iterable[Picture]:
    keys = {f["property"]: f["method"]["key"] for f in content["findings"]}
    for trend in content.get("trends", []):
        if not trend["points"] or trend["property"] not in keys:
            continue
        points = [
            draw.BandPoint(p["exposure"], p["retention"], p["low"], p["high"])
            for p in trend["points"]
        ]
        yield _trend(content, trend, points, keys[trend["property"]])


def _trend(
    content: dict[str, Any], trend: dict[str, Any], points: list[draw.BandPoint], key: str
) -> Picture:
    axis = f"{trend['driver_words']}, {trend['driver_unit']}"
    return Picture(
        name=f"trend-{key}-{DRIVERS[trend['driver']]}",
        title=f"{words.capital(trend['property'])} kept over {trend['driver_words']}",
        alternative=f"{trend['sentence']} {trend['limit_sentence']} {trend['fit_sentence']}",
        source=_source(content, f"{trend['specimen_count']} items."),
        draws=lambda frame: draw.trend(frame, points, trend["exposures"], axis),
    )


def _prices(content: dict[str, Any]) -> Iterable[Picture]:
    if content["study"]["kind"] != "price":
        return
    paid = {arm["label"]: _paid(arm) for arm in content["arms"]}
    for found in content["findings"]:
        told = paid[found["arm_label"]], paid[found["baseline_label"]]
        if found["kind"] != "ratio" or None in told:
            continue
        (price, price_words), (base, base_words) = (one for one in told if one is not None)
        arms = [
            draw.Priced(found["baseline_label"], base, base_words, 1.0, None, None, "100 %"),
            draw.Priced(
                found["arm_label"],
                price,
                price_words,
                found["retention"],
                found["low"],
                found["high"],
                ", ".join(filter(None, (found["retention_words"], found["interval_words"]))),
            ),
        ]
        yield _price(content, found, arms)


def _price(content: dict[str, Any], found: dict[str, Any], arms: list[draw.Priced]) -> Picture:
    return Picture(
        name=f"price-{found['method']['key']}",
        title=f"{words.capital(found['property'])} against the price paid",
        alternative=f"{found['sentence']} "
        + "; ".join(f"{a.label}: {a.price_words}" for a in arms),
        source=_source(content, _counts([found])),
        draws=lambda frame: draw.price(
            frame, arms, arms[0].price_words.strip("0123456789.,\u00a0 to")[:1]
        ),
    )


def _paid(arm: dict[str, Any]) -> tuple[float, str] | None:
    """The middle of what was paid for the items of an arm, and the words for it."""
    known = [(_amount(one["price"]), one["price"]) for one in arm["specimens"] if one["price"]]
    if not known:
        return None
    known.sort()
    middle = known[len(known) // 2][0]
    low, high = known[0][1], known[-1][1]
    return middle, low if low == high else f"{low} to {high}"


def _amount(price: str) -> float:
    return float("".join(sign for sign in price if sign.isdigit() or sign == ".") or 0)
