"""What a page shows of analyses that leave valid runs out: the same findings with and without."""

from collections.abc import Iterable, Sequence
from typing import Any

from django.utils import timezone

from specimens.words import date_words
from trials.models import RunExclusion

Told = dict[str, Any]


def left_out_content(
    exclusions: Sequence[RunExclusion],
    arms: dict[int, str],
    findings: Iterable[Told],
    without: Iterable[tuple[str, Told]],
    trends: Iterable[tuple[str, Told]],
) -> list[Told]:
    """One entry an analysis: what it leaves out and why, and each finding it can move, twice.

    `arms` gives an arm's label by specimen, `findings` are those as registered, `without` those of
    named analyses, `trends` all of both, each with the name of its analysis.
    """
    standing = {_place(one): one for one in findings}
    told = list(trends)
    whole = {_course(trend): trend for name, trend in told if not name}
    by_name: dict[str, Told] = {}
    for row in exclusions:
        entry = by_name.setdefault(
            row.analysis, {"name": row.analysis, "runs": [], "findings": [], "trends": []}
        )
        entry["runs"].append(_run(row, arms))
    for name, found in without:
        if name in by_name:
            by_name[name]["findings"].append(_beside(standing[_place(found)], found))
    for name, trend in told:
        if name in by_name:
            by_name[name]["trends"].append(
                {
                    "property": trend["property"],
                    "driver_words": trend["driver_words"],
                    "whole_words": _trend_words(whole[_course(trend)]),
                    "without_words": _trend_words(trend),
                }
            )
    return list(by_name.values())


def exclusion_sentence(row: RunExclusion) -> str:
    """For a caution: which run, of which analysis, and why."""
    known = "the value was known by then" if row.value_was_known else "the value was not known"
    return (
        f"{row.run.revision.method.property.capitalize()} of {row.run.specimen.code} "
        f"({row.run.zone.name}, {row.run.site}), left out of '{row.analysis}': "
        f"{row.reason.rstrip('.')}; {known}."
    )


def _place(found: Told) -> tuple[str, str]:
    return found["method"]["key"], found["arm"]


def _course(trend: Told) -> tuple[str, str]:
    return trend["property"], trend["driver"]


def _trend_words(trend: Told) -> str:
    if trend["refusal"]:
        return f"no trend. {trend['refusal']}"
    return f"{trend['sentence']} {trend['limit_sentence']}"


def _run(row: RunExclusion, arms: dict[int, str]) -> Told:
    run = row.run
    return {
        "specimen": run.specimen.code,
        "arm_label": arms.get(run.specimen_id, ""),
        "property": run.revision.method.property,
        "zone_name": run.zone.name,
        "site": run.site,
        "reason": row.reason,
        "known_words": "value known by then" if row.value_was_known else "value not known",
        "by": row.by.display_name,
        "at": row.at.isoformat(),
        "on_words": date_words(timezone.localdate(row.at)),
    }


def _beside(whole: Told, without: Told) -> Told:
    turns = whole["verdict"] != without["verdict"]
    return {
        "property": whole["property"],
        "arm_label": whole["arm_label"],
        "whole": _brief(whole),
        "without": _brief(without),
        "turns": turns,
        "turns_words": "The verdict turns on what is left out."
        if turns
        else "The verdict is the same.",
    }


def _brief(found: Told) -> Told:
    grades = found["grades"]
    median = "" if grades is None else f"median grade {grades['arms'][1]['median']}"
    return {
        "kept_words": median or found["retention_words"] or "no figure",
        "interval_words": found["interval_words"],
        "verdict": found["verdict"],
        "verdict_words": found["verdict_words"],
        "refusal": found["refusal"],
        "n_baseline": found["n_baseline"],
        "n_other": found["n_other"],
    }
