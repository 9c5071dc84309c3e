"""Whole ways on screen, from what a machine gave to what a reader is told. All is made up.

What was put in is known, so what the page says in the end is held against it.
"""

import json
import math
import re
from collections.abc import Callable, Iterator
from datetime import timedelta
from uuid import uuid4

import pytest
from django.test import Client
from django.utils import timezone
from playwright.sync_api import Browser, Page, expect

from labsite.roles import Role
from specimens.models import Specimen
from tests.browser.bench_steps import look
from tests.reports.demo_site import publish, run_waiting_jobs
from tests.trials.bench_lab import (
    BenchLab,
    bench_day,
    build_bench_lab,
    hours_since,
    pass_checks,
    person_with,
)
from trials import consumables
from trials.models import ControlRun

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
BELT = "reference-abrasion"
LOSS = 0.8
WEAR_PER_HOUR = 0.15  # a worn belt cuts less, so that everything lasts longer on it


@pytest.fixture
def lab(browser: Browser, transactional_db: None) -> BenchLab:
    made = build_bench_lab()
    pass_checks(made, person_with(Role.TECHNICIAN), hours_ago=hours_since(bench_day()) + 2)
    Specimen.objects.update(paid_by="the lab")
    return made


@pytest.fixture
def page_of(
    browser: Browser, live_server, lab: BenchLab
) -> Iterator[Callable[[Role | None], Page]]:
    opened: list[Page] = []
    errors: list[str] = []

    def open_page(role: Role | None) -> Page:
        context = browser.new_context(
            viewport={"width": 820, "height": 1180}, base_url=live_server.url
        )
        if role:
            client = Client()
            client.force_login(person_with(role))
            session = client.cookies["sessionid"].value
            context.add_cookies([{"name": "sessionid", "value": session, "url": live_server.url}])
        page = context.new_page()
        page.set_default_timeout(15_000)
        page.on("pageerror", lambda error: errors.append(str(error)))
        opened.append(page)
        return page

    yield open_page
    for page in opened:
        page.context.close()
    assert errors == []


def published(lab: BenchLab, key: str) -> tuple[str, dict]:
    """The edition's address and its finding of one method."""
    run_waiting_jobs()
    lab.study.refresh_from_db()
    edition = publish(lab.study, by=person_with(Role.EDITOR))
    (found,) = [one for one in edition.content["findings"] if one["method"]["key"] == key]
    return f"/scorecards/{lab.study.slug}/{edition.number}/", found


def as_typed(moment) -> str:
    return timezone.localtime(moment).strftime("%Y-%m-%dT%H:%M")


def test_a_belt_that_wears_is_corrected_by_its_reference_runs(page_of, lab):
    revision = lab.revisions[BELT]
    start = bench_day()
    belt = consumables.add_lot(
        by=lab.lead,
        fields={"kind": "belt", "name": "60 grit", "lot": "7", "received_on": start.date()},
        piece_count=1,
    ).units.get()
    lead = page_of(Role.LEAD)
    lead.goto(f"/lab/controls/{BELT}/{revision.number}/")
    lead.get_by_role("link", name=re.compile("material", re.IGNORECASE)).first.click()
    lead.get_by_label("Name").fill(revision.control_material)
    look(lead, "belt-1-material")
    lead.locator("main form button[type=submit]").click()
    page = page_of(Role.TECHNICIAN)
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
    reader = page_of(None)
    reader.goto(address)
    expect(reader.get_by_text(found["retention_words"]).first).to_be_visible()
    expect(
        reader.get_by_text(
            re.compile("Corrected for machine drift: readings were multiplied by")
        ).first
    ).to_be_attached()
    look(reader, "belt-4-scorecard")
