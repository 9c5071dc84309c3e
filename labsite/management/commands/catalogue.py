"""Keep the catalogue of a language in step with the site's texts, and compile it."""

from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser

from labsite import catalogue


class Command(BaseCommand):
    """`manage.py catalogue`: rewrites django.po and django.mo of every language but English."""

    help = "Collect the texts to translate, say what is missing, compile what is there."

    def add_arguments(self, parser: CommandParser) -> None:
        """`--check` changes nothing and fails when a file is behind."""
        parser.add_argument("--check", action="store_true")

    def handle(self, *, check: bool = False, **_: Any) -> None:
        """Go through the languages."""
        root = Path(settings.BASE_DIR)
        names, prose = catalogue.method_words(root / "trials" / "methods")
        wanted = catalogue.collect(root) | names | prose
        for language, name in settings.LANGUAGES:
            if language == settings.LANGUAGE_CODE:
                continue
            folder = root / "labsite" / "locale" / language / "LC_MESSAGES"
            po, mo = folder / "django.po", folder / "django.mo"
            known = catalogue.read(po.read_text(encoding="utf-8")) if po.exists() else {}
            entries = catalogue.merged(known, wanted)
            source = catalogue.written(entries, language=language)
            machine = catalogue.compiled(entries, language=language)
            if check:
                if po.read_text(encoding="utf-8") != source or mo.read_bytes() != machine:
                    raise CommandError(f"{name}: run manage.py catalogue.")
            else:
                folder.mkdir(parents=True, exist_ok=True)
                po.write_text(source, encoding="utf-8")
                mo.write_bytes(machine)
            lacking = catalogue.missing(entries)
            self.stdout.write(f"{name}: {len(entries)} texts, {len(lacking)} without words")
            for text in lacking[:20]:
                self.stdout.write(f"  {text.singular[:100]}")
