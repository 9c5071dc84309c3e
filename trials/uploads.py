"""A study's readings from a file: looked at in full first, then stored all or not at all."""

import hashlib
import uuid as uuids
from collections.abc import Mapping
from dataclasses import dataclass

from django.db import transaction
from django.db.models import Max
from django.utils import timezone

from labsite import audit
from labsite.errors import Refused
from labsite.models import User
from specimens.codes import BadCode, clean_code
from specimens.models import Specimen, Zone, ZoneCapacity
from trials import policies
from trials.actions import ReadingEntry, digest_of, mark_changed, reading_fields
from trials.intervals import Entry
from trials.models import (
    ArmSpecimen,
    MethodRevision,
    Reading,
    ReadingUpload,
    Run,
    RunVoid,
    Study,
)
from trials.readings_csv import BadFile, Problem, Row, rows_of

BATCH = 500  # rows a statement; SQLite allows about 32,000 parameters in one
UPLOAD_NAMESPACE = uuids.UUID("5f1c0f6e-3c0f-5a53-9f0e-6a1d0b9e7c11")

Place = tuple[int, int, int, int]  # specimen, zone, revision, site


@dataclass(frozen=True)
class Preview:
    """What a file would store. With any problem it stores nothing."""

    rows: list[Row]
    problems: list[Problem]
    file_problem: str = ""

    @property
    def may_be_stored(self) -> bool:
        """True when the whole file is sound."""
        return not self.problems and not self.file_problem and bool(self.rows)


@dataclass(frozen=True)
class _Shelf:
    """Everything of the study that rows are checked against, read once."""

    revisions: Mapping[str, MethodRevision]
    specimens: Mapping[str, Specimen]
    in_study: frozenset[int]
    zones: Mapping[tuple[int, str], Zone]
    sites: Mapping[tuple[int, str], int]
    runs: Mapping[Place, Run]
    read: frozenset[tuple[int, str]]  # run and rater of each first reading
    void: frozenset[int]


def receive_upload(*, by: User, study: Study, file_name: str, content: bytes) -> ReadingUpload:
    """Keep the file as it came; nothing of it counts until it is stored."""
    policies.check_study_takes_readings(study)
    digest = hashlib.sha256(content).hexdigest()
    if ReadingUpload.objects.filter(study=study, digest=digest, stored_at__isnull=False).exists():
        raise Refused({"file": ["This very file has been stored already."]})
    return ReadingUpload.objects.create(
        study=study,
        file_name=file_name[:200],
        content=content,
        digest=digest,
        by=by,
        received_at=timezone.now(),
    )


def preview(upload: ReadingUpload) -> Preview:
    """Every problem of the file, by line and column."""
    return _checked(upload)[0]


@transaction.atomic
def store_upload(*, by: User, upload: ReadingUpload) -> int:
    """Store all readings of the file; returns how many. Checks everything once more."""
    if upload.stored_at is not None:
        raise Refused({"file": ["This file has been stored already."]})
    checked, shelf = _checked(upload)
    if shelf is None or not checked.may_be_stored:
        raise Refused({"file": ["The file has problems now: look at the preview again."]})
    runs = _store_runs(checked.rows, upload.study, shelf, by)
    now = timezone.now()
    readings = []
    voids: dict[int, RunVoid] = {}
    for row in checked.rows:
        run = runs[_place(row, shelf)]
        if row.entry is not None:
            readings.append(_reading(row, row.entry, run, upload, by))
        if row.void_reason:
            voids[run.pk] = RunVoid(
                run=run,
                reason=RunVoid.Reason.OTHER,
                note=row.void_reason,
                value_was_known=row.entry is not None,
                by=by,
                at=now,
            )
    Reading.objects.bulk_create(readings, batch_size=BATCH)
    RunVoid.objects.bulk_create(voids.values(), batch_size=BATCH)
    upload.stored_at = now
    upload.row_count = len(checked.rows)
    upload.save(update_fields=["stored_at", "row_count"])
    audit.record(
        by=by,
        verb="stored a file of readings",
        subject=upload.study,
        detail={"file": upload.file_name, "sha256": upload.digest, "rows": upload.row_count},
    )
    mark_changed(upload.study)
    return upload.row_count


def _checked(upload: ReadingUpload) -> tuple[Preview, _Shelf | None]:
    study = upload.study
    shelf = _shelf(study)
    scales = {key: revision.scale for key, revision in shelf.revisions.items()}
    try:
        rows, problems = rows_of(bytes(upload.content), scales)
    except BadFile as why:
        return Preview([], [], str(why)), None
    problems = problems + _misfits(rows, study, shelf)
    return Preview(rows, sorted(problems, key=lambda p: p.line)), shelf


def _shelf(study: Study) -> _Shelf:
    revisions = {
        used.revision.method.key: used.revision
        for used in study.study_methods.select_related("revision__method")
    }
    members = ArmSpecimen.objects.filter(study=study)
    products = members.values("specimen__product")
    runs = Run.objects.filter(
        specimen__in=members.values("specimen"), revision__in=[r.pk for r in revisions.values()]
    ).select_related("revision")
    return _Shelf(
        revisions=revisions,
        specimens={s.code: s for s in Specimen.objects.select_related("product")},
        in_study=frozenset(members.values_list("specimen", flat=True)),
        zones={(z.product_id, z.code): z for z in Zone.objects.filter(product__in=products)},
        sites={
            (zone, key): sites
            for zone, key, sites in ZoneCapacity.objects.values_list(
                "zone", "method_key", "site_count"
            )
        },
        runs={(r.specimen_id, r.zone_id, r.revision_id, r.site): r for r in runs},
        read=frozenset(
            Reading.objects.filter(run__in=runs, supersedes__isnull=True).values_list(
                "run", "rater"
            )
        ),
        void=frozenset(RunVoid.objects.filter(run__in=runs).values_list("run", flat=True)),
    )


def _place(row: Row, shelf: _Shelf) -> Place:
    specimen = shelf.specimens[clean_code(row.specimen)]
    zone = shelf.zones[specimen.product_id, row.zone]
    return specimen.pk, zone.pk, shelf.revisions[row.method].pk, row.site


def _misfits(rows: list[Row], study: Study, shelf: _Shelf) -> list[Problem]:
    """Rows that are well formed but do not fit the study, the specimens or each other."""
    problems: list[Problem] = []
    taken: dict[tuple[Place, str], int] = {}
    for row in rows:
        found = _misfit(row, study, shelf)
        if found is None:
            key = (_place(row, shelf), row.rater)
            if key in taken:
                what = "this rater's grade of" if row.rater else "a reading of"
                found = Problem(
                    row.line, "site", f"Line {taken[key]} has {what} this site already."
                )
            else:
                taken[key] = row.line
        if found is not None:
            problems.append(found)
    return problems


def _misfit(row: Row, study: Study, shelf: _Shelf) -> Problem | None:
    def wrong(column: str, message: str) -> Problem:
        return Problem(row.line, column, message)

    try:
        specimen = shelf.specimens.get(clean_code(row.specimen))
    except BadCode as why:
        return wrong("specimen", str(why))
    if specimen is None:
        return wrong("specimen", f"The lab has no specimen {row.specimen}.")
    if specimen.pk not in shelf.in_study:
        return wrong("specimen", f"{specimen.code} is in no arm of this study.")
    zone = shelf.zones.get((specimen.product_id, row.zone))
    if zone is None:
        return wrong("zone", f"{specimen.product} has no zone '{row.zone[:60]}'.")
    sites = shelf.sites.get((zone.pk, row.method))
    if sites is None:
        return wrong("zone", f"{zone.name} does not carry {row.method}.")
    if row.site > sites:
        return wrong("site", f"{zone.name} has {sites} site(s) for this method.")
    try:
        policies.check_measured_at(row.measured_at, study)
    except Refused as refused:
        return wrong("measured_at", refused.problems["measured_at"][0])
    return _place_taken(row, specimen, zone, study, shelf)


def _place_taken(
    row: Row, specimen: Specimen, zone: Zone, study: Study, shelf: _Shelf
) -> Problem | None:
    run = shelf.runs.get((specimen.pk, zone.pk, shelf.revisions[row.method].pk, row.site))
    if run is None:
        if specimen.retired_on is not None:
            message = f"{specimen.code} is used up: it was retired on {specimen.retired_on}."
            return Problem(row.line, "specimen", message)
        return None
    if run.study_id != study.pk:
        return Problem(row.line, "site", "This site was used up by another study.")
    if run.pk in shelf.void:
        return Problem(row.line, "site", "The run on this site is void; use another site.")
    if (run.pk, row.rater) in shelf.read:
        return Problem(row.line, "site", "This site has a reading already: amend that one.")
    return None


def _store_runs(rows: list[Row], study: Study, shelf: _Shelf, by: User) -> dict[Place, Run]:
    runs = dict(shelf.runs)
    position = study.runs.aggregate(last=Max("position"))["last"] or 0
    fresh: dict[Place, Run] = {}
    revisions = {revision.pk: revision for revision in shelf.revisions.values()}
    for row in sorted(rows, key=lambda r: (r.measured_at, r.line)):
        place = _place(row, shelf)
        if place not in runs and place not in fresh:
            position += 1
            specimen, zone, revision, site = place
            fresh[place] = Run(
                study=study,
                specimen_id=specimen,
                zone_id=zone,
                revision=revisions[revision],
                site=site,
                position=position,
                planned_by=by,
            )
    Run.objects.bulk_create(fresh.values(), batch_size=BATCH)
    return runs | fresh


def _reading(row: Row, checked: Entry, run: Run, upload: ReadingUpload, by: User) -> Reading:
    entry = ReadingEntry(
        uuid=uuids.uuid5(UPLOAD_NAMESPACE, f"{upload.study_id}:{upload.digest}:{row.line}"),
        run=run,
        raw=row.raw,
        measured_at=row.measured_at,
        rater=row.rater,
        note=row.note,
    )
    return Reading(
        **reading_fields(checked, run.revision),
        uuid=entry.uuid,
        run=run,
        raw=row.raw,
        rater=row.rater,
        note=row.note,
        measured_at=row.measured_at,
        entered_at=timezone.now(),
        by=by,
        digest=digest_of(entry.content(by)),
    )
