"""Cautions about how a study was carried out."""

import pytest

from reports.cautions import ConductFacts, Facts, cautions_for


def told(**conduct) -> dict[str, tuple[str, str]]:
    facts = Facts(
        arms=(),
        absorbs_impact=False,
        is_same_product=True,
        methods_with_notes=(),
        has_open_readings=False,
        has_age_result=False,
        amended_count=0,
        sources=(),
        conduct=ConductFacts(**conduct),
    )
    return {caution.key: (caution.short, caution.full) for caution in cautions_for(facts)}


def test_blind_and_by_lot_needs_no_caution():
    assert "E28" not in told(is_blind=True, is_randomised=True)


@pytest.mark.parametrize(
    ("is_blind", "is_randomised", "short", "says", "does_not_say"),
    [
        (False, False, "Not blind.", "drawn by lot", "had seen"),
        (False, True, "Not blind.", "could know which item", "drawn by lot"),
        (True, False, "Order not drawn by lot.", "drawn by lot", "could know"),
    ],
)
def test_only_what_is_lacking_is_said(is_blind, is_randomised, short, says, does_not_say):
    head, full = told(is_blind=is_blind, is_randomised=is_randomised)["E28"]
    assert head == short
    assert says in full
    assert does_not_say not in full


def test_a_reader_who_saw_the_key_is_said():
    _, full = told(is_randomised=True, unblinded_readers=1)["E28"]
    assert "1 person who took readings had seen which item was which" in full


def test_looks_and_amendments_are_told_and_silence_when_there_are_none():
    quiet = told(is_blind=True, is_randomised=True)
    assert not {"E18", "E35", "E36", "E37"} & set(quiet)
    loud = told(
        out_of_order=2,
        looks=("4 May 2026: 3 of 9 runs read.",),
        amendments=("K7M2-H was added. (Lost.)", "Another belt. (Torn.)"),
        late_amendments=("Another belt.",),
    )
    assert "2 runs were made out of the drawn order." in loud["E35"][1]
    assert "3 of 9 runs read" in loud["E36"][1]
    assert "K7M2-H was added. (Lost.)" in loud["E37"][1]
    assert "Another belt." in loud["E18"][1]
    assert "K7M2-H" not in loud["E18"][1]
