"""Run the process that asks for sweeps."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError

from labsite.processes import beat_command, become, is_embedded


class Command(BaseCommand):
    """`manage.py beat`."""

    help = "Ask for a sweep every few seconds. Run exactly one, beside workers on a broker server."

    def handle(self, **_: Any) -> None:
        if is_embedded():
            raise CommandError("On the embedded broker the worker sweeps by itself.")
        become(beat_command())
