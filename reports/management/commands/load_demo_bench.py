"""Load the second part of the invented demo lab: what stands behind its readings."""

import json
from datetime import date, datetime
from pathlib import Path
from typing import Any
from uuid import NAMESPACE_URL, uuid5

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.db import transaction
from django.utils import timezone

from labsite.models import User
from labsite.roles import Role
from reports.management.commands.load_demo import (
    load_gear,
    load_study,
    newest_revisions,
    rows,
)
from specimens.models import Specimen
from trials import actions, consumables, controls, instruments, method_library, traces
from trials.models import ConsumableUnit, Instrument, Run, Study
from trials.physics.trace_figures import TraceSettings
from trials.tablets import Sent

FOLDER = Path(settings.BASE_DIR) / "fixtures" / "demo-bench"
SHEET = "From the run sheet of the day."


class Command(BaseCommand):
    """`manage.py load_demo_bench`: after `load_demo`; safe to call again."""

    help = (
        "Load what stands behind the demo lab's readings: instruments, belts that wear, logged "
        "drops of helmets, a thermometer found wrong. Does nothing where it is loaded."
    )

    def handle(self, **_: Any) -> None:
        """All of it in one transaction: half a lab would be worse than none."""
        if Instrument.objects.filter(code="th-1").exists():
            return
        lead, technician = _person(Role.LEAD), _person(Role.TECHNICIAN)
        self.stdout.write("Loading instruments, belts, control runs and logged drops")
        with transaction.atomic():
            people = {user.username: user for user in User.objects.all()}
            load_gear(lead=lead, people=people, folder=FOLDER)
            _instruments(lead)
            belts = _belts(lead)
            _references(technician, belts)
            for plan in json.loads((FOLDER / "studies.json").read_text(encoding="utf-8")):
                study = load_study(plan, people=people, technician=technician, folder=FOLDER)
                _belts_used(technician, study, belts)
            _drops(lead, technician)
            _found_wrong(lead)
            _limits_and_budget(lead)


def _person(role: Role) -> User:
    user = User.objects.filter(groups__name=role).order_by("pk").first()
    if user is None:
        raise CommandError("The demo has no people yet: run load_demo first.")
    return user


def _instruments(lead: User) -> None:
    for row in rows("instruments.csv", FOLDER):
        instruments.add_instrument(by=lead, fields=dict(row))
    for row in rows("calibrations.csv", FOLDER):
        instruments.record_calibration(
            by=lead,
            instrument=Instrument.objects.get(code=row["instrument"]),
            fields={
                "done_on": date.fromisoformat(row["done_on"]),
                "due_on": date.fromisoformat(row["due_on"]),
                "done_by": "Ennick calibration house (invented)",
                "certificate": row["certificate"],
                "correction": float(row["correction"]),
                "expanded_uncertainty": float(row["expanded_uncertainty"]),
            },
        )
    for row in rows("checks.csv", FOLDER):
        instruments.record_check(
            by=lead,
            instrument=Instrument.objects.get(code=row["instrument"]),
            fields={
                "at": datetime.fromisoformat(row["at"]),
                "against": row["against"],
                **{name: float(row[name]) for name in ("expected", "shown", "limit")},
            },
        )


def _belts(lead: User) -> list[ConsumableUnit]:
    lot = consumables.add_lot(
        by=lead,
        fields={
            "kind": "belt",
            "name": "60 grit belt",
            "lot": "25-44",
            "received_on": date(2025, 11, 3),
            "use_limit": 30,
        },
        piece_count=6,
    )
    return list(lot.units.order_by("pk"))


def _references(technician: User, belts: list[ConsumableUnit]) -> None:
    revisions = newest_revisions()
    for row in rows("controls.csv", FOLDER):
        revision = revisions[row["method"]]
        material = revision.method.control_materials.filter(
            name=row["material"]
        ).first() or controls.add_material(
            by=technician, method=revision.method, fields={"name": row["material"], "lot": "C25"}
        )
        controls.record_control_run(
            by=technician,
            entry=controls.ControlEntry(
                revision=revision,
                material=material,
                session_label=row["session"],
                ran_at=datetime.fromisoformat(row["ran_at"]),
                raw={"seconds": float(row["seconds"]), "ended": "failed"},
                consumable=belts[int(row["piece"]) - 1],
            ),
        )


def _belts_used(technician: User, study: Study, belts: list[ConsumableUnit]) -> None:
    """The belt of the day behind each run, as the reference runs of that day name it."""
    of_day = {row["session"]: belts[int(row["piece"]) - 1] for row in rows("controls.csv", FOLDER)}
    runs = study.runs.filter(revision__method__key="reference-abrasion")
    for run in runs.select_related("revision", "study"):
        day = timezone.localdate(run.readings.get().measured_at).isoformat()
        consumables.use_consumable(by=technician, run=run, unit=of_day[day], reason=SHEET)


def _drops(lead: User, technician: User) -> None:
    revision = newest_revisions()["headform-drop"]
    gauge = Instrument.objects.get(code="ac-1")
    for row in rows("drops.csv", FOLDER):
        at = datetime.fromisoformat(row["measured_at"])
        _pass_checks(technician, row, at)
        specimen = Specimen.objects.select_related("product").get(code=row["specimen"])
        run = actions.plan_run(
            by=lead,
            study=Study.objects.get(arms__specimens=specimen),
            specimen=specimen,
            revision=revision,
            zone=specimen.product.zones.get(code=row["zone"]),
        )
        keep_drop(technician, run, FOLDER / row["file"], at)
        instruments.use_instrument(by=technician, run=run, instrument=gauge, reason=SHEET)


def keep_drop(technician: User, run: Run, path: Path, at: datetime) -> None:
    """Take a logged file in and keep its figure, as the page of traces does."""
    with path.open("rb") as stream:
        trace = traces.receive_trace(by=technician, run=run, file_name=path.name, stream=stream)
    first = traces.first_choice(trace)
    chosen = TraceSettings(
        figure="hic_36",
        value_columns=tuple(int(place) for place in first["value_columns"]),
        value_unit=first["value_unit"],
        time_column=int(first["time_column"]),
        time_unit=first["time_unit"],
    )
    traces.keep_figure(
        by=technician, trace=trace, keeping=traces.Keeping(settings=chosen, measured_at=at)
    )


def _pass_checks(technician: User, row: dict[str, str], at: datetime) -> None:
    revision = newest_revisions()[row["method"]]
    actions.acknowledge_safety(
        by=technician,
        revision=revision,
        answers={check["key"]: True for check in revision.checks},
        sent=Sent(uuid5(NAMESPACE_URL, f"wornproof demo {row['specimen']}"), at, 0.0),
    )


def _found_wrong(lead: User) -> None:
    revisions = newest_revisions()
    for row in rows("used.csv", FOLDER):
        instruments.use_for_all(
            by=lead,
            study=Study.objects.get(slug=row["study"]),
            revision=revisions[row["method"]],
            instrument=Instrument.objects.get(code=row["instrument"]),
            reason=row["reason"],
        )
    for row in rows("wrong.csv", FOLDER):
        instruments.report_wrong(
            by=lead,
            instrument=Instrument.objects.get(code=row["instrument"]),
            error=float(row["error"]),
            found_at=datetime.fromisoformat(row["found_at"]),
            what_happened=row["what_happened"],
        )


def _limits_and_budget(lead: User) -> None:
    revisions = newest_revisions()
    for row in rows("limits.csv", FOLDER):
        fields = {name: row[name] for name in ("standard", "edition", "clause", "words", "why")}
        method_library.add_limit(
            by=lead,
            method=revisions[row["method"]].method,
            fields=fields | {"is_comparable": False},
        )
    budget = json.loads((FOLDER / "budget.json").read_text(encoding="utf-8"))
    method_library.make_budget(
        by=lead,
        revision=revisions[budget["method"]],
        at_value=budget["at_value"],
        components=budget["components"],
        note=budget["note"],
    )
