"""Families of methods, and what a method says it spoils: as stored, as words, as the planner reads it.

A rule is ``{"reach": "site", "families": ["all"]}``: a run spoils its own site, the zone or the
whole specimen for methods of these families that come after it. A rule with ``"until": "dry"``
holds until the specimen has dried, for which the planner waits for the next session.
"""

from collections.abc import Mapping, Sequence
from typing import Any

from trials.plans.design import ALL_STAGES, ITS_SITE, NOTHING, STAGES, Spoils

# by key, in the order of work
FAMILIES: dict[str, tuple[int, str]] = {
    "mass": STAGES[0],
    "water": STAGES[1],
    "whole": STAGES[2],
    "seam": STAGES[3],
    "impact": STAGES[4],
    "puncture": STAGES[5],
    "abrasion": STAGES[6],
    "heat": STAGES[7],
    "flame": STAGES[8],
}
ALL = "all"
DRY = "dry"
REACHES: dict[str, str] = {
    "site": "its own site",
    "zone": "the whole zone",
    "specimen": "the whole specimen",
}

Rule = Mapping[str, Any]


def stage_of_family(family: str) -> int | None:
    """The place of a family in the order; None when it is not named."""
    return FAMILIES[family][0] if family in FAMILIES else None


def rule_problems(rules: object) -> list[str]:
    """Everything that keeps rules from being read."""
    if not isinstance(rules, list):
        return ["The rules are a list."]
    problems = []
    for rule in rules:
        if not isinstance(rule, dict) or set(rule) - {"reach", "families", "until"}:
            problems.append("A rule has a reach, families and, where it passes, until.")
            continue
        if rule.get("reach") not in REACHES:
            problems.append(f"A reach is one of: {', '.join(REACHES)}.")
        families = rule.get("families")
        known = isinstance(families, list) and families and set(families) <= {ALL, *FAMILIES}
        if not known:
            problems.append(f"Families are {ALL} or some of: {', '.join(FAMILIES)}.")
        if rule.get("until", DRY) != DRY:
            problems.append(f"A rule that passes is over when the specimen is {DRY}.")
    return problems


def spoils_of(rules: Sequence[Rule], *, destructive: bool) -> Spoils:
    """What a run spoils for good; without rules a destructive one spoils its site for all."""
    if not rules:
        return ITS_SITE if destructive else NOTHING
    found: dict[str, frozenset[int]] = dict.fromkeys(REACHES, frozenset())
    for rule in rules:
        if rule.get("until") != DRY:
            found[rule["reach"]] |= _stages(rule["families"])
    return Spoils(**found)


def wets(rules: Sequence[Rule]) -> bool:
    """True when the specimen has to dry before anything else is run on it."""
    return any(rule.get("until") == DRY for rule in rules)


def rule_words(rules: Sequence[Rule]) -> list[str]:
    """Each rule as a sentence."""
    return [_words(rule) for rule in rules]


def _words(rule: Rule) -> str:
    families = rule["families"]
    what = (
        "everything that comes after"
        if ALL in families
        else ", ".join(words for key, (_, words) in FAMILIES.items() if key in families)
    )
    where = REACHES[rule["reach"]]
    until = ", until it has dried" if rule.get("until") == DRY else ""
    return f"{where[0].upper()}{where[1:]}, for {what}{until}."


def _stages(families: Sequence[str]) -> frozenset[int]:
    if ALL in families:
        return ALL_STAGES
    return frozenset(FAMILIES[one][0] for one in families)
