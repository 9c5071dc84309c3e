"""An instrument found wrong: what was published beside what it would be."""

import math

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from labsite.roles import Role
from reports.reach_preview import change_words, preview_of
from tests.reports.force_lab import (
    NEW,
    WORN,
    finding_of,
    load_cell,
    mean_log,
    read_all,
    with_a_record,
)
from tests.trials.bench_lab import build_bench_lab, pass_checks, person_with
from trials import instruments
from trials.models import Reading, Study

pytestmark = pytest.mark.django_db


@pytest.fixture
def lab(db):
    made = build_bench_lab()
    pass_checks(made, made.lead)
    return made


def found_off(lab, cell, error):
    return instruments.report_wrong(
        by=lab.lead,
        instrument=cell,
        error=error,
        found_at=timezone.now(),
        what_happened="A known mass read wrong.",
    )


def test_an_error_that_adds_is_taken_off(lab):
    good, bad = load_cell(lab, "lc-1"), load_cell(lab, "lc-2")
    with_a_record(lab)
    read_all(lab, (good, bad))
    finding_of(lab)
    finding = found_off(lab, bad, error=1.0)
    shown = preview_of(finding, lab.study)
    assert (shown.reading_count, shown.moved_count) == (3, 3)
    (row,) = shown.rows
    assert row.name == "Force let through, Worn"
    # by hand, from the middles of the readings: as read 0.663, with 1 kN off the worn arm 0.745
    was = math.exp(mean_log(NEW) - mean_log(WORN))
    after = math.exp(mean_log(NEW) - mean_log(WORN, -1.0))
    assert row.published.figure.startswith(f"{100 * was:.0f}")
    assert row.corrected.figure.startswith(f"{100 * after:.0f}")
    assert row.is_material
    # nothing was changed by looking
    assert Reading.objects.filter(run__revision__method__key="transmitted-force").count() == 6


def test_a_small_error_changes_no_sentence(lab):
    good, bad = load_cell(lab, "lc-1"), load_cell(lab, "lc-2")
    with_a_record(lab)
    read_all(lab, (good, bad))
    finding_of(lab)
    (row,) = preview_of(found_off(lab, bad, error=0.01), lab.study).rows
    assert row.change == "no sentence changes"
    assert not row.is_material


@pytest.mark.parametrize(
    ("after", "told"),
    [
        ({"verdict": "held"}, "verdict"),
        ({"refusal": "No reading."}, "nothing could be said"),
        ({"retention": 0.85}, "third"),
        ({"retention": 0.82}, "no sentence"),
        ({"retention": None}, "the figure goes"),
    ],
)
def test_what_a_reader_would_have_to_be_told(after, told):
    # interval 0.7 to 0.9: half width 0.1, a third of it 0.033
    before = {"verdict": "some loss", "retention": 0.8, "low": 0.7, "high": 0.9, "refusal": ""}
    assert told in change_words(before, before | after)[0]


def test_the_page_shows_editions_beside_both_cases(demo):
    lead = person_with(Role.LEAD)
    client = Client()
    client.force_login(lead)
    study = Study.objects.get(slug="back-protectors-two-prices")
    revision = study.study_methods.get(revision__method__key="contact-heat").revision
    logger = instruments.add_instrument(
        by=lead, fields={"code": "th-9", "name": "Logger", "kind": "thermometer", "unit": "degC"}
    )
    instruments.use_for_all(
        by=lead, study=study, revision=revision, instrument=logger, reason="From the paper log."
    )
    finding = instruments.report_wrong(
        by=lead, instrument=logger, error=3.0, found_at=timezone.now(), what_happened="Ice read 3."
    )
    reach = client.get(reverse("lab-reach", args=[finding.pk])).content.decode()
    address = reverse("lab-reach-preview", args=[finding.pk])
    assert address in reach
    page = client.get(address).content.decode()
    assert "Contact heat resistance, Span" in page
    assert "cannot simply be taken off" in page
    assert "edition/1" in page or "/1/" in page
    edition = study.editions.get(number=1)
    heat = next(f for f in edition.content["findings"] if f["method"]["key"] == "contact-heat")
    assert heat["retention_words"] in page.replace("&nbsp;", "\u00a0")
    technician = Client()
    technician.force_login(person_with(Role.TECHNICIAN))
    assert technician.get(address).status_code == 403
