"""Rules of a plan, counted here afresh and never by the planner's own checker."""

from collections import Counter, defaultdict
from dataclasses import replace
from itertools import combinations, pairwise

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.trials.plans.plan_asks import (
    BELT,
    CARRIES,
    DROP,
    FLAME,
    METHODS,
    SEAM,
    WATER,
    ask,
    item,
    spoiled,
    zones,
)
from trials.plans.design import Ask, Held, Pin, Planned
from trials.plans.solve import solve

NEEDS = {method.key: method for method in METHODS}


def shares(plan: Planned) -> Counter[tuple[str, str]]:
    """Hundredths of each zone that spoiling runs take."""
    taken: Counter[tuple[str, str]] = Counter()
    for slot in plan.slots:
        if NEEDS[slot.method].spoils.site:
            taken[slot.specimen, slot.zone] += 100 // CARRIES[slot.zone][1][slot.method]
    return taken


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    sizes=st.lists(st.integers(1, 4), min_size=2, max_size=3),
    chosen=st.sets(st.sampled_from(METHODS), min_size=1),
    runs=st.integers(1, 3),
    minutes=st.sampled_from([90.0, 150.0, 400.0]),
    seed=st.integers(0, 2**32),
)
def test_every_rule_holds_for_any_ask(sizes, chosen, runs, minutes, seed):
    methods = tuple(sorted((replace(m, runs_each=runs) for m in chosen), key=lambda m: m.key))
    asked = ask(*sizes, seed=seed, methods=methods, session_minutes=minutes)
    plan = solve(asked)
    # no site twice, and only sites the zone has
    sites = [(s.specimen, s.method, s.zone, s.site) for s in plan.slots]
    assert len(set(sites)) == len(sites)
    for slot in plan.slots:
        assert 1 <= slot.site <= CARRIES[slot.zone][1][slot.method]
    # no zone asked for more than the whole of it
    assert all(taken <= 100 for taken in shares(plan).values())
    # stages in order on every specimen, and dry before the next method
    for specimen in {slot.specimen for slot in plan.slots}:
        own = sorted((s for s in plan.slots if s.specimen == specimen), key=lambda s: s.place)
        for before, after in combinations(own, 2):
            assert before.session <= after.session
            assert NEEDS[before.method].stage <= NEEDS[after.method].stage
            if before.method == "water" and after.method != "water":
                assert before.session < after.session
    # sessions no longer than asked, set-up and control runs counted
    for session in {slot.session for slot in plan.slots}:
        own = [NEEDS[s.method] for s in plan.slots if s.session == session]
        extra = {m.key: m.setup_minutes + 2 * m.control_minutes for m in own}
        assert sum(m.minutes for m in own) + sum(extra.values()) <= minutes
    # what has no site is missing in words, and nothing is missing without words
    wanted = sum(sizes) * len(methods) * runs
    assert (len(plan.slots) < wanted) == any(n.kind == "missing" for n in plan.notes)
    assert not any(n.kind == "broken" for n in plan.notes)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(size=st.integers(1, 5), arms=st.integers(2, 3), seed=st.integers(0, 2**32))
def test_arms_of_one_size_differ_by_one_run_a_zone_at_most(size, arms, seed):
    plan = solve(ask(*[size] * arms, seed=seed))
    count = Counter((s.method, s.zone, s.arm) for s in plan.slots)
    names = sorted({s.arm for s in plan.slots})
    for method, zone in {(m, z) for m, z, _ in count}:
        per_arm = [count[method, zone, arm] for arm in names]
        assert max(per_arm) - min(per_arm) <= 1
    sides = Counter((s.method, s.arm, s.side) for s in plan.slots)
    for method, arm in {(m, a) for m, a, side in sides if side != "none"}:
        assert abs(sides[method, arm, "left"] - sides[method, arm, "right"]) <= 1


def test_every_session_has_the_arms_within_one_run_of_each_other():
    plan = solve(ask(6, 6, session_minutes=150))
    count = Counter((s.session, s.method, s.arm) for s in plan.slots)
    assert len({s.session for s in plan.slots}) > 3
    for session, method in {(n, m) for n, m, _ in count}:
        assert abs(count[session, method, "Arm 1"] - count[session, method, "Arm 2"]) <= 1


def test_the_same_seed_gives_the_same_plan_and_another_seed_another_order():
    assert solve(ask(3, 3, seed=7)) == solve(ask(3, 3, seed=7))
    one = [slot.name for slot in solve(ask(3, 3, seed=7)).slots]
    other = [slot.name for slot in solve(ask(3, 3, seed=8)).slots]
    assert sorted(one) == sorted(other)
    assert one != other


def test_over_many_seeds_each_arm_goes_first_about_as_often():
    # 60 fair draws: 17 or fewer, or 43 or more, of one arm happen once in 800 times
    first = Counter(solve(ask(2, 2, seed=seed, methods=(SEAM,))).slots[0].arm for seed in range(60))
    assert 17 < first["Arm 1"] < 43


def test_each_method_is_set_up_once_when_a_session_is_long_enough():
    plan = solve(ask(2, 2, session_minutes=2000))
    blocks = [s.method for s in sorted(plan.slots, key=lambda s: s.place)]
    changes = sum(a != b for a, b in pairwise(blocks))
    assert changes == len(METHODS) - 1


def test_one_more_palm_is_asked_for_by_name():
    gone = zones({("right-palm", "drop"): 1, ("left-palm", "belt"): 1})
    items = (item("NEW1", "New"), item("WORN1", "Worn", zones=gone))
    plan = solve(ask(arms=("New", "Worn"), items=items, methods=(DROP,)))
    assert [n.sentence for n in plan.notes if n.kind == "missing"] == [
        (
            "Padding drop needs one more left palm or right palm in worn (WORN1): what is left of it "
            "is spoiled by other runs."
        )
    ]
    assert [slot.specimen for slot in plan.slots] == ["NEW1"]


def test_used_up_sites_are_told_apart_from_spoiled_zones():
    gone = zones({("left-palm", "drop"): 1, ("right-palm", "drop"): 1})
    items = (item("NEW1", "New"), item("WORN1", "Worn", zones=gone))
    plan = solve(ask(arms=("New", "Worn"), items=items, methods=(DROP,)))
    assert [n.sentence for n in plan.notes if n.kind == "missing"] == [
        (
            "Padding drop needs one more left palm or right palm in worn (WORN1): its sites are used "
            "up."
        )
    ]


def test_a_product_without_the_zone_is_named():
    bare = item("WORN1", "Worn", zones=zones()[:1], product="Tarn waders")
    plan = solve(ask(arms=("New", "Worn"), items=(item("NEW1", "New"), bare), methods=(SEAM,)))
    assert [n.sentence for n in plan.notes if n.kind == "missing"] == [
        "Seam pull needs 2 more sites in worn (WORN1): no zone of Tarn waders carries it."
    ]


def test_a_pinned_zone_and_session_are_kept_and_nothing_is_said():
    asked = ask(2, 2, methods=(DROP, BELT))
    pin = Pin(slot="S0001:drop:1", zone="right-palm", session=1)
    plan = solve(replace(asked, pins=(pin,)))
    slot = next(s for s in plan.slots if s.name == "S0001:drop:1")
    assert (slot.zone, slot.session) == ("right-palm", 1)
    assert not any(note.kind == "broken" for note in plan.notes)


def test_a_flame_pinned_before_the_rest_is_named_with_what_it_spoils():
    asked = ask(2, 2, methods=(SEAM, FLAME), session_minutes=120)
    late = solve(asked)
    assert max(s.session for s in late.slots if s.method == "seam") > 0
    plan = solve(replace(asked, pins=(Pin(slot="S0001:seam:2", session=9),)))
    told = [note for note in plan.notes if note.kind == "broken"]
    assert [note.sentence for note in told] == [
        "Seam pull on S0001 comes after flame, which changes what it reads."
    ]
    assert "S0001:seam:2" in told[0].slots


def test_a_pin_that_makes_a_session_too_long_says_so():
    asked = ask(2, 2, methods=(SEAM,), session_minutes=58)
    pins = tuple(Pin(slot=f"S{a}00{k}:seam:1", session=1) for a in (0, 1) for k in (1, 2))
    # 4 x 12 min and 10 min to set up fill 58 min; a fifth makes 70
    full = solve(replace(asked, pins=pins))
    assert not any(note.kind == "broken" for note in full.notes)
    over = solve(replace(asked, pins=(*pins, Pin(slot="S0001:seam:2", session=1))))
    assert [n.sentence for n in over.notes if n.kind == "broken"] == [
        "Session 1 takes about 70\u00a0min, longer than 58\u00a0min."
    ]


def test_a_pin_on_a_zone_without_room_is_told():
    gone = zones({("right-palm", "drop"): 1})
    items = (item("NEW1", "New", zones=gone), item("WORN1", "Worn"))
    asked = ask(arms=("New", "Worn"), items=items, methods=(DROP,))
    plan = solve(replace(asked, pins=(Pin(slot="NEW1:drop:1", zone="right-palm"),)))
    assert "NEW1 could not be put on right palm for padding drop: no site of it is free there." in [
        note.sentence for note in plan.notes
    ]


def held_of(plan: Planned, read: set[str]) -> tuple[Held, ...]:
    return tuple(
        Held(
            specimen=s.specimen,
            method=s.method,
            number=s.number,
            zone=s.zone,
            site=s.site,
            is_read=s.name in read,
            session=s.session,
        )
        for s in plan.slots
    )


def as_used(asked: Ask, held: tuple[Held, ...]) -> Ask:
    """The ask with every held site taken out of what is free."""
    gone: dict[str, set[tuple[str, str, int]]] = defaultdict(set)
    for run in held:
        gone[run.specimen].add((run.zone, run.method, run.site))
    items = tuple(
        replace(
            one,
            zones=tuple(
                replace(
                    zone,
                    free={
                        m: tuple(n for n in sites if (zone.code, m, n) not in gone[one.code])
                        for m, sites in zone.free.items()
                    },
                    spoiled=spoiled(
                        sum(
                            1 / zone.sites[run.method]
                            for run in held
                            if run.is_read
                            and (run.specimen, run.zone) == (one.code, zone.code)
                            and NEEDS[run.method].spoils.site
                        )
                    ),
                )
                for zone in one.zones
            ),
        )
        for one in asked.items
    )
    return replace(asked, items=items, held=held)


def test_a_lost_specimen_leaves_the_others_where_they_are():
    asked = ask(3, 3)
    first = solve(asked)
    read = {s.name for s in first.slots if s.session == 1}
    left = tuple(one for one in asked.items if one.code != "S1002")
    again = solve(
        replace(
            as_used(asked, held_of(first, read)),
            items=left_of(asked, first, read, left),
            first_session=2,
        )
    )
    before = {s.name: (s.zone, s.site) for s in first.slots}
    assert {s.name for s in again.slots} == {
        name for name in before if name not in read and not name.startswith("S1002")
    }
    assert all((s.zone, s.site) == before[s.name] and s.is_kept for s in again.slots)
    assert min(s.session for s in again.slots) == 2
    assert not any(note.kind in ("broken", "missing") for note in again.notes)


def left_of(asked, first, read, left):
    """The remaining items with their used sites gone."""
    used = as_used(asked, held_of(first, read))
    codes = {one.code for one in left}
    return tuple(one for one in used.items if one.code in codes)


def test_a_void_run_gets_a_fresh_site_and_late_water_is_told():
    asked = ask(1, 1, methods=(WATER, BELT))
    first = solve(asked)
    everything = {s.name for s in first.slots}
    void = next(s for s in first.slots if s.method == "belt")
    held = tuple(
        run
        for run in held_of(first, everything)
        if (run.specimen, run.method, run.number) != (void.specimen, "belt", void.number)
    )
    used = as_used(asked, held_of(first, everything))
    again = solve(replace(used, held=held, first_session=3))
    assert len(again.slots) == 1
    (fresh,) = again.slots
    assert (fresh.specimen, fresh.method) == (void.specimen, "belt")
    assert (fresh.zone, fresh.site) != (void.zone, void.site)
    no_water = tuple(run for run in held if run.method != "water")
    with_hole = replace(used, held=no_water, first_session=3)
    told = [n for n in solve(with_hole).notes if n.kind == "missing"]
    assert told
    assert "back" in told[0].sentence


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"items": ()}, "No specimen is left"),
        ({"methods": ()}, "at least one method"),
        ({"session_minutes": 0.0}, "length"),
        ({"session_minutes": 20.0}, "long enough"),
    ],
)
def test_asks_that_make_no_sense_are_refused_in_words(changes, words):
    with pytest.raises(ValueError, match=words):
        solve(ask(1, 1, **changes))
