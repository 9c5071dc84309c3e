"""Findings from a file, for anyone without the web."""

import json
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from reports.degradation import ENGINE_VERSION, CannotCompare, Record
from reports.interval_csv import BadRow, analyse, read_table
from reports.words import level_words, percent, percent_range


class Command(BaseCommand):
    """`manage.py analyse FILE.csv`: one finding a line, or JSON with `--json`."""

    help = (
        "Analyse a CSV of intervals with the columns property, direction (higher or lower is "
        "better), arm, specimen, low and high (inf or empty: no upper end). The first arm of a "
        "property is its baseline."
    )
    requires_system_checks = ()

    def add_arguments(self, parser: CommandParser) -> None:
        """File and how to compare."""
        parser.add_argument("file", type=Path)
        parser.add_argument("--json", action="store_true", help="print JSON")
        parser.add_argument("--level", type=float, default=0.95)
        parser.add_argument("--margin", type=float, default=0.1)
        parser.add_argument(
            "--record",
            nargs=2,
            type=float,
            metavar=("VARIANCE", "DEGREES_OF_FREEDOM"),
            help="the method's repeatability on the natural-log scale, for single items",
        )

    def handle(
        self, *, file: Path, level: float, margin: float, record: list[float] | None, **options: Any
    ) -> None:
        """Print the findings; a bad row or a bad option is named and nothing is printed."""
        if not 0 < level < 1 or not 0 < margin < 1:
            raise CommandError("Level and margin lie between 0 and 1.")
        try:
            known = Record(*record) if record else None
            findings = analyse(read_table(file), level=level, margin=margin, record=known)
        except (BadRow, CannotCompare) as why:
            raise CommandError(str(why)) from None
        if options["json"]:
            answer = {"engine": ENGINE_VERSION, "findings": findings}
            self.stdout.write(json.dumps(answer, indent=2, allow_nan=False))
            return
        for found in findings:
            kept = "none given" if found["retention"] is None else percent(found["retention"])
            self.stdout.write(
                f"{found['property']}, {found['arm']} against {found['baseline']}: kept {kept}, "
                f"{level_words(level)} interval {percent_range(found['low'], found['high'])}; "
                f"{found['verdict']}. {found['refusal']}".rstrip()
            )
