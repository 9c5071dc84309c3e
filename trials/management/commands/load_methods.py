"""Put the shipped bench methods into force."""

from typing import Any

from django.core.management.base import BaseCommand

from trials.library import load_methods


class Command(BaseCommand):
    """`manage.py load_methods`: safe to call again; only new revisions are added."""

    help = "Put the shipped bench methods into force, where the lab does not have them."

    def handle(self, **_: Any) -> None:
        """Load and say what is new."""
        fresh = load_methods(by=None)
        for revision in fresh:
            self.stdout.write(f"In force: {revision}")
        if not fresh:
            self.stdout.write("Every shipped method is in force already.")
