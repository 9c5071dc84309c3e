"""Bring a lab back from its archive, here or into another database."""

import zipfile
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from labsite import archive
from labsite.errors import Refused


class Command(BaseCommand):
    help = (
        "Put an archive into this site, whose database must be migrated and empty. "
        "All of it is put back and compared with the archive's digest, or nothing."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path)
        parser.add_argument(
            "--check", action="store_true", help="only compare the archive with its own hashes"
        )

    def handle(self, *args: Any, file: Path, check: bool, **options: Any) -> None:
        try:
            if check:
                with zipfile.ZipFile(file) as opened:
                    digest = archive.checked(opened)["digest"]
                self.stdout.write(f"The archive is whole. Digest {digest}")
                return
            contents = archive.restore(file)
        except (OSError, zipfile.BadZipFile) as error:
            raise CommandError(f"{file.name} cannot be read as an archive: {error}") from error
        except Refused as refused:
            raise CommandError(" ".join(refused.sentences)) from refused
        self.stdout.write(f"{contents.row_count} rows and {contents.file_count} files are back.")
        self.stdout.write(f"Digest {contents.digest}, the same as in the archive.")
