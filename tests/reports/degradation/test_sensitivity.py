"""A verdict that turns on one choice says so."""

from reports.degradation import Interval, compare
from reports.degradation.sensitivity import Arms, sensitivity_cautions


def around(*values: float) -> list[Interval]:
    return [Interval(v - 0.05, v + 0.05) for v in values]


def cautions(baseline: list[Interval], other: list[Interval]) -> tuple[str, ...]:
    arms = Arms(baseline, other, ("A", "B", "C", "D"), ("E", "F", "G", "H"))
    return sensitivity_cautions(arms, compare(baseline, other))


def test_a_plain_loss_stands_whatever_is_changed():
    assert cautions(around(10.0, 10.1, 9.9, 10.2), around(5.0, 5.1, 4.9, 5.2)) == ()


def test_a_verdict_that_hangs_on_one_specimen_names_it():
    found = cautions(around(10.0, 10.2, 9.8, 10.1), around(9.0, 9.1, 8.9, 11.2))
    assert any("turns on one item" in text and "without H" in text for text in found)


def test_single_items_are_not_left_out():
    baseline, other = around(10.0), around(8.0)
    found = compare(baseline, other)
    assert sensitivity_cautions(Arms(baseline, other, "A", "B"), found) == ()
