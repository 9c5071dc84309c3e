"""Write the public site as files."""

from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.test import override_settings

from labsite.errors import Refused
from labsite.static_files import collect_if_changed
from reports.site_export import SiteExport


class Command(BaseCommand):
    """`manage.py export_site DIR --base https://…`."""

    help = (
        "Write every public page, picture and data file into a folder that any web server or "
        "content network can hand out. Again writes only what has changed, and removes only what "
        "an earlier export wrote. What needs a server (search, error reports) is left out."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        """Where to, and under which address it will lie."""
        parser.add_argument("folder", type=Path)
        parser.add_argument(
            "--base",
            default="http://localhost",
            help="the whole address the files will have, such as https://lab.example/gear",
        )
        parser.add_argument(
            "--gzip", action="store_true", help="also write each text compressed, as name.gz"
        )

    def handle(self, *, folder: Path, base: str, gzip: bool, **_: Any) -> None:
        """Export, and say in one line what was done."""
        # a kept manifest of names is needed, as in a real start of the site
        if settings.STORAGES["staticfiles"]["BACKEND"].startswith("labsite."):
            collect_if_changed()
        try:
            export = SiteExport(folder, base, with_gzip=gzip)
            with override_settings(ALLOWED_HOSTS=[*settings.ALLOWED_HOSTS, export.host_name]):
                outcome = export.run(self.stdout.write)
        except Refused as refused:
            raise CommandError(" ".join(refused.sentences)) from None
        self.stdout.write(
            f"{outcome.file_count} files: {outcome.written} written, {outcome.unchanged} "
            f"unchanged, {outcome.removed} removed."
        )
        for name in outcome.left:
            self.stdout.write(f"Left, because somebody changed it: {name}")
