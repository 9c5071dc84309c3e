"""Files of an edition: safe in a spreadsheet, and equal to the readings."""

import csv
import io
import json

import pytest
from django.test import Client

from labsite.tables import guarded
from reports.exports import READING_COLUMNS, readings_csv
from reports.models import Edition
from tests.reports.demo_site import AGES, PAIR, PRICES
from trials.models import Reading


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r"])
def test_no_cell_is_taken_for_a_formula(start: str) -> None:
    assert guarded(f"{start}SUM(A1:A9)") == f"'{start}SUM(A1:A9)"


@pytest.mark.parametrize("value", [-1.5, 0, 2.5, "plain", ""])
def test_numbers_and_plain_words_stay_as_they_are(value) -> None:
    assert guarded(value) == value


def test_nothing_is_an_empty_cell() -> None:
    assert guarded(None) == ""


def test_dangerous_words_in_a_reason_are_made_safe() -> None:
    reading = dict.fromkeys(READING_COLUMNS, "")
    reading |= {"reason": '=HYPERLINK("http://example.org")', "low": 1.5, "high": None}
    rows = list(csv.DictReader(io.StringIO(readings_csv({"readings": [reading]}))))
    assert rows[0]["reason"] == '\'=HYPERLINK("http://example.org")'
    assert (rows[0]["low"], rows[0]["high"]) == ("1.5", "")


@pytest.mark.parametrize("slug", [AGES, PAIR, PRICES])
def test_file_holds_every_reading_with_its_bounds_intact(demo: None, slug: str) -> None:
    answer = Client().get(f"/scorecards/{slug}/1/readings.csv")
    assert answer.status_code == 200
    assert answer["Content-Type"] == "text/csv; charset=utf-8"
    assert f"{slug}-1-readings.csv" in answer["Content-Disposition"]
    rows = list(csv.DictReader(io.StringIO(answer.content.decode())))
    from_file = sorted(
        (
            row["specimen"],
            row["method_key"],
            row["zone"],
            int(row["site"]),
            float(row["low"]) if row["low"] else None,
            float(row["high"]) if row["high"] else None,
            int(row["grade"]) if row["grade"] else None,
            row["words"],
        )
        for row in rows
    ).__repr__()
    stored = Reading.objects.filter(run__study__slug=slug).select_related(
        "run__specimen", "run__zone", "run__revision__method"
    )
    from_table = sorted(
        (
            r.run.specimen.code,
            r.run.revision.method.key,
            r.run.zone.code,
            r.run.site,
            r.low,
            r.high,
            r.grade,
            r.words,
        )
        for r in stored
    ).__repr__()
    assert from_file == from_table


def test_the_three_ways_to_an_edition_give_the_same_content(demo: None) -> None:
    edition = Edition.objects.get(study__slug=PAIR)
    by_page = json.loads(Client().get(f"/scorecards/{PAIR}/1/card.json").content)
    by_api = Client().get(f"/api/v1/scorecards/{PAIR}/1/").json()
    assert by_page == by_api == edition.content | {"digest": edition.digest}


def test_cautions_are_in_every_form_of_an_edition(demo: None) -> None:
    content = json.loads(Client().get(f"/scorecards/{PAIR}/1/card.json").content)
    page = Client().get(f"/scorecards/{PAIR}/1/").content.decode()
    assert len(content["cautions"]) > 10
    for caution in content["cautions"]:
        assert caution["short"].replace("'", "&#x27;") in page
