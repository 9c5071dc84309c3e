"""From what is asked to a plan, and the words for what is missing."""

from collections import defaultdict
from itertools import product

import numpy as np

from trials.plans.check import problems, sessions_uneven
from trials.plans.design import Ask, Item, MethodNeed, Missing, Note, Planned, Slot, ZoneSpace
from trials.plans.sessions import Sitting, minutes_of, order
from trials.plans.sites import Place, site_runs, spoiling_pairs

MOST_RUNS = 2000
DRAWS = 12  # orders tried for even sessions; the first nearly always is


def solve(ask: Ask) -> Planned:
    """Plan every run that is asked for and still to do.

    The same ask gives the same plan. Runs that find no site are left out and named in the notes;
    so is every rule that a pin breaks and every balance that cannot be reached.

    Raises
    ------
    ValueError
        For an ask that makes no sense: no specimens, a session without length, too many runs.
    TimeoutError
        When the solver runs out of time.
    """
    _check(ask)
    sited = site_runs(ask)
    sittings = _kept(ask) + _new(ask, sited.new)
    slots = _most_even(ask, sittings)
    by_session: dict[int, list[str]] = defaultdict(list)
    for slot in slots:
        by_session[slot.session].append(slot.method)
    return Planned(
        slots=slots,
        notes=missing_notes(ask, sited.missing) + problems(ask, slots),
        session_minutes={n: minutes_of(ask, own) for n, own in sorted(by_session.items())},
    )


def _most_even(ask: Ask, sittings: list[Sitting]) -> tuple[Slot, ...]:
    """The first drawn order with even sessions, as drawn or evened out, or the most even of a few."""
    drawn = []
    for attempt, is_evened in product(range(DRAWS), (False, True)):
        slots = _slots(ask, sittings, attempt, is_evened=is_evened)
        uneven = sum(1 for _ in sessions_uneven(ask, slots))
        if not uneven:
            return slots
        drawn.append((uneven, attempt, slots))
    return min(drawn)[2]


def _slots(ask: Ask, sittings: list[Sitting], attempt: int, *, is_evened: bool) -> tuple[Slot, ...]:
    return tuple(
        Slot(
            session=session,
            place=place,
            method=one.method,
            specimen=one.specimen,
            number=one.number,
            arm=one.arm,
            zone=one.zone,
            side=one.side,
            site=one.site,
            is_kept=one.is_kept,
        )
        for place, (session, one) in enumerate(
            order(ask, sittings, attempt, is_evened=is_evened), start=1
        )
    )


def _check(ask: Ask) -> None:
    if not ask.items:
        raise ValueError("No specimen is left to plan for.")
    if not ask.methods:
        raise ValueError("Choose at least one method with at least one run.")
    if not ask.session_minutes > 0:
        raise ValueError("A session needs a length in minutes.")
    if any(method.runs_each < 1 or not method.minutes > 0 for method in ask.methods):
        raise ValueError("Every method needs at least one run and a time for it.")
    count = len(ask.items) * sum(method.runs_each for method in ask.methods)
    if count > MOST_RUNS:
        raise ValueError(f"This asks for {count} runs; plan at most {MOST_RUNS} at once.")
    for method in ask.methods:
        least = method.minutes + method.setup_minutes + 2 * method.control_minutes
        if least > ask.session_minutes:
            raise ValueError(
                f"{method.name} with its set-up and control runs takes {least:.0f}\u00a0min: no "
                "session is long enough for one run of it."
            )


def _kept(ask: Ask) -> list[Sitting]:
    """Runs on the sheet that are still to do: their sites stand."""
    methods = {method.key for method in ask.methods}
    items = {item.code: item for item in ask.items}
    return [
        Sitting(
            specimen=run.specimen,
            arm=items[run.specimen].arm,
            method=run.method,
            number=run.number,
            zone=run.zone,
            side=_zone_of(items[run.specimen], run.zone).side,
            site=run.site,
            is_kept=True,
        )
        for run in ask.held
        if not run.is_read and run.specimen in items and run.method in methods
    ]


def _new(ask: Ask, counts: dict[Place, int]) -> list[Sitting]:
    draw = np.random.default_rng([ask.seed, 2])
    taken: dict[tuple[str, str], int] = defaultdict(int)
    for run in ask.held:
        taken[run.specimen, run.method] = max(taken[run.specimen, run.method], run.number)
    pinned = defaultdict(list)
    for pin in ask.pins:
        if pin.zone is not None:
            specimen, key, number = pin.slot.split(":")
            pinned[specimen, key, pin.zone].append(int(number))
    made: list[Sitting] = []
    for item in ask.items:
        for method in ask.methods:
            places: list[tuple[str, int]] = []
            for zone in item.zones:
                free = zone.free.get(method.key, ())
                chosen = draw.permutation(len(free))
                count = counts.get((item.code, method.key, zone.code), 0)
                places += [(zone.code, free[k]) for k in sorted(chosen[:count])]
            shuffled = [places[k] for k in draw.permutation(len(places))]
            first = taken[item.code, method.key] + 1
            numbered = _numbered(shuffled, first, pinned, (item.code, method.key))
            made += [
                Sitting(
                    specimen=item.code,
                    arm=item.arm,
                    method=method.key,
                    number=number,
                    zone=zone_code,
                    side=_zone_of(item, zone_code).side,
                    site=site,
                    is_kept=False,
                )
                for number, (zone_code, site) in numbered
            ]
    return made


def _numbered(
    places: list[tuple[str, int]],
    first: int,
    pinned: dict[tuple[str, str, str], list[int]],
    pair: tuple[str, str],
) -> list[tuple[int, tuple[str, int]]]:
    """Number the runs of one method on one specimen so that a pinned number gets its zone."""
    free_numbers = list(range(first, first + len(places)))
    left = list(places)
    numbered: list[tuple[int, tuple[str, int]]] = []
    for place in places:
        for number in pinned.get((*pair, place[0]), []):
            if number in free_numbers and place in left:
                free_numbers.remove(number)
                left.remove(place)
                numbered.append((number, place))
    numbered += list(zip(free_numbers, left, strict=True))
    return sorted(numbered)


def _zone_of(item: Item, code: str) -> ZoneSpace:
    return next(zone for zone in item.zones if zone.code == code)


def missing_notes(ask: Ask, missing: tuple[Missing, ...]) -> tuple[Note, ...]:
    """What the plan lacks, in words: so many sites of which zone, in which arm, on which item."""
    grouped: dict[tuple[str, str], list[Missing]] = defaultdict(list)
    for one in missing:
        grouped[one.method, one.arm].append(one)
    return tuple(
        Note(kind="missing", sentence=_missing_words(ask, key, arm, ones))
        for (key, arm), ones in grouped.items()
    )


def _missing_words(ask: Ask, key: str, arm: str, ones: list[Missing]) -> str:
    method = ask.method(key)
    count = sum(one.count for one in ones)
    on = ", ".join(
        one.specimen if one.count == 1 or len(ones) == 1 else f"{one.specimen} ({one.count})"
        for one in ones
    )
    zones = [zone for one in ones for zone in ask.item(one.specimen).zones if key in zone.sites]
    names = list(dict.fromkeys(zone.name.lower() for zone in zones))
    if not names:
        products = sorted({ask.item(one.specimen).product for one in ones})
        return (
            f"{method.name} needs {count} more {_plural(count, 'site')} in {arm.lower()} ({on}): "
            f"no zone of {' or '.join(products)} carries it."
        )
    why = _why(ask, method, zones)
    one_more = "one more" if count == 1 else f"{count} more of"
    return f"{method.name} needs {one_more} {' or '.join(names)} in {arm.lower()} ({on}): {why}."


def _why(ask: Ask, method: MethodNeed, zones: list[ZoneSpace]) -> str:
    whole = [
        first.name.lower()
        for first, later in spoiling_pairs(ask.methods, "specimen")
        if later.key == method.key
    ]
    if whole:
        return f"{' and '.join(whole)} spoils the whole specimen for it"
    before = [
        other
        for other in ask.methods
        if other.key != method.key
        and other.stage <= method.stage
        and method.stage in other.spoils.site | other.spoils.zone
    ]
    is_shared = any(zone.share(other.key) for zone in zones for other in before)
    if any(zone.gone(method.key) for zone in zones if zone.free.get(method.key)) or is_shared:
        return "what is left of it is spoiled by other runs"
    return "its sites are used up"


def _plural(count: int, word: str) -> str:
    return word if count == 1 else f"{word}s"
