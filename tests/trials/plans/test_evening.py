"""Sessions shared out evenly, against every possible sharing tried one by one."""

from collections import Counter
from itertools import combinations, product

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from trials.plans.evening import shared_out
from trials.plans.sessions import Sitting

SIDES = ("left", "right", "none")


def made(sizes: list[int], sides: list[str]) -> list[Sitting]:
    return [
        Sitting(
            specimen=f"{arm}-{k}",
            arm=f"Arm {arm}",
            method="seam",
            number=1,
            zone="z",
            side=sides[k % len(sides)],
            site=1,
            is_kept=False,
        )
        for arm, size in enumerate(sizes)
        for k in range(size)
    ]


def cut(runs: list[Sitting], most: int) -> list[list[Sitting]]:
    return [runs[k : k + most] for k in range(0, len(runs), most)]


def uneven(counts: list[Counter[str]], sizes: Counter[str]) -> int:
    """Pairs of arms more than one run apart in a session, the larger arm scaled to the smaller."""
    found = 0
    for here in counts:
        for one, other in combinations(sorted(sizes), 2):
            least = min(sizes[one], sizes[other])
            apart = here[one] * least / sizes[one] - here[other] * least / sizes[other]
            found += abs(apart) > 1 + 1e-6
    return found


def fewest_uneven(sizes: Counter[str], lengths: list[int]) -> int:
    """By trying every table of counts with these sums."""
    arms = sorted(sizes)
    columns = [
        [c for c in product(*(range(min(n, sizes[a]) + 1) for a in arms)) if sum(c) == n]
        for n in lengths
    ]
    return min(
        uneven([Counter(dict(zip(arms, column, strict=True))) for column in table], sizes)
        for table in product(*columns)
        if all(sum(column[k] for column in table) == sizes[arm] for k, arm in enumerate(arms))
    )


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    sizes=st.lists(st.integers(1, 5), min_size=2, max_size=3),
    most=st.integers(2, 5),
    seed=st.integers(0, 2**32),
)
def test_as_few_sessions_are_uneven_as_can_be(sizes, most, seed):
    runs = made(sizes, ["none"])
    blocks = cut(runs, most)[:3]  # three sessions at most, so that all tables can be tried
    runs = [one for block in blocks for one in block]
    shared = shared_out(blocks, np.random.default_rng(seed))
    assert sorted(one.specimen for block in shared for one in block) == sorted(
        one.specimen for one in runs
    )
    lengths = [len(block) for block in blocks]
    assert [len(block) for block in shared] == lengths
    arms = Counter(one.arm for one in runs)
    found = uneven([Counter(one.arm for one in block) for block in shared], arms)
    assert found == fewest_uneven(arms, lengths)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(half=st.integers(1, 4), arms=st.integers(1, 4), seed=st.integers(0, 2**32))
def test_left_and_right_stay_within_one(half, arms, seed):
    # one run of each side of every arm a session is possible, so it has to be found
    runs = made([2 * half] * arms, ["left", "right"])
    shared = shared_out(cut(runs, 2 * arms), np.random.default_rng(seed))
    for block in shared:
        count = Counter((one.arm, one.side) for one in block)
        for arm in {one.arm for one in runs}:
            assert abs(count[arm, "left"] - count[arm, "right"]) <= 1


def test_the_same_draw_shares_out_alike_and_another_otherwise():
    blocks = cut(made([6, 4, 5], ["left", "right"]), 5)
    one, same, other = (shared_out(blocks, np.random.default_rng(s)) for s in (1, 1, 2))
    assert one == same
    assert one != other


@pytest.mark.parametrize("sizes", [[6, 5, 7, 5], [9, 3], [1, 8, 2]])
def test_no_run_is_lost_or_doubled(sizes):
    runs = made(sizes, list(SIDES))
    shared = shared_out(cut(runs, 4), np.random.default_rng(3))
    assert Counter(one.specimen for block in shared for one in block) == Counter(
        one.specimen for one in runs
    )
