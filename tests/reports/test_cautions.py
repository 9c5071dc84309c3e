"""Which cautions a record calls for: each appears when its trigger holds and not otherwise."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.cautions import ArmFacts, Facts, cautions_for, standing_cautions

STANDING = {"E1", "E3", "E4", "E12", "E16", "E23", "E15", "E21"}


def arm(label="New", **changes) -> ArmFacts:
    plain = {
        "item_count": 12,
        "is_worn": False,
        "owners": frozenset(),
        "sizes": frozenset({"M"}),
        "lots": frozenset({"L1"}),
        "evidence": frozenset(),
        "incident_kinds": frozenset(),
    }
    return ArmFacts(label=label, **plain | changes)


def worn(**changes) -> ArmFacts:
    plain = {
        "is_worn": True,
        "owners": frozenset({"A", "B", "C"}),
        "evidence": frozenset({"logger"}),
    }
    return arm("Worn", **plain | changes)


def facts(**changes) -> Facts:
    plain = {
        "arms": (arm(), arm("Other")),
        "absorbs_impact": False,
        "is_same_product": True,
        "methods_with_notes": (),
        "has_open_readings": False,
        "has_age_result": False,
        "amended_count": 0,
        "sources": ("Bought by the lab for £10.",),
    }
    return Facts(**plain | changes)


def keys(of: Facts) -> list[str]:
    return [c.key for c in cautions_for(of)]


CALLED_FOR = [
    ("E2", {"methods_with_notes": (("Seam opening", "Borrows, but differs."),)}),
    ("E5", {"arms": (arm(item_count=3), arm("Other", item_count=3))}),
    ("E5", {"arms": (arm(item_count=1), arm("Other", item_count=3))}),
    ("E6", {"arms": (arm(item_count=1), arm("Other", item_count=1))}),
    ("E7", {"arms": (arm(), worn(owners=frozenset({"A"})))}),
    ("E7", {"arms": (arm(), worn(owners=frozenset({"A", ""})))}),
    ("E8", {"arms": (arm(), worn())}),
    ("E9", {"arms": (arm(), worn())}),
    ("E10", {"absorbs_impact": True}),
    ("E11", {"arms": (arm(), worn()), "has_age_result": True}),
    ("E13", {"arms": (arm(), arm("Other", sizes=frozenset({"L"})))}),
    ("E14", {"arms": (arm(), arm("Other", lots=frozenset({"L2"})))}),
    ("E14", {"arms": (arm(lots=frozenset({""})), arm("Other", lots=frozenset({""})))}),
    ("E17", {"has_open_readings": True}),
    ("E25", {"arms": (arm(), worn(incident_kinds=frozenset({"crash"})))}),
    ("E25", {"arms": (arm(), worn(incident_kinds=frozenset({"fall"})))}),
    ("E26", {"arms": (arm(), worn(evidence=frozenset({"owner's memory"})))}),
    ("E27", {"amended_count": 2}),
]

NOT_CALLED_FOR = [
    ("E2", {}),
    ("E5", {}),
    ("E5", {"arms": (arm(item_count=1), arm("Other", item_count=1))}),
    ("E6", {"arms": (arm(item_count=1), arm("Other", item_count=2))}),
    ("E7", {"arms": (arm(), worn())}),
    ("E7", {}),
    ("E8", {}),
    ("E10", {}),
    ("E11", {"arms": (arm(), worn())}),
    ("E13", {}),
    ("E13", {"arms": (arm(), arm("Other", sizes=frozenset({"L"}))), "is_same_product": False}),
    ("E14", {}),
    ("E14", {"arms": (arm(lots=frozenset({"L3"})), arm("Other")), "is_same_product": False}),
    ("E17", {}),
    ("E25", {"arms": (arm(), worn(incident_kinds=frozenset({"soak", "heat"})))}),
    ("E26", {"arms": (arm(), worn(evidence=frozenset({"logger", "receipts"})))}),
    ("E27", {}),
]


@pytest.mark.parametrize(("key", "changes"), CALLED_FOR)
def test_caution_appears_when_its_trigger_holds(key: str, changes: dict) -> None:
    assert keys(facts(**changes)).count(key) == 1


@pytest.mark.parametrize(("key", "changes"), NOT_CALLED_FOR)
def test_caution_stays_away_when_its_trigger_does_not_hold(key: str, changes: dict) -> None:
    assert key not in keys(facts(**changes))


def test_standing_cautions_come_whatever_was_found() -> None:
    assert set(keys(facts())) >= STANDING
    assert {c.key for c in standing_cautions()} <= STANDING


def test_certification_comes_first_and_nothing_comes_twice() -> None:
    everything = facts(
        arms=(arm(item_count=3), worn(item_count=2, incident_kinds=frozenset({"crash"}))),
        absorbs_impact=True,
        methods_with_notes=(("A", "B."),),
        has_open_readings=True,
        has_age_result=True,
        amended_count=1,
    )
    found = keys(everything)
    assert found[0] == "E1"
    assert len(found) == len(set(found))


def test_words_name_what_the_record_holds() -> None:
    found = {
        c.key: c.full
        for c in cautions_for(
            facts(
                arms=(arm(item_count=3), worn(item_count=1, sizes=frozenset({"", "L"}))),
                methods_with_notes=(("Seam opening", "Borrows, but differs."),),
                amended_count=1,
            )
        )
    }
    assert "New: 3 items, Worn: 1 item" in found["E5"]
    assert "Seam opening: Borrows, but differs." in found["E2"]
    assert "1 reading was amended" in found["E27"]
    assert "L, M, not recorded" in found["E13"]
    assert found["E21"] == "Bought by the lab for £10."


def test_nobody_recorded_who_paid_is_said() -> None:
    (paid,) = [c for c in cautions_for(facts(sources=())) if c.key == "E21"]
    assert "not recorded" in paid.full


@given(
    st.integers(1, 20),
    st.integers(1, 20),
    st.booleans(),
    st.booleans(),
    st.booleans(),
    st.integers(0, 3),
)
def test_more_known_trouble_never_takes_a_caution_away(
    first, second, impact, open_ends, ages, amended
) -> None:
    calm = facts(arms=(arm(item_count=first), worn(item_count=second)))
    troubled = replace(
        calm,
        absorbs_impact=impact,
        has_open_readings=open_ends,
        has_age_result=ages,
        amended_count=amended,
    )
    assert set(keys(calm)) <= set(keys(troubled))
