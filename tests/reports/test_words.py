"""How figures and verdicts are said. Expected words were written by hand."""

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports import words
from reports.words import RatioFigures

NBSP = "\u00a0"
THIN = "\u2009"


@pytest.mark.parametrize(
    ("share", "said"),
    [
        (0.812, "81 %"),
        (0.9996, "100 %"),
        (1.0, "100 %"),
        (1.2345, "123 %"),
        (0.994, "99 %"),
        (0.5, "50 %"),
        (0.05, "5.0 %"),
        (0.0712, "7.1 %"),
        (0.00123, "0.12 %"),
        (1e-9, "0.00000010 %"),
        (0.0, "0 %"),
        (12.34, f"1{THIN}230 %"),
        (1e6, f"100{THIN}000{THIN}000 %"),
    ],
)
def test_shares_are_said_with_two_or_three_figures(share: float, said: str) -> None:
    assert words.percent(share) == said.replace(" %", f"{NBSP}%")


@pytest.mark.parametrize(
    ("number", "count", "said"),
    [
        (0, 2, "0"),
        (99.96, 3, "100"),
        (9.96, 2, "10"),
        (-3.456, 2, "\u22123.5"),
        (1234.5, 2, f"1{THIN}200"),
        (0.000451, 2, "0.00045"),
    ],
)
def test_figures(number: float, count: int, said: str) -> None:
    assert words.figures(number, count) == said


@given(st.floats(min_value=1e-12, max_value=1e12), st.integers(min_value=1, max_value=6))
def test_figures_are_plain_and_near(number: float, count: int) -> None:
    said = words.figures(number, count)
    assert re.fullmatch(rf"[0-9]{{1,3}}({THIN}[0-9]{{3}})*(\.[0-9]+)?", said)
    told = float(said.replace(THIN, ""))
    # half a step of the last figure, and a little for a number that rounds over a power of ten
    assert abs(told - number) <= 0.5 * 10 ** (math.floor(math.log10(number)) - count + 1) * 1.0001


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        (0.68, 0.97, "68 to 97 %"),
        (0.68, None, "at least 68 %, no upper end"),
        (None, 0.072, "at most 7.2 %, no lower end"),
        (None, None, "no interval"),
        (0.5, 2.0, "50 to 200 %"),
    ],
)
def test_open_ends_are_said_in_words(low, high, said: str) -> None:
    assert words.percent_range(low, high) == said.replace(" %", f"{NBSP}%")


@pytest.mark.parametrize(
    ("level", "said"), [(0.95, "95 %"), (0.9, "90 %"), (0.975, "97.5 %"), (0.99, "99 %")]
)
def test_levels(level: float, said: str) -> None:
    assert words.level_words(level) == said.replace(" %", f"{NBSP}%")


def told(**changes) -> RatioFigures:
    plain = {
        "arm": "Worn",
        "baseline": "New",
        "property": "seam strength",
        "higher_is_better": True,
        "retention": 0.812,
        "low": 0.68,
        "high": 0.97,
        "level": 0.95,
        "verdict": "some loss",
        "smallest_visible_loss": 0.163,
        "margin": 0.1,
    }
    return RatioFigures(**plain | changes)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, "Worn kept about 81 % of the seam strength of New (95 % interval 68 to 97 %)."),
        (
            {"retention": None, "high": None},
            "Worn kept at least 68 % of the seam strength of New (at the 95 % level).",
        ),
        (
            {"retention": None, "low": None},
            "Worn kept at most 97 % of the seam strength of New (at the 95 % level).",
        ),
        (
            {"retention": None},
            "Worn kept between 68 and 97 % of the seam strength of New (at the 95 % level).",
        ),
        (
            {"low": None, "high": None},
            (
                "Worn kept 81 % of the seam strength of New here, with no range we can stand behind, "
                "so we claim nothing."
            ),
        ),
        (
            {"retention": None, "low": None, "high": None},
            "Worn: nothing can be said of its seam strength.",
        ),
        (
            {"higher_is_better": False, "property": "water uptake"},
            (
                "On water uptake, where less is better, Worn comes to about 81 % of New "
                "(95 % interval 68 to 97 %)."
            ),
        ),
    ],
)
def test_a_retention_is_said_in_one_sentence(changes: dict, said: str) -> None:
    assert words.retention_sentence(told(**changes)).replace(NBSP, " ") == said


@given(
    retention=st.none() | st.floats(min_value=1e-6, max_value=1e6),
    low=st.none() | st.floats(min_value=1e-6, max_value=1e6),
    high=st.none() | st.floats(min_value=1e-6, max_value=1e6),
    higher=st.booleans(),
)
def test_no_estimate_goes_without_its_interval(retention, low, high, higher) -> None:
    if low is not None and high is not None and low > high:
        low, high = high, low
    found = told(retention=retention, low=low, high=high, higher_is_better=higher)
    sentence = words.retention_sentence(found)
    if retention is not None:
        has_range = words.percent_range(low, high) in sentence and (low, high) != (None, None)
        assert has_range or "we claim nothing" in sentence
    times = words.times_sentence(found)
    if "about" in times:
        assert "(" in times
    for text in (sentence, times):
        assert not re.search(r"\b(None|nan|inf)\b", text)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        (
            {"retention": 0.5, "low": 0.4, "high": 0.625},
            "That is about 2.0 times (1.6 to 2.5 times) the water uptake of New; less is better.",
        ),
        (
            {"retention": None, "low": None, "high": 0.0714},
            "That is at least 14 times the water uptake of New; less is better.",
        ),
        (
            {"retention": None, "low": 0.5, "high": None},
            "That is at most 2.0 times the water uptake of New; less is better.",
        ),
        ({"low": None, "high": None}, ""),
        ({"higher_is_better": True}, ""),
    ],
)
def test_less_is_better_is_also_said_as_times(changes: dict, said: str) -> None:
    found = told(**{"higher_is_better": False, "property": "water uptake"} | changes)
    assert words.times_sentence(found).replace(NBSP, " ") == said


@pytest.mark.parametrize(
    ("verdict", "said"),
    [
        ("clear loss", "The whole interval lies below 90 %."),
        ("some loss", "The whole interval lies below 100 % and reaches above 90 %."),
        ("held", "The whole interval lies within 90 % and 111 %."),
        ("some gain", "The whole interval lies above 100 %."),
        ("clear gain", "The whole interval lies above 111 %."),
        (
            "not resolved",
            "This test cannot tell loss from no loss. That is not the same as no loss.",
        ),
    ],
)
def test_each_verdict_is_held_against_its_line(verdict: str, said: str) -> None:
    assert words.verdict_sentence(told(verdict=verdict)).replace(NBSP, " ") == said


def test_not_tested_not_resolved_and_held_are_three_words() -> None:
    assert "not tested" not in words.VERDICT_WORDS
    assert len(set(words.VERDICT_WORDS.values())) == len(words.VERDICT_WORDS)


@pytest.mark.parametrize(
    ("smallest", "verdict", "said"),
    [
        (0.2, "not resolved", "A loss smaller than about 20 % could not have been seen."),
        (None, "not resolved", "This test could not have seen a loss of any size."),
        (None, "clear loss", ""),
        (0.001, "held", "A loss of about 0.10 % could have been seen."),
    ],
)
def test_what_could_not_be_seen(smallest, verdict: str, said: str) -> None:
    assert words.visible_loss_words(smallest, verdict).replace(NBSP, " ") == said


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        (2.5, 5.0, "2.5 to 5 J"),
        (0.0, 0.3, "at most 0.3 J"),
        (4.0, None, "at least 4 J"),
        (0.0, None, "no limit known"),
        (3.0, 3.0, "3 J"),
    ],
)
def test_intervals_in_the_methods_unit(low: float, high, said: str) -> None:
    assert words.bound_words(low, high, "J").replace(NBSP, " ") == said


@given(st.floats(min_value=1e-9, max_value=1e9))
def test_rounding_outwards_never_cuts_a_reading_off(number: float) -> None:
    slack = number * 1e-8
    assert words.outward(number, up=False) <= number + slack
    assert words.outward(number, up=True) >= number - slack
    assert words.outward(number, up=True) <= number * 1.011


@pytest.mark.parametrize(
    ("parts", "said"),
    [([], ""), (["a"], "a"), (["a", "b"], "a and b"), (["a", "b", "c"], "a, b and c")],
)
def test_lists(parts: list[str], said: str) -> None:
    assert words.joined(parts) == said


def test_counts_and_capitals() -> None:
    assert words.count(1, "item", "items") == "1 item"
    assert words.count(0, "item", "items") == "0 items"
    assert words.capital("mN of force") == "MN of force"
    assert words.capital("") == ""
