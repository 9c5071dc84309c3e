"""In which session and order the runs are done.

Methods go through the bench in the order of their stages, each set up as rarely as the length of
a session allows. Within a method the runs are drawn in turns: a turn has one run of each arm, in
an order drawn by lot (a randomised block, ISO 24153 section on blocks, from memory), so that a
bench that drifts drifts for all arms, and left and right alternate within each arm. Sessions are filled in that order, which keeps stages in
order on every specimen; after a method that wets, the next one waits for the next session.
"""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from trials.plans.design import LEFT, RIGHT, Ask, MethodNeed, slot_name
from trials.plans.evening import shared_out


@dataclass(frozen=True, kw_only=True)
class Sitting:
    """A run with its site, before it has a place in the order."""

    specimen: str
    arm: str
    method: str
    number: int
    zone: str
    side: str
    site: int
    is_kept: bool


def in_turns(
    sittings: Sequence[Sitting], arms: Sequence[str], draw: np.random.Generator
) -> list[list[Sitting]]:
    """The runs of one method as turns: each has one run of every arm that has runs left.

    Within an arm left and right alternate, so that whichever stretch of turns a session takes, it
    has of both sides the same number or one more. Arms of unequal size are spread: the runs of a
    smaller arm come at even distances, not all at the start.
    """
    queues: dict[str, list[Sitting]] = {}
    lean = 0  # arms that begin on the left less those that begin on the right
    by_arm = [[one for one in sittings if one.arm == arm] for arm in arms]
    # arms that must begin on one side come first, the others make up for them
    for mine in sorted(by_arm, key=lambda own: -abs(_more_left(own))):
        if mine:
            surplus = _more_left(mine)
            is_left = surplus > 0 if surplus else lean < 0 or (lean == 0 and draw.random() < 0.5)
            lean += 1 if is_left else -1
            queues[mine[0].arm] = _alternating(mine, draw, LEFT if is_left else RIGHT)
    longest = max(len(queue) for queue in queues.values())
    turns: list[list[Sitting]] = [[] for _ in range(longest)]
    for arm in arms:
        queue = queues.get(arm, [])
        offset = draw.uniform(0, 1) if len(queue) < longest else 0.0
        for k, one in enumerate(queue):
            turns[int((k + offset) * longest / len(queue))].append(one)
    return [[turn[k] for k in draw.permutation(len(turn))] for turn in turns if turn]


def _more_left(sittings: Sequence[Sitting]) -> int:
    return sum((one.side == LEFT) - (one.side == RIGHT) for one in sittings)


def _alternating(
    sittings: Sequence[Sitting], draw: np.random.Generator, first: str
) -> list[Sitting]:
    """Drawn by lot, but left and right in turn; runs without a side fall in anywhere."""
    drawn = [sittings[k] for k in draw.permutation(len(sittings))]
    sides = {side: [one for one in drawn if one.side == side] for side in (LEFT, RIGHT)}
    second = RIGHT if first == LEFT else LEFT
    # k-th of n at (k + 1/2) / n: equal numbers alternate, unequal ones are spread evenly
    places = [
        ((k + 0.5 + nudge) / len(sides[side]), one)
        for side, nudge in ((first, 0.0), (second, 1e-6))
        for k, one in enumerate(sides[side])
    ]
    merged = [one for _, one in sorted(places, key=lambda place: place[0])]
    for one in drawn:
        if one.side not in sides:
            merged.insert(int(draw.integers(0, len(merged) + 1)), one)
    return merged


def order(
    ask: Ask, sittings: Sequence[Sitting], attempt: int = 0, *, is_evened: bool = False
) -> list[tuple[int, Sitting]]:
    """Every run with its session, in the order of work; another attempt is another draw.

    Evened, the runs of each method are shared out over its sessions anew, by `evening.py`.
    """
    draw = np.random.default_rng([ask.seed, 1, attempt])
    filled: dict[int, float] = defaultdict(float)
    placed: dict[int, list[tuple[MethodNeed, Sitting]]] = defaultdict(list)

    def put(method: MethodNeed, one: Sitting, session: int) -> None:
        filled[session] += _cost(method, placed[session])
        placed[session].append((method, one))

    free: list[tuple[MethodNeed, list[Sitting]]] = []
    for method, turn in _turns_by_stage(ask, sittings, draw):
        pinned = {one: _pinned_session(ask, one) for one in turn}
        for one, wish in pinned.items():
            if wish is not None:
                put(method, one, max(wish, ask.first_session))
        loose = [one for one, wish in pinned.items() if wish is None]
        free += [(method, part) for part in _parts(ask, method, loose)]
    session, before = ask.first_session, None
    for method, turn in free:
        if before is not None and before.key != method.key and before.wets:
            session += 1
        session = _next_with_room(ask, method, turn, session, filled, placed)
        for one in turn:
            put(method, one, session)
        before = method
    if is_evened:
        for method in ask.methods:
            _even(ask, method, placed, draw)
    return [
        (number, one)
        for number in sorted(placed)
        # pinned runs join the block of their method; the sort keeps drawn turns as they are
        for _, one in sorted(placed[number], key=lambda pair: (pair[0].stage, pair[0].name))
    ]


def _even(
    ask: Ask,
    method: MethodNeed,
    placed: dict[int, list[tuple[MethodNeed, Sitting]]],
    draw: np.random.Generator,
) -> None:
    """Share a method's runs out evenly over the sessions it has; pinned ones hold it as it is."""
    own = {
        number: [one for used, one in rows if used.key == method.key]
        for number, rows in sorted(placed.items())
    }
    own = {number: block for number, block in own.items() if block}
    pinned = any(_pinned_session(ask, one) is not None for block in own.values() for one in block)
    if len(own) < 2 or pinned:
        return
    for number, block in zip(own, shared_out(list(own.values()), draw), strict=True):
        others = [row for row in placed[number] if row[0].key != method.key]
        turns = in_turns(block, ask.arms, draw)
        placed[number] = others + [(method, one) for turn in turns for one in turn]


def _turns_by_stage(
    ask: Ask, sittings: Sequence[Sitting], draw: np.random.Generator
) -> Iterator[tuple[MethodNeed, list[Sitting]]]:
    for method in sorted(ask.methods, key=lambda method: (method.stage, method.name)):
        own = [one for one in sittings if one.method == method.key]
        if own:
            for turn in in_turns(own, ask.arms, draw):
                yield method, turn


def _parts(ask: Ask, method: MethodNeed, turn: list[Sitting]) -> list[list[Sitting]]:
    """The turn whole, or in parts when no session is long enough for the whole of it."""
    room = ask.session_minutes - method.setup_minutes - 2 * method.control_minutes
    most = max(1, int((room + 1e-6) // method.minutes))
    return [turn[k : k + most] for k in range(0, len(turn), most)]


def _pinned_session(ask: Ask, one: Sitting) -> int | None:
    name = slot_name(one.specimen, one.method, one.number)
    wishes = [pin.session for pin in ask.pins if pin.slot == name and pin.session is not None]
    return wishes[-1] if wishes else None


def _next_with_room(
    ask: Ask,
    method: MethodNeed,
    turn: Sequence[Sitting],
    session: int,
    filled: Mapping[int, float],
    placed: Mapping[int, list[tuple[MethodNeed, Sitting]]],
) -> int:
    while placed.get(session):
        cost = _cost(method, placed[session]) + method.minutes * (len(turn) - 1)
        if filled[session] + cost <= ask.session_minutes:
            break
        session += 1
    return session


def _cost(method: MethodNeed, placed: Sequence[tuple[MethodNeed, Sitting]]) -> float:
    """Minutes that one more run of the method adds to a session."""
    if any(other.key == method.key for other, _ in placed):
        return method.minutes
    # the first run of a method brings its set-up and a control run before and after
    return method.minutes + method.setup_minutes + 2 * method.control_minutes


def minutes_of(ask: Ask, methods: Sequence[str]) -> float:
    """How long a session of these runs takes, with set-ups and control runs."""
    needs = {method.key: method for method in ask.methods}
    used = [needs[key] for key in dict.fromkeys(methods)]
    return sum(needs[key].minutes for key in methods) + sum(
        method.setup_minutes + 2 * method.control_minutes for method in used
    )
