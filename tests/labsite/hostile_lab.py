"""A lab with something of every kind on its pages, whose free text is all markup."""

import re
from dataclasses import dataclass
from datetime import date, timedelta
from uuid import uuid4

from django.apps import apps
from django.db import models
from django.utils import timezone

from labsite import access, triggers
from labsite.models import User
from labsite.roles import Role, give_role
from reports.actions import publish_edition, save_draft
from tests.labsite.bad_inputs import ATTRIBUTES, EVENTS, MARKUP, SCRIPTS
from tests.reports.demo_site import run_waiting_jobs, sign_off, stand_for_all
from tests.reports.desk_lab import DeskLab, build_desk
from tests.trials.bench_lab import TYPED, BenchLab, build_bench_lab, pass_checks
from tests.trials.study_lab import WANTS, StudyLab, build_study_lab
from trials import actions, consumables, controls, instruments, leaving_out, planning
from trials.models import Run, Study

HOUSE = ("labsite", "specimens", "trials", "reports")
# Words of the program or of its addresses, which no person types freely.
NOT_FREE = re.compile(
    r"slug|code|key|digest|hash|uuid|token|secret|session|unit|currency|kind|state|password|"
    r"language|status|algorithm|rule|username|verb|subject|engine|derivation|how|colour|verdict|"
    r"content_type|mark|error|version|address|where|from|alias|level_words"
)


@dataclass(frozen=True)
class HostileLab:
    """Three studies: published, half read at the bench, and planned."""

    desk: DeskLab
    bench: BenchLab
    ages: StudyLab
    everybody: User


def build_hostile_lab() -> HostileLab:
    lab = HostileLab(
        build_desk(with_photos=True), build_bench_lab(), build_study_lab(), everybody()
    )
    fill_bench(lab.bench, by=lab.everybody)
    fill_equipment(lab.bench, by=lab.everybody)
    plan = planning.draw_plan(by=lab.ages.lead, study=lab.ages.study, wants=WANTS)
    planning.accept_plan(by=lab.ages.lead, plan=plan)
    access.invite(by=lab.everybody, username="somebody-new", first_name="New", last_name="Person",
                  roles={Role.TECHNICIAN})  # fmt: skip
    triggers.remove()
    assert make_text_hostile() > 300
    triggers.install()
    run_waiting_jobs()
    publish_markup(lab.desk.study, by=lab.desk.lead)
    return lab


def everybody() -> User:
    """One person with every role."""
    user = User.objects.create_user("everybody", password="a long enough one 4711")
    for role in Role:
        give_role(user=user, role=role, by=None)
    return User.objects.get(pk=user.pk)


def fill_bench(lab: BenchLab, *, by: User) -> None:
    """One run of each method read, one of each waiting; one void, one in dispute, one left out."""
    pass_checks(lab, by)
    done: list[Run] = []
    for key, (raw, *_) in TYPED.items():
        done.append(lab.run_of(key))
        read(done[-1], raw, by=by)
        lab.run_of(key, specimen=1)
    raw, *_ = TYPED["belt-abrasion"]
    read(done[0], raw | {"seconds": 5.1}, by=by)
    actions.void_run(
        by=by, run=done[1], reason="slipped", note="The rig slipped", value_was_known=True
    )
    leaving_out.leave_out(
        by=lab.lead, run=done[2], analysis="without-one", reason="Not like the others.",
        value_was_known=True,
    )  # fmt: skip


def read(run: Run, raw: dict, *, by: User) -> None:
    entry = actions.ReadingEntry(
        uuid=uuid4(),
        run=run,
        raw=raw,
        measured_at=timezone.now(),
        note="As usual",
        rater="A" if run.revision.outcome_kind == "grade" else "",
    )
    actions.record_reading(by=by, entry=entry)


def fill_equipment(lab: BenchLab, *, by: User) -> None:
    today = timezone.localdate()
    logger = instruments.add_instrument(
        by=by,
        fields={"code": "th-1", "name": "Logger", "kind": "thermometer", "unit": "degC",
                "serial": "17", "place": "Rack", "note": "Old"},
    )  # fmt: skip
    instruments.record_calibration(
        by=by,
        instrument=logger,
        fields={"done_on": today - timedelta(days=9), "due_on": date(today.year + 1, 1, 1),
                "done_by": "A house", "expanded_uncertainty": 0.4},
    )  # fmt: skip
    consumables.add_lot(
        by=by,
        fields={"kind": "belt", "name": "P60", "lot": "B-7", "received_on": today},
        piece_count=2,
    )
    revision = lab.revisions["belt-abrasion"]
    material = controls.add_material(
        by=by, method=revision.method, fields={"name": "Grey canvas", "reference_value": 5.0}
    )
    controls.record_control_run(
        by=by,
        entry=controls.ControlEntry(
            revision, material, "morning", timezone.now(), {"seconds": 5, "ended": "failed"}
        ),
    )


def make_text_hostile() -> int:
    """Replace every stored free text by markup that fits; past forms, actions and triggers."""
    count = 0
    for model in (m for app in HOUSE for m in apps.get_app_config(app).get_models()):
        free = [
            one
            for one in model._meta.concrete_fields
            if isinstance(one, models.CharField | models.TextField)
            and not (one.choices or one.unique or NOT_FREE.search(one.name))
        ]
        for row in model._base_manager.all() if free else ():
            for one in free:
                if getattr(row, one.attname):
                    fitting = [text for text in MARKUP if len(text) <= (one.max_length or 10**6)]
                    setattr(row, one.attname, fitting[count % len(fitting)] if fitting else "<")
                    count += 1
            row.save(update_fields=[one.attname for one in free])
    return count


def publish_markup(study: Study, *, by: User) -> None:
    """A second edition of what is hostile now, in frozen words too."""
    study.refresh_from_db()
    words = {
        "headline": f"A headline\x0b{SCRIPTS[0]}",
        "summary_text": " ".join(SCRIPTS + EVENTS),
        "note": " ".join(ATTRIBUTES),
        "extra_cautions": "\n".join(EVENTS[:9]),
    }
    save_draft(by=by, study=study, fields=words)
    stand_for_all(study, by=by)
    sign_off(study)
    publish_edition(by=by, study=study)
