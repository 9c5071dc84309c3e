"""Publish the demo's scorecards once the worker has computed them."""

import time
from datetime import timedelta
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from labsite.models import User
from labsite.roles import Role
from reports.actions import publish_edition
from reports.checklist import makers_of
from reports.demo_episode import make_demo_episode
from reports.models import Edition
from reports.queries import standing
from reports.replies import ask_maker
from reports.review import sign_off_study
from trials.models import Study

DEMO_NOTE = "All is invented, and the makers' answers are still awaited."
WAIT_SECONDS = 180
LOOK_EVERY_SECONDS = 0.25


class Command(BaseCommand):
    """`manage.py publish_demo`: first editions only; nothing is computed here."""

    help = "Wait for the worker to compute the demo's findings, then publish first editions."

    def add_arguments(self, parser: CommandParser) -> None:
        """`--wait` waits for the worker."""
        parser.add_argument("--wait", action="store_true")

    def handle(self, *, wait: bool = False, **_: Any) -> None:
        """Publish what is ready and has no edition yet."""
        # a study without words for a first edition is left to whoever plays the editor
        studies = list(
            Study.objects.registered().filter(
                is_invented=True, editions__isnull=True, draft__isnull=False
            )
        )
        editor, lead = _person(Role.EDITOR), _person(Role.LEAD)
        if wait and studies:
            self._wait_for(studies)
        for study in studies:
            if not Edition.objects.filter(study=study).exists():
                _ask_makers(study, lead)
                # the lead wrote the words, so the editor is the second person
                sign_off_study(by=editor, study=study, note=DEMO_NOTE)
                edition = publish_edition(by=editor, study=study)
                self.stdout.write(f"Published: {edition}")
        released = make_demo_episode(author=lead, second=editor)
        if released is not None:
            self.stdout.write(f"Released: {released}")

    def _wait_for(self, studies: list[Study]) -> None:
        until = time.monotonic() + WAIT_SECONDS
        told = -1
        while True:
            ready = sum(standing(study).is_current for study in studies)
            if ready != told:
                self.stdout.write(f"The worker is computing findings: {ready} of {len(studies)}")
                self.stdout.flush()
                told = ready
            if ready == len(studies):
                return
            if time.monotonic() > until:
                raise CommandError("The worker has not finished: see its messages above.")
            time.sleep(LOOK_EVERY_SECONDS)


def _person(role: Role) -> User:
    found = User.objects.filter(groups__name=role).order_by("pk").first()
    if found is None:
        raise CommandError(f"The demo has no {role.value}: run load_demo first.")
    return found


def _ask_makers(study: Study, by: User) -> None:
    for maker in makers_of(study):
        ask_maker(
            by=by,
            study=study,
            maker=maker,
            sent_to=f"{maker} (invented), technical office",
            deadline_on=timezone.localdate() + timedelta(days=14),
            questions="Is anything in our description of your items or of their lots wrong?",
        )
