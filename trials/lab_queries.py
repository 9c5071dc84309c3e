"""What the lab office's pages show, as frozen dataclasses."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import Count, Exists, OuterRef, Prefetch, QuerySet

from labsite.models import User
from labsite.roles import Deed, may
from specimens.models import Specimen
from specimens.words import HELD_SPACE
from trials.intervals import BadEntry, entry_of, plain
from trials.models import (
    Arm,
    ArmSpecimen,
    MethodRevision,
    Reading,
    ReadingConflict,
    ReadingUpload,
    Run,
    RunVoid,
    Study,
    StudyMethod,
)
from trials.queries import StudyLine, studies_with_counts, wanted_code
from trials.readings_csv import COLUMNS, cells_of, template
from trials.studies import SHUT, closed_studies

# --- start page ------------------------------------------------------------------------------


@dataclass(frozen=True)
class LabStart:
    """What there is and what waits."""

    studies: tuple[StudyLine, ...]
    specimen_count: int
    retired_count: int
    unregistered: tuple[StudyLine, ...]
    conflict_count: int
    waiting_files: tuple[ReadingUpload, ...]

    @property
    def waits(self) -> bool:
        """True when somebody has something to do."""
        return bool(
            self.unregistered
            or self.conflict_count
            or self.waiting_files
            or any(study.counts.to_do for study in self.studies)
        )


def lab_start() -> LabStart:
    """The first page: a handful of queries, however many studies."""
    studies = studies_with_counts(Study.objects.all())
    waiting = ReadingUpload.objects.filter(stored_at__isnull=True).defer("content")
    return LabStart(
        studies=tuple(studies),
        specimen_count=Specimen.objects.count(),
        retired_count=Specimen.objects.filter(retired_on__isnull=False).count(),
        unregistered=tuple(study for study in studies if study.registered_at is None),
        conflict_count=ReadingConflict.objects.filter(settled_at__isnull=True).count(),
        waiting_files=tuple(waiting.select_related("study", "by")[:20]),
    )


# --- specimens -------------------------------------------------------------------------------


def chosen_specimens(
    *, code: str = "", product: int | None = None, arm: int | None = None
) -> QuerySet[Specimen]:
    """Specimens for the list, with the arms they are in."""
    memberships = ArmSpecimen.objects.select_related("arm", "study")
    chosen = Specimen.objects.select_related("product").prefetch_related(
        Prefetch("memberships", queryset=memberships)
    )
    plain = "".join(code.split()).replace("-", "").upper()
    if plain:
        # the dash stands after the fourth character, whether it was typed or not
        chosen = chosen.filter(code__icontains=plain if len(plain) < 5 else _dashed(plain))
    if product is not None:
        chosen = chosen.filter(product=product)
    if arm is not None:
        chosen = chosen.filter(memberships__arm=arm)
    return chosen


def _dashed(plain: str) -> str:
    return f"{plain[:4]}-{plain[4:]}"


def runs_of_specimen(specimen: Specimen) -> QuerySet[Run]:
    """The runs a specimen was used in, in the order they were planned."""
    return (
        Run.objects.filter(specimen=specimen)
        .for_page()
        .annotate(reading_count=Count("readings"))
        .order_by("study", "position")
    )


# --- studies ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class Cell:
    """Runs of one arm by one method."""

    planned: int
    read: int
    void: int

    @property
    def words(self) -> str:
        """The same in words; a void is never mixed with what was read."""
        if not self.planned:
            return "none"
        void = f", {self.void} void" if self.void else ""
        return f"{self.read} read of {self.planned}{void}"


@dataclass(frozen=True)
class ArmRow:
    """An arm with its specimens and its runs by method, in the order of the methods."""

    label: str
    is_baseline: bool
    specimens: tuple[Specimen, ...]
    cells: tuple[Cell, ...]


@dataclass(frozen=True)
class MethodRow:
    """A method of a study, with the margin that matters for its property."""

    revision: MethodRevision
    margin_words: str
    is_primary: bool


def percent_words(share: float) -> str:
    """A share as people say it: 0.95 is 95 %."""
    return f"{plain(round(share * 100, 4))}{HELD_SPACE}%"


@dataclass(frozen=True)
class StudyPage:
    """A study as the office sees it."""

    study: Study
    level_words: str
    margin_words: str
    methods: tuple[MethodRow, ...]
    arms: tuple[ArmRow, ...]
    conflict_count: int
    files: tuple[ReadingUpload, ...]

    @property
    def count_rows(self) -> list[tuple[str, list[Cell]]]:
        """The counts turned: for each method, one cell an arm."""
        return [
            (str(method.revision), [arm.cells[place] for arm in self.arms])
            for place, method in enumerate(self.methods)
        ]

    @property
    def run_count(self) -> int:
        """All runs on the sheet, void ones included."""
        return sum(cell.planned for arm in self.arms for cell in arm.cells)


def study_page(study: Study) -> StudyPage:
    """A study's arms, methods and counts; the number of queries does not grow with its runs."""
    methods = tuple(study.study_methods.select_related("revision__method"))
    counts = _counts(study)
    arms = study.arms.prefetch_related("specimens__product")
    files = study.uploads.defer("content").select_related("by")
    return StudyPage(
        study=study,
        level_words=percent_words(study.level),
        margin_words=percent_words(study.margin),
        methods=tuple(
            MethodRow(used.revision, percent_words(used.margin), used.is_primary)
            for used in methods
        ),
        arms=tuple(_arm_row(arm, methods, counts) for arm in arms),
        conflict_count=ReadingConflict.objects.filter(
            run__study=study, settled_at__isnull=True
        ).count(),
        files=tuple(files[:20]),
    )


Counts = dict[tuple[int, int], Cell]  # by specimen and revision


def _counts(study: Study) -> Counts:
    is_read = Exists(Reading.objects.filter(run=OuterRef("pk")))
    rows = (
        Run.objects.filter(study=study)
        .order_by()
        .annotate(is_read=is_read)
        .values("specimen", "revision", "is_read")
        .annotate(planned=Count("pk"), void_count=Count("void"))
    )
    counts: Counts = {}
    for row in rows:
        key = row["specimen"], row["revision"]
        read = row["planned"] - row["void_count"] if row["is_read"] else 0
        one = Cell(row["planned"], read, row["void_count"])
        counts[key] = _sum([counts[key], one]) if key in counts else one
    return counts


def _sum(cells: Iterable[Cell]) -> Cell:
    listed = list(cells)
    return Cell(
        planned=sum(cell.planned for cell in listed),
        read=sum(cell.read for cell in listed),
        void=sum(cell.void for cell in listed),
    )


def _arm_row(arm: Arm, methods: tuple[StudyMethod, ...], counts: Counts) -> ArmRow:
    specimens = tuple(arm.specimens.all())
    return ArmRow(
        label=arm.label,
        is_baseline=arm.is_baseline,
        specimens=specimens,
        cells=tuple(
            _sum(
                counts[specimen.pk, used.revision_id]
                for specimen in specimens
                if (specimen.pk, used.revision_id) in counts
            )
            for used in methods
        ),
    )


# --- readings from a file --------------------------------------------------------------------


def template_of(study: Study) -> list[list[Any]]:
    """The table to fill in for this study."""
    revisions = {
        used.revision.method.key: used.revision
        for used in study.study_methods.select_related("revision__method")
    }
    carrying = study.arms.filter(
        specimens__product__zones__capacities__method_key__in=revisions
    ).values_list(
        "specimens__product__zones__capacities__method_key", "specimens__product__zones__code"
    )
    scales = {key: revision.scale for key, revision in revisions.items()}
    return template(scales, dict(carrying.order_by("-specimens__product__zones__code")))


def readings_of(study: Study) -> list[list[Any]]:
    """Every reading of the study as it stands, and every void, as a file would bring them."""
    runs = study.runs.select_related(
        "specimen", "zone", "revision__method", "void"
    ).prefetch_related("readings")
    rows: list[list[Any]] = [list(COLUMNS)]
    for run in runs.order_by("position"):
        amended = {reading.supersedes_id for reading in run.readings.all()}
        void: RunVoid | None = getattr(run, "void", None)
        base = {
            "specimen": run.specimen.code,
            "method": run.revision.method.key,
            "zone": run.zone.code,
            "site": run.site,
            "unit": run.revision.unit,
            "void_reason": void.note if void else "",
        }
        told = [
            base
            | cells_of(run.revision.scale, reading.raw)
            | {
                "measured_at": reading.measured_at.isoformat(),
                "rater": reading.rater,
                "note": reading.note,
            }
            for reading in run.readings.all()
            if reading.pk not in amended
        ]
        if void and not told:
            told = [base | {"measured_at": void.at.isoformat()}]
        rows += [[cells.get(name, "") for name in COLUMNS] for cells in told]
    return rows


# --- second readings -------------------------------------------------------------------------


@dataclass(frozen=True)
class ConflictRow:
    """Two entries for one place, with the run they are about."""

    id: int
    run: Run
    code: str  # as the bench calls the specimen
    standing_words: str
    standing_by: str
    standing_at: datetime
    other_words: str
    other_by: str
    received_at: datetime
    rater: str
    settled_note: str
    settled_by: str
    settled_at: datetime | None


def conflict_rows(conflicts: QuerySet[ReadingConflict], *, for_whom: User) -> list[ConflictRow]:
    """Entries that came for a place already taken, those to settle first.

    Of a closed blind study only those at the bench see values.
    """
    shut = set() if may(for_whom, Deed.ENTER_READINGS) else set(closed_studies())
    rows = conflicts.select_related(
        "run__study", "run__specimen", "run__zone", "run__revision__method"
    ).select_related("standing__by", "by", "settled_by")
    return [
        ConflictRow(
            id=row.pk,
            run=row.run,
            code=wanted_code(row.run),
            standing_words=SHUT if row.run.study_id in shut else row.standing.words,
            standing_by=row.standing.by.display_name,
            standing_at=row.standing.entered_at,
            other_words=SHUT
            if row.run.study_id in shut
            else entry_words(row.content.get("raw"), row.run.revision),
            other_by=row.by.display_name,
            received_at=row.received_at,
            rater=str(row.content.get("rater") or ""),
            settled_note=row.settled_note,
            settled_by=row.settled_by.display_name if row.settled_by else "",
            settled_at=row.settled_at,
        )
        for row in rows.order_by("settled_at", "received_at")
    ]


def entry_words(raw: object, revision: MethodRevision) -> str:
    """A kept entry in words, or as typed when it makes no reading."""
    fields = raw if isinstance(raw, dict) else {}
    try:
        return entry_of(fields, revision.scale).words
    except BadEntry:
        return ", ".join(f"{name}: {typed}" for name, typed in fields.items())[:200] or "nothing"
