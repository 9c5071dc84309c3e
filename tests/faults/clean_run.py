"""Compares every stored finding with a clean run; for `manage.py shell -c`, prints what differs."""

import json

from labsite.models import Job, JobState
from reports.models import Finding, SummaryHead
from reports.queries import study_inputs
from reports.study_findings import finding_rows
from trials.models import Study


def main() -> None:
    """Compute each registered study in this one process, with nothing disturbing it."""
    differences: list[str] = []
    count = 0
    for study in Study.objects.registered():
        wanted = finding_rows(study_inputs(study))
        head = SummaryHead.objects.filter(study=study).first()
        if head is None:
            differences.append(f"{study.slug}: no findings")
            continue
        if head.inputs_version != study.inputs_version:
            differences.append(f"{study.slug}: findings older than the readings")
        found = {(f.revision_id, f.arm_id): f for f in head.summary.findings.filter(analysis="")}
        for row in wanted:
            count += 1
            stored = found.pop((row["revision_id"], row["arm_id"]), None)
            if stored is None:
                differences.append(f"{study.slug}: no finding for {row['revision_id']}")
                continue
            differences += [
                f"{study.slug}: {name} is {_plain(getattr(stored, name))}, not {_plain(value)}"
                for name, value in row.items()
                if _plain(getattr(stored, name)) != _plain(value)
            ]
        differences += [f"{study.slug}: a finding too many for {key}" for key in found]
    doubled = (
        Finding.objects.count()
        - Finding.objects.values("summary", "revision", "arm", "analysis").distinct().count()
    )
    failed = Job.objects.filter(state=JobState.FAILED).count()
    print(
        json.dumps(
            {
                "findings": count,
                "differences": differences,
                "findings doubled": doubled,
                "failed": failed,
            }
        )
    )


def _plain(value: object) -> str:
    return json.dumps(value, default=str, sort_keys=True)
