"""Findings from a file, for anyone without the web."""

import json
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from reports.degradation import ENGINE_VERSION, CannotCompare, Record
from reports.interval_csv import BadRow, analyse, analyse_pairs, analyse_trends, read_table
from reports.packages import DESCRIPTOR, read_package
from reports.verification import CannotVerify, findings_again
from reports.words import level_words, percent, percent_range


class Command(BaseCommand):
    """`manage.py analyse FILE.csv`: one finding a line, or JSON with `--json`."""

    help = (
        "Analyse a CSV of intervals with the columns property, direction (higher or lower is "
        "better), arm, specimen, low and high (inf or empty: no upper end). The first arm of a "
        "property is its baseline. Grades have the columns grade and rater instead of low and "
        "high. --trend needs a column exposure, --paired a column pair. FILE may also be a "
        "downloaded data package of an edition (a zip, a folder, or its datapackage.json): its "
        "findings are worked out on the terms it was published with."
    )
    requires_system_checks = ()

    def add_arguments(self, parser: CommandParser) -> None:
        """File and how to compare."""
        parser.add_argument("file", type=Path)
        parser.add_argument("--json", action="store_true", help="print JSON")
        how = parser.add_mutually_exclusive_group()
        how.add_argument("--trend", action="store_true", help="retention over exposure")
        how.add_argument("--paired", action="store_true", help="matched pairs")
        parser.add_argument("--level", type=float, default=0.95)
        parser.add_argument("--margin", type=float, default=0.1)
        parser.add_argument(
            "--record",
            nargs=2,
            type=float,
            metavar=("VARIANCE", "DEGREES_OF_FREEDOM"),
            help="scatter shown before, on the natural-log scale: the method's repeatability for single "
            "items and single pairs, with --trend the scatter about the line",
        )

    def handle(
        self, *, file: Path, level: float, margin: float, record: list[float] | None, **options: Any
    ) -> None:
        """Print the findings; a bad row or a bad option is named and nothing is printed."""
        if not 0 < level < 1 or not 0 < margin < 1:
            raise CommandError("Level and margin lie between 0 and 1.")
        if _is_package(file) and (options["trend"] or options["paired"] or record):
            raise CommandError("A package brings its own terms: leave the other options out.")
        try:
            if _is_package(file):
                findings = findings_again(read_package(file))
            else:
                findings = self._findings(file, level, margin, record, options)
        except (BadRow, CannotCompare, CannotVerify) as why:
            raise CommandError(str(why)) from None
        if options["json"]:
            answer = {"engine": ENGINE_VERSION, "findings": findings}
            self.stdout.write(json.dumps(answer, indent=2, allow_nan=False))
            return
        for found in findings:
            words = _trend_words if options["trend"] else _finding_words
            self.stdout.write(words(found, found.get("level", level)))

    def _findings(
        self,
        file: Path,
        level: float,
        margin: float,
        record: list[float] | None,
        options: dict[str, Any],
    ) -> list[dict[str, Any]]:
        known = Record(*record) if record else None
        if options["trend"]:
            table = read_table(file, needs="exposure", arms_needed=1)
            return analyse_trends(table, level=level, margin=margin, record=known)
        if options["paired"]:
            table = read_table(file, needs="pair")
            return analyse_pairs(file, table, level=level, margin=margin, record=known)
        return analyse(read_table(file), level=level, margin=margin, record=known)


def _is_package(file: Path) -> bool:
    return file.is_dir() or file.suffix == ".zip" or file.name == DESCRIPTOR


def _finding_words(found: dict[str, Any], level: float) -> str:
    start = f"{found['property']}, {found['arm']} against {found['baseline']}: "
    if "grades" in found:
        grades = found["grades"]
        medians = f"median grade {grades['baseline']['median']} and {grades['other']['median']}"
        return f"{start}{medians}; {found['verdict']}. {found['refusal']}".rstrip()
    kept = "none given" if found["retention"] is None else percent(found["retention"])
    return (
        f"{start}kept {kept}, {level_words(level)} interval "
        f"{percent_range(found['low'], found['high'])}; {found['verdict']}. {found['refusal']}"
    ).rstrip()


def _trend_words(found: dict[str, Any], level: float) -> str:
    if found["refusal"]:
        return f"{found['property']}: no trend. {found['refusal']}"
    last = found["points"][-1]
    return (
        f"{found['property']}: kept {percent(last['retention'])} after {last['exposure']:g}, "
        f"{level_words(level)} interval {percent_range(last['low'], last['high'])}."
    )
