"""What a plan is made from and what it is made of. Frozen, and without Django."""

from collections.abc import Mapping
from dataclasses import dataclass, field

# the order in which methods meet a specimen: what leaves it whole first, flame last. Common
# practice of destructive test programmes; no single standard states it.
STAGES: tuple[tuple[int, str], ...] = (
    (0, "mass and photographs"),
    (1, "water"),
    (2, "leaves the specimen whole"),
    (3, "seam"),
    (4, "impact"),
    (5, "puncture"),
    (6, "abrasion"),
    (7, "heat"),
    (8, "flame"),
)
STAGE_WORDS: dict[int, str] = dict(STAGES)
ALL_STAGES = frozenset(STAGE_WORDS)
WATER = 1
WHOLE = 2
ABRASION = 6

LEFT, RIGHT = "left", "right"


@dataclass(frozen=True, kw_only=True)
class Spoils:
    """What a run leaves useless, as the stages that may not follow it there.

    Attributes
    ----------
    site : frozenset of int
        Stages that cannot use the part of the zone that the run took.
    zone, specimen : frozenset of int
        Stages that cannot use anything of the zone, or of the whole specimen. Further runs of the
        same method are not meant: how many of them a zone carries says their capacity.
    """

    site: frozenset[int] = frozenset()
    zone: frozenset[int] = frozenset()
    specimen: frozenset[int] = frozenset()


NOTHING = Spoils()
ITS_SITE = Spoils(site=ALL_STAGES)


@dataclass(frozen=True, kw_only=True)
class MethodNeed:
    """A method of the study and what is asked of it.

    Attributes
    ----------
    stage : int
        Place in `STAGES`; a lower stage is run first.
    spoils : Spoils
        What cannot follow a run, and where.
    wets : bool
        True when the specimen must dry until the next session before anything else is run on it.
    runs_each : int
        Valid runs wanted on each specimen, from 1.
    minutes, setup_minutes : float
        Time of one run, and of setting the bench up for the method once.
    control_minutes : float
        Time of one control run; 0 when the method has no control material.
    """

    key: str
    name: str
    stage: int
    spoils: Spoils
    wets: bool
    runs_each: int
    minutes: float
    setup_minutes: float = 10.0
    control_minutes: float = 0.0


@dataclass(frozen=True, kw_only=True)
class ZoneSpace:
    """A zone of one specimen: for each method its sites in all, and those nothing has used.

    `spoiled` is the part of the zone, 0 to 1, that earlier runs have spoiled for a method, by its
    key: also runs of methods and studies that are not in the plan, but not the runs that the plan
    holds and are still to do.
    """

    code: str
    name: str
    side: str
    sites: Mapping[str, int]
    free: Mapping[str, tuple[int, ...]]
    spoiled: Mapping[str, float] = field(default_factory=dict)

    def share(self, method: str) -> float:
        """The part of the zone that one run of the method takes; 0 where it carries none."""
        return 1 / self.sites[method] if method in self.sites else 0.0

    def gone(self, method: str) -> float:
        """The part of the zone that is spoiled for the method."""
        return self.spoiled.get(method, 0.0)


@dataclass(frozen=True, kw_only=True)
class Item:
    """A specimen that can still be run, with its zones."""

    code: str
    arm: str
    product: str
    zones: tuple[ZoneSpace, ...]


@dataclass(frozen=True, kw_only=True, order=True)
class Slot:
    """One run of the plan: what, where on the specimen, in which session and at which place.

    `number` counts the runs of this method on this specimen from 1, and with both names the slot.
    `is_kept` marks a run that is on the sheet already: its site stands.
    """

    session: int
    place: int
    method: str
    specimen: str
    number: int
    arm: str
    zone: str
    side: str
    site: int
    is_kept: bool = False

    @property
    def name(self) -> str:
        """What a person pins it by."""
        return slot_name(self.specimen, self.method, self.number)


def slot_name(specimen: str, method: str, number: int) -> str:
    """The name of a slot, the same in every plan made from one ask."""
    return f"{specimen}:{method}:{number}"


@dataclass(frozen=True, kw_only=True)
class Held:
    """A run that has a site already: read, or on the sheet and still to do."""

    specimen: str
    method: str
    number: int
    zone: str
    site: int
    is_read: bool
    session: int = 0


@dataclass(frozen=True, kw_only=True)
class Pin:
    """A person's wish for one slot; what is None is left to the planner."""

    slot: str
    session: int | None = None
    zone: str | None = None


@dataclass(frozen=True, kw_only=True)
class Ask:
    """Everything a plan depends on. The same ask gives the same plan.

    Attributes
    ----------
    arms : tuple of str
        Labels, baseline first.
    items : tuple of Item
        The specimens that can still be run.
    session_minutes : float
        Longest session.
    seed : int
        Decides every draw: which of equally good sites, and the order of runs.
    held : tuple of Held
        Runs that have their site. Read ones count and are not planned again.
    first_session : int
        Number of the first session that has not been worked yet.
    """

    arms: tuple[str, ...]
    items: tuple[Item, ...]
    methods: tuple[MethodNeed, ...]
    session_minutes: float
    seed: int
    pins: tuple[Pin, ...] = ()
    held: tuple[Held, ...] = ()
    first_session: int = 1

    def item(self, code: str) -> Item:
        """The specimen of this code; KeyError when the plan has none."""
        for item in self.items:
            if item.code == code:
                return item
        raise KeyError(code)

    def method(self, key: str) -> MethodNeed:
        """The method of this key; KeyError when the plan has none."""
        for method in self.methods:
            if method.key == key:
                return method
        raise KeyError(key)


@dataclass(frozen=True, kw_only=True)
class Missing:
    """Runs that found no site: `count` of one method on one specimen."""

    specimen: str
    arm: str
    method: str
    count: int


@dataclass(frozen=True, kw_only=True)
class Note:
    """Something a person should know: a kind for the page, a sentence, and the slots it is about.

    Kinds: missing (a run has no site), broken (a rule does not hold), uneven (a balance could not
    be reached).
    """

    kind: str
    sentence: str
    slots: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Planned:
    """A plan: its slots in order, and everything it could not keep."""

    slots: tuple[Slot, ...]
    notes: tuple[Note, ...] = ()
    session_minutes: Mapping[int, float] = field(default_factory=dict)

    @property
    def is_whole(self) -> bool:
        """True when every run asked for has a site and no rule is broken."""
        return not any(note.kind in ("missing", "broken") for note in self.notes)
