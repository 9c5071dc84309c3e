"""What methods spoil, and evenness of sessions: counted here afresh, never by the planner's checker."""

from collections import Counter
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.trials.plans.plan_asks import BELT, DROP, FLAME, METHODS, SEAM, WATER, ask, item, zones
from trials.plans.design import NOTHING, Held, Pin, Planned, Spoils
from trials.plans.families import FAMILIES, rule_problems, rule_words, spoils_of, wets
from trials.plans.solve import solve

STAGES = [method.stage for method in METHODS]
some_stages = st.frozensets(st.sampled_from(STAGES), max_size=3)
any_spoils = st.builds(Spoils, site=some_stages, zone=some_stages, specimen=some_stages)


def faults(plan: Planned, needs: dict, sites: dict) -> list[str]:
    """Every run that stands where an earlier one of the plan has spoiled the place for it."""
    found = []
    ordered = sorted(plan.slots, key=lambda slot: (slot.session, slot.place))
    for k, slot in enumerate(ordered):
        share, own = 0.0, 1 / sites[slot.zone][slot.method]
        for before in ordered[:k]:
            if before.specimen != slot.specimen:
                continue
            spoils, stage = needs[before.method].spoils, needs[slot.method].stage
            is_other = before.method != slot.method
            if is_other and stage in spoils.specimen:
                found.append(f"{slot.name}: the specimen after {before.name}")
            if before.zone == slot.zone and is_other and stage in spoils.zone:
                found.append(f"{slot.name}: the zone after {before.name}")
            if before.zone == slot.zone and stage in spoils.site:
                share += 1 / sites[before.zone][before.method]
        if share and share + own > 1 + 1e-9:
            found.append(f"{slot.name}: {share + own:.2f} of the zone")
    return found


SITES = {zone.code: zone.sites for zone in zones()}


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    spoils=st.lists(any_spoils, min_size=len(METHODS), max_size=len(METHODS)),
    runs=st.integers(1, 2),
    seed=st.integers(0, 2**32),
)
def test_nothing_stands_where_something_before_it_has_spoiled_the_place(spoils, runs, seed):
    methods = tuple(
        replace(m, spoils=s, runs_each=runs, wets=False)
        for m, s in zip(METHODS, spoils, strict=True)
    )
    plan = solve(ask(1, 2, seed=seed, methods=methods, session_minutes=900.0))
    assert faults(plan, {m.key: m for m in methods}, SITES) == []
    assert not any(note.kind == "broken" for note in plan.notes)
    wanted = 3 * runs * len(methods)
    assert (len(plan.slots) < wanted) == any(note.kind == "missing" for note in plan.notes)


def test_what_spoils_only_some_families_leaves_the_zone_to_the_others():
    # each sleeve carries two worn patches or two seams; a seam that spoils nothing for abrasion
    # leaves room for both, one that spoils all leaves room for half
    gentle = replace(SEAM, spoils=Spoils(site=frozenset({3})), runs_each=4)
    belt = replace(BELT, runs_each=4)
    only = ("left-sleeve", "right-sleeve")
    some = tuple(zone for zone in zones() if zone.code in only)
    items = (item("NEW1", "New", zones=some), item("WORN1", "Worn", zones=some))
    both = solve(ask(arms=("New", "Worn"), items=items, methods=(gentle, belt)))
    assert not any(note.kind == "missing" for note in both.notes)
    assert len(both.slots) == 16
    harsh = solve(
        ask(arms=("New", "Worn"), items=items, methods=(replace(SEAM, runs_each=4), belt))
    )
    assert len(harsh.slots) == 8


def test_a_whole_zone_is_spoiled_for_the_others_but_not_for_more_of_the_same():
    pull = replace(SEAM, spoils=Spoils(zone=frozenset(range(9))), runs_each=2)
    some = tuple(zone for zone in zones() if zone.code == "left-sleeve")
    items = (item("NEW1", "New", zones=some), item("WORN1", "Worn", zones=some))
    alone = solve(ask(arms=("New", "Worn"), items=items, methods=(pull,)))
    assert len(alone.slots) == 4
    with_belt = ask(arms=("New", "Worn"), items=items, methods=(pull, replace(BELT, runs_each=1)))
    plan = solve(with_belt)
    assert {slot.method for slot in plan.slots if slot.specimen == "NEW1"} == {"seam"}
    assert [note.sentence for note in plan.notes if note.kind == "missing"] == [
        f"Belt abrasion needs one more left sleeve in {arm} ({code}): what is left of it is "
        "spoiled by other runs."
        for arm, code in (("new", "NEW1"), ("worn", "WORN1"))
    ]


def test_a_method_that_spoils_the_specimen_is_named_when_its_order_was_changed():
    # a person lets the flame come before the water
    flame = replace(FLAME, stage=0, spoils=Spoils(specimen=frozenset({1})))
    plan = solve(ask(1, 1, methods=(flame, WATER)))
    assert {slot.method for slot in plan.slots} == {"flame"} or {
        slot.method for slot in plan.slots
    } == {"water"}
    told = [note.sentence for note in plan.notes if note.kind == "missing"]
    assert len(told) == 2


def test_a_pin_before_what_spoils_it_is_told_with_the_reason():
    drop = replace(DROP, spoils=Spoils(zone=frozenset({6})))
    only = tuple(zone for zone in zones() if zone.code in ("left-palm", "left-sleeve"))
    items = (item("NEW1", "New", zones=only), item("WORN1", "Worn", zones=only))
    asked = ask(arms=("New", "Worn"), items=items, methods=(drop, replace(BELT, runs_each=1)))
    plan = solve(asked)
    assert {s.zone for s in plan.slots if s.method == "belt"} == {"left-sleeve"}
    held = Pin(slot="NEW1:belt:1", zone="left-palm")
    told = [n.sentence for n in solve(replace(asked, pins=(held,))).notes if n.kind != "uneven"]
    assert told
    assert all("NEW1" in sentence for sentence in told)


def test_a_zone_spoiled_before_the_plan_is_not_used():
    spoiled = tuple(
        replace(zone, spoiled={"belt": 1.0}) if zone.code != "right-palm" else zone
        for zone in zones()
    )
    items = (item("NEW1", "New", zones=spoiled), item("WORN1", "Worn", zones=spoiled))
    plan = solve(ask(arms=("New", "Worn"), items=items, methods=(BELT,)))
    assert {slot.zone for slot in plan.slots} == {"right-palm"}


def test_a_run_still_to_do_keeps_its_place_from_what_comes_before_it():
    # a flame is on the sheet on the back; a new water run comes before it and takes nothing
    flame = replace(FLAME, spoils=Spoils(zone=frozenset(range(9))))
    waiting = Held(
        specimen="S0001", method="flame", number=1, zone="back", site=1, is_read=False, session=2
    )
    asked = ask(1, 1, methods=(replace(WATER, spoils=NOTHING), flame))
    plan = solve(replace(asked, held=(waiting,)))
    mine = {slot.method: slot for slot in plan.slots if slot.specimen == "S0001"}
    assert mine["flame"].is_kept
    assert mine["water"].zone == "back"
    # one that spoils the zone for it is not put there
    harmful = replace(WATER, spoils=Spoils(zone=frozenset({8})))
    plan = solve(replace(asked, methods=(harmful, flame), held=(waiting,)))
    assert "S0001:water:1" not in {slot.name for slot in plan.slots}


# --- sessions ----------------------------------------------------------------------------------


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    size=st.integers(1, 7),
    arms=st.integers(2, 4),
    minutes=st.sampled_from([70.0, 100.0, 150.0, 260.0]),
    seed=st.integers(0, 2**32),
)
def test_sessions_have_arms_and_sides_within_one_run(size, arms, minutes, seed):
    plan = solve(ask(*[size] * arms, seed=seed, session_minutes=minutes))
    by_arm = Counter((s.session, s.method, s.arm) for s in plan.slots)
    for session, method in {(n, m) for n, m, _ in by_arm}:
        counts = [by_arm[session, method, f"Arm {k}"] for k in range(1, arms + 1)]
        assert max(counts) - min(counts) <= 1
    in_all = Counter((s.method, s.arm, s.side) for s in plan.slots)
    by_side = Counter((s.session, s.method, s.arm, s.side) for s in plan.slots)
    for session, method, arm, side in by_side:
        if side == "none":
            continue
        assert abs(in_all[method, arm, "left"] - in_all[method, arm, "right"]) <= 1
        left, right = (by_side[session, method, arm, one] for one in ("left", "right"))
        assert abs(left - right) <= 1


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(small=st.integers(1, 4), large=st.integers(5, 9), seed=st.integers(0, 2**32))
def test_unequal_arms_are_spread_over_the_sessions(small, large, seed):
    plan = solve(ask(small, large, seed=seed, session_minutes=100.0))
    count = Counter((s.session, s.method, s.arm) for s in plan.slots)
    for session, method in {(n, m) for n, m, _ in count}:
        of_large = count[session, method, "Arm 2"] * small / large
        assert abs(count[session, method, "Arm 1"] - of_large) <= 1 + 1e-9


def test_left_and_right_are_within_one_over_all_arms_together():
    # one drop on each of nine specimens: three arms of three cannot all lean to one side
    plan = solve(ask(3, 3, 3, methods=(DROP,)))
    sides = Counter(slot.side for slot in plan.slots)
    assert abs(sides["left"] - sides["right"]) == 1


# --- rules as stored ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    "rules",
    [
        "site",
        [{"reach": "room", "families": ["all"]}],
        [{"reach": "site", "families": []}],
        [{"reach": "site", "families": ["wool"]}],
        [{"reach": "site", "families": "all"}],
        [{"reach": "site", "families": ["all"], "until": "Tuesday"}],
        [{"reach": "site", "families": ["all"], "why": "so"}],
        ["site"],
    ],
)
def test_rules_that_cannot_be_read_are_told(rules):
    assert rule_problems(rules)


def test_rules_are_read_and_told_in_words():
    rules = [
        {"reach": "zone", "families": ["seam", "flame"]},
        {"reach": "specimen", "families": ["all"], "until": "dry"},
    ]
    assert rule_problems(rules) == []
    # what dries is not spoiled for good
    assert spoils_of(rules, destructive=True) == Spoils(zone=frozenset({3, 8}))
    assert wets(rules)
    assert rule_words(rules) == [
        "The whole zone, for seam, flame.",
        "The whole specimen, for everything that comes after, until it has dried.",
    ]
    assert spoils_of([], destructive=False) == NOTHING
    assert spoils_of([], destructive=True).site == frozenset(range(9))
    assert [stage for stage, _ in FAMILIES.values()] == list(range(9))
