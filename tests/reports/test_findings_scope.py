"""What a finding speaks for, pairs that lost a side, and items that say nothing either way."""

import math
from dataclasses import dataclass

import pytest
from scipy import stats

from reports.degradation import Record
from reports.findings import Terms, pairs_finding, ratio_finding
from reports.queries import ArmInputs, Bound, SpecimenInputs, matched_pairs

RECORD = Record(0.0064, 12.0)


@dataclass(frozen=True)
class Ends:
    low: float
    top: float


def read(value: float, width: float = 1e-6) -> list[Ends]:
    return [Ends(value - width / 2, value + width / 2)]


def terms(scope: str = "auto", record: Record | None = None) -> Terms:
    return Terms(level=0.95, margin=0.1, higher_is_better=True, scope=scope, record=record)


NEW, WORN = (10.0, 12.0, 14.0), (8.0, 9.0)


def test_these_items_alone_carry_only_the_readings_scatter() -> None:
    # closed form: mean logs, and t of the record's 12 degrees with s sqrt(1/3 + 1/2)
    found = ratio_finding(
        [read(v) for v in NEW], [read(v) for v in WORN], terms("these items", RECORD)
    )
    centre = sum(map(math.log, WORN)) / 2 - sum(map(math.log, NEW)) / 3
    reach = stats.t.ppf(0.975, 12) * 0.08 * math.sqrt(1 / 3 + 1 / 2)
    assert math.log(found.retention) == pytest.approx(centre, abs=1e-5)
    assert math.log(found.low) == pytest.approx(centre - reach, abs=1e-4)
    assert math.log(found.high) == pytest.approx(centre + reach, abs=1e-4)
    assert (found.scope, found.n_baseline, found.n_other) == ("these items", 3, 2)


def test_these_items_that_differ_coarsely_are_bounded_by_their_mean_ends() -> None:
    # brackets [1, 2] and [4, 8] of two items: their mean log lies between the means of the ends,
    # whatever the repeatability; a common mean with small scatter could not have seen both
    coarse = [[Ends(1, 2)], [Ends(4, 8)]]
    found = ratio_finding(coarse, coarse, terms("these items", Record(1e-6, 12.0)))
    assert found.low <= 0.5
    assert found.high >= 2.0


def test_these_items_without_a_record_say_so() -> None:
    arms = [read(v, 0.1) for v in NEW], [read(v, 0.1) for v in WORN]
    found = ratio_finding(*arms, terms("these items"))
    plain = ratio_finding(*arms, terms())
    assert (found.scope, plain.scope) == ("these items", "this model")
    assert (found.low, found.high) == (plain.low, plain.high)
    assert any("no record of its scatter" in caution for caution in found.cautions)


def test_one_pair_speaks_for_these_items_with_the_record() -> None:
    found = pairs_finding([(read(10.0), read(8.0))], terms(record=RECORD))
    reach = stats.t.ppf(0.975, 12) * 0.08 * math.sqrt(2)
    assert math.log(found.high) == pytest.approx(math.log(0.8) + reach, abs=1e-4)
    assert (found.scope, found.scale, found.n_other) == ("these items", "record", 1)
    without = pairs_finding([(read(10.0), read(8.0))], terms())
    assert without.refusal
    assert without.low is None


def test_the_record_never_narrows_a_claim_about_the_model() -> None:
    pairs = [(read(a), read(b)) for a, b in ((10, 8), (11, 10), (9, 8.1))]
    with_record = pairs_finding(pairs, terms(record=Record(1e-6, 50.0)))
    assert (with_record.low, with_record.high) == (
        pairs_finding(pairs, terms()).low,
        pairs_finding(pairs, terms()).high,
    )


def test_a_verdict_that_turns_on_one_pair_says_which() -> None:
    pairs = [(read(10), read(v)) for v in (8.0, 8.1, 7.9, 12.0)]
    found = pairs_finding(pairs, terms(), ["Ash", "Birch", "Elm", "Fir"])
    assert found.verdict == "not resolved"
    assert any("without pair Fir it would be 'clear loss'" in c for c in found.cautions)


# --- challenge shots -------------------------------------------------------------------------

HELD, FAILED = Ends(5, math.inf), Ends(0, 5)


def test_held_and_failed_on_one_item_is_told_by_name_with_what_would_help() -> None:
    new = [[HELD], [HELD], [Ends(0, 7.5)]]
    worn = [[HELD, FAILED], [FAILED], [Ends(2.5, math.inf)]]
    found = ratio_finding(new, worn, terms(), (("A", "B", "C"), ("X", "Y", "Z")))
    (told,) = [c for c in found.cautions if c.startswith("X says nothing")]
    assert "some of its sites held and others failed" in told
    assert "rising steps" in told
    assert found.n_other == 2  # it is not counted as if it had spoken


def test_an_arm_of_such_items_is_refused_with_the_reason() -> None:
    found = ratio_finding(
        [[HELD], [FAILED]], [[HELD, FAILED]] * 2, terms(), (("A", "B"), ("X", "Y"))
    )
    assert found.kind == "refused"
    assert found.verdict == "not resolved"
    assert "X and Y say nothing here" in found.refusal
    assert found.low is None
    assert found.high is None


def test_shots_that_all_held_or_all_failed_still_bound_the_item() -> None:
    found = ratio_finding([[HELD, HELD]] * 3, [[FAILED, FAILED]] * 3, terms(), ((), ()))
    assert not any("says nothing" in c for c in found.cautions)


# --- pairs that lost a side ------------------------------------------------------------------


def arm(pairs: dict[str, float], *, is_baseline: bool) -> ArmInputs:
    return ArmInputs(
        pk=int(is_baseline),
        key="a",
        label="A",
        is_baseline=is_baseline,
        specimens=tuple(
            SpecimenInputs(f"{'N' if is_baseline else 'W'}-{k}", (Bound(v, v + 0.1),), (), (), pair)
            for k, (pair, v) in enumerate(pairs.items())
        ),
    )


def test_whole_pairs_stay_paired_when_another_lost_a_side() -> None:
    found = matched_pairs(
        arm({"p": 10, "q": 11, "r": 12}, is_baseline=True), arm({"p": 8, "r": 9}, is_baseline=False)
    )
    assert found is not None
    assert found.names == ("p", "r")
    assert found.incomplete == ("N-1",)
    result = pairs_finding(found.sides, terms(), found.names, found.incomplete)
    assert result.scale == "paired"
    assert any("was not read: N-1." in caution for caution in result.cautions)


@pytest.mark.parametrize(
    ("new", "worn"),
    [({"p": 10, "": 11}, {"p": 8, "q": 9}), ({"p": 10, "q": 11}, {"p": 8}), ({}, {"p": 8})],
)
def test_specimens_outside_pairs_or_one_whole_pair_of_several_are_not_paired(new, worn) -> None:
    assert matched_pairs(arm(new, is_baseline=True), arm(worn, is_baseline=False)) is None
