"""A belt that wears during a day, from the bench over HTTP to the corrected figure on the page.

The wear of the belt and the true loss are made up, so the published finding is held against what
was put in. That a reference run before and after takes the machine out is the principle of
EN 13595-2 (as a test laboratory describes it).
"""

import io
import json
import math
from datetime import timedelta
from uuid import uuid4

import pytest
from django.core.management import call_command
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from labsite.roles import Role
from reports.verification import published_from, verify
from specimens.models import Specimen
from tests.reports.demo_site import publish, run_waiting_jobs, visible_text
from tests.trials.bench_lab import bench_day, build_bench_lab, hours_since, pass_checks, person_with
from trials import consumables
from trials.models import ControlMaterial, ControlRun

pytestmark = pytest.mark.django_db
LOSS = 0.8
WEAR_PER_HOUR = 0.15  # a worn belt cuts less, so that everything lasts longer on it
METHOD = "reference-abrasion"


def worn_by(hours):
    return math.exp(WEAR_PER_HOUR * hours)


@pytest.fixture
def lab(db):
    made = build_bench_lab()
    pass_checks(made, person_with(Role.TECHNICIAN))
    pass_checks(made, person_with(Role.TECHNICIAN), hours_ago=hours_since(bench_day()) + 2)
    Specimen.objects.update(paid_by="the lab")
    return made


def signed_in(role):
    client = Client()
    client.force_login(person_with(role))
    return client


def as_typed(moment):
    return timezone.localtime(moment).strftime("%Y-%m-%dT%H:%M")


def test_from_the_reference_runs_to_the_page(lab):
    lead, bench = signed_in(Role.LEAD), signed_in(Role.TECHNICIAN)
    revision = lab.revisions[METHOD]
    start = bench_day()
    fields = {"kind": "belt", "name": "60 grit", "lot": "7", "received_on": start.date()}
    belt = consumables.add_lot(by=lab.lead, fields=fields, piece_count=1).units.get()
    added = lead.post(
        reverse("lab-material-add", args=[METHOD, revision.number]),
        {"name": revision.control_material},
    )
    assert added.status_code == 302, visible_text(added.content.decode())
    material = ControlMaterial.objects.get()
    # a slip of the pen is told beside its field and nothing is kept
    page = reverse("lab-control-add", args=[METHOD, revision.number])
    typed = {
        "material": material.pk,
        "session_label": "day",
        "consumable": belt.pk,
        "ended": "failed",
    }
    wrong = bench.post(page, typed | {"seconds": "six", "ran_at": as_typed(start)})
    assert wrong.status_code == 400
    assert not ControlRun.objects.exists()
    for hours in (0.0, 1.5, 3.0, 4.5):
        kept = bench.post(
            page,
            typed
            | {
                # as a German keyboard has it
                "seconds": f"{6 * worn_by(hours):.1f}".replace(".", ","),
                "ran_at": as_typed(start + timedelta(hours=hours)),
            },
        )
        assert kept.status_code == 302, visible_text(kept.content.decode())
    for specimen, share, hours_at in ((0, 1.0, (0.3, 0.7, 1.1)), (1, LOSS, (3.3, 3.7, 4.1))):
        for hours in hours_at:
            run = lab.run_of(METHOD, specimen)
            bench.post(
                reverse("bench-equipment", args=[lab.study.slug, run.pk]), {"consumable": belt.pk}
            )
            seconds = round(20 * share * worn_by(hours), 1)
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
    chart = visible_text(
        lead.get(reverse("lab-control", args=[METHOD, revision.number])).content.decode()
    )
    assert "60 grit" in chart or "day" in chart
    run_waiting_jobs()
    lab.study.refresh_from_db()
    edition = publish(lab.study, by=person_with(Role.EDITOR))
    found = next(one for one in edition.content["findings"] if one["method"]["key"] == METHOD)
    # as read, the worn gear lasted longer: 0.8 e^(0.15 x 3) = 1.25 times; corrected it lost a fifth
    assert found["retention"] == pytest.approx(LOSS, rel=0.02)
    assert found["low"] < LOSS < found["high"]
    page = visible_text(
        Client().get(reverse("edition", args=[lab.study.slug, edition.number])).content.decode()
    )
    assert found["retention_words"].replace("\u00a0", " ") in page
    assert "Corrected for machine drift: readings were multiplied by" in page
    assert "from 4 control runs around them" in page

    # from the published data alone the factors come out again, and a changed control run shows
    out = io.StringIO()
    call_command("verify", f"{lab.study.slug}/1", stdout=out)
    assert "equal   correction for drift" in out.getvalue()
    content = json.loads(json.dumps(edition.content))
    content["analysis"]["drift"][0]["controls"][1]["low"] *= 1.02
    content["analysis"]["drift"][0]["controls"][1]["high"] *= 1.02
    (drift,) = [one for one in verify(published_from(content)) if "for drift" in one.what]
    assert any("factor: published" in one for one in drift.differences)
    assert any("which the table has not" in one for one in drift.differences)
