"""Ask for every study's findings anew; what has not changed costs one digest and no analysis."""

import time
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import transaction

from labsite.models import Job, JobState
from trials.actions import SUMMARISE, mark_changed
from trials.models import Study

LOOK_EVERY_SECONDS = 0.5


class Command(BaseCommand):
    """`manage.py reanalyse`: the workers compute, this only asks and watches."""

    help = (
        "Ask the workers for every registered study's findings. Studies whose readings and engine "
        "are as they were are not computed again."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        """Which study, and whether to wait."""
        parser.add_argument("--study", help="one study, by its address")
        parser.add_argument("--wait", action="store_true", help="show progress until all is done")

    def handle(self, *, study: str | None, wait: bool, **_: Any) -> None:
        """Ask, one study a transaction, so that nothing else waits long."""
        chosen = Study.objects.registered()
        if study is not None:
            chosen = chosen.filter(slug=study)
            if not chosen.exists():
                raise CommandError(f"There is no registered study '{study}'.")
        keys = []
        for one in chosen:
            with transaction.atomic():
                mark_changed(one)
            keys.append(f"{one.slug}:{one.inputs_version}")
        self.stdout.write(f"Asked for {len(keys)} studies.")
        if wait:
            self._watch(keys)

    def _watch(self, keys: list[str]) -> None:
        told = -1
        while True:
            states = list(
                Job.objects.filter(kind=SUMMARISE, key__in=keys).values_list("state", flat=True)
            )
            ended = sum(state in (JobState.DONE, JobState.FAILED) for state in states)
            if ended != told:
                self.stdout.write(f"Done: {ended} of {len(keys)}")
                self.stdout.flush()
                told = ended
            if ended == len(keys):
                break
            time.sleep(LOOK_EVERY_SECONDS)
        failed = states.count(JobState.FAILED)
        if failed:
            raise CommandError(f"{failed} of them failed: see the jobs in the administration.")
