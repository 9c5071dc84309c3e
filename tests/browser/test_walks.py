"""Whole ways on screen, from what a machine gave to what a reader is told. All is made up.

What was put in is known, so what the page says in the end is held against it.
"""

import json
import math
import re
from datetime import timedelta
from uuid import uuid4

import pytest
from django.test import Client
from django.utils import timezone
from playwright.sync_api import Browser, expect

from labsite.roles import Role
from specimens.models import Specimen
from tests.browser.bench_steps import look
from tests.reports.demo_site import publish, run_waiting_jobs
from tests.reports.test_drop_to_edition import calibrated_gauge, logged, settle_the_drop
from tests.trials.bench_lab import (
    BenchLab,
    bench_day,
    build_bench_lab,
    hours_since,
    pass_checks,
    person_with,
)
from trials import consumables
from trials.models import ControlRun, TraceReading

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
TABLET = {"width": 820, "height": 1180}
BELT = "reference-abrasion"
LOSS = 0.8
WEAR_PER_HOUR = 0.15  # a worn belt cuts less, so that everything lasts longer on it


@pytest.fixture
def lab(browser: Browser, transactional_db: None) -> BenchLab:
    made = build_bench_lab()
    pass_checks(made, person_with(Role.TECHNICIAN))
    pass_checks(made, person_with(Role.TECHNICIAN), hours_ago=hours_since(bench_day()) + 2)
    Specimen.objects.update(paid_by="the lab")
    return made


def published(lab: BenchLab, key: str) -> tuple[str, dict]:
    """The edition's address and its finding of one method."""
    run_waiting_jobs()
    lab.study.refresh_from_db()
    edition = publish(lab.study, by=person_with(Role.EDITOR))
    (found,) = [one for one in edition.content["findings"] if one["method"]["key"] == key]
    return f"/scorecards/{lab.study.slug}/{edition.number}/", found


def as_typed(moment) -> str:
    return timezone.localtime(moment).strftime("%Y-%m-%dT%H:%M")


def test_a_helmet_drop_goes_from_the_loggers_file_to_the_scorecard(open_as, lab):
    """Half-sines of 150 and 165 g for 7 ms at 20 kHz: kept is (150 / 165)^2.5 of the protection.

    The criterion of a half-sine is 0.41464565 A^2.5 T (Chou and Nyquist, SAE 740082).
    """
    calibrated_gauge(lab)
    settle_the_drop(lab)
    page = open_as(person_with(Role.TECHNICIAN), TABLET)
    for arm, peak_g in enumerate((150.0, 165.0)):
        run = lab.run_of("headform-drop", arm)
        page.goto(f"/bench/{lab.study.slug}/runs/{run.pk}/")
        page.locator("[data-equipment] [name=instrument]").select_option(label="Gauge (ac-1)")
        page.get_by_role("button", name="Keep what it is made with").click()
        expect(page.locator("[data-equipment-list]")).to_contain_text("Gauge (ac-1)")
        page.get_by_role("link", name=re.compile("logger", re.IGNORECASE)).first.click()
        page.get_by_label("File of the logger").set_input_files(
            {"name": f"drop-{arm}.csv", "mimeType": "text/csv", "buffer": logged(peak_g)}
        )
        page.get_by_role("button", name="Look at this file").click()
        page.get_by_label("Turn the sign round").check()
        page.get_by_label("Their unit").fill("g_n")
        page.get_by_role("button", name="Read it like this").click()
        expect(page.locator(".trace-value")).to_contain_text("Head injury criterion")
        expect(page.get_by_text("Flaws of this trace")).to_have_count(0)
        expect(
            page.get_by_role("img", name=re.compile("^The event: times gravity"))
        ).to_be_visible()
        if arm == 0:
            look(page, "drop-1-look")
        page.get_by_role("button", name="Keep it as the reading of this run").click()
        expect(page.get_by_text("Worked out again just now: the same.")).to_be_visible()
        # the filter of class 1000 and 20 kHz take less than half a per cent of it
        derived = TraceReading.objects.get(reading__run=run)
        assert derived.value == pytest.approx(0.41464565 * peak_g**2.5 * 0.007, rel=5e-3)
    look(page, "drop-2-kept")
    address, found = published(lab, "headform-drop")
    truth = (150 / 165) ** 2.5
    assert found["retention"] == pytest.approx(truth, rel=5e-3)
    assert found["low"] < truth < found["high"]
    reader = open_as(None, TABLET)
    reader.goto(address)
    expect(reader.get_by_text(found["retention_words"]).first).to_be_visible()
    look(reader, "drop-3-scorecard")


def test_a_belt_that_wears_is_corrected_by_its_reference_runs(open_as, lab):
    revision = lab.revisions[BELT]
    start = bench_day()
    belt = consumables.add_lot(
        by=lab.lead,
        fields={"kind": "belt", "name": "60 grit", "lot": "7", "received_on": start.date()},
        piece_count=1,
    ).units.get()
    lead = open_as(person_with(Role.LEAD), TABLET)
    lead.goto(f"/lab/controls/{BELT}/{revision.number}/")
    lead.get_by_role("link", name=re.compile("material", re.IGNORECASE)).first.click()
    lead.get_by_label("Name").fill(revision.control_material)
    look(lead, "belt-1-material")
    lead.locator("main form button[type=submit]").click()
    page = open_as(person_with(Role.TECHNICIAN), TABLET)
    for hours in (0.0, 1.5, 3.0, 4.5):
        page.goto(f"/lab/controls/{BELT}/{revision.number}/")
        page.get_by_role("link", name=re.compile("control run", re.IGNORECASE)).first.click()
        page.get_by_label("Material").select_option(index=1)
        page.get_by_label("Session").fill("day")
        page.get_by_label("Piece used").select_option(value=str(belt.pk))
        page.get_by_label("Seconds").fill(f"{6 * math.exp(WEAR_PER_HOUR * hours):.1f}")
        page.get_by_label("How it ended").select_option("failed")
        page.get_by_label("When").fill(as_typed(start + timedelta(hours=hours)))
        if hours == 0:
            look(page, "belt-2-control-run")
        page.get_by_role("button", name="Keep this control run").click()
        expect(page.get_by_text(re.compile("The control run on .* is kept"))).to_be_visible()
    assert ControlRun.objects.count() == 4
    look(page, "belt-3-chart")
    bench = Client()
    bench.force_login(person_with(Role.TECHNICIAN))
    for specimen, share, hours_at in ((0, 1.0, (0.3, 0.7, 1.1)), (1, LOSS, (3.3, 3.7, 4.1))):
        for hours in hours_at:
            run = lab.run_of(BELT, specimen)
            bench.post(f"/bench/{lab.study.slug}/runs/{run.pk}/equipment/", {"consumable": belt.pk})
            seconds = round(20 * share * math.exp(WEAR_PER_HOUR * hours), 1)
            answer = bench.put(
                f"/api/v1/readings/{uuid4()}/",
                data=json.dumps(
                    {
                        "run": run.pk,
                        "raw": {"seconds": seconds, "ended": "failed"},
                        "measured_at": (start + timedelta(hours=hours)).isoformat(),
                    }
                ),
                content_type="application/json",
            )
            assert answer.status_code == 201, answer.content
    address, found = published(lab, BELT)
    # as read the worn gear lasted 1.25 times as long; corrected it lost a fifth
    assert found["retention"] == pytest.approx(LOSS, rel=0.02)
    reader = open_as(None, TABLET)
    reader.goto(address)
    expect(reader.get_by_text(found["retention_words"]).first).to_be_visible()
    expect(
        reader.get_by_text(
            re.compile("Corrected for machine drift: readings were multiplied by")
        ).first
    ).to_be_attached()
    look(reader, "belt-4-scorecard")
