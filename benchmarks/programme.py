"""A whole programme analysed again by two workers: time, memory, and what a small change costs.

Run as ``python -m benchmarks.programme [STUDIES] [SPECIMENS] [READINGS]``, totals of the programme;
the default is 200 studies, 20,000 specimens and 1,000,000 readings. It fills the
database that DATABASE_URL names (a fresh SQLite file without it) with invented readings and talks to
the workers through BROKER_URL. Prints seconds, readings a second, and the workers' greatest memory.
"""

from __future__ import annotations

import io
import os
import subprocess
import sys
import tempfile
import time
import uuid
from datetime import timedelta
from pathlib import Path

METHODS = 10


def main() -> None:
    """Fill, analyse everything, change one reading, analyse again."""
    asked = [int(argument) for argument in sys.argv[1:4]]
    studies, all_specimens, all_readings = asked + [200, 20_000, 1_000_000][len(asked) :]
    specimens = all_specimens // studies
    readings = all_readings // all_specimens
    if "VAR_DIR" not in os.environ:
        os.environ["VAR_DIR"] = tempfile.mkdtemp(prefix="programme-")
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "labsite.settings")
    import django

    django.setup()
    from django.core.management import call_command

    call_command("migrate", verbosity=0)
    started = time.perf_counter()
    fill(studies, specimens, readings)
    total = studies * specimens * readings
    print(f"filled {total:,} readings in {time.perf_counter() - started:.0f} s")
    workers = [start_worker() for _ in range(2)]
    try:
        for what in ("everything", "everything again, nothing changed", "one reading amended"):
            if what.startswith("one"):
                amend_one()
            started = time.perf_counter()
            call_command("reanalyse", wait=True, stdout=io.StringIO())
            seconds = time.perf_counter() - started
            memory = max(peak_mb(worker.pid) for worker in workers)
            print(
                f"{what}: {seconds:.1f} s, {total / seconds:,.0f} readings/s, "
                f"a worker's greatest memory {memory:.0f} MB"
            )
    finally:
        for worker in workers:
            worker.terminate()
        for worker in workers:
            worker.wait(30)


def start_worker() -> subprocess.Popen[bytes]:
    """One worker process of its own."""
    return subprocess.Popen(
        [sys.executable, "manage.py", "worker"],
        cwd=Path(__file__).resolve().parent.parent,
        env={**os.environ, "LOG_LEVEL": "ERROR"},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def peak_mb(pid: int) -> float:
    """Greatest resident memory of a process and its children so far, in MB."""
    pids = [str(pid)]
    children = Path(f"/proc/{pid}/task/{pid}/children")
    if children.exists():
        pids += children.read_text().split()
    peaks = []
    for one in pids:
        for line in Path(f"/proc/{one}/status").read_text().splitlines():
            if line.startswith("VmHWM:"):
                peaks.append(int(line.split()[1]) / 1024)
    return max(peaks)


def fill(study_count: int, specimen_count: int, reading_count: int) -> None:
    """Invented studies: two arms, ten timer methods, coarse readings, one in ten stopped early."""
    import numpy as np
    from django.db import transaction
    from django.utils import timezone

    from labsite.models import User
    from specimens.models import Product, Specimen, Zone
    from trials.actions import ArmPlan, MethodPlan, create_study, register_study
    from trials.models import Method, MethodRevision, Reading, Run, Study

    rng = np.random.default_rng(1)
    by = User.objects.create_user(f"bench-{uuid.uuid4().hex[:6]}")
    product = Product.objects.create(maker="Invented", name=uuid.uuid4().hex[:12], kind="jacket")
    zone = Zone.objects.create(product=product, code="back", name="Back")
    revisions = []
    for _ in range(METHODS):
        key = f"bench-{uuid.uuid4().hex[:8]}"
        method = Method.objects.create(key=key, name=key, property=key)
        revisions.append(
            MethodRevision.objects.create(
                method=method,
                number=1,
                state="in force",
                outcome_kind="timer",
                quantity="time",
                unit="s",
                direction="higher",
                resolution=0.1,
                range_high=1000,
                steps=["Invented."],
            )
        )
    before = timezone.now() - timedelta(days=2)
    for place in range(study_count):
        with transaction.atomic():
            specimens = Specimen.objects.bulk_create(
                Specimen(
                    code=uuid.uuid4().hex[:6],
                    product=product,
                    acquired="bought",
                    acquired_on=before.date(),
                )
                for _ in range(specimen_count)
            )
            half = specimen_count // 2
            study = create_study(
                by=by,
                fields={
                    "slug": f"programme-{uuid.uuid4().hex[:10]}",
                    "title": f"Study {place}",
                    "question": "Invented.",
                    "kind": Study.Kind.PRICE,
                    "is_invented": True,
                },
                arms=[
                    ArmPlan("a", "A", True, specimens[:half]),
                    ArmPlan("b", "B", False, specimens[half:]),
                ],
                methods=[MethodPlan(revision) for revision in revisions],
            )
            register_study(by=by, study=study, at=before)
            runs = Run.objects.bulk_create(
                (
                    Run(
                        study=study,
                        revision=revisions[k % METHODS],
                        specimen=specimen,
                        zone=zone,
                        site=k // METHODS + 1,
                        planned_by=by,
                    )
                    for specimen in specimens
                    for k in range(reading_count)
                ),
                batch_size=1000,
            )
            now = timezone.now()
            values = np.round(10 * np.exp(0.2 * rng.standard_normal(len(runs))), 1)
            stopped = rng.random(len(runs)) < 0.1
            Reading.objects.bulk_create(
                (
                    Reading(
                        uuid=uuid.uuid4(),
                        run=run,
                        kind="timer",
                        raw={"seconds": float(v), "ended": "stopped" if s else "failed"},
                        low=float(v) if s else float(v) - 0.05,
                        high=None if s else float(v) + 0.05,
                        words=f"{v} s",
                        measured_at=now,
                        entered_at=now,
                        by=by,
                        digest=uuid.uuid4().hex * 2,
                    )
                    for run, v, s in zip(runs, values, stopped, strict=True)
                ),
                batch_size=1000,
            )


def amend_one() -> None:
    """Amend a single reading, as a technician would."""
    from trials.actions import ReadingEntry, record_reading
    from trials.models import Reading

    reading = Reading.objects.filter(run__study__slug__startswith="programme-").first()
    if reading is None:
        raise RuntimeError("there is no reading to amend")
    entry = ReadingEntry(
        uuid=uuid.uuid4(),
        run=reading.run,
        raw={"seconds": 9.9, "ended": "failed"},
        measured_at=reading.measured_at,
        supersedes=reading.pk,
        reason="Misread.",
    )
    record_reading(by=reading.by, entry=entry)


if __name__ == "__main__":
    main()
