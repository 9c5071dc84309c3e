"""The claim check against sentences of our own, good and bad. The rules follow practice.md D.1 to D.5."""

import re
import tomllib
from collections import Counter
from pathlib import Path

import pytest

from reports.claims.check import RULES_FILE, check_script, rules
from reports.claims.figures import Book, book_of, rendered
from tests.reports.claims.books import ABRASION, ALL, BOOKS, content, many, single

SENTENCES = tomllib.loads(Path(__file__).with_name("sentences.toml").read_text(encoding="utf-8"))[
    "sentence"
]


@pytest.mark.parametrize("one", SENTENCES, ids=[one["says"][:50] for one in SENTENCES])
def test_a_sentence_gets_its_flags_and_no_others(one: dict) -> None:
    flags = check_script(
        [one["says"]], BOOKS[one.get("book", "many")], is_whole=one.get("whole", False)
    )
    assert Counter(flag.rule for flag in flags) == Counter(one["flags"])


def test_there_are_enough_sentences_of_both_kinds_and_every_rule_has_its_bad_one() -> None:
    assert len(SENTENCES) >= 150
    assert len({one["says"] for one in SENTENCES}) == len(SENTENCES)
    assert sum(not one["flags"] for one in SENTENCES) >= 50
    assert {rule for one in SENTENCES for rule in one["flags"]} == {rule.key for rule in rules()}
    assert all(set(one) <= {"says", "flags", "book", "whole"} for one in SENTENCES)


def test_every_rule_explains_itself_and_offers_better_words() -> None:
    told = tomllib.loads(RULES_FILE.read_text(encoding="utf-8"))["rule"]
    assert len({rule["key"] for rule in told}) == len(told) >= 25
    for rule in told:
        assert len(rule["why"]) > 30
        assert rule["instead"]
        assert rule.get("patterns") or rule.get("check")


def test_a_flag_lies_on_its_words_in_the_text_as_written() -> None:
    text = "It kept {belt-abrasion worn figure}. This proves it, and it is safe."
    flags = {flag.rule: flag for flag in check_script([text], many(), is_whole=False)}
    assert text[flags["proof"].start : flags["proof"].end] == "proves"
    assert text[flags["safety"].start : flags["safety"].end] == "safe"
    assert flags["proof"].sentence == "This proves it, and it is safe."


def test_a_flag_on_a_figure_marks_the_whole_reference() -> None:
    text = "It kept {belt-abrasion worn kept} of it."
    (flag,) = check_script([text], many(), is_whole=False)
    assert text[flag.start : flag.end] == "{belt-abrasion worn kept}"
    assert flag.offers == ("belt-abrasion worn range",)
    assert flag.instead.endswith("{belt-abrasion worn range}.")


def test_better_words_name_the_loss_that_could_have_been_missed() -> None:
    (flag,) = check_script(["No difference in seam strength."], many(), is_whole=False)
    # the book says that 24 % was the smallest loss seen on seams
    assert "smaller than 24\u00a0%" in flag.instead


def test_a_sentence_without_figures_speaks_of_its_segments_findings() -> None:
    held = "Contact heat: {contact-heat worn figure}. There was no difference."
    assert not check_script([held], many(), is_whole=False)
    lost = "Abrasion: {belt-abrasion worn figure}. There was no difference."
    assert [f.rule for f in check_script([lost], many(), is_whole=False)] == ["no-difference"]


def test_figures_and_short_forms_do_not_end_a_sentence() -> None:
    text = "Rated approx. like {belt-abrasion worn sentence} and e.g. this proves it. Next."
    (flag,) = check_script([text], many(), is_whole=False)
    assert flag.sentence.startswith("Rated approx.")
    assert flag.sentence.endswith("proves it.")


@pytest.mark.parametrize(
    ("typed", "says", "key"),
    [
        ("It kept 72 % of it.", "It is what", "belt-abrasion worn kept"),
        ("It kept 73 % of it.", "Nearest: 72", "belt-abrasion worn kept"),
        ("It took up 5.9 times as much.", "It is what", "water-uptake worn times"),
        ("It cost £180 then.", "Nearest: £189", "item new price"),
        ("It weighs 900 kg or so.", "No figure of the record is near", ""),
    ],
)
def test_a_typed_number_is_offered_the_nearest_figure(typed: str, says: str, key: str) -> None:
    (flag,) = check_script([typed], many(), is_whole=False)
    assert flag.rule == "typed-number"
    assert flag.instead.startswith(says)
    assert flag.offers == ((key,) if key else ())


def test_names_with_digits_are_no_typed_numbers() -> None:
    made = content([ABRASION])
    made["arms"][0]["specimens"][0]["product"] = "Rain 300 jacket"
    text = "The Rain 300 jacket has a label that names EN 17092-2:2020; we cannot say whether it meets it."
    assert not check_script([text], book_of(made), is_whole=False)


def test_a_mistyped_figure_is_offered_what_it_looks_like() -> None:
    (flag,) = check_script(["Kept {belt-abrasion wron range}."], many(), is_whole=False)
    assert "belt-abrasion worn range" in flag.offers


def test_every_figure_keeps_number_and_unit_together() -> None:
    for figure in many().figures.values():
        assert not re.search(r"\d [%£]|\d times", figure.words), figure


def test_figures_take_their_rounding_from_the_record() -> None:
    """Two significant figures, 72.4 % is 72 %: practice.md D.10."""
    found = dict(ABRASION) | {"retention": 0.7243, "low": 0.6178, "high": 0.8349}
    book = book_of(content([found]))
    text = "{belt-abrasion worn kept}; {BELT-abrasion  worn lost}; {belt-abrasion worn range}"
    assert rendered(text, book).text == "72\u00a0%; 28\u00a0%; 62 to 83\u00a0%"


def test_a_figures_digest_follows_all_of_its_finding() -> None:
    before = book_of(content([ABRASION])).figures["belt-abrasion worn kept"]
    for change in ({"verdict": "some loss"}, {"n_other": 5}, {"interval_words": "1 to 2 %"}):
        after = book_of(content([ABRASION | change])).figures["belt-abrasion worn kept"]
        assert (after.words, after.digest) != (before.words, before.digest)
        assert after.digest != before.digest


def test_two_studies_keep_their_figures_apart_by_letter() -> None:
    book = book_of(content(ALL), "a") + book_of(content([ABRASION | {"retention": 0.5}]), "B")
    text = "{a: belt-abrasion worn kept} and {b:belt-abrasion worn kept}"
    assert rendered(text, book).text == "72\u00a0% and 50\u00a0%"
    assert rendered("{belt-abrasion worn kept}", book).missing == ("belt-abrasion worn kept",)


def test_an_empty_script_has_no_flags() -> None:
    assert check_script(["", "  \n "], single()) == []
    assert check_script([], Book()) == []
