"""How long another writer waits while a file of 50,000 readings is stored, on SQLite.

Run from the top folder:  python -m benchmarks.big_upload

A second process writes one row a tenth of a second, as a tablet would, and notes how long each
write took. The file is stored by the action that the page calls. Everything is made for it in a
folder of its own and thrown away.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from datetime import date, timedelta
from time import perf_counter, sleep
from typing import Any

LINES = 50_000
SITES = 500  # more than any gear has, so that few specimens carry many lines
TABLET = """
import sys, time
import django
django.setup()
from labsite.models import Lab
print("ready", flush=True)
while True:
    started = time.perf_counter()
    Lab.objects.update_or_create(pk=1, defaults={"name": "Bench", "note": str(started)})
    print(f"{time.perf_counter() - started:.3f}", flush=True)
    time.sleep(0.1)
"""


def main() -> None:
    """Print how long storing took, and the longest wait of the other writer."""
    with tempfile.TemporaryDirectory() as folder:
        os.environ |= {"VAR_DIR": folder, "DJANGO_SETTINGS_MODULE": "labsite.settings"}
        os.environ.pop("DATABASE_URL", None)
        import django
        from django.core.management import call_command

        django.setup()
        call_command("migrate", verbosity=0)
        upload, by = _made_upload()
        from trials.uploads import preview, store_upload

        started = perf_counter()
        seen = preview(upload)
        if not seen.may_be_stored:
            raise SystemExit(f"The file is not sound: {seen.file_problem} {seen.problems[:2]}")
        looked = perf_counter() - started
        tablet = subprocess.Popen(
            [sys.executable, "-c", TABLET], stdout=subprocess.PIPE, text=True, env=os.environ
        )
        if tablet.stdout is None:
            raise SystemExit("The other writer says nothing.")
        tablet.stdout.readline()
        sleep(1)
        started = perf_counter()
        count = store_upload(by=by, upload=upload)
        took = perf_counter() - started
        sleep(1)
        tablet.kill()
        waits = [float(line) for line in tablet.stdout if line.strip()]
        sys.stdout.write(
            f"{count} lines: looked at in {looked:.1f} s, stored in {took:.1f} s; "
            f"{len(waits)} other writes, the longest took {max(waits):.2f} s\n"
        )


def _made_upload() -> tuple[Any, Any]:
    from django.utils import timezone

    from labsite.models import User
    from labsite.roles import Role, give_role
    from specimens.actions import add_product, add_specimen, add_zone
    from trials.actions import ArmPlan, MethodPlan, create_study, register_study
    from trials.library import load_methods
    from trials.models import MethodRevision
    from trials.uploads import receive_upload

    by = User.objects.create_user("lead", password=None)
    give_role(user=by, role=Role.LEAD, by=None)
    load_methods(by=by)
    product = add_product(by=by, maker="Invented", name="Roll of cloth", kind="other")
    add_zone(
        by=by, product=product, code="cloth", name="Cloth", capacities={"belt-abrasion": SITES}
    )
    rolls = [
        add_specimen(by=by, product=product, acquired="bought", acquired_on=date(2026, 1, 1))
        for _ in range(LINES // SITES)
    ]
    half = len(rolls) // 2
    study = create_study(
        by=by,
        fields={"slug": "big", "title": "Big", "question": "How long?", "kind": "worn-new"},
        arms=[ArmPlan("a", "A", True, rolls[:half]), ArmPlan("b", "B", False, rolls[half:])],
        methods=[MethodPlan(MethodRevision.objects.get(method__key="belt-abrasion"))],
    )
    register_study(by=by, study=study, at=timezone.now() - timedelta(days=9))
    at = (timezone.now() - timedelta(days=1)).isoformat()
    lines = ["specimen,method,zone,site,measured_at,unit,value,ended"]
    lines += [
        f"{rolls[k // SITES].code},belt-abrasion,cloth,{k % SITES + 1},{at},s,{4 + k % 7 / 10:.1f},failed"
        for k in range(LINES)
    ]
    content = "\n".join(lines).encode()
    return receive_upload(by=by, study=study, file_name="big.csv", content=content), by


if __name__ == "__main__":
    main()
