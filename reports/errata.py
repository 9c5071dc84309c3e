"""What a correction says: the words of a person and the change table computed. No Django here."""

from collections import Counter
from collections.abc import Mapping
from typing import Any

NO_FIGURE = "no figure"
# where the change shows: the sentence a reader took away, the figure, or neither
TOP, FOOT = "top", "foot"

WORDS = (
    "kind",
    "what_was_published",
    "where_published",
    "what_is_right",
    "conclusion",
    "cause",
    "also_checked",
    "found_how",
    "found_by",
    "what_to_do",
    "prevention",
    "apology",
)
# the name on the form, for the sentence that says what is missing
NEEDED = {
    "what_was_published": "what was published",
    "where_published": "where it stood",
    "what_is_right": "what is right",
    "wrong_since": "since when it was wrong",
    "conclusion": "whether the conclusion changes",
    "cause": "the cause",
    "also_checked": "what else was checked",
    "found_how": "how it was found",
    "what_to_do": "what readers should do",
    "prevention": "what prevents a repeat",
}


def missing(fields: Mapping[str, Any]) -> list[str]:
    """Names of the parts that are still empty."""
    return [name for name in NEEDED if not str(fields.get(name) or "").strip()]


def change_table(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[dict[str, Any]]:
    """One row for each property and arm of either edition: what was said and what is said now."""
    before, after = _by_place(old["findings"]), _by_place(new["findings"])
    return [
        _change(before.get(place), after.get(place)) for place in dict.fromkeys([*before, *after])
    ]


def _by_place(findings: list[dict[str, Any]]) -> dict[tuple[str, str, int], dict[str, Any]]:
    seen: Counter[tuple[str, str]] = Counter()
    placed = {}
    for finding in findings:
        place = (finding["method"]["key"], finding["arm"])
        placed[*place, seen[place]] = finding
        seen[place] += 1
    return placed


def _change(old: dict[str, Any] | None, new: dict[str, Any] | None) -> dict[str, Any]:
    named = new or old
    assert named is not None  # nosec B101  # a place comes from one of the two
    was, now = _told(old), _told(new)
    return {
        "property": named["property"],
        "arm_label": named["arm_label"],
        "old": was,
        "new": now,
        "is_changed": was != now,
        "is_verdict_changed": was["verdict"] != now["verdict"],
        "is_within": _is_within(old, new),
    }


def _told(finding: dict[str, Any] | None) -> dict[str, str]:
    if finding is None:
        return {"kept": "not on the card", "interval": "", "verdict": "not on the card"}
    grades = finding.get("grades")
    kept = finding["retention_words"]
    if grades:
        kept = ", ".join(f"{arm['arm']}: median {arm['median']}" for arm in grades["arms"])
    return {
        "kept": kept or NO_FIGURE,
        "interval": finding["interval_words"],
        "verdict": finding["verdict_words"],
    }


def _is_within(old: dict[str, Any] | None, new: dict[str, Any] | None) -> bool:
    """Whether the new figure lies inside the interval that was printed."""
    if old is None or new is None or new["retention"] is None:
        return False
    low, high = old["low"], old["high"]
    if low is None and high is None:
        return False
    return bool(
        (low is None or new["retention"] >= low) and (high is None or new["retention"] <= high)
    )


def words_changed(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[dict[str, str]]:
    """The edition's own sentences that read otherwise now."""
    names = {"headline": "Headline", "summary": "Answer"}
    return [
        {"what": words, "old": old["edition"][name], "new": new["edition"][name]}
        for name, words in names.items()
        if old["edition"][name] != new["edition"][name]
    ]


def readings_changed(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[dict[str, str]]:
    """Readings that are new, or that are used otherwise than in the old edition."""
    before = {_reading_place(one): one for one in old["readings"]}
    found = []
    for one in new["readings"]:
        was = before.get(_reading_place(one))
        if was is None or was["state"] != one["state"]:
            found.append(
                {
                    "specimen": one["specimen"],
                    "property": one["property"],
                    "words": one["words"],
                    "old": "not there" if was is None else was["state"],
                    "new": one["state"],
                    "reason": one["reason"],
                }
            )
    return found


def _reading_place(one: Mapping[str, Any]) -> tuple[Any, ...]:
    names = ("specimen", "method_key", "zone", "site", "measured_at", "rater", "words")
    return tuple(one[name] for name in names)


def prominence(changes: list[dict[str, Any]], sentences: list[dict[str, str]]) -> str:
    """How loudly the correction has to be told: as loudly as what it takes back.

    A verdict or a sentence that changes, or a figure outside the interval that was printed, goes
    to the top; a figure that moves inside it goes to the foot.
    """
    loud = any(
        one["is_verdict_changed"] or (one["is_changed"] and not one["is_within"]) for one in changes
    )
    return TOP if loud or sentences else FOOT


def correction_content(
    fields: Mapping[str, Any], *, kind_words: str, old: Mapping[str, Any], new: Mapping[str, Any]
) -> dict[str, Any]:
    """What the new edition freezes of its correction; dates are ISO."""
    changes = change_table(old, new)
    sentences = words_changed(old, new)
    return {name: str(fields[name]).strip() for name in WORDS} | {
        "kind_words": kind_words,
        "corrects": old["edition"]["number"],
        "corrects_published_at": old["edition"]["published_at"],
        "at": new["edition"]["published_at"],
        "wrong_since": fields["wrong_since"].isoformat(),
        "changes": changes,
        "words_changed": sentences,
        "readings_changed": readings_changed(old, new),
        "prominence": prominence(changes, sentences),
    }
