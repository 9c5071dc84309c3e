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
from collections.abc import Iterable
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from django.db.models import Model

    from trials.models import Study

METHODS = 10


def main() -> None:
    """Fill, analyse everything, ask again, and change one reading."""
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
            spent = [cpu_seconds(worker.pid) for worker in workers]
            started = time.perf_counter()
            if what.startswith("one"):
                wait_until_current(amend_one())
            else:
                call_command("reanalyse", wait=True, stdout=Told())
            seconds = time.perf_counter() - started
            used = sum(cpu_seconds(worker.pid) for worker in workers) - sum(spent)
            memory = max(peak_mb(worker.pid) for worker in workers)
            print(
                f"{what}: {seconds:.1f} s ({total / seconds:,.0f} readings a second), "
                f"{used:.1f} s of the workers' processors, a worker's greatest memory "
                f"{memory:.0f} MB, load of the machine {os.getloadavg()[0]:.1f}",
                flush=True,
            )
    finally:
        for worker in workers:
            worker.terminate()
        for worker in workers:
            worker.wait(30)


class Told(io.StringIO):
    """Passes the progress of `reanalyse` on to standard error, every tenth line of it."""

    def write(self, text: str) -> int:
        """Show the start, every tenth study and the end."""
        done, _, _ = text.removeprefix("Done: ").partition(" of ")
        if not done.isdigit() or int(done) % 10 == 0:
            sys.stderr.write(text)
            sys.stderr.flush()
        return len(text)


def wait_until_current(study: Study) -> None:
    """Wait until the study's findings have seen its newest reading."""
    from reports.queries import standing

    study.refresh_from_db()
    while not standing(study).is_current:
        time.sleep(0.1)


def start_worker() -> subprocess.Popen[bytes]:
    """One worker process of its own."""
    return subprocess.Popen(
        [sys.executable, "manage.py", "worker"],
        cwd=Path(__file__).resolve().parent.parent,
        # two workers on two cores: more threads of the linear algebra would only get in each other's way
        env={
            **os.environ,
            "LOG_LEVEL": "ERROR",
            "OMP_NUM_THREADS": "1",
            "OPENBLAS_NUM_THREADS": "1",
        },
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def peak_mb(pid: int) -> float:
    """Greatest resident memory of a process and its children so far, in MB."""
    peaks = []
    for one in family(pid):
        for line in Path(f"/proc/{one}/status").read_text().splitlines():
            if line.startswith("VmHWM:"):
                peaks.append(int(line.split()[1]) / 1024)
    return max(peaks)


def cpu_seconds(pid: int) -> float:
    """Processor time that a process and its children, also those that ended, have used so far."""
    ticks = os.sysconf("SC_CLK_TCK")
    fields = [Path(f"/proc/{one}/stat").read_text().rpartition(") ")[2] for one in family(pid)]
    return sum(sum(int(part) for part in text.split()[11:15]) for text in fields) / ticks


def family(pid: int) -> list[str]:
    """A process and its children."""
    children = Path(f"/proc/{pid}/task/{pid}/children")
    return [str(pid), *(children.read_text().split() if children.exists() else [])]


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
    earlier = Specimen.objects.count()
    for place in range(study_count):
        with transaction.atomic():
            specimens = Specimen.objects.bulk_create(
                Specimen(
                    code=f"{earlier + place * specimen_count + k:06d}",
                    product=product,
                    acquired="bought",
                    acquired_on=before.date(),
                )
                for k in range(specimen_count)
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
            now = timezone.now()
            same = {
                "study_id": study.pk,
                "zone_id": zone.pk,
                "planned_by_id": by.pk,
                "planned_at": now,
            }
            insert(
                Run,
                same,
                ("revision_id", "specimen_id", "site"),
                (
                    (revisions[k % METHODS].pk, specimen.pk, k // METHODS + 1)
                    for specimen in specimens
                    for k in range(reading_count)
                ),
            )
            runs = list(Run.objects.filter(study=study).order_by("pk").values_list("pk", flat=True))
            values = np.round(10 * np.exp(0.2 * rng.standard_normal(len(runs))), 1)
            stopped = rng.random(len(runs)) < 0.1
            insert(
                Reading,
                {"kind": "timer", "measured_at": now, "entered_at": now, "by_id": by.pk},
                ("uuid", "run_id", "raw", "low", "high", "words", "digest"),
                (
                    (
                        uuid.uuid4(),
                        run,
                        {"seconds": v, "ended": "stopped" if s else "failed"},
                        v if s else v - 0.05,
                        None if s else v + 0.05,
                        f"{v} s",
                        uuid.uuid4().hex * 2,
                    )
                    for run, v, s in zip(runs, values.tolist(), stopped.tolist(), strict=True)
                ),
            )
        if sys.stderr.isatty() or (place + 1) % 20 == 0:
            print(f"filled {place + 1} of {study_count} studies", file=sys.stderr, flush=True)


def insert(
    model: type[Model],
    same: dict[str, Any],
    columns: tuple[str, ...],
    rows: Iterable[tuple[Any, ...]],
) -> None:
    """Write many rows by one prepared statement: model objects would cost ten times as much.

    `same` holds columns with one value for all rows; what neither names gets its default.
    """
    from django.db import connection
    from django.db.models import NOT_PROVIDED

    fields = {field.attname: field for field in model._meta.concrete_fields}
    constant = {
        name: field.get_default()
        for name, field in fields.items()
        if name not in same
        and name not in columns
        and not field.primary_key
        and (field.default is not NOT_PROVIDED or (not field.null and field.empty_strings_allowed))
    } | same
    ready = tuple(fields[n].get_db_prep_save(v, connection) for n, v in constant.items())
    prepare = [fields[name].get_db_prep_save for name in columns]
    names = ", ".join(connection.ops.quote_name(fields[n].column) for n in (*constant, *columns))
    marks = ", ".join(["%s"] * (len(constant) + len(columns)))
    table = connection.ops.quote_name(model._meta.db_table)
    with connection.cursor() as cursor:
        cursor.executemany(
            f"INSERT INTO {table} ({names}) VALUES ({marks})",
            [
                ready
                + tuple(get(value, connection) for get, value in zip(prepare, row, strict=True))
                for row in rows
            ],
        )


def amend_one() -> Study:
    """Amend a single reading, as a technician would; returns its study."""
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
    return reading.run.study


if __name__ == "__main__":
    main()
