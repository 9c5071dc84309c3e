"""Keep the whole lab in one file."""

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from labsite import archive


class Command(BaseCommand):
    help = (
        "Write all records and stored files into one zip file, while the site runs. "
        "Without a file: print the digest that such an archive would have now."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", nargs="?", type=Path)

    def handle(self, *args: Any, file: Path | None, **options: Any) -> None:
        try:
            contents = archive.write(file) if file else archive.current()
        except OSError as error:
            raise CommandError(f"The archive could not be written: {error}") from error
        self.stdout.write(f"{contents.row_count} rows and {contents.file_count} files.")
        self.stdout.write(f"Digest {contents.digest}")
