"""Tell a container's health check whether background work goes on."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError

from labsite import health, jobs


class Command(BaseCommand):
    """`manage.py pulse`."""

    help = "Fail unless a worker swept lately: then beat, broker and worker all do their part."

    def handle(self, **_: Any) -> None:
        since = jobs.seconds_since_sweep()
        if since is None:
            raise CommandError("No worker has swept yet.")
        if since > health.SWEEP_LATE_AFTER_SECONDS:
            raise CommandError(f"The last sweep was {since:.0f} s ago.")
        self.stdout.write(f"The last sweep was {since:.0f} s ago.")
