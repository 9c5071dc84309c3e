"""A helmet drop logged at 20 kHz, from the logger's file to a published finding, over HTTP.

The pulse is a half-sine, whose criterion has a closed form: 0.41464565 A^2.5 T (Chou and Nyquist,
SAE 740082, solved for the half-sine).
"""

from datetime import timedelta
from uuid import uuid4

import numpy as np
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from labsite.roles import Role
from specimens.models import Specimen
from tests.reports.demo_site import publish, run_waiting_jobs
from tests.trials.bench_lab import build_bench_lab, pass_checks, person_with
from trials import instruments
from trials.actions import ReadingEntry, record_reading
from trials.models import ControlRun, TraceReading
from trials.stands_for import stands_for

pytestmark = pytest.mark.django_db
HALF_SINE = 0.4146456495415115
NEW_G, WORN_G, LENGTH_S = 150.0, 165.0, 0.007


def logged(peak_g, rate_hz=20_000):
    time_s = np.arange(round(0.2 * rate_hz)) / rate_hz
    into_s = time_s - 0.1
    pulse = np.where(
        (into_s > 0) & (into_s < LENGTH_S), peak_g * np.sin(np.pi * into_s / LENGTH_S), 0.0
    )
    # the logger's sign is turned, its zero is off and it writes decimal commas
    rows = "".join(
        f"{t * 1000:.2f};{v:.3f}\n".replace(".", ",")
        for t, v in zip(time_s, 0.7 - pulse, strict=True)
    )
    return f"Time (ms);Head (g)\n{rows}".encode()


def settle_the_drop(lab):
    """Six control runs on the pad: a record of the method to hold two single drops against."""
    for minutes, criterion in enumerate((700, 715, 690, 704, 711, 696)):
        ControlRun.objects.create(
            revision=lab.revisions["headform-drop"],
            material="pad",
            session_label="day",
            ran_at=timezone.now() - timedelta(minutes=minutes),
            low=criterion - 0.5,
            high=criterion + 0.5,
        )


@pytest.fixture
def lab(db):
    made = build_bench_lab()
    pass_checks(made, person_with(Role.TECHNICIAN))
    Specimen.objects.update(paid_by="the lab")
    settle_the_drop(made)
    return made


@pytest.fixture
def gauge(lab):
    return calibrated_gauge(lab)


def calibrated_gauge(lab, **more):
    made = instruments.add_instrument(
        by=lab.lead,
        fields={"code": "ac-1", "name": "Gauge", "kind": "accelerometer", "unit": "g_n"},
    )
    today = timezone.localdate()
    instruments.record_calibration(
        by=lab.lead,
        instrument=made,
        fields={
            "done_on": today - timedelta(days=9),
            "due_on": today + timedelta(days=300),
            "done_by": "Invented house",
            "expanded_uncertainty": 2.0,
        }
        | more,
    )
    return made


def send_and_keep(bench, run, content):
    """As a technician does it: send the file, look at it, put the sign right, keep the figure."""
    sent = bench.post(
        reverse("lab-trace-add", args=[run.pk]),
        {"file": SimpleUploadedFile("drop.csv", content, "text/csv")},
    )
    page = sent.headers["Location"]
    chosen = {
        "value_columns": "1",
        "value_unit": "g_n",
        "time_column": "0",
        "time_unit": "ms",
        "is_inverted": "on",
    }
    looked = bench.get(page, chosen).content.decode()
    assert "Head injury criterion, windows to 36 ms" in looked
    assert "Flaws" not in looked
    query = "&".join(f"{name}={value}" for name, value in chosen.items())
    kept = bench.post(
        f"{page}keep/?{query}",
        {"measured_at": timezone.localtime().strftime("%Y-%m-%dT%H:%M")},
    )
    assert kept.status_code == 302, kept.content.decode()
    opened = bench.get(page)
    assert "Worked out again just now: the same" in opened.content.decode()
    # whoever opens it later sees it read as it was kept, with the sign turned
    assert opened.context["figure"].value == TraceReading.objects.get(trace__run=run).value


def log_both(lab, gauge):
    bench = Client()
    bench.force_login(person_with(Role.TECHNICIAN))
    for arm, peak_g in enumerate((NEW_G, WORN_G)):
        run = lab.run_of("headform-drop", arm)
        named = bench.post(
            reverse("bench-equipment", args=[lab.study.slug, run.pk]), {"instrument": gauge.pk}
        )
        assert named.status_code == 302
        send_and_keep(bench, run, logged(peak_g))


def test_from_the_file_to_the_scorecard(lab, gauge):
    log_both(lab, gauge)
    for derived, peak_g in zip(TraceReading.objects.order_by("pk"), (NEW_G, WORN_G), strict=True):
        # the filter of class 1000 and 20 kHz take less than half a per cent of it
        assert derived.value == pytest.approx(HALF_SINE * peak_g**2.5 * LENGTH_S, rel=5e-3)
    run_waiting_jobs()
    lab.study.refresh_from_db()
    edition = publish(lab.study, by=person_with(Role.EDITOR))
    found = next(
        one for one in edition.content["findings"] if one["method"]["key"] == "headform-drop"
    )
    # less is better, so what was kept is new over worn
    truth = (NEW_G / WORN_G) ** 2.5
    assert found["low"] < truth < found["high"]
    assert found["retention"] == pytest.approx(truth, rel=5e-3)
    page = Client().get(reverse("edition", args=[lab.study.slug, edition.number])).content.decode()
    assert found["retention_words"] in page
    keys = {caution["key"] for caution in edition.content["cautions"]}
    assert not keys & {"E29", "E34", "E40"}


def test_the_calibration_of_the_accelerometer_moves_the_criterion(lab):
    # it shows 3 g too little with a standard uncertainty of 1 g
    log_both(lab, calibrated_gauge(lab, correction=3.0))
    run_waiting_jobs()
    lab.study.refresh_from_db()
    edition = publish(lab.study, by=person_with(Role.EDITOR))
    rows = [r for r in edition.content["readings"] if r["method_key"] == "headform-drop"]
    for row, peak_g in zip(sorted(rows, key=lambda r: r["low"]), (NEW_G, WORN_G), strict=True):
        # the best window of a half-sine is 0.67022966 of its length (same source), so the mean in
        # it is (C / 0.67022966)^(1/2.5) A; by JCGM 100:2008, 5.1.3, 3 g move it by 2.5 HIC 3 / mean
        criterion = HALF_SINE * peak_g**2.5 * LENGTH_S
        mean_g = (HALF_SINE / 0.67022966364966334) ** 0.4 * peak_g
        moved = (row["used_low"] + row["used_high"] - row["low"] - row["high"]) / 2
        assert moved == pytest.approx(2.5 * criterion * 3.0 / mean_g, rel=5e-3)
        assert (
            "ac-1 reads 3\u00a0times gravity too low: corrected by its calibration"
            in row["used_words"]
        )
    found = next(
        one for one in edition.content["findings"] if one["method"]["key"] == "headform-drop"
    )
    # 2.5 ln of the corrected means, less is better
    shift = 3.0 / (HALF_SINE / 0.67022966364966334) ** 0.4
    truth = (NEW_G / WORN_G) ** 2.5 * (1 + 2.5 * shift / NEW_G) / (1 + 2.5 * shift / WORN_G)
    assert found["retention"] == pytest.approx(truth, rel=3e-3)


def test_a_criterion_that_was_typed_says_that_the_calibration_is_not_in_it(lab):
    pass_checks(lab, lab.lead)
    gauge = calibrated_gauge(lab, correction=3.0)
    run = lab.run_of("headform-drop", 0)
    instruments.use_instrument(by=lab.lead, run=run, instrument=gauge)
    record_reading(
        by=lab.lead,
        entry=ReadingEntry(uuid=uuid4(), run=run, raw={"value": 800}, measured_at=timezone.now()),
    )
    (standing,) = stands_for(lab.study).values()
    assert (standing.low, standing.high) == (799.5, 800.5)
    (words,) = standing.words
    assert words.startswith("what the calibration of ac-1 found is not carried into a figure")
