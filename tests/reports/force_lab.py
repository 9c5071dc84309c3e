"""A lab that reads transmitted force, for tests of what stands behind a reading."""

import math
from datetime import timedelta
from uuid import uuid4

from django.utils import timezone

from reports.work import store_summary, summarise
from trials import actions, instruments
from trials.models import ControlRun

NEW, WORN = (6.0, 6.2, 5.9), (8.9, 9.1, 9.3)


def load_cell(lab, code, **more):
    cell = instruments.add_instrument(
        by=lab.lead, fields={"code": code, "name": "Cell", "kind": "load cell", "unit": "kN"}
    )
    today = timezone.localdate()
    fields = {
        "done_on": today - timedelta(days=20),
        "due_on": today + timedelta(days=300),
        "done_by": "Invented house",
        "expanded_uncertainty": 0.001,
    }
    instruments.record_calibration(by=lab.lead, instrument=cell, fields=fields | more)
    return cell


def read_all(lab, cells):
    for arm, values in enumerate((NEW, WORN)):
        for value in values:
            run = lab.run_of("transmitted-force", arm)
            if cells[arm] is not None:
                instruments.use_instrument(by=lab.lead, run=run, instrument=cells[arm])
            actions.record_reading(
                by=lab.lead,
                entry=actions.ReadingEntry(
                    uuid=uuid4(), run=run, raw={"value": value}, measured_at=timezone.now()
                ),
            )


def with_a_record(lab):
    """Control runs, so that one item an arm gets an interval at all."""
    now = timezone.now()
    for number, value in enumerate((5.0, 5.1, 4.9, 5.2, 5.0, 4.8)):
        ControlRun.objects.create(
            revision=lab.revisions["transmitted-force"],
            material="pad",
            session_label="day",
            ran_at=now - timedelta(minutes=number),
            low=value - 0.05,
            high=value + 0.05,
        )


def finding_of(lab, key="transmitted-force"):
    lab.study.refresh_from_db()
    payload = {"study": lab.study.pk, "inputs_version": lab.study.inputs_version}
    result = summarise(payload, lambda done, of: None)
    store_summary(payload, result)
    pk = lab.revisions[key].pk
    return next(one for one in result["findings"] if one["revision_id"] == pk)


def mean_log(values, correction=0.0):
    return sum(math.log(v + correction) for v in values) / len(values)
