"""An app for the fault tests only: work that is slow on purpose and countable afterwards."""

import time
from typing import Any

from django.apps import AppConfig

KIND = "faults.slow"
EFFECT = "stored slow work"


def compute(payload: dict[str, Any], report_progress: Any) -> dict[str, Any]:
    steps = max(1, round(payload["compute_s"] / 0.05))
    for step in range(steps):
        time.sleep(0.05)
        report_progress(step + 1, steps)
    return {"name": payload["name"]}


def store(payload: dict[str, Any], result: dict[str, Any]) -> None:
    from labsite import audit
    from labsite.models import Job

    job = Job.objects.get(kind=KIND, key=result["name"])
    audit.record(by=None, verb=EFFECT, subject=job, detail=result)
    # A kill in this pause finds the effect written and not committed.
    time.sleep(payload["store_s"])


class SlowWorkConfig(AppConfig):
    name = "tests.faults.slow_work"
    label = "slow_work"

    def ready(self) -> None:
        from labsite import jobs

        jobs.register(jobs.JobKind(KIND, compute, store))
