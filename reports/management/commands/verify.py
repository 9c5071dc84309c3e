"""Whether an edition's findings follow from its data."""

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from reports.degradation import ENGINE_VERSION
from reports.models import Edition
from reports.packages import changed_files, read_package
from reports.verification import (
    CannotVerify,
    Check,
    Published,
    published_from,
    taken_as_published,
    verify,
)
from trials.actions import digest_of


class Command(BaseCommand):
    """`manage.py verify EDITION`: an address in the database, or a downloaded package."""

    help = (
        "Work the findings of an edition out again from its published data and say equal, or "
        "where not. EDITION is an edition in the database (study-address or study-address/2) or a "
        "downloaded package (a zip, a folder, or its datapackage.json). Ends with 1 when anything "
        "differs."
    )
    requires_system_checks = ()

    def add_arguments(self, parser: CommandParser) -> None:
        """Which edition."""
        parser.add_argument("edition")

    def handle(self, *, edition: str, **_: Any) -> None:
        """Print one line a check."""
        try:
            published, checks = self._checks(edition)
            taken = taken_as_published(published)
        except CannotVerify as why:
            raise CommandError(str(why)) from None
        for check in checks:
            self.stdout.write(f"{'equal' if check.is_equal else 'DIFFERS':<8}{check.what}")
            for difference in check.differences:
                self.stdout.write(f"        {difference}")
        for part in taken:
            self.stdout.write(f"{'taken':<8}as published, not worked out again: {part}")
        name, engine = published.name, published.engine
        unequal = sum(not check.is_equal for check in checks)
        if engine != ENGINE_VERSION:
            self.stdout.write(f"Published by engine {engine}, worked out by {ENGINE_VERSION}.")
        if unequal:
            raise CommandError(f"{name}: {unequal} of {len(checks)} checks differ.")
        self.stdout.write(f"{name}: all {len(checks)} checks are equal.")

    def _checks(self, wanted: str) -> tuple[Published, list[Check]]:
        path = Path(wanted)
        if path.exists():
            published = read_package(path)
            changed = tuple(f"{name} is not as published" for name in changed_files(path))
            first = Check("the files' digests", changed)
        else:
            found = self._edition(wanted)
            published = published_from(found.content)
            worked_out = digest_of(found.content)
            differs = () if worked_out == found.digest else ("the content is not as published",)
            first = Check("the edition's digest", differs)
        return published, [first, *verify(published)]

    def _edition(self, wanted: str) -> Edition:
        slug, _, number = wanted.strip("/").removeprefix("scorecards/").partition("/")
        editions = Edition.objects.filter(study__slug=slug).order_by("-number")
        if number:
            editions = editions.filter(number=int(number) if number.isdigit() else 0)
        found = editions.first()
        if found is None:
            raise CommandError(
                f"'{wanted}' is neither a package on this disk nor an edition in the database."
            )
        return found
