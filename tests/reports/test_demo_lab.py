"""The demo once it is loaded, computed and published."""

from django.conf import settings
from django.core.management import call_command
from django.test import override_settings

from labsite.models import AuditEntry, User
from labsite.roles import Role
from reports.models import Edition, Finding
from specimens.models import CustodyEvent, Product, ServiceEntry, Specimen, Zone
from tests.reports.demo_site import run_waiting_jobs
from trials.models import ControlRun, Reading, Study


def test_loading_and_publishing_again_change_nothing(demo: None, demo_tables) -> None:
    counts = [model.objects.count() for model in (User, Study, Reading, Finding, Edition)]
    logins = (demo_tables / "demo-logins.txt").read_text()
    with override_settings(VAR_DIR=demo_tables):
        call_command("load_demo", verbosity=0)
        call_command("publish_demo")
    assert [m.objects.count() for m in (User, Study, Reading, Finding, Edition)] == counts
    assert (demo_tables / "demo-logins.txt").read_text() == logins
    assert run_waiting_jobs() == 0


def test_logins_are_for_four_roles_and_for_the_owner_of_the_folder_only(
    demo: None, demo_tables
) -> None:
    path = demo_tables / "demo-logins.txt"
    assert path.stat().st_mode & 0o077 == 0
    lines = path.read_text().splitlines()[1:]
    # an auditor comes from outside and is no part of the demo lab
    at_home = sorted(role.value for role in Role if role is not Role.AUDITOR)
    assert sorted(line.split()[0] for line in lines) == at_home
    role, name, password = lines[0].split()
    user = User.objects.get(username=name)
    assert user.check_password(password)
    assert user.groups.get().name == role


def test_the_demo_says_that_it_is_invented(demo: None) -> None:
    assert all(e.content["invented"] for e in Edition.objects.all())
    assert (settings.BASE_DIR / "fixtures" / "README.md").read_text().lower().count("invented") > 1


def test_every_row_of_the_demo_has_its_row_in_the_trail(demo: None) -> None:
    def told(verb: str) -> int:
        return AuditEntry.objects.filter(verb=verb).count()

    assert told("added product") == Product.objects.count() == 4
    assert told("added zone") == Zone.objects.count()
    assert told("added specimen") == Specimen.objects.count()
    assert told("moved specimen") == CustodyEvent.objects.count()
    assert told("added service entry") == ServiceEntry.objects.count()
    assert told("took over control run") == ControlRun.objects.count() == 111
    assert not AuditEntry.objects.filter(by=None, subject_kind__startswith="specimens.").exists()
    # what a row of the trail is about is there, with its code
    codes = set(Specimen.objects.values_list("code", flat=True))
    added = AuditEntry.objects.filter(verb="added specimen")
    assert set(added.values_list("subject_words", flat=True)) == codes
