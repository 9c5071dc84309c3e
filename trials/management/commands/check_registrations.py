"""Work out every registration's digest again and say which study does not agree with it."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from trials.actions import canonical, registration_content
from trials.models import Study
from trials.studies import registration_problems


class Command(BaseCommand):
    """Exit status 1 when any registered study was changed."""

    help = "Check that registered studies still say what was registered."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("slug", nargs="*", help="Only these studies.")
        parser.add_argument(
            "--content",
            action="store_true",
            help="Print what registration fixed, as the text whose SHA-256 is the digest: "
            "check_registrations SLUG --content | sha256sum",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        """One line a study, then what is wrong with it."""
        studies = Study.objects.registered()
        if options["slug"]:
            studies = studies.filter(slug__in=options["slug"])
            unknown = set(options["slug"]) - set(studies.values_list("slug", flat=True))
            if unknown:
                raise CommandError(f"No registered study: {', '.join(sorted(unknown))}.")
        if options["content"]:
            if len(options["slug"]) != 1:
                raise CommandError("Name one study to print its content.")
            self.stdout.write(canonical(registration_content(studies[0])), ending="")
            return
        changed = 0
        for study in studies:
            problems = registration_problems(study)
            changed += bool(problems)
            state = "CHANGED" if problems else "as registered"
            self.stdout.write(f"{study.slug}: {state}, {study.registration_digest}")
            for problem in problems:
                self.stdout.write(f"  {problem}")
        if changed:
            raise CommandError(f"{changed} of {len(studies)} studies do not agree.")
