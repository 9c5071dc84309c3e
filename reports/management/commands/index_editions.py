"""Make the index of published cards anew."""

from typing import Any

from django.core.management.base import BaseCommand

from reports.index import index_all


class Command(BaseCommand):
    """`manage.py index_editions`: harmless at any time, reads editions only."""

    help = "Make the index that readers search anew from the published editions."

    def handle(self, **_: Any) -> None:
        """Say how many cards there are."""
        self.stdout.write(f"Published cards in the index: {index_all()}")
