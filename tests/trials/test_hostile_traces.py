"""What loggers and people really send as a trace, through the page: read, or refused in words.

The drop is a half-sine, whose criterion has a closed form: 0.41464565 A^2.5 T (Chou and Nyquist,
SAE 740082, solved for the half-sine).
"""

import html
import re

import numpy as np
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from trials.models import TraceFile, TraceReading
from trials.physics import trace_file

pytestmark = pytest.mark.django_db
AMPLITUDE_G, LENGTH_S = 150.0, 0.008
CRITERION = 0.4146456495415115 * AMPLITUDE_G**2.5 * LENGTH_S


@pytest.fixture
def run(bench_lab, checks_passed):
    return bench_lab.run_of("headform-drop")


def samples():
    time_s = np.arange(4_000) / 20_000
    into_s = time_s - 0.1
    inside = (into_s > 0) & (into_s < LENGTH_S)
    return time_s, np.where(inside, AMPLITUDE_G * np.sin(np.pi * into_s / LENGTH_S), 0.0)


def rows(separator=",", decimal=".", change=lambda at, t, v: (t, v)):
    changed = [change(at, t, v) for at, (t, v) in enumerate(zip(*samples(), strict=True))]
    return "".join(
        f"{t:.6f}".replace(".", decimal) + separator + f"{v:.5f}".replace(".", decimal) + "\n"
        for t, v in changed
    )


def send(client, run, content, name="drop.csv"):
    sent = SimpleUploadedFile(name, content, "text/csv")
    return client.post(reverse("lab-trace-add", args=[run.pk]), {"file": sent})


def words_of(answer):
    text = re.sub(r"<[^>]+>", " ", answer.content.decode())
    return " ".join(html.unescape(text).split())


@pytest.mark.parametrize(
    "content",
    [
        f"time (s),head (g)\n{rows()}".encode(),
        f"time (s),head (g)\n{rows()}".encode("utf-16"),
        f"\ufefftime (s);head (g)\n{rows(';', ',')}".encode(),
        f"time (s)\thead (g)\n{rows(chr(9), ',')}".encode("latin-1"),
        f"time (s),head (g)\n{rows()}".replace("\n", "\r\n").encode(),
        f"Logger 7, channel A\nSample rate: 20000 Hz\n\ntime (s),head (g)\n{rows()}".encode(),
    ],
    ids=["plain", "UTF-16", "decimal comma", "tabs", "line ends of another system", "preamble"],
)
def test_what_loggers_write_is_read(at_bench, run, content):
    answer = send(at_bench, run, content)
    assert answer.status_code == 302, words_of(answer)
    page = words_of(at_bench.get(answer.headers["Location"]))
    shown = float(re.search(r"Keep (\d+)", page)[1])
    # class 1000 and 20 kHz take less than half a per cent
    assert shown == pytest.approx(CRITERION, rel=5e-3)


def test_without_a_header_the_columns_and_the_unit_are_chosen(at_bench, run):
    answer = send(at_bench, run, rows().encode())
    page = answer.headers["Location"]
    assert "column 1" in words_of(at_bench.get(page))
    chosen = {"value_columns": "1", "value_unit": "m/s2", "time_column": "0", "time_unit": "s"}
    in_ms2 = float(re.search(r"Keep ([\d.]+)", words_of(at_bench.get(page, chosen)))[1])
    # the same numbers as m/s2 are 9.80665 times less in multiples of gravity
    assert in_ms2 == pytest.approx(CRITERION / 9.80665**2.5, abs=0.51)


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR" + bytes(range(256)) * 40, "not text"),
        (bytes(range(1, 256)) * 400, "not text"),
        (b"PK\x03\x04\x14\0\x06\0" + b"\0" * 500, "not text"),
        (b"", "empty"),
        (b"\n\n\n", "No line of numbers"),
        (b"time (s),head (g)\n", "No line of numbers"),
        (b"time (s),head (g)\n0.1,2\n", "fewer than two lines of numbers"),
        (b"time (s),head (g)\n0.1,2\n0.2,2,7\n", "Line 3 has 3 cells"),
        (b"time (s),head (g)\n0.1,2\n0.2,#REF!\n", "'#REF!' is not a number"),
        (f"time (s),head (g)\n{rows()}".encode("utf-16-le"), "not text"),
    ],
    ids=[
        "picture",
        "every byte",
        "workbook",
        "no bytes",
        "empty lines",
        "header alone",
        "one line",
        "ragged",
        "fault of a spreadsheet",
        "UTF-16 without its mark",
    ],
)
def test_what_is_no_trace_is_refused_beside_its_field(at_bench, run, content, told):
    answer = send(at_bench, run, content)
    assert answer.status_code == 400
    assert told in words_of(answer)
    assert not TraceFile.objects.exists()


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda at, t, v: (t, float("nan") if at == 2_050 else v), "missing or not numbers"),
        (lambda at, t, v: (t, float("inf") if at == 2_050 else v), "missing or not numbers"),
        (lambda at, t, v: (float("nan") if at == 2_050 else t, v), "missing or not numbers"),
        (lambda at, t, v: (t - 0.00005 if at == 2_050 else t, v), "time"),
        (lambda at, t, v: (-t, v), "time"),
        (lambda at, t, v: (0.5, v), "time"),
        (lambda at, t, v: (t, 0.0), ""),
    ],
    ids=[
        "value missing",
        "value without end",
        "time missing",
        "time twice",
        "times backwards",
        "one time",
        "nothing happens",
    ],
)
def test_numbers_that_carry_no_figure_are_told_and_cannot_be_kept(at_bench, run, change, told):
    answer = send(at_bench, run, f"time (s),head (g)\n{rows(change=change)}".encode())
    if answer.status_code == 400:
        assert told in words_of(answer)
        return
    address = answer.headers["Location"]
    page = at_bench.get(address)
    assert page.status_code == 200
    said = words_of(page)
    assert told in said
    assert not re.search(r"Keep [\d.]+", said), said
    refused = at_bench.post(f"{address}keep/", {"measured_at": "2026-01-05T10:00"})
    assert refused.status_code == 400
    assert not TraceReading.objects.exists()


def test_more_samples_than_can_be_read_are_refused(at_bench, run, monkeypatch):
    monkeypatch.setattr(trace_file, "MOST_SAMPLES", 3_000)
    monkeypatch.setattr(trace_file, "_CHUNK_CHARS", 4_096)
    answer = send(at_bench, run, f"time (s),head (g)\n{rows()}".encode())
    assert answer.status_code == 400
    assert "more than 3,000 samples: cut it" in words_of(answer)
