"""Large files of a logger: taken in by pieces, read by a worker, refused by what they declare."""

import io
import json
import tracemalloc
from dataclasses import asdict

import numpy as np
import pytest
from django.conf import settings as site
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from labsite import jobs
from labsite.errors import Refused
from labsite.models import Job, JobState
from trials import trace_work, traces
from trials.models import TraceFigure, TraceFile, TraceUpload, TraceUploadPiece
from trials.physics.trace_figures import TraceSettings

pytestmark = pytest.mark.django_db
AXIS = TraceSettings("hic_36", (1,), "g_n", time_column=0)


@pytest.fixture
def run(bench_lab, checks_passed):
    return bench_lab.run_of("headform-drop")


@pytest.fixture
def small_limits(monkeypatch):
    """The limits from which a worker is asked, brought down so that a test file is large."""
    monkeypatch.setattr(trace_work, "INLINE_BYTES", 20_000)
    monkeypatch.setattr(trace_work, "INLINE_SAMPLES", 1_000)
    monkeypatch.setattr(trace_work, "PIECE_BYTES", 7_001)


def drop(samples=6_000, rate_hz=20_000, amplitude_g=150.0, length_s=0.008):
    time_s = np.arange(samples) / rate_hz
    into_s = time_s - 0.1
    pulse = np.where(
        (into_s > 0) & (into_s < length_s), amplitude_g * np.sin(np.pi * into_s / length_s), 0.0
    )
    rows = "".join(f"{t:.6f},{v:.5f}\n" for t, v in zip(time_s, pulse, strict=True))
    return f"time (s),head (g)\n{rows}".encode()


def take_in(by, run, content, name="drop.csv"):
    return trace_work.take_in(
        by=by, run=run, file_name=name, stream=io.BytesIO(content), byte_count=len(content)
    )


def work_all():
    for job in Job.objects.filter(state=JobState.WAITING, kind__startswith="trials.read"):
        jobs.run_job(job.pk)


@pytest.mark.usefixtures("small_limits")
def test_a_large_file_becomes_the_same_trace_as_a_small_one(technician, run, bench_lab):
    upload = take_in(technician, run, drop())
    assert isinstance(upload, TraceUpload)
    assert upload.pieces.count() > 5
    assert not TraceFile.objects.exists()
    work_all()
    upload.refresh_from_db()
    other = bench_lab.run_of("headform-drop", 1)
    plain = traces.receive_trace(by=technician, run=other, file_name="d", stream=io.BytesIO(drop()))
    assert upload.trace.digest == plain.digest
    for one, two in zip(
        traces.load_columns(upload.trace, (0, 1)), traces.load_columns(plain, (0, 1)), strict=True
    ):
        assert np.array_equal(one, two)
    assert not TraceUploadPiece.objects.exists()


@pytest.mark.usefixtures("small_limits")
def test_the_same_large_file_again_is_the_same(technician, run):
    first = take_in(technician, run, drop())
    assert take_in(technician, run, drop(), "copy.csv") == first
    work_all()
    first.refresh_from_db()
    assert take_in(technician, run, drop()) == first.trace
    assert TraceUpload.objects.count() == 1


@pytest.mark.usefixtures("small_limits")
def test_what_cannot_be_read_says_why_and_may_be_sent_again(technician, run):
    bad = drop().replace(b"0.200000,", b"0.2x,")
    upload = take_in(technician, run, bad)
    work_all()
    upload.refresh_from_db()
    assert "is not a number" in upload.problem
    assert upload.trace is None
    assert not TraceUploadPiece.objects.exists()
    again = take_in(technician, run, bad)
    assert again != upload
    assert not TraceUpload.objects.filter(pk=upload.pk).exists()


@pytest.mark.usefixtures("small_limits")
def test_the_figure_of_a_long_trace_comes_from_the_worker(technician, run):
    upload = take_in(technician, run, drop())
    work_all()
    upload.refresh_from_db()
    settings = traces.settings_for(upload.trace, AXIS)
    first = trace_work.figure_now(upload.trace, settings)
    assert isinstance(first, Job)
    work_all()
    figure = trace_work.figure_now(upload.trace, settings)
    # 150 g for 8 ms: HIC 914.103 of the ideal half-sine (closed form); the filter takes a little
    assert figure.value == pytest.approx(914.103, rel=2e-3)
    here = asdict(traces.shown_figure(upload.trace, settings))
    assert json.loads(json.dumps(asdict(figure))) == json.loads(json.dumps(here))
    kept = traces.keep_figure(
        by=technician,
        trace=upload.trace,
        keeping=traces.Keeping(AXIS, timezone.now()),
        figure=figure,
    )
    assert kept.value == figure.value
    assert TraceFigure.objects.count() == 1


@pytest.mark.usefixtures("small_limits")
def test_a_long_trace_that_carries_no_figure_says_why(technician, run):
    content = drop(amplitude_g=0.0)
    upload = take_in(technician, run, content)
    work_all()
    upload.refresh_from_db()
    trace_work.figure_now(upload.trace, traces.settings_for(upload.trace, AXIS))
    work_all()
    with pytest.raises(Refused, match="flat"):
        trace_work.figure_now(upload.trace, traces.settings_for(upload.trace, AXIS))


@pytest.mark.usefixtures("small_limits")
def test_pages_from_sending_to_keeping(at_bench, run):
    address = reverse("lab-trace-add", args=[run.pk])
    sent = SimpleUploadedFile("drop.csv", drop(), "text/csv")
    answer = at_bench.post(address, {"file": sent})
    waiting = answer.headers["Location"]
    page = at_bench.get(waiting).content.decode()
    assert "Waiting for a worker" in page
    assert "drop.csv" in at_bench.get(reverse("lab-traces")).content.decode()
    work_all()
    trace_page = at_bench.get(waiting).headers["Location"]
    page = at_bench.get(trace_page).content.decode()
    state = page.split('data-work="')[1].split('"')[0]
    assert at_bench.get(state).json()["is_over"] is False
    early = at_bench.post(f"{trace_page}keep/", {"measured_at": "2026-01-05T10:00"})
    assert "is being worked out" in early.content.decode()
    work_all()
    assert at_bench.get(state).json()["is_over"] is True
    page = at_bench.get(trace_page).content.decode()
    assert "Keep 91" in page
    now = timezone.localtime().strftime("%Y-%m-%dT%H:%M")
    kept = at_bench.post(f"{trace_page}keep/", {"measured_at": now})
    assert kept.status_code == 302
    # the reading's own settings are the method's; they were worked out already
    assert "the same" in at_bench.get(trace_page).content.decode()


def test_two_gigabytes_declared_are_refused_unread(at_bench, run):
    address = reverse("lab-trace-add", args=[run.pk])
    answer = at_bench.generic("POST", address, b"x", "multipart/form-data; boundary=b")
    assert answer.status_code != 413
    lie = {"CONTENT_LENGTH": str(2 * 1024**3)}
    body = io.BytesIO(b"only a few bytes ever come")
    answer = at_bench.post(
        address, data=body, content_type="multipart/form-data; boundary=b", **lie
    )
    assert answer.status_code == 413
    assert "larger than the 401 MB" in answer.content.decode()
    assert body.tell() == 0 or not TraceUpload.objects.exists()


def test_other_pages_take_less_and_strangers_less_still(at_bench):
    lie = {"CONTENT_LENGTH": str(site.MOST_BODY_BYTES + 1)}
    answer = at_bench.post("/lab/room/add/", data=b"x", content_type="text/plain", **lie)
    assert answer.status_code == 413
    lie = {"CONTENT_LENGTH": str(site.DATA_UPLOAD_MAX_MEMORY_SIZE + 1)}
    answer = Client().post("/sign-in/", data=b"x", content_type="text/plain", **lie)
    assert answer.status_code == 413


def test_a_file_beyond_the_limit_is_refused_beside_its_field(technician, run, monkeypatch):
    monkeypatch.setattr(traces, "MOST_BYTES", 30_000)
    with pytest.raises(Refused, match="larger than"):
        take_in(technician, run, drop())


@pytest.mark.usefixtures("small_limits")
def test_a_file_in_pieces_is_never_whole_in_memory(technician, run):
    content = drop(samples=60_000)
    upload = take_in(technician, run, content)
    stream = trace_work.PieceStream(upload, lambda done, of: None)
    tracemalloc.start()
    count = 0
    while piece := stream.read(4_096):
        count += len(piece)
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert count == len(content)
    assert most < len(content) / 2
