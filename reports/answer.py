"""The answer of a card in two plain sentences, from its verdicts and in the page's language.

No figure stands here: the sentences come before the picture, which brings each figure with its
interval, and before the reader has met every caution.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext, ngettext

from reports.phrases import said_plainly
from reports.words import capital

WORSE = ("clear loss", "some loss", "graded worse")
BETTER = ("clear gain", "some gain", "graded better")
HELD = ("held",)
UNTOLD = ("not resolved",)


@dataclass(frozen=True)
class Told:
    """What a sentence needs of one finding."""

    property: str
    arm: str
    baseline: str
    verdict: str


def told_of(findings: Sequence[Mapping[str, Any]]) -> list[Told]:
    """The same from an edition's findings."""
    return [
        Told(f["property"], f["arm_label"], f["baseline_label"], f["verdict"]) for f in findings
    ]


def answer(findings: Sequence[Told]) -> list[str]:
    """Two to four sentences that name every property once for each thing that is said of it."""
    if not findings:
        return [gettext("Nothing has been worked out yet.")]
    baseline = _name(findings[0].baseline)
    parts = []
    if worse := _named(findings, WORSE):
        parts.append(
            gettext("Worse than “%(baseline)s”: %(what)s.") % {"baseline": baseline, "what": worse}
        )
    if better := _named(findings, BETTER):
        parts.append(
            gettext("Better than “%(baseline)s”: %(what)s.")
            % {"baseline": baseline, "what": better}
        )
    if held := _named(findings, HELD):
        parts.append(gettext("Held within the margin: %(what)s.") % {"what": held})
    if untold := _named(findings, UNTOLD):
        rest = bool(parts)
        sentence = (
            gettext("For the rest this test cannot tell loss from no loss: %(what)s.")
            if rest
            else gettext("This test cannot tell loss from no loss: %(what)s.")
        )
        parts.append(sentence % {"what": untold})
    spoken = {*WORSE, *BETTER, *HELD, *UNTOLD}
    others = tuple(sorted({f.verdict for f in findings} - spoken))
    if others and (named := _named(findings, others)):
        parts.append(gettext("Nothing is claimed for %(what)s.") % {"what": named})
    return parts


def items_words(arms: Sequence[Mapping[str, Any]]) -> str:
    """How many items were tested."""
    number = sum(len(arm["specimens"]) for arm in arms)
    return ngettext("%(number)d item tested", "%(number)d items tested", number) % {
        "number": number
    }


def _named(findings: Sequence[Told], verdicts: tuple[str, ...]) -> str:
    """Properties with the arms meant; the arms go unsaid where all of a property's are."""
    all_arms: dict[str, list[str]] = {}
    meant: dict[str, list[str]] = {}
    for found in findings:
        all_arms.setdefault(found.property, []).append(found.arm)
        if found.verdict in verdicts:
            meant.setdefault(found.property, []).append(found.arm)
    names = []
    for name, arms in meant.items():
        shown = _name(name)
        if len(arms) < len(all_arms[name]):
            shown = f"{shown} ({_joined([_lowered(_name(arm)) for arm in arms])})"
        names.append(shown)
    return _joined(names)


def _name(text: str) -> str:
    return said_plainly(text)


def _lowered(text: str) -> str:
    # an abbreviation or a proper noun keeps its capitals
    return text if text[1:2].isupper() else text[:1].lower() + text[1:]


def _joined(parts: Sequence[str]) -> str:
    if len(parts) < 2:
        return "".join(parts)
    return gettext("%(most)s and %(last)s") % {"most": ", ".join(parts[:-1]), "last": parts[-1]}


def headline_of(parts: Sequence[str]) -> str:
    """The answer as one line, for lists and descriptions."""
    return capital(" ".join(parts))
