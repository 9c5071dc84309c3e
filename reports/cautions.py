"""Cautions a scorecard carries, computed from the record. No Django here.

An editor can add to them and never take one away. They are shown before the first number.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from reports.words import count

FEW_ITEMS = 10  # below this many items an arm another set could tell a different story


@dataclass(frozen=True)
class ArmFacts:
    """What the record says of one arm."""

    label: str
    item_count: int
    is_worn: bool
    owners: frozenset[str]
    sizes: frozenset[str]
    lots: frozenset[str]
    evidence: frozenset[str]
    incident_kinds: frozenset[str]


@dataclass(frozen=True)
class QualityFacts:
    """What the lab's quality records say of a study, as sentences that name what is meant."""

    out_of_calibration: tuple[str, ...] = ()
    past_limit: tuple[str, ...] = ()
    drifted: tuple[str, ...] = ()
    corrected: tuple[str, ...] = ()
    found_wrong: tuple[str, ...] = ()
    outside_conditions: tuple[str, ...] = ()
    flawed_traces: int = 0
    calibrated: tuple[str, ...] = ()
    unnamed_instruments: tuple[str, ...] = ()


@dataclass(frozen=True)
class ConductFacts:
    """How the study was carried out, as far as the record shows it."""

    is_randomised: bool = False
    out_of_order: int = 0
    is_blind: bool = False
    unblinded_readers: int = 0
    looks: tuple[str, ...] = ()
    amendments: tuple[str, ...] = ()
    late_amendments: tuple[str, ...] = ()  # decided when values were known


@dataclass(frozen=True)
class Facts:
    """What the record says of a study, as far as cautions need it."""

    arms: tuple[ArmFacts, ...]
    absorbs_impact: bool
    is_same_product: bool
    methods_with_notes: tuple[tuple[str, str], ...]
    has_open_readings: bool
    has_age_result: bool
    amended_count: int
    sources: tuple[str, ...]
    quality: QualityFacts = QualityFacts()
    conduct: ConductFacts = ConductFacts()
    left_out: tuple[str, ...] = ()

    @property
    def worn(self) -> tuple[ArmFacts, ...]:
        """The arms that have been in service."""
        return tuple(arm for arm in self.arms if arm.is_worn)


@dataclass(frozen=True)
class Caution:
    """A caution in brief and in full."""

    key: str
    short: str
    full: str


def cautions_for(facts: Facts) -> tuple[Caution, ...]:
    """Every caution the facts call for, in the order they are shown."""
    return tuple(caution for rule in _RULES for caution in rule(facts))


def standing_cautions() -> tuple[Caution, ...]:
    """The cautions every page of results carries, whatever was found."""
    return (NOT_CERTIFICATION, DEFER, LAW, DO_NOT_TRY, NUMBERS, NOT_ADVICE)


NOT_CERTIFICATION = Caution(
    "E1",
    "Not a certification.",
    "We are not a certification body. Our tests do not show that a product meets a standard or a "
    "law, or that it misses one. Only the marking, the maker's declaration and the bodies named "
    "in it can say that.",
)
DEFER = Caution(
    "E3",
    "Follow the maker and the standard.",
    "Choose, fit, check, clean, repair and replace gear as the maker's instructions and the "
    "standard that applies to it say. Where this page seems to disagree, follow them, and tell us.",
)
LAW = Caution(
    "E4",
    "Local law decides what you must wear.",
    "Which gear is required or allowed depends on where you are and what you do. Ask the authority "
    "for your place, your employer or your organising body.",
)
REPLACE = Caution(
    "E10",
    "Hit it once, replace it.",
    "Gear that has taken a knock, a fall or a load it was made to absorb may be damaged where you "
    "cannot see it. Take it out of use. Have it inspected by the maker where the maker offers "
    "that; otherwise destroy and replace it. Nothing on this page is a reason to keep using it.",
)
NO_FORECAST = Caution(
    "E11",
    "No expiry date here.",
    "We do not say how long gear stays protective. Keep to the maker's life limit and inspection "
    "rules, and stop earlier when it is damaged.",
)
DO_NOT_TRY = Caution(
    "E12",
    "Do not copy these tests.",
    "These tests destroy gear and can injure people. Never test gear on a body, and never wear "
    "anything that has been tested.",
)
NUMBERS = Caution(
    "E16",
    "Numbers, not outcomes.",
    "A bench number describes a material under one condition. It does not predict injury.",
)
NOT_ADVICE = Caution(
    "E23",
    "Not professional advice.",
    "This is journalism with measurements. It is not medical, engineering, legal or fire-safety "
    "advice; ask a qualified person about your own case.",
)


def _always_first(facts: Facts) -> Iterator[Caution]:
    yield NOT_CERTIFICATION
    if facts.methods_with_notes:
        differences = " ".join(f"{name}: {note}" for name, note in facts.methods_with_notes)
        yield Caution(
            "E2",
            "Our bench, not the standard's.",
            "Our methods are bench methods. Numbers from them and from a certified test cannot be "
            f"compared, and no limit in a standard applies to our numbers. {differences}",
        )
    yield DEFER
    yield LAW


def _crash(facts: Facts) -> Iterator[Caution]:
    if facts.absorbs_impact:
        yield REPLACE
    crashed = [a.label for a in facts.worn if a.incident_kinds & {"crash", "fall"}]
    if crashed:
        yield Caution(
            "E25",
            "A crash is in the history.",
            f"At least one item has a crash or a fall in its history ({', '.join(crashed)}). Part "
            "of what it lost may be due to that. In use, it would have been replaced.",
        )


def _how_many(facts: Facts) -> Iterator[Caution]:
    counts = ", ".join(f"{arm.label}: {_items(arm.item_count)}" for arm in facts.arms)
    if all(arm.item_count == 1 for arm in facts.arms):
        yield Caution(
            "E6",
            "One of each: an illustration.",
            f"We tested one item of each ({counts}). We cannot tell wear or quality from the "
            "ordinary difference between two items of the same model.",
        )
    elif any(arm.item_count < FEW_ITEMS for arm in facts.arms):
        yield Caution(
            "E5",
            "Few items.",
            f"We tested few items ({counts}). Another set could give other numbers; the range "
            "shown is for the average of items like these.",
        )


def _history(facts: Facts) -> Iterator[Caution]:
    if not facts.worn:
        return
    owners = frozenset().union(*(arm.owners for arm in facts.worn))
    if len(owners) == 1 and "" not in owners:
        yield Caution(
            "E7",
            "One owner.",
            "All worn items came from one person. Your use, climate, washing and storage differ.",
        )
    elif "" in owners:
        yield Caution(
            "E7",
            "Owner not recorded.",
            "For at least one worn item the owner is not recorded, so all may come from one person.",
        )
    yield Caution(
        "E8",
        "History as told to us.",
        "Distance, months, washes and falls are as the owners declared them unless marked as "
        "logged or documented. 'No crash reported' is not 'no crash'.",
    )
    if any(arm.evidence & {"owner's memory", "unknown"} for arm in facts.worn):
        yield Caution(
            "E26",
            "Service from memory.",
            "For at least one item the service rests on the owner's memory alone, so its distance "
            "and months are rough.",
        )
    yield Caution(
        "E9",
        "Only gear that survived.",
        "Items thrown away earlier are not in our sample, so the usual loss may be larger than "
        "shown.",
    )
    if facts.has_age_result:
        yield NO_FORECAST


def _alike(facts: Facts) -> Iterator[Caution]:
    sizes = frozenset().union(*(arm.sizes for arm in facts.arms))
    if len(sizes) > 1 and facts.is_same_product:
        yield Caution(
            "E13",
            "Different sizes.",
            f"The items differ in size ({', '.join(sorted(s or 'not recorded' for s in sizes))}), "
            "so part or all of a difference may be size.",
        )
    lots = [arm.lots for arm in facts.arms]
    one_lot = len(frozenset().union(*lots)) == 1 and all(lot and "" not in lot for lot in lots)
    if facts.is_same_product and not one_lot:
        yield Caution(
            "E14",
            "Perhaps not the same build.",
            "The items are not all from one lot, or the lot is not known. Makers change products "
            "without changing names; we could not confirm that all were built alike.",
        )


def _readings(facts: Facts) -> Iterator[Caution]:
    if facts.has_open_readings:
        yield Caution(
            "E17",
            "At least, or less than.",
            "Some runs were stopped before the end point, held at the last level, failed at the "
            "first, or read below what we can detect. We show them as limits.",
        )
    if facts.amended_count:
        yield Caution(
            "E27",
            "Readings amended.",
            f"{count(facts.amended_count, 'reading was', 'readings were')} amended after entry. "
            "The old and the new are both in the table, with the reason.",
        )


def _left_out(facts: Facts) -> Iterator[Caution]:
    if facts.left_out:
        yield Caution(
            "E45",
            "Valid runs left out of an analysis.",
            "The figures are worked out with every valid run. Beside them stands what they would "
            f"be without some of them. {' '.join(facts.left_out)}",
        )


def _conduct(facts: Facts) -> Iterator[Caution]:
    known = facts.conduct
    yield from _blind_and_by_lot(known)
    if known.out_of_order:
        yield Caution(
            "E35",
            "Order not kept.",
            f"{count(known.out_of_order, 'run was', 'runs were')} made out of the drawn order.",
        )
    if known.looks:
        yield Caution(
            "E36",
            "Looked at before it was finished.",
            "Findings were seen before the last run was read, when stopping early or going on could "
            f"still be chosen. {' '.join(known.looks)}",
        )
    if known.amendments:
        yield Caution(
            "E37",
            "Changed after registration.",
            f"Not all was done as registered. {' '.join(known.amendments)}",
        )
    if known.late_amendments:
        yield Caution(
            "E18",
            "Found afterwards.",
            "Part of this was decided when values were known already. Treat what rests on it as a "
            f"hint to test again. {' '.join(known.late_amendments)}",
        )


def _blind_and_by_lot(known: ConductFacts) -> Iterator[Caution]:
    if known.is_blind and known.is_randomised:
        return
    if not known.is_blind and known.unblinded_readers:
        why = (
            f"{count(known.unblinded_readers, 'person', 'people')} who took readings had seen which "
            "item was which."
        )
    else:
        why = "The people who ran the tests could know which item was which."
    lot = "" if known.is_randomised else "Our record does not show that the order was drawn by lot."
    if known.is_blind:
        yield Caution("E28", "Order not drawn by lot.", f"{lot} That can tilt a result.")
    else:
        yield Caution(
            "E28", "Not blind.", " ".join(filter(None, (why, lot, "That can tilt a result.")))
        )


def _lab_quality(facts: Facts) -> Iterator[Caution]:
    quality = facts.quality
    told = (
        (
            "E19",
            "Corrected for machine drift.",
            "Raw readings are in the data file. The correction's own error is in the interval.",
            quality.corrected,
        ),
        (
            "E29",
            "Calibration out at the time.",
            "An instrument was overdue or had no calibration on the day it was used.",
            quality.out_of_calibration,
        ),
        (
            "E40",
            "Instrument not recorded.",
            "Nothing says with which instrument these runs were read, so no calibration is shown.",
            quality.unnamed_instruments,
        ),
        (
            "E41",
            "Corrected by calibration.",
            "What was read and what went into the findings stand side by side in the table.",
            quality.calibrated,
        ),
        (
            "E30",
            "Worn consumable.",
            "A consumable was used past its limit.",
            quality.past_limit,
        ),
        (
            "E31",
            "Control drifted.",
            "On a day of this study the control chart of a method showed a change.",
            quality.drifted,
        ),
        (
            "E32",
            "An instrument was found wrong.",
            "Readings taken with it since it was last shown to be right were marked for review.",
            quality.found_wrong,
        ),
        (
            "E33",
            "Room or conditioning outside limits.",
            "Some runs were made outside the method's limits, or nothing shows that they were not.",
            quality.outside_conditions,
        ),
    )
    for key, short, first, sentences in told:
        if sentences:
            yield Caution(key, short, " ".join((first, *sentences)))
    if quality.flawed_traces:
        yield Caution(
            "E34",
            "Flawed trace.",
            f"{count(quality.flawed_traces, 'reading comes', 'readings come')} from a logged trace "
            "with a flaw that the lab saw and accepted with a reason.",
        )


def _always_last(facts: Facts) -> Iterator[Caution]:
    yield DO_NOT_TRY
    yield NUMBERS
    yield Caution(
        "E15",
        "Not everything was tested.",
        "A good number here says nothing about properties that are not on this page.",
    )
    yield Caution("E21", "Who paid.", " ".join(facts.sources) or "Who paid is not recorded.")
    yield NOT_ADVICE


def _items(number: int) -> str:
    return count(number, "item", "items")


# What most changes how a card may be read, first. The rest follows the picture, none is left out.
_FIRST = ("E22", "E20", "editor", "E1", "E10", "E25", "E6", "E5", "E18", "E32", "E29", "E28", "E8")
FIRST_COUNT = 4


def first_cautions(cautions: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """The few of a card's cautions that stand beside its answer, before the first figure."""
    ranked = sorted(
        (c for c in cautions if c["key"] in _FIRST), key=lambda c: _FIRST.index(c["key"])
    )
    return ranked[:FIRST_COUNT]


_RULES: tuple[Callable[[Facts], Iterator[Caution]], ...] = (
    _always_first,
    _crash,
    _how_many,
    _history,
    _alike,
    _readings,
    _left_out,
    _conduct,
    _lab_quality,
    _always_last,
)
