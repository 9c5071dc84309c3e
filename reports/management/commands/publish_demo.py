"""Publish the demo's scorecards once the worker has computed them."""

import time
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from labsite.models import User
from labsite.roles import Role
from reports.actions import publish_edition
from reports.models import Edition
from reports.queries import standing
from trials.models import Study

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
        studies = list(Study.objects.registered().filter(is_invented=True, editions__isnull=True))
        if not studies:
            return
        if wait:
            self._wait_for(studies)
        editor = User.objects.filter(groups__name=Role.EDITOR).order_by("pk").first()
        if editor is None:
            raise CommandError("The demo has no editor: run load_demo first.")
        for study in studies:
            if not Edition.objects.filter(study=study).exists():
                edition = publish_edition(by=editor, study=study)
                self.stdout.write(f"Published: {edition}")

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
