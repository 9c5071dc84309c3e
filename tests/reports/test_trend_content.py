"""A trend in words: what is said, and what is not said beyond the tested service."""

import math

import pytest

from reports.trend_content import trend_words


def details(crossing: dict, **changed: object) -> dict:
    return {
        "slope": math.log(0.9) / 10_000,
        "slope_low": math.log(0.85) / 10_000,
        "slope_high": math.log(0.95) / 10_000,
        "points": [
            {"exposure": x, "retention": 1 - x / 1e5, "low": 1 - x / 5e4, "high": 1.0}
            for x in (0, 5_000, 10_000, 15_000, 20_000)
        ],
        "crossing": {"share": 0.8, **crossing},
        "lack_of_fit_p": 0.4,
        "longest": 20_000,
        "specimen_count": 12,
        "exposures": [0, 20_000],
        "notes": [],
        **changed,
    }


def words(found: dict) -> dict:
    return trend_words(
        driver_key="distance_km", refusal="", details=found, level=0.95, name="seam strength"
    )


def plain(text: str) -> str:
    return text.replace("\u00a0", " ").replace("\u2009", " ")


def test_change_comes_with_its_interval_and_its_reach() -> None:
    found = words(details({"exposure": None, "low": None, "high": None}))
    # 0.9, 0.85 and 0.95 for every 10 000 km are losses of 10, 15 and 5 %
    assert "changes by \u221210 % (95 % interval \u221215 to \u22125.0 %)" in plain(
        found["sentence"]
    )
    assert "up to 20 000 km" in plain(found["sentence"])


@pytest.mark.parametrize(
    ("crossing", "sentence"),
    [
        (
            {"exposure": None, "low": None, "high": None},
            "80 % is not reached within the 20 000 km tested.",
        ),
        (
            {"exposure": None, "low": 12_000, "high": None},
            (
                "80 % may be reached from 12 000 km on; the best figure does not reach it within the "
                "20 000 km tested."
            ),
        ),
        (
            {"exposure": 15_000, "low": 12_000, "high": None},
            "80 % is reached at about 15 000 km (from 12 000 km on).",
        ),
        (
            {"exposure": 15_000, "low": 12_000, "high": 19_000},
            "80 % is reached at about 15 000 km (12 000 km to 19 000 km).",
        ),
    ],
)
def test_limit_is_told_as_far_as_it_was_tested(crossing: dict, sentence: str) -> None:
    assert plain(words(details(crossing))["limit_sentence"]) == sentence


def test_a_bad_fit_is_told() -> None:
    never = {"exposure": None, "low": None, "high": None}
    assert "do not lie well" in words(details(never, lack_of_fit_p=0.01))["fit_sentence"]
    assert words(details(never, lack_of_fit_p=None))["fit_sentence"] == ""


def test_a_refusal_shows_no_figure() -> None:
    found = trend_words(
        driver_key="months",
        refusal="Too few ages.",
        details=details({"exposure": None, "low": None, "high": None}),
        level=0.95,
        name="seam strength",
    )
    assert (found["sentence"], found["rows"], found["points"]) == ("", [], [])
