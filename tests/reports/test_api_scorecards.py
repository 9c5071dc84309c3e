"""Findings and scorecards by the API: the same words and figures as the pages."""

import pytest
from django.test import Client

from reports.content import finding_content
from reports.models import Edition
from tests.reports.demo_site import (
    AGES,
    PAIR,
    PRICES,
    amend,
    current_reading,
    findings_of,
    run_waiting_jobs,
)
from trials.models import Study

pytestmark = pytest.mark.usefixtures("demo")


def test_list_names_every_scorecard_in_its_newest_edition(reader: Client) -> None:
    listed = reader.get("/api/v1/scorecards/").json()["scorecards"]
    assert {c["study"] for c in listed} == {AGES, PAIR, PRICES}
    for card in listed:
        edition = Edition.objects.get(study__slug=card["study"])
        assert card["edition"] == 1
        assert card["digest"] == edition.digest
        assert card["headline"] == edition.headline


def test_findings_are_those_of_the_page(at_desk: Client) -> None:
    answer = at_desk.get(f"/api/v1/studies/{PAIR}/findings/").json()
    study = Study.objects.get(slug=PAIR)
    assert answer["study"] == PAIR
    assert answer["is_current"] is True
    assert answer["findings"] == [finding_content(f) for f in findings_of(study)]
    assert len(answer["findings"]) == 7
    assert answer["inputs_digest"] == study.editions.get().content["inputs_digest"]


def test_findings_tell_that_newer_ones_are_on_the_way(at_desk: Client, lead) -> None:
    study = Study.objects.get(slug=PAIR)
    amend(current_reading(study, "belt-abrasion"), {"seconds": 9, "ended": "failed"}, by=lead)
    before = at_desk.get(f"/api/v1/studies/{PAIR}/findings/").json()
    assert before["is_current"] is False
    assert len(before["findings"]) == 7
    run_waiting_jobs()
    after = at_desk.get(f"/api/v1/studies/{PAIR}/findings/").json()
    assert after["is_current"] is True
    assert after["inputs_digest"] != before["inputs_digest"]


def test_findings_of_a_study_that_is_not_there(at_desk: Client) -> None:
    assert at_desk.get("/api/v1/studies/no-such/findings/").status_code == 404


def test_an_open_end_is_null_and_never_a_made_up_number(reader: Client) -> None:
    answer = reader.get(f"/api/v1/scorecards/{PAIR}/1/")
    text = answer.content.decode()
    assert "Infinity" not in text
    assert "NaN" not in text
    open_ended = [
        f for f in answer.json()["findings"] if f["high"] is not None and f["low"] is None
    ]
    assert open_ended
    assert all("no lower end" in f["interval_words"] for f in open_ended)
