"""What a plan breaks: every rule looked at again on the finished plan.

Knows nothing of how the plan was made, so that it judges plans that a person changed alike.
"""

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from itertools import combinations

from trials.plans.design import LEFT, RIGHT, Ask, Held, Note, Slot
from trials.plans.sessions import minutes_of


def problems(ask: Ask, slots: Sequence[Slot]) -> tuple[Note, ...]:
    """Every rule that does not hold, as sentences; empty for a plan that keeps all."""
    found: list[Note] = []
    for rule in (_sites, _shares, _order, _lengths, _sessions, _arms, _sides, _pins):
        found += rule(ask, slots)
    return tuple(found)


def _zone(ask: Ask, specimen: str, code: str) -> str:
    for zone in ask.item(specimen).zones:
        if zone.code == code:
            return zone.name.lower()
    return code


def _sites(ask: Ask, slots: Sequence[Slot]) -> Iterator[Note]:
    used: dict[tuple[str, str, str, int], list[Slot]] = defaultdict(list)
    for slot in slots:
        used[slot.specimen, slot.method, slot.zone, slot.site].append(slot)
    for (specimen, method, zone, site), same in used.items():
        if len(same) > 1:
            yield Note(
                kind="broken",
                sentence=f"Site {site} of {_zone(ask, specimen, zone)} on {specimen} is used "
                f"{len(same)} times by {ask.method(method).name.lower()}.",
                slots=tuple(slot.name for slot in same),
            )
    for slot in slots:
        if slot.is_kept:
            continue
        free = next(
            (
                z.free.get(slot.method, ())
                for z in ask.item(slot.specimen).zones
                if z.code == slot.zone
            ),
            (),
        )
        if slot.site not in free:
            yield Note(
                kind="broken",
                sentence=f"Site {slot.site} of {_zone(ask, slot.specimen, slot.zone)} on "
                f"{slot.specimen} is not free for {ask.method(slot.method).name.lower()}.",
                slots=(slot.name,),
            )


def _shares(ask: Ask, slots: Sequence[Slot]) -> Iterator[Note]:
    spoiling = {method.key for method in ask.methods if method.spoils}
    new: dict[tuple[str, str], list[Slot]] = defaultdict(list)
    for slot in slots:
        if slot.method in spoiling and not slot.is_kept:
            new[slot.specimen, slot.zone].append(slot)
    for item in ask.items:
        for zone in item.zones:
            mine = new[item.code, zone.code]
            if not mine:
                continue
            asked = sum(1 / zone.sites[slot.method] for slot in mine if slot.method in zone.sites)
            if zone.spoiled + asked > 1 + 1e-6:
                yield Note(
                    kind="broken",
                    sentence=f"{zone.name} on {item.code} is spoiled: its runs together need "
                    f"{(zone.spoiled + asked) * 100:.0f}\u00a0% of it.",
                    slots=tuple(slot.name for slot in mine),
                )


def _order(ask: Ask, slots: Sequence[Slot]) -> Iterator[Note]:
    needs = {method.key: method for method in ask.methods}
    read: dict[str, list[Held]] = defaultdict(list)
    for run in ask.held:
        if run.is_read and run.method in needs:
            read[run.specimen].append(run)
    mine: dict[str, list[Slot]] = defaultdict(list)
    for slot in sorted(slots):
        mine[slot.specimen].append(slot)
    for specimen, own in mine.items():
        for slot in own:
            later = [r for r in read[specimen] if needs[r.method].stage > needs[slot.method].stage]
            if later:
                yield Note(
                    kind="broken",
                    sentence=f"{needs[slot.method].name} on {specimen} comes after "
                    f"{needs[later[0].method].name.lower()}, which was run on it already.",
                    slots=(slot.name,),
                )
        for before, after in combinations(own, 2):
            first, second = needs[before.method], needs[after.method]
            if first.stage > second.stage:
                yield Note(
                    kind="broken",
                    sentence=f"{second.name} on {specimen} comes after {first.name.lower()}, "
                    "which changes what it reads.",
                    slots=(before.name, after.name),
                )
            elif first.wets and second.key != first.key and before.session == after.session:
                yield Note(
                    kind="broken",
                    sentence=f"{specimen} is still wet from {first.name.lower()} when "
                    f"{second.name.lower()} is due in session {after.session}.",
                    slots=(before.name, after.name),
                )


def _lengths(ask: Ask, slots: Sequence[Slot]) -> Iterator[Note]:
    by_session: dict[int, list[Slot]] = defaultdict(list)
    for slot in slots:
        by_session[slot.session].append(slot)
    for session, own in sorted(by_session.items()):
        minutes = minutes_of(ask, [slot.method for slot in own])
        if minutes > ask.session_minutes + 1e-6:
            yield Note(
                kind="broken",
                sentence=f"Session {session} takes about {minutes:.0f}\u00a0min, longer than "
                f"{ask.session_minutes:.0f}\u00a0min.",
                slots=tuple(slot.name for slot in own),
            )


def _sessions(ask: Ask, slots: Sequence[Slot]) -> Iterator[Note]:
    size = Counter(slot.arm for slot in slots)
    counts = Counter((slot.session, slot.method, slot.arm) for slot in slots)
    per_method = Counter((slot.method, slot.arm) for slot in slots)
    for session, key in sorted({(session, key) for session, key, _ in counts}):
        for one, other in combinations([arm for arm in ask.arms if size[arm]], 2):
            first, second = counts[session, key, one], counts[session, key, other]
            same_total = per_method[key, one] == per_method[key, other]
            if same_total and abs(first - second) > 1:
                yield Note(
                    kind="uneven",
                    sentence=f"{ask.method(key).name}, session {session}: {first} of "
                    f"{one.lower()} against {second} of {other.lower()}, so that a bench that "
                    "drifts between sessions would not drift alike for both.",
                )


def _arms(ask: Ask, slots: Sequence[Slot]) -> Iterator[Note]:
    size = Counter(item.arm for item in ask.items)
    one_product = len({item.product for item in ask.items}) == 1
    arms = {item.code: item.arm for item in ask.items}
    sides = {(i.code, z.code): z.side for i in ask.items for z in i.zones}
    for method in ask.methods:
        counts: Counter[tuple[str, str]] = Counter()
        for specimen, zone in _places(ask, slots, method.key):
            group = zone if one_product else sides.get((specimen, zone), "none")
            counts[group, arms[specimen]] += 1
        for group in sorted({group for group, _ in counts}):
            for one, other in combinations([arm for arm in ask.arms if size[arm]], 2):
                least = min(size[one], size[other])
                first = counts[group, one] * least / size[one]
                second = counts[group, other] * least / size[other]
                if abs(first - second) > 1 + 1e-6:
                    where = f"zone {group}" if one_product else f"side {group}"
                    yield Note(
                        kind="uneven",
                        sentence=f"{method.name}, {where}: {counts[group, one]} in "
                        f"{one.lower()} against {counts[group, other]} in {other.lower()}.",
                    )


def _sides(ask: Ask, slots: Sequence[Slot]) -> Iterator[Note]:
    arms = {item.code: item.arm for item in ask.items}
    sides = {(i.code, z.code): z.side for i in ask.items for z in i.zones}
    for method in ask.methods:
        counts: Counter[tuple[str, str]] = Counter()
        for specimen, zone in _places(ask, slots, method.key):
            counts[arms[specimen], sides.get((specimen, zone), "none")] += 1
        for arm in ask.arms:
            left, right = counts[arm, LEFT], counts[arm, RIGHT]
            if abs(left - right) > 1:
                yield Note(
                    kind="uneven",
                    sentence=f"{method.name}, {arm.lower()}: {left} on the left against "
                    f"{right} on the right.",
                )


def _places(ask: Ask, slots: Sequence[Slot], method: str) -> Iterator[tuple[str, str]]:
    codes = {item.code for item in ask.items}
    for slot in slots:
        if slot.method == method:
            yield slot.specimen, slot.zone
    for run in ask.held:
        if run.method == method and run.is_read and run.specimen in codes:
            yield run.specimen, run.zone


def _pins(ask: Ask, slots: Sequence[Slot]) -> Iterator[Note]:
    by_name = {slot.name: slot for slot in slots}
    for pin in ask.pins:
        slot = by_name.get(pin.slot)
        if slot is None:
            continue
        if pin.zone is not None and slot.zone != pin.zone:
            yield Note(
                kind="broken",
                sentence=f"{slot.specimen} could not be put on {_zone(ask, slot.specimen, pin.zone)}"
                f" for {ask.method(slot.method).name.lower()}: no site of it is free there.",
                slots=(slot.name,),
            )
        if pin.session is not None and slot.session != pin.session:
            yield Note(
                kind="broken",
                sentence=f"Session {pin.session} is over: {slot.specimen} goes to session "
                f"{slot.session}.",
                slots=(slot.name,),
            )
