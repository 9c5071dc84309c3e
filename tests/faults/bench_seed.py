"""Fills an empty site with a bench lab, its people's sessions and runs; prints what a test needs.

Run as ``manage.py shell -c "from tests.faults import bench_seed; bench_seed.main(8)"``.
"""

import json

from django.core.management import call_command
from django.db import transaction
from django.test import Client

from labsite.models import User
from labsite.roles import Role, give_role
from tests.trials.bench_lab import SITES, build_bench_lab, pass_checks, person_with
from trials import actions

# one method of each kind of reading
METHODS = (
    "belt-abrasion",
    "seam-opening",
    "padding-drop",
    "point-challenge",
    "water-uptake",
    "flame-grade",
    "seam-strength",
    "contact-heat",
    "strap-pull",
)


def main(runs_each: int) -> None:
    call_command("migrate", verbosity=0)
    call_command("collectstatic", interactive=False, verbosity=0)
    with transaction.atomic():  # one commit instead of hundreds
        seed(runs_each)


def seed(runs_each: int) -> None:
    lab = build_bench_lab(sites=max(SITES, (runs_each + 1) // 2))
    technician = person_with(Role.TECHNICIAN)
    other = User.objects.create_user("ana", first_name="Ana", last_name="Invented")
    give_role(user=other, role=Role.TECHNICIAN, by=None)
    runs = []
    for number in range(runs_each):
        for key in METHODS:
            run = lab.run_of(key, number % 2, is_looked_at=False)
            address = f"/bench/{lab.study.slug}/runs/{run.pk}/"
            rig = {"code": run.specimen.code, "zone": run.zone.code}
            runs.append({"id": run.pk, "method": key, "page": address, **rig})
    for person in (technician, other, lab.lead):
        for key in METHODS:
            revision = lab.revisions[key]
            answers = {check["key"]: True for check in revision.checks}
            actions.acknowledge_safety(by=person, revision=revision, answers=answers)
    pass_checks(lab, technician, hours_ago=4)  # for readings that were taken a while ago
    people = {
        person.username: {"id": person.pk, "session": _session(person)}
        for person in (technician, other, lab.lead)
    }
    print(json.dumps({"sheet": f"/bench/{lab.study.slug}/", "runs": runs, "people": people}))


def _session(person: User) -> str:
    client = Client()
    client.force_login(person)
    return client.cookies["sessionid"].value
