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
    rules = (_sites, _spoiled, _order, _lengths, sessions_uneven, _arms, _sides, _pins)
    for rule in rules:
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


def _spoiled(ask: Ask, slots: Sequence[Slot]) -> Iterator[Note]:
    """Each run against everything that comes before it on the same specimen."""
    needs = {method.key: method for method in ask.methods}
    mine: dict[str, list[Slot]] = defaultdict(list)
    for slot in sorted(slots):
        mine[slot.specimen].append(slot)
    for item in ask.items:
        zones = {zone.code: zone for zone in item.zones}
        own = mine[item.code]
        for place, slot in enumerate(own):
            need, zone = needs[slot.method], zones[slot.zone]
            taken, spoilers = zone.gone(slot.method), []
            for before in own[:place]:
                spoils = needs[before.method].spoils
                is_here = before.zone == slot.zone
                if is_here and need.stage in spoils.site:
                    taken += zone.share(before.method)
                is_other = before.method != slot.method
                if is_other and need.stage in spoils.specimen | (
                    spoils.zone if is_here else frozenset()
                ):
                    spoilers.append(before)
            if spoilers:
                where = zone.name.lower() if spoilers[0].zone == slot.zone else "it"
                yield Note(
                    kind="broken",
                    sentence=f"{need.name} on {item.code} comes after "
                    f"{needs[spoilers[0].method].name.lower()}, which spoils {where} for it.",
                    slots=(spoilers[0].name, slot.name),
                )
            elif taken > zone.gone(slot.method) and taken + zone.share(slot.method) > 1 + 1e-6:
                yield Note(
                    kind="broken",
                    sentence=f"{zone.name} on {item.code} is spoiled for {need.name.lower()}: with "
                    f"what is run there before, {(taken + zone.share(slot.method)) * 100:.0f}\u00a0%"
                    " of it would be needed.",
                    slots=(slot.name,),
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


def sessions_uneven(ask: Ask, slots: Sequence[Slot]) -> Iterator[Note]:
    """Arms, and left and right, within one run of each other in every session of a method.

    Arms of unequal size are scaled to the smaller one. Where what is left to do is uneven as a
    whole, no order can make it even: that is told by zone and side, not again by session.
    """
    sides = {(i.code, z.code): z.side for i in ask.items for z in i.zones}
    arm = Counter((slot.method, slot.arm) for slot in slots)
    by_arm = Counter((slot.session, slot.method, slot.arm) for slot in slots)
    side = Counter((s.method, s.arm, sides.get((s.specimen, s.zone))) for s in slots)
    by_side = Counter((s.session, s.method, s.arm, sides.get((s.specimen, s.zone))) for s in slots)
    for session, key in sorted({(slot.session, slot.method) for slot in slots}):
        name = ask.method(key).name
        here = [label for label in ask.arms if arm[key, label]]
        for one, other in combinations(here, 2):
            first, second = by_arm[session, key, one], by_arm[session, key, other]
            least = min(arm[key, one], arm[key, other])
            apart = first * least / arm[key, one] - second * least / arm[key, other]
            if abs(apart) > 1 + 1e-6:
                yield Note(
                    kind="uneven",
                    sentence=f"{name}, session {session}: {first} of {one.lower()} against "
                    f"{second} of {other.lower()}, so that a bench that drifts between sessions "
                    "would not drift alike for both.",
                )
        for label in here:
            left, right = (by_side[session, key, label, which] for which in (LEFT, RIGHT))
            in_all = abs(side[key, label, LEFT] - side[key, label, RIGHT])
            if in_all <= 1 < abs(left - right):
                yield Note(
                    kind="uneven",
                    sentence=f"{name}, session {session}, {label.lower()}: {left} on the left "
                    f"against {right} on the right.",
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
