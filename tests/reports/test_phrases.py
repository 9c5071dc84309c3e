"""Frozen English sentences on a German page."""

import re
from collections.abc import Iterator
from typing import Any

import pytest
from django.test import Client
from django.utils import translation

from labsite.models import User
from reports import phrases
from reports.models import Edition
from reports.translations import save_translation
from tests.reports.demo_site import AGES, PAIR, publish, visible_text
from trials.models import Study

FREE = {
    # what people of the lab wrote
    "title", "question", "change_of_mind", "population", "not_claimed", "exclusion_rules", "headline", "summary", "note",
    "size", "lot", "price", "condition", "reason", "name_of_lab",
}  # fmt: skip
TOLD = {
    "finding": (
        "property unit direction_words arm_label baseline_label verdict_words scope_words "
        "scale_words refusal retention_words interval_words sentence times_sentence "
        "verdict_sentence smallest_visible_loss_words"
    ),
    "trend": "driver_words refusal sentence limit_sentence fit_sentence",
    "caution": "short full",
    "specimen": "source_words service_words",
    "reading": "words zone_name state rater used_words",
    "method": (
        "name quantity unit outcome_words direction_words resolution_words "
        "detection_limit_words relation margin_words"
    ),
    "study": "kind_words level_words family_words",
}


def frozen_texts(content: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """Every text of an edition that the program wrote."""
    rows = [
        ("finding", content["findings"]),
        ("trend", content["trends"]),
        ("caution", content["cautions"]),
        ("specimen", [one for arm in content["arms"] for one in arm["specimens"]]),
        ("reading", content["readings"]),
        ("method", content["methods"]),
        ("study", [content["study"]]),
    ]
    for kind, found in rows:
        for row in found:
            for name in TOLD[kind].split():
                if row.get(name):
                    yield f"{kind}.{name}", str(row[name])
    for found in content["findings"]:
        yield from (("finding.caution", text) for text in found["cautions"])
        yield from (("finding.value", value["words"]) for value in found["arm_values"])
        if found["grades"]:
            for name in ("worse_words", "p_words", "agreement_words"):
                yield f"grades.{name}", found["grades"][name]
    for trend in content["trends"]:
        yield from (("trend.note", text) for text in trend["notes"])
        yield from (("trend.row", text) for row in trend["rows"] for text in row.values())


@pytest.mark.usefixtures("demo")
def test_every_sentence_the_program_wrote_is_said_in_german() -> None:
    unsaid: set[tuple[str, str]] = set()
    count = 0
    with translation.override("de"):
        for edition in Edition.objects.all():
            for kind, text in frozen_texts(edition.content):
                count += 1
                unsaid |= {(kind, piece) for piece, is_said in phrases.pieces(text) if not is_said}
    assert count > 1000
    assert sorted(unsaid) == [], "give these a pattern in reports/phrase_list.py"


# By hand: what a German reader expects to see for what the program wrote in English.
BY_HAND = [
    ("81\u00a0%", "81\u00a0%"),
    ("7.2\u00a0%", "7,2\u00a0%"),
    ("39 to 74\u00a0%", "39 bis 74\u00a0%"),
    ("at most 7.2\u00a0%, no lower end", "höchstens 7,2\u00a0%, kein unteres Ende"),
    ("About 15\u202f000\u00a0km", "Etwa 15\u202f000\u00a0km"),
    ("held at 0.5\u00a0m, failed at 0.63\u00a0m", "hielt bei 0,5 m, versagte bei 0,63 m"),
    ("16 to 17\u00a0turns", "16 bis 17 Umdrehungen"),
    (
        "The verdict turns on one item: without BTA2-8 it would be 'some loss'.",
        "Das Urteil hängt an einem Stück: Ohne BTA2-8 lautete es „etwas Verlust“.",
    ),
    (
        "A soaking was reported on 21 October 2025.",
        "Am 21. Oktober 2025 wurde eine Durchnässung gemeldet.",
    ),
    (
        "Never worn. No crash reported.",
        "Nie getragen. Kein Sturz gemeldet.",
    ),
]


@pytest.mark.parametrize(("english", "german"), BY_HAND)
def test_values_are_taken_out_turned_and_put_back(english: str, german: str) -> None:
    with translation.override("de"):
        assert re.sub(r"\s", " ", phrases.said_plainly(english)) == re.sub(r"\s", " ", german)


@pytest.mark.parametrize("english", [english for english, _ in BY_HAND])
def test_english_pages_show_editions_word_for_word(english: str) -> None:
    assert phrases.said_plainly(english) == english


def test_what_fits_no_pattern_stays_english_and_is_marked() -> None:
    with translation.override("de"):
        shown = phrases.said("No crash reported. The <dog> ate the log.")
    assert shown == 'Kein Sturz gemeldet. <span lang="en">The &lt;dog&gt; ate the log.</span>'


def test_a_pattern_never_swallows_the_next_sentence() -> None:
    with translation.override("de"):
        found = phrases.pieces("A: bought by the lab for £3. B: lent by the owner.")
    assert found == [
        ("A: gekauft von dem Labor für £3.", True),
        ("B: geliehen von dem Besitzer.", True),
    ]


def test_two_patterns_never_claim_the_same_sentence_differently() -> None:
    """A pattern that another one hides would never be used."""
    for template in phrases.PHRASES:
        first = template.split(" ")[0]
        known = phrases._by_first_word()
        assert any(p.template == template for p in (*known.get(first, ()), *known[""])), template


@pytest.mark.usefixtures("demo")
def test_a_german_card_speaks_german_and_keeps_the_figures(reader: Client) -> None:
    english = visible_text(reader.get(f"/scorecards/{PAIR}/").content.decode())
    page = reader.get(f"/de/scorecards/{PAIR}/").content.decode()
    german = visible_text(page)
    assert "Unentschieden" in german
    assert "7,2 %" in german.replace("\u00a0", " ")
    assert "Not resolved" not in german
    content = Edition.objects.get(study__slug=PAIR).content
    for found in content["findings"]:
        if found["retention_words"]:
            figure = re.sub(r"\s", " ", found["retention_words"])
            assert figure in english
            assert figure.replace(".", ",") in german
    # decimal points are left only in English text, addresses, digests and versions
    shown = re.sub(r'<(span|q|div|dd)[^>]*lang="en".*?</\1>', " ", page, flags=re.S)
    for found in re.findall(r"\b\d+\.\d+(?= ?(?:%|km|g\b|m\b|s\b|J\b|N\b))", visible_text(shown)):
        pytest.fail(f"a decimal point: {found}")


@pytest.mark.usefixtures("demo")
def test_german_pages_mark_what_an_editor_wrote_in_english(reader: Client, editor: User) -> None:
    study = Study.objects.get(slug=AGES)
    save_translation(by=editor, study=study, language="de", fields={})
    publish(study, by=editor, note="Without German words.")
    page = reader.get(f"/de/scorecards/{AGES}/").content.decode()
    start = page.index('<h1 class="opening-question">')
    heading = page[start : page.index("</h1>", start)]
    assert 'lang="en"' in heading
    assert study.question[:20] in heading
