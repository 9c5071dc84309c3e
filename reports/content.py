"""Builds what an edition freezes: every word and figure of a scorecard, as plain JSON."""

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, replace
from datetime import datetime
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db.models import Q, prefetch_related_objects
from django.utils import timezone

from labsite.models import LICENCE_URLS, Lab
from reports import charts, words
from reports.cautions import ArmFacts, Caution, ConductFacts, Facts, cautions_for
from reports.charts import Shown
from reports.evidence_photos import photos_content
from reports.findings import specimen_values
from reports.left_out import exclusion_sentence, left_out_content
from reports.models import EditionDraft, Finding, Summary
from reports.quality import quality_facts
from reports.queries import (
    ArmInputs,
    DriftSource,
    Member,
    MethodInputs,
    StudyInputs,
    UsedEnds,
    drift_source,
    findings_for_page,
    findings_without,
    rater_labels,
    standing,
    study_inputs,
    study_members,
)
from reports.translations import standing_translations
from reports.trend_content import trend_words
from reports.words import NBSP, RatioFigures
from specimens.models import Specimen
from specimens.queries import exposure_words
from specimens.words import THIN_SPACE, date_words
from trials.conduct import Conduct, conduct_of
from trials.intervals import ReadingKind, plain
from trials.leaving_out import left_out_now
from trials.models import (
    Arm,
    ArmSpecimen,
    MethodRevision,
    Reading,
    RunExclusion,
    RunVoid,
    Study,
    StudyAmendment,
)
from trials.published_levels import LimitBeside, limits_beside
from trials.stands_for import stands_for

CONTENT_FORMAT = 1
SYMBOLS = {"GBP": "£", "EUR": "€", "USD": "$"}


def study_content(study: Study, summary: Summary, extra_cautions: Iterable[str]) -> dict[str, Any]:
    """Everything of a card but the edition's own words. Costs some twenty queries."""
    inputs = study_inputs(study)
    findings = findings_for_page(summary)
    prefetch_related_objects(findings, "revision__method__published_limits")
    members = study_members(study)
    methods = {m.revision_pk: m for m in inputs.methods}
    exclusions = left_out_now(study)
    readings = _readings(study, inputs.used, exclusions)
    conduct = conduct_of(study)
    facts = replace(
        _facts(study, members, findings, readings),
        conduct=_conduct_facts(conduct),
        left_out=tuple(exclusion_sentence(one) for one in exclusions),
    )
    used = study.study_methods.select_related("revision__method").prefetch_related(
        "revision__method__published_limits"
    )
    shown = [_shown(finding) for finding in findings]
    top = charts.strip_top(shown)
    return {
        "format": CONTENT_FORMAT,
        "engine": summary.engine_version,
        "inputs_digest": summary.inputs_digest,
        "computed_at": summary.computed_at.isoformat(),
        "invented": study.is_invented,
        "study": _study(study)
        | {
            "primary": next((u.revision.method.property for u in used if u.is_primary), ""),
            "family_words": words.family_words(
                study.level, inputs.comparison_count, is_simultaneous=study.is_simultaneous
            ),
        },
        "arms": [_arm(arm, members) for arm in study.arms.all()],
        "findings": [
            _finding(finding, methods[finding.revision_id]) | {"chart": charts.strip(one, top)}
            for finding, one in zip(findings, shown, strict=True)
        ],
        "trends": trends_content(summary),
        "left_out": left_out(study, summary, exclusions),
        "cautions": [asdict(caution) for caution in cautions_for(facts)]
        + [asdict(Caution("editor", line, line)) for line in extra_cautions],
        "readings": readings,
        "methods": [_method(one.revision, one.margin) for one in used],
        "counts": _counts(study, exclusions),
        "amendments": [_amendment(one) for one in conduct.amendments],
        "photos": photos_content(study),
        "licence": licence_of_lab(),
        "analysis": analysis_content(study, inputs),
    }


def licence_of_lab() -> dict[str, str]:
    """The licence that the lab states for what it publishes, as it is now."""
    lab = Lab.objects.first() or Lab()
    return {
        "name": lab.licence,
        "title": lab.get_licence_display(),
        "url": LICENCE_URLS[lab.licence],
        "publisher": lab.name or "Wornproof",
    }


def analysis_content(study: Study, inputs: StudyInputs) -> dict[str, Any]:
    """What anybody needs to work the findings out again: `manage.py verify` reads it."""
    standing_for = stands_for(study)
    return {
        "inputs": inputs.plain,
        "drift": [
            {"key": method.key, "number": method.number}
            | _drift(drift_source(study, method, standing_for))
            for method in inputs.methods
            if method.correction is not None
        ],
    }


def _drift(source: DriftSource) -> dict[str, Any]:
    return {
        "reference": source.reference,
        "drift_limit": source.drift_limit,
        "readings": [asdict(reading) for reading in source.readings],
        "controls": [
            {
                "at_s": point.at_s,
                "low": point.reading.low,
                "high": None if math.isinf(point.reading.high) else point.reading.high,
                "group": point.group,
            }
            for point in source.controls
        ],
    }


def _study(study: Study) -> dict[str, Any]:
    return {
        "slug": study.slug,
        "title": study.title,
        "question": study.question,
        "kind": study.kind,
        "kind_words": study.get_kind_display(),
        "level": study.level,
        "level_words": words.level_words(study.level),
        "margin": study.margin,
        "registered_at": study.registered_at.isoformat() if study.registered_at else None,
        "registration_digest": study.registration_digest,
        "exclusion_rules": study.exclusion_rules,
        "change_of_mind": study.change_of_mind,
        "population": study.population,
        "not_claimed": study.not_claimed,
    }


def _amendment(one: StudyAmendment) -> dict[str, Any]:
    known = "values were known by then" if one.values_were_known else "no value was known"
    return {
        "at": one.at.isoformat(),
        "kind_words": one.get_kind_display(),
        "what": one.what,
        "reason": one.reason,
        "known_words": known,
    }


def _conduct_facts(known: Conduct) -> ConductFacts:
    return ConductFacts(
        is_randomised=known.is_randomised,
        out_of_order=known.out_of_order,
        is_blind=known.is_blind,
        unblinded_readers=known.unblinded_readers,
        looks=tuple(
            f"{words.capital(date_words(timezone.localdate(look.at)))}: {look.runs_read} of {look.runs_planned} "
            "runs read."
            for look in known.looks
        ),
        amendments=tuple(f"{one.what} ({one.reason})" for one in known.amendments),
        late_amendments=tuple(one.what for one in known.amendments if one.values_were_known),
    )


# --- arms ------------------------------------------------------------------------------------


def _arm(arm: Arm, members: list[Member]) -> dict[str, Any]:
    return {
        "key": arm.key,
        "label": arm.label,
        "is_baseline": arm.is_baseline,
        "specimens": [_specimen(m) for m in members if m.arm_pk == arm.pk],
    }


def _specimen(member: Member) -> dict[str, Any]:
    specimen = member.specimen
    distance = member.known.distance_km
    return {
        "code": specimen.code,
        "product": specimen.product.name,
        "maker": specimen.product.maker,
        "size": specimen.size,
        "lot": specimen.lot,
        "price": money(specimen.price_paid, specimen.currency),
        "price_amount": None if specimen.price_paid is None else f"{specimen.price_paid:.2f}",
        "currency": specimen.currency,
        "acquired": specimen.acquired,
        "wash_count": member.known.wash_count,
        "evidence": list(member.known.evidence),
        "incidents": [
            {"kind": one.kind, "on": one.on.isoformat() if one.on else None}
            for one in member.known.incidents
        ],
        "source_words": source_words(specimen),
        "service_words": exposure_words(member.known),
        "distance_km": None if distance is None else asdict(distance),
        "months": round(member.known.months, 1),
        "condition": specimen.condition_at_intake,
    }


def money(amount: Decimal | None, currency: str) -> str:
    """A price as printed, or nothing."""
    if amount is None:
        return ""
    figure = f"{amount:,.2f}".removesuffix(".00").replace(",", THIN_SPACE)
    symbol = SYMBOLS.get(currency)
    return f"{symbol}{figure}" if symbol else f"{figure}{NBSP}{currency}"


def source_words(specimen: Specimen) -> str:
    """Who paid for the specimen or lent it."""
    price = money(specimen.price_paid, specimen.currency)
    if specimen.acquired == Specimen.Acquired.BOUGHT:
        by = specimen.paid_by or "not recorded by whom"
        return f"bought by {by}{f' for {price}' if price else ''}"
    who = specimen.paid_by or "a source not recorded"
    return f"{specimen.acquired} by {who}"


# --- cautions --------------------------------------------------------------------------------


def _facts(
    study: Study,
    members: list[Member],
    findings: list[Finding],
    readings: list[dict[str, Any]],
) -> Facts:
    arms = []
    for arm in study.arms.all():
        mine = [m for m in members if m.arm_pk == arm.pk]
        worn = [m for m in mine if m.known.is_worn]
        arms.append(
            ArmFacts(
                label=arm.label,
                item_count=len(mine),
                is_worn=bool(worn),
                owners=frozenset(m.specimen.owner_alias for m in worn),
                sizes=frozenset(m.specimen.size for m in mine),
                lots=frozenset(m.specimen.lot for m in mine),
                evidence=frozenset(e for m in worn for e in m.known.evidence),
                incident_kinds=frozenset(i.kind for m in worn for i in m.known.incidents),
            )
        )
    products = {m.specimen.product for m in members}
    sources = Counter(f"{m.specimen.product}: {source_words(m.specimen)}" for m in members)
    return Facts(
        arms=tuple(arms),
        absorbs_impact=any(product.absorbs_impact for product in products),
        is_same_product=len(products) == 1,
        methods_with_notes=tuple(
            (used.revision.method.name, used.revision.standard_note)
            for used in study.study_methods.select_related("revision__method")
            if used.revision.standard_note
        ),
        has_open_readings=any(
            r["state"] == "used" and r["low"] is not None and (r["high"] is None or r["low"] == 0)
            for r in readings
        ),
        has_age_result=any(arm.is_worn for arm in arms),
        amended_count=sum(r["state"] == "superseded" for r in readings),
        sources=tuple(
            f"{words.capital(source)}{f' ({n} items)' if n > 1 else ''}."
            for source, n in sorted(sources.items())
        ),
        quality=quality_facts(
            study,
            sorted(
                f"{words.capital(f.revision.method.property)}: readings were multiplied by "
                f"{f.details['correction']['least_factor']:.3g} to "
                f"{f.details['correction']['most_factor']:.3g}."
                for f in findings
                if f.details.get("correction")
            ),
            sorted({words.capital(line) for f in findings for line in _calibration_words(f)}),
        ),
    )


def _calibration_words(finding: Finding) -> Iterable[str]:
    known = finding.details.get("calibration") or {}
    name = finding.revision.method.property
    if known.get("moved_count"):
        yield f"{name}: {words.count(known['moved_count'], 'reading', 'readings')} corrected."
    if known.get("widened_count"):
        yield f"{name}: {words.count(known['widened_count'], 'reading', 'readings')} widened."


# --- findings --------------------------------------------------------------------------------


def _told_retention(finding: Finding) -> float | None:
    """The retention as published: none where the readings carry a range and no middle."""
    return None if finding.details.get("is_range_alone") else finding.retention


def _shown(finding: Finding) -> Shown:
    return Shown(
        label=f"{words.capital(finding.revision.method.property)}, {finding.arm.label}",
        retention=_told_retention(finding),
        low=finding.low,
        high=finding.high,
        margin=finding.margin,
        verdict_words=_verdict_words(finding),
        interval_words=words.percent_range(finding.low, finding.high),
    )


def _verdict_words(finding: Finding) -> str:
    known = words.VERDICT_WORDS | words.GRADE_VERDICT_WORDS
    return known.get(finding.verdict, words.capital(finding.verdict))


def finding_content(finding: Finding) -> dict[str, Any]:
    """A finding's words and figures, without the readings behind it."""
    revision = finding.revision
    base: dict[str, Any] = {
        "property": revision.method.property,
        "method": {
            "key": revision.method.key,
            "name": revision.method.name,
            "number": revision.number,
        },
        "unit": revision.unit,
        "direction": revision.direction,
        "direction_words": revision.get_direction_display(),
        "arm": finding.arm.key,
        "arm_label": finding.arm.label,
        "baseline_label": finding.baseline.label,
        "kind": finding.kind,
        "n_baseline": finding.n_baseline,
        "n_other": finding.n_other,
        "level": finding.level,
        "margin": finding.margin,
        "retention": _told_retention(finding),
        "low": finding.low,
        "high": finding.high,
        "verdict": finding.verdict,
        "verdict_words": _verdict_words(finding),
        "smallest_visible_loss": finding.smallest_visible_loss,
        "scope": finding.scope,
        "scope_words": words.scope_words(finding.scope),
        "scale": finding.scale,
        "scale_words": words.scale_words(finding.scale),
        "refusal": finding.refusal,
        "cautions": finding.cautions,
        "grades": None,
        "retention_words": "",
        "interval_words": "",
        "sentence": "",
        "times_sentence": "",
        "verdict_sentence": "",
        "smallest_visible_loss_words": "",
    }
    if finding.kind == Finding.Kind.RATIO:
        return base | _ratio_words(finding)
    if finding.kind == Finding.Kind.GRADES:
        return base | _grade_words(finding)
    return base


def trends_content(summary: Summary) -> list[dict[str, Any]]:
    """Every trend of a summary as registered, in words and figures."""
    return [told for name, told in _trends_by_analysis(summary) if not name]


def left_out(
    study: Study, summary: Summary, exclusions: Sequence[RunExclusion]
) -> list[dict[str, Any]]:
    """Analyses that leave valid runs out, beside the one as registered."""
    if not exclusions:
        return []
    return left_out_content(
        exclusions,
        _arm_labels(study),
        [finding_content(finding) for finding in findings_for_page(summary)],
        [(finding.analysis, finding_content(finding)) for finding in findings_without(summary)],
        _trends_by_analysis(summary),
    )


def _trends_by_analysis(summary: Summary) -> list[tuple[str, dict[str, Any]]]:
    return [
        (
            found.analysis,
            trend_words(
                driver_key=found.driver,
                refusal=found.refusal,
                details=found.details,
                level=found.level,
                name=found.revision.method.property,
            ),
        )
        for found in summary.trends.select_related("revision__method")
    ]


def _finding(finding: Finding, method: MethodInputs) -> dict[str, Any]:
    arms = [arm for arm in method.arms if arm.is_baseline or arm.pk == finding.arm_id]
    return finding_content(finding) | {
        "arm_values": [
            {"arm": arm.label, "words": _arm_value(arm, method), "n": len(arm.specimens)}
            for arm in arms
        ],
        "published_levels": [
            {
                "standard": one.limit.standard,
                "edition": one.limit.edition,
                "arms": [{"arm": arm.label, "words": one.called(_ends(arm))} for arm in arms],
            }
            for one in limits_beside(finding.revision)
            if one.table is not None and one.is_comparable and finding.kind == Finding.Kind.RATIO
        ],
    }


def _ends(arm: ArmInputs) -> list[tuple[float, float | None]]:
    return [(bound.low, bound.high) for one in arm.specimens for bound in one.bounds]


def _ratio_words(finding: Finding) -> dict[str, Any]:
    figures = RatioFigures(
        arm=finding.arm.label,
        baseline=finding.baseline.label,
        property=finding.revision.method.property,
        higher_is_better=finding.revision.direction == MethodRevision.Direction.HIGHER,
        retention=_told_retention(finding),
        low=finding.low,
        high=finding.high,
        level=finding.level,
        verdict=finding.verdict,
        smallest_visible_loss=finding.smallest_visible_loss,
        margin=finding.margin,
    )
    return {
        "retention_words": "" if figures.retention is None else words.percent(figures.retention),
        "interval_words": words.percent_range(finding.low, finding.high),
        "sentence": words.retention_sentence(figures),
        "times_sentence": words.times_sentence(figures),
        "verdict_sentence": words.verdict_sentence(figures),
        "smallest_visible_loss_words": words.visible_loss_words(
            finding.smallest_visible_loss, finding.verdict
        ),
    }


def _grade_words(finding: Finding) -> dict[str, Any]:
    details = finding.details
    scale = {step["grade"]: step["words"] for step in finding.revision.grade_scale}

    def arm(label: str, found: dict[str, Any]) -> dict[str, Any]:
        return {
            "arm": label,
            "median": found["median"],
            "counts": [
                {"grade": f"{grade}, {scale.get(grade, '')}".rstrip(", "), "count": count}
                for grade, count in found["counts"]
            ],
        }

    chance = details["probability_worse"]
    worse = ""
    if chance is not None:
        span = " (no range can be given for so few items)"
        if details["low"] is not None and details["high"] is not None:
            span = f" ({details['low']:.2f} to {details['high']:.2f})"
        worse = (
            f"Chance that an item of '{finding.arm.label}' is graded worse than one of "
            f"'{finding.baseline.label}': {chance:.2f}{span}; 0.50 is no difference."
        )
    medians = (
        f"Median grade {details['baseline']['median']} for {finding.baseline.label}, "
        f"{details['other']['median']} for {finding.arm.label} "
        f"({words.count(details['raters'], 'rater', 'raters')})."
    )
    return {
        "grades": {
            "arms": [
                arm(finding.baseline.label, details["baseline"]),
                arm(finding.arm.label, details["other"]),
            ],
            "worse_words": worse,
            "p_words": _p_words(details),
            "agreement_words": details["agreement"],
        },
        "sentence": medians,
    }


def _p_words(details: dict[str, Any]) -> str:
    if details["p_value"] is None:
        return ""
    least = details["smallest_possible_p"]
    floor = "" if least is None else f"; the smallest possible with so few items is {least:.2g}"
    return f"{words.capital(details['test'])}: p = {details['p_value']:.2g}{floor}."


def _arm_value(arm: ArmInputs, method: MethodInputs) -> str:
    if not arm.specimens:
        return "not tested"
    if method.kind == ReadingKind.GRADE:
        grades = sorted({grade for s in arm.specimens for _, grade in s.grades})
        return f"grades {grades[0]} to {grades[-1]}" if len(grades) > 1 else f"grade {grades[0]}"
    values = specimen_values([s.bounds for s in arm.specimens])
    low = min(v.low for v in values)
    high = max(v.high for v in values)
    # three figures, rounded outwards so that the range still holds every specimen
    return words.bound_words(
        words.outward(low, up=False),
        None if math.isinf(high) else words.outward(high, up=True),
        method.unit,
    )


# --- readings, methods, counts ---------------------------------------------------------------


def _arm_labels(study: Study) -> dict[int, str]:
    """Arm label by specimen."""
    return dict(ArmSpecimen.objects.filter(study=study).values_list("specimen", "arm__label"))


def _readings(
    study: Study, used: Mapping[UUID, UsedEnds], exclusions: Sequence[RunExclusion]
) -> list[dict[str, Any]]:
    arms = _arm_labels(study)
    left_out_of: dict[int, list[str]] = {}
    for one in exclusions:
        left_out_of.setdefault(one.run_id, []).append(one.analysis)
    voids = {void.run_id: void for void in RunVoid.objects.filter(run__study=study)}
    rows = []
    found = (
        Reading.objects.filter(run__study=study)
        .select_related("run__specimen", "run__zone", "run__revision__method", "superseded_by")
        .order_by("run__position", "run", "rater", "entered_at")
    )
    raters = rater_labels(study)
    for reading in found:
        run = reading.run
        newer = getattr(reading, "superseded_by", None)
        void = voids.get(run.pk)
        ends = used.get(reading.pk)
        rows.append(
            {
                "specimen": run.specimen.code,
                "arm_label": arms.get(run.specimen_id, ""),
                "property": run.revision.method.property,
                "method_key": run.revision.method.key,
                "zone": run.zone.code,
                "zone_name": run.zone.name,
                "site": run.site,
                "measured_at": reading.measured_at.isoformat(),
                "words": reading.words,
                "low": reading.low,
                "high": reading.high,
                "used_low": ends.low if ends else reading.low,
                "used_high": ends.high if ends else reading.high,
                "used_words": ends.words if ends else "",
                "unit": run.revision.unit,
                "grade": reading.grade,
                "rater": raters[reading.rater],
                "state": "superseded" if newer else "void" if void else "used",
                "reason": newer.reason if newer else _void_words(void) if void else "",
                "left_out_of": [] if newer else left_out_of.get(run.pk, []),
            }
        )
    return rows


def _void_words(void: RunVoid) -> str:
    if void.reason == RunVoid.Reason.OTHER:
        return void.note
    return f"{void.get_reason_display()}: {void.note}"


def method_content(revision: MethodRevision) -> dict[str, Any]:
    """A method revision as readers see it."""
    return {
        "key": revision.method.key,
        "name": revision.method.name,
        "number": revision.number,
        "property": revision.method.property,
        "quantity": revision.quantity,
        "unit": revision.unit,
        "outcome_words": revision.get_outcome_kind_display(),
        "direction_words": revision.get_direction_display(),
        "resolution_words": f"{plain(revision.resolution)}{NBSP}{revision.unit}",
        "detection_limit_words": ""
        if revision.detection_limit is None
        else f"{plain(revision.detection_limit)}{NBSP}{revision.unit}",
        "relation": revision.relation,
        "standard_note": revision.standard_note,
        "steps": revision.steps,
        "settings": revision.settings,
        "levels_words": words.joined([plain(level) for level in revision.levels]),
        "grade_scale": revision.grade_scale,
        "hazards": revision.hazards,
        "checks": revision.checks,
        "destructive": revision.destructive,
        "published": [_published(one) for one in limits_beside(revision)],
    }


def _published(one: LimitBeside) -> dict[str, Any]:
    return {
        "standard": one.limit.standard,
        "edition": one.limit.edition,
        "words": one.limit.words,
        "is_comparable": one.is_comparable,
        "why": one.why,
        "steps": [{"name": name, "asks": asks} for name, asks in one.steps],
        "also": one.also,
    }


def _method(revision: MethodRevision, margin: float) -> dict[str, Any]:
    return method_content(revision) | {
        "margin_words": f"a change of {words.percent(margin)} matters here"
    }


def _counts(study: Study, exclusions: Sequence[RunExclusion]) -> list[dict[str, Any]]:
    arms = _arm_labels(study)
    left_out_runs = {one.run_id: one.run for one in exclusions}
    excluded = Counter(
        (run.revision.method.property, arms.get(run.specimen_id, ""))
        for run in left_out_runs.values()
    )
    runs = Counter[tuple[str, str]]()
    voids = Counter[tuple[str, str]]()
    planned = Counter(
        (name, arms.get(specimen, ""))
        for specimen, name in study.runs.values_list("specimen", "revision__method__property")
    )
    done = study.runs.filter(Q(readings__isnull=False) | Q(void__isnull=False)).distinct()
    # with the run's own key, or distinct would merge runs on two sites of one specimen
    for _, specimen, name, void in done.values_list(
        "pk", "specimen", "revision__method__property", "void"
    ):
        runs[name, arms.get(specimen, "")] += 1
        voids[name, arms.get(specimen, "")] += void is not None
    order = [
        used.revision.method.property
        for used in study.study_methods.select_related("revision__method")
    ]
    return [
        {
            "property": name,
            "arm_label": label,
            "planned": planned[name, label],
            "run": runs[name, label],
            "void": voids[name, label],
            # valid runs that some named analysis leaves out; the one as registered has them all
            "excluded": excluded[name, label],
        }
        for name in order
        for label in study.arms.values_list("label", flat=True)
    ]


def edition_words(
    *, number: int, headline: str, summary: str, note: str, at: datetime, by: str
) -> dict[str, Any]:
    """The edition's own words."""
    return {
        "number": number,
        "headline": headline,
        "summary": summary,
        "note": note,
        "published_at": at.isoformat(),
        "published_by": by,
    }


def draft_content(study: Study, *, by: str) -> dict[str, Any] | None:
    """The next edition as it would be frozen now; None while nothing is computed."""
    summary = standing(study).summary
    if summary is None:
        return None
    draft = EditionDraft.objects.filter(study=study).first() or EditionDraft(study=study)
    content = study_content(study, summary, draft_cautions(draft))
    content["edition"] = edition_words(
        number=next_number(study),
        headline=draft.headline or "No headline yet",
        summary=draft.summary_text,
        note=draft.note,
        at=timezone.now(),
        by=by,
    )
    content["translations"] = standing_translations(study, draft)
    return content


def draft_cautions(draft: EditionDraft) -> list[str]:
    """The cautions an editor added, one a line."""
    return [line.strip() for line in draft.extra_cautions.splitlines() if line.strip()]


def next_number(study: Study) -> int:
    """Number of the edition that would be published now."""
    last = study.editions.order_by("-number").values_list("number", flat=True).first()
    return (last or 0) + 1
