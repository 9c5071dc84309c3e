"""Rows turned into what the analysis reads, at a fixed cost in queries."""

from collections import defaultdict
from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from reports.content import study_content
from reports.models import Edition
from reports.queries import (
    Bound,
    desk_rows,
    latest_editions,
    same_session,
    standing,
    study_inputs,
    study_members,
)
from tests.reports.demo_site import AGES, PAIR, PRICES, current_reading, publish
from trials.models import Reading, ReadingConflict, Study

pytestmark = pytest.mark.usefixtures("demo")


def test_inputs_hold_every_current_reading_once() -> None:
    for slug in (AGES, PAIR, PRICES):
        study = Study.objects.get(slug=slug)
        held = sum(
            len(s.bounds) + len(s.grades)
            for m in study_inputs(study).methods
            for arm in m.arms
            for s in arm.specimens
        )
        rows = Reading.objects.filter(
            run__study=study, run__void__isnull=True, superseded_by__isnull=True
        )
        assert held == rows.count() > 0


def test_a_readings_open_end_is_none_in_the_inputs_and_infinite_as_a_number() -> None:
    study = Study.objects.get(slug=PAIR)
    bounds = [
        b
        for m in study_inputs(study).methods
        for arm in m.arms
        for s in arm.specimens
        for b in s.bounds
    ]
    open_ended = [b for b in bounds if b.high is None]
    assert open_ended
    assert all(b.top == float("inf") for b in open_ended)
    assert Bound(1.0, 2.5).top == 2.5


def test_cost_of_inputs_does_not_grow_with_the_study(django_assert_num_queries) -> None:
    from django.db import connection

    costs = []
    # a study over ages also reads what its items had been through, arm by arm
    for slug in (PRICES, PAIR):
        study = Study.objects.get(slug=slug)
        with CaptureQueriesContext(connection) as caught:
            inputs = study_inputs(study)
        costs.append((len(caught), sum(len(m.arms) for m in inputs.methods)))
    assert len({arms for _, arms in costs}) > 1, "the studies differ in size"
    assert max(cost for cost, _ in costs) <= 12
    assert len({cost for cost, _ in costs}) == 1
    with CaptureQueriesContext(connection) as caught:
        study_inputs(Study.objects.get(slug=AGES))
    assert len(caught) <= 12 + 3 * 4


def test_cost_of_the_desks_list_does_not_grow(django_assert_max_num_queries) -> None:
    with django_assert_max_num_queries(4):
        assert len(desk_rows()) == 3


def test_cost_of_a_cards_content(django_assert_max_num_queries) -> None:
    study = Study.objects.get(slug=AGES)
    summary = standing(study).summary
    with django_assert_max_num_queries(72):
        content = study_content(study, summary, [])
    assert len(content["readings"]) > 100


def test_members_carry_what_they_had_been_through_when_first_run() -> None:
    study = Study.objects.get(slug=PAIR)
    members = {m.specimen.code: m for m in study_members(study)}
    assert set(members) == {"YDNR-Z", "F5UG-C"}
    # fixtures/demo/service.csv: 11 000 to 18 000 km, best 14 000, from the owner's memory
    worn = members["F5UG-C"].known
    assert worn.is_worn
    assert worn.distance_km.best == pytest.approx(14_000)
    assert not members["YDNR-Z"].known.is_worn


def test_newest_edition_of_each_study_comes_newest_first(lead) -> None:
    publish(Study.objects.get(slug=PAIR), by=lead, note="Said again.")
    found = latest_editions()
    assert next(e.study.slug for e in found) == PAIR
    assert len(found) == 3
    assert found[0].number == 2
    assert Edition.objects.count() == 4


def test_same_session_only_when_every_specimen_was_read_on_the_same_days() -> None:
    study = Study.objects.get(slug=PAIR)
    method = study_inputs(study).methods[0]
    one, two = method.arms
    moved = replace(two, specimens=tuple(replace(s, days=("1999-01-01",)) for s in two.specimens))
    assert not same_session(one, moved)
    alike = replace(one, specimens=tuple(replace(s, days=("d",)) for s in one.specimens))
    alike_two = replace(two, specimens=tuple(replace(s, days=("d",)) for s in two.specimens))
    assert same_session(alike, alike_two)


def test_desk_rows_tell_where_each_study_stands(lead) -> None:
    study = Study.objects.get(slug=PAIR)
    rows = {row.study.slug: row for row in desk_rows()}
    assert {row.standing.words for row in rows.values()} == {"up to date"}
    assert rows[PAIR].edition.number == 1
    assert rows[PAIR].reading_count == Reading.objects.filter(run__study=study).count()
    study.inputs_version += 1
    study.save(update_fields=["inputs_version"])
    again = {row.study.slug: row.standing.words for row in desk_rows()}
    assert again[PAIR] == "being computed again"
    assert again[AGES] == "up to date"


def test_waiting_conflicts_are_counted_for_their_study_only(lead) -> None:
    from django.utils import timezone

    from reports.queries import waiting_conflicts

    study = Study.objects.get(slug=PAIR)
    reading = current_reading(study, "belt-abrasion")
    ReadingConflict.objects.create(
        reading_uuid=reading.pk,
        run=reading.run,
        standing=reading,
        content={},
        digest="0" * 64,
        by=lead,
        received_at=timezone.now(),
    )
    assert waiting_conflicts(study) == 1
    assert waiting_conflicts(Study.objects.get(slug=AGES)) == 0


@pytest.mark.parametrize("zone", ["Pacific/Kiritimati", "Pacific/Pago_Pago"])
def test_a_day_is_the_labs_own_day(zone: str) -> None:
    """Fourteen hours before and eleven behind: one of the two cuts a working day by UTC."""
    study = Study.objects.get(slug=PAIR)
    readings = Reading.objects.current().filter(run__study=study, run__void__isnull=True)
    by_hand = defaultdict(set)
    for code, at in readings.values_list("run__specimen__code", "measured_at"):
        by_hand[code].add(at.astimezone(ZoneInfo(zone)).date().isoformat())
    with timezone.override(zone):
        inputs = study_inputs(study)
    found = defaultdict(set)
    for specimen in (s for m in inputs.methods for arm in m.arms for s in arm.specimens):
        found[specimen.code].update(specimen.days)
    assert found == by_hand
