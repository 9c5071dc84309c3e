"""Walk the audit chain and say whether anything was changed behind the site's back."""

import argparse
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from labsite import audit


def anchor(text: str) -> audit.Anchor:
    try:
        return audit.Anchor.parsed(text, where="the command line")
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from error


class Command(BaseCommand):
    help = (
        "Check every audit entry against the chain of seals, and the chain against every head "
        "noted elsewhere. Ends with 0 when nothing was changed, with 1 and a list otherwise."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "--anchor",
            action="append",
            default=[],
            type=anchor,
            metavar="NUMBER:SEAL",
            help="a head noted earlier, as this command prints it; may be given more than once",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        found = audit.verify(options["anchor"])
        self.stdout.write(
            f"{found.entry_count} entries, {found.sealed_count} sealed, "
            f"{found.waiting_count} waiting for the next sweep, "
            f"compared with {found.anchor_count} heads noted elsewhere."
        )
        for sentence in found.faults:
            self.stdout.write(f"  {sentence}")
        if not found.is_whole:
            raise CommandError("The trail was changed, or cannot be shown to be whole.")
        self.stdout.write("Nothing was changed.")
        self.stdout.write(f"Head to note outside this machine: {found.head}")
