"""What all studies together say of the loss over service, by property and kind of gear."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields

from django.db.models import F

from labsite.kept_pages import remembered
from reports.degradation.across import (
    CannotPool,
    PooledLoss,
    StudyLoss,
    pool_losses_by_group,
    study_loss,
)
from reports.models import Finding, PublishedFinding, SummaryHead
from reports.queries import Member, study_members
from reports.words import percent, percent_range
from trials.models import Study
from trials.studies import is_closed


@dataclass(frozen=True)
class Measure:
    """A stated amount of service."""

    key: str
    per: float
    words: str


MEASURES = (
    Measure("distance", 10_000, "10\u202f000\u00a0km"),
    Measure("months", 12, "12\u00a0months"),
)


@dataclass(frozen=True)
class PooledLine:
    """One property of one kind of gear over one measure of service, in words."""

    property: str
    kind: str
    per_words: str
    studies: tuple[str, ...]
    kept_words: str
    interval_words: str
    next_words: str
    refusal: str
    left_out: tuple[str, ...]
    retention: float | None = None
    low: float | None = None
    high: float | None = None
    next_low: float | None = None
    next_high: float | None = None


@dataclass(frozen=True)
class _Served:
    """Mean service of an arm's specimens and half its width, in the measure's unit."""

    mean: float
    uncertainty: float


def pooled_lines(*, level: float = 0.95) -> list[PooledLine]:
    """Every property and kind of gear that a current finding speaks of.

    From each study one arm enters, the one with the longest service, because arms share their
    baseline and are not independent. Costs some ten queries a study.
    """
    return _lines(_losses(), level=level)


@remembered
def published_lines() -> list[PooledLine]:
    """The same from published editions alone, for readers.

    Reads every finding of the index once after something was published; then it is remembered.
    """
    return _lines(_published_losses(), level=0.95)


def _lines(
    told: Iterable[tuple[tuple[str, ...], str, StudyLoss | str]], *, level: float
) -> list[PooledLine]:
    losses: list[tuple[tuple[str, ...], StudyLoss]] = []
    left_out: dict[tuple[str, ...], list[str]] = defaultdict(list)
    for group, title, loss in told:
        if isinstance(loss, StudyLoss):
            losses.append((group, loss))
        else:
            left_out[group].append(f"{title}: {loss}")
    pooled = pool_losses_by_group(losses, level=level)
    groups = sorted(pooled.keys() | left_out.keys())
    return [_line(group, pooled.get(group), tuple(left_out[group])) for group in groups]


def _losses() -> Iterator[tuple[tuple[str, ...], str, StudyLoss | str]]:
    heads = SummaryHead.objects.select_related("study", "summary").filter(
        study__kind__in=[Study.Kind.WORN_NEW, Study.Kind.AGES]
    )
    for head in heads.order_by("study__title"):
        if is_closed(head.study):
            continue  # what a blind study shows is not told here either
        members = study_members(head.study)
        kinds = {member.specimen.product.kind for member in members}
        baselines = {arm.pk for arm in head.study.arms.all() if arm.is_baseline}
        if len(kinds) != 1 or any(m.known.is_worn for m in members if m.arm_pk in baselines):
            continue
        findings = head.summary.findings.filter(
            kind=Finding.Kind.RATIO, analysis=""
        ).select_related("revision__method")
        (kind,) = kinds
        for measure in MEASURES:
            yield from _of_study(head.study.title, kind, list(findings), members, measure)


def _of_study(
    title: str, kind: str, findings: list[Finding], members: list[Member], measure: Measure
) -> Iterator[tuple[tuple[str, ...], str, StudyLoss | str]]:
    served = _served(members, measure)
    longest: dict[int, Finding] = {}
    for finding in findings:
        if finding.arm_id in served:
            best = longest.get(finding.revision_id)
            if best is None or served[finding.arm_id].mean > served[best.arm_id].mean:
                longest[finding.revision_id] = finding
    for finding in longest.values():
        group = (finding.revision.method.property, kind, measure.key)
        yield group, title, _loss(title, finding, served[finding.arm_id], measure)


@dataclass(frozen=True)
class _PublishedRow:
    """What pooling needs of a published finding; whole rows of a large index take seconds."""

    card: int
    title: str
    method_key: str
    property: str
    gear_kind: str
    scope: str
    level: float
    retention: float | None
    low: float | None
    high: float | None
    distance_km: float | None
    distance_km_uncertainty: float | None
    months: float | None


def _published_losses() -> Iterator[tuple[tuple[str, ...], str, StudyLoss | str]]:
    found = (
        PublishedFinding.objects.filter(
            kind=Finding.Kind.RATIO,
            is_against_new=True,
            card__kind__in=[Study.Kind.WORN_NEW, Study.Kind.AGES],
        )
        .exclude(gear_kind="")
        .order_by("card__title", "card", "position")
        .annotate(title=F("card__title"))
    )
    rows = [
        _PublishedRow(*row)
        for row in found.values_list(*(field.name for field in fields(_PublishedRow)))
    ]
    for measure in MEASURES:
        longest: dict[tuple[int, str], tuple[_PublishedRow, _Served]] = {}
        for row in rows:
            served = _published_service(row, measure)
            best = longest.get((row.card, row.method_key))
            if served is not None and (best is None or served.mean > best[1].mean):
                longest[row.card, row.method_key] = row, served
        for row, served in longest.values():
            group = (row.property, row.gear_kind, measure.key)
            yield group, row.title, _loss(row.title, row, served, measure)


def _published_service(row: _PublishedRow, measure: Measure) -> _Served | None:
    if measure.key == "months":
        return _Served(row.months, 0.0) if row.months else None
    return _Served(row.distance_km, row.distance_km_uncertainty or 0.0) if row.distance_km else None


def _served(members: list[Member], measure: Measure) -> dict[int, _Served]:
    """Arms of which every specimen's service is known."""
    spans: dict[int, list[tuple[float, float] | None]] = defaultdict(list)
    for member in members:
        spans[member.arm_pk].append(_span(member, measure))
    found = {}
    for arm, each in spans.items():
        known = [span for span in each if span is not None]
        if len(known) == len(each) and any(best > 0 for best, _ in known):
            mean = sum(best for best, _ in known) / len(known)
            # errors of one arm's owners are not independent: their halves are averaged, not shrunk
            found[arm] = _Served(mean, sum(half for _, half in known) / len(known))
    return found


def _span(member: Member, measure: Measure) -> tuple[float, float] | None:
    if measure.key == "months":
        return member.known.months, 0.0
    distance = member.known.distance_km
    if distance is None:
        return None if member.known.is_worn else (0.0, 0.0)
    # low and high are the owner's outermost guesses: a quarter of the span is a standard deviation
    return distance.best, (distance.high - distance.low) / 4


def _loss(
    title: str, finding: Finding | _PublishedRow, served: _Served, measure: Measure
) -> StudyLoss | str:
    if finding.scope != "this model":
        return "speaks for its items only, not for the model"
    if finding.retention is None or finding.low is None or finding.high is None:
        return "its interval has an open end"
    try:
        return study_loss(
            title,
            retention=(finding.retention, finding.low, finding.high),
            level=finding.level,
            service=served.mean,
            per=measure.per,
            service_uncertainty=served.uncertainty,
        )
    except CannotPool as why:
        return str(why)


def _line(
    group: tuple[str, ...], pooled: PooledLoss | None, left_out: tuple[str, ...]
) -> PooledLine:
    name, kind, key = group
    measure = next(m for m in MEASURES if m.key == key)
    kept = interval = following = ""
    next_low = next_high = None
    refusal = pooled.refusal if pooled else "No study can be pooled."
    if pooled is not None and pooled.retention is not None:
        kept = percent(pooled.retention)
        interval = percent_range(pooled.retention_low, pooled.retention_high)
        if pooled.prediction_low is not None and pooled.prediction_high is not None:
            next_low = math.exp(-pooled.prediction_high)
            next_high = math.exp(-pooled.prediction_low)
            following = percent_range(next_low, next_high)
    return PooledLine(
        property=name,
        kind=kind,
        per_words=measure.words,
        studies=pooled.labels if pooled else (),
        kept_words=kept,
        interval_words=interval,
        next_words=following,
        refusal=refusal,
        left_out=left_out,
        retention=pooled.retention if pooled else None,
        low=pooled.retention_low if pooled else None,
        high=pooled.retention_high if pooled else None,
        next_low=next_low,
        next_high=next_high,
    )
