"""Sessions made even: which of a method's runs go to which of its sessions, by an integer program.

The turns of `sessions.py` are drawn, and nearly always even. Where arms of unequal size or three
arms and more leave a session uneven, the same sessions are shared out again: each keeps as many runs
of the method as it had, so no session grows, and as few as can be are left uneven. Solved by HiGHS
through `scipy.optimize.milp`.
"""

from collections import Counter, defaultdict
from collections.abc import Sequence
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

from trials.plans.design import LEFT, RIGHT

if TYPE_CHECKING:
    from trials.plans.sessions import Sitting

Group = tuple[str, str]  # arm and side
MOST_NODES = 5  # not seconds: the same ask must give the same plan on a busy machine
WITHIN = 1.0  # one run, as the checker has it


def shared_out(
    blocks: Sequence[Sequence["Sitting"]], draw: np.random.Generator
) -> list[list["Sitting"]]:
    """The runs of one method, session by session, shared out so that every session is even.

    Which run of an arm and a side goes where is drawn. The blocks come back as they were when the
    solver finds nothing in its nodes.
    """
    runs = [one for block in blocks for one in block]
    named = sorted({(one.arm, one.side) for one in runs})
    # which of many even answers the solver comes to depends on the order of its columns: by lot
    groups = [named[k] for k in draw.permutation(len(named))]
    counts = _counts(Counter((one.arm, one.side) for one in runs), groups, blocks)
    if counts is None:
        return [list(block) for block in blocks]
    waiting: dict[Group, list[Sitting]] = defaultdict(list)
    for k in draw.permutation(len(runs)):
        waiting[runs[k].arm, runs[k].side].append(runs[k])
    return [
        [waiting[group].pop() for group, n in zip(groups, column, strict=True) for _ in range(n)]
        for column in counts
    ]


def _counts(
    of_group: Counter[Group],
    groups: list[Group],
    blocks: Sequence[Sequence["Sitting"]],
) -> list[list[int]] | None:
    """How many runs of each group each session gets; None when the solver found no answer."""
    sessions, width = len(blocks), len(groups)

    def at(session: int, group: int) -> int:
        return session * width + group

    rows: list[tuple[dict[int, float], float, float]] = []
    for g, group in enumerate(groups):
        rows.append(({at(s, g): 1.0 for s in range(sessions)}, of_group[group], of_group[group]))
    for s, block in enumerate(blocks):
        rows.append(({at(s, g): 1.0 for g in range(width)}, len(block), len(block)))
    columns = uneven = sessions * width
    for s, block in enumerate(blocks):
        for apart in _apart(of_group, groups):
            # a yes or no for each: what is told is whether a session is uneven
            terms = {at(s, g): weight for g, weight in apart.items()}
            rows.append(({**terms, uneven: -float(len(block))}, -np.inf, WITHIN))
            rows.append(({**terms, uneven: float(len(block))}, -WITHIN, np.inf))
            uneven += 1
    place = [(r, c, v) for r, (terms, _, _) in enumerate(rows) for c, v in terms.items()]
    at_row, at_column, value = (np.array(part) for part in zip(*place, strict=True))
    found = milp(
        np.where(np.arange(uneven) < columns, 0.0, 1.0),
        integrality=np.ones(uneven),
        bounds=Bounds(0, np.where(np.arange(uneven) < columns, np.inf, 1.0)),
        constraints=LinearConstraint(
            coo_array((value, (at_row, at_column)), shape=(len(rows), uneven)).tocsc(),
            [low for _, low, _ in rows],
            [high for _, _, high in rows],
        ),
        options={"node_limit": MOST_NODES},
    )
    if found.x is None:
        return None
    whole = np.rint(found.x[:columns]).astype(int).reshape(sessions, width)
    return [column.tolist() for column in whole]


def _apart(of_group: Counter[Group], groups: list[Group]) -> list[dict[int, float]]:
    """What must stay within one run in every session, as weights of the groups.

    Two arms, each scaled to the smaller of them; left and right of an arm that has as many of both.
    """
    of_arm: Counter[str] = Counter()
    for (arm, _), n in of_group.items():
        of_arm[arm] += n
    apart = []
    for one, other in combinations(sorted(of_arm), 2):
        least = min(of_arm[one], of_arm[other])
        share = {one: least / of_arm[one], other: -least / of_arm[other]}
        apart.append({g: share[arm] for g, (arm, _) in enumerate(groups) if arm in share})
    for arm in of_arm:
        if abs(of_group[arm, LEFT] - of_group[arm, RIGHT]) <= 1:
            sign = {LEFT: 1.0, RIGHT: -1.0}
            terms = {
                g: sign[side] for g, (own, side) in enumerate(groups) if own == arm and side in sign
            }
            if terms:
                apart.append(terms)
    return apart
