"""A study's readings from a file: looked at in full first, then stored all or not at all."""

import hashlib
import uuid as uuids
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import Count, Max
from django.utils import timezone

from labsite import audit
from labsite.errors import Conflict, Refused
from labsite.inserts import Prepared
from labsite.models import User
from labsite.tables import BadFile, LineProblem
from specimens.codes import BadCode, clean_code
from specimens.models import Specimen, Zone, ZoneCapacity
from specimens.words import date_words
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
from trials.readings_csv import SHOWN, Claim, Row, rows_of

CHECKS_AGAIN = 3  # a bench that is being worked on meanwhile may move the record under a check
UPLOAD_NAMESPACE = uuids.UUID("5f1c0f6e-3c0f-5a53-9f0e-6a1d0b9e7c11")

Place = tuple[int, int, int, int]  # specimen, zone, method, site


@dataclass(frozen=True)
class Preview:
    """What a file would store. With any problem it stores nothing."""

    rows: list[Row]  # those that would be stored
    problems: list[LineProblem]
    file_problem: str = ""
    same_count: int = 0  # lines that say what the record has already

    @property
    def may_be_stored(self) -> bool:
        """True when the whole file is sound."""
        return not self.problems and not self.file_problem and bool(self.rows)


@dataclass(frozen=True)
class _Shelf:
    """Everything of the study that lines are checked against, read once."""

    revisions: Mapping[str, MethodRevision]
    specimens: Mapping[str, Specimen]
    in_study: frozenset[int]
    zones: Mapping[tuple[int, str], Zone]
    sites: Mapping[tuple[int, str], int]
    runs: Mapping[Place, Run]
    # run and rater of each first reading, with what was entered and when it was read
    read: Mapping[tuple[int, str], tuple[Any, datetime]]
    void: Mapping[int, str]  # why
    mark: tuple[int, ...]


class _Checker:
    """Says of each line whether its place fits the study, the specimens and the lines before."""

    def __init__(self, study: Study, shelf: _Shelf) -> None:
        self.study = study
        self.shelf = shelf
        self.taken: dict[tuple[Place, str], int] = {}
        self.places: dict[int, Place] = {}  # of each line that has one
        self.codes: dict[str, str] = {}  # as typed, to as stored
        self.standing: dict[int, Run] = {}  # of each line, where a reading or a void is already

    def problems_of(self, claim: Claim) -> list[LineProblem]:
        found: list[LineProblem] = []
        specimen = self._specimen(claim, found)
        if claim.measured_at is not None:
            try:
                policies.check_measured_at(claim.measured_at, self.study)
            except Refused as refused:
                found.append(LineProblem(claim.line, "measured_at", refused.sentences[0]))
        revision = self.shelf.revisions.get(claim.method)
        if specimen is not None and revision is not None and claim.zone:
            zone = self._zone(claim, specimen, found)
            if zone is not None and claim.site is not None:
                place = specimen.pk, zone.pk, revision.method_id, claim.site
                found += self._at(place, claim, specimen, revision)
        return found

    def _specimen(self, claim: Claim, found: list[LineProblem]) -> Specimen | None:
        if not claim.specimen:
            return None
        typed = claim.specimen[:SHOWN]
        try:
            if typed not in self.codes:
                self.codes[typed] = clean_code(typed)
        except BadCode as why:
            found.append(LineProblem(claim.line, "specimen", str(why)))
            return None
        specimen = self.shelf.specimens.get(self.codes[typed])
        if specimen is None:
            found.append(LineProblem(claim.line, "specimen", f"The lab has no specimen {typed}."))
        elif specimen.pk not in self.shelf.in_study:
            message = f"{specimen.code} is in no arm of this study."
            found.append(LineProblem(claim.line, "specimen", message))
            return None
        return specimen

    def _zone(self, claim: Claim, specimen: Specimen, found: list[LineProblem]) -> Zone | None:
        shelf = self.shelf
        zone = shelf.zones.get((specimen.product_id, claim.zone))
        sites = zone and shelf.sites.get((zone.pk, claim.method))
        if zone is not None and sites and (claim.site or 1) <= sites:
            return zone
        if zone is None:
            message = f"{specimen.product} has no zone '{claim.zone[:SHOWN]}'."
        elif sites:
            message = f"{zone.name} has {sites} site{'' if sites == 1 else 's'} for this method."
            found.append(LineProblem(claim.line, "site", message))
            return None
        else:
            message = f"{zone.name} does not carry {claim.method}."
        carrying = sorted(
            other.code
            for (product, _), other in shelf.zones.items()
            if product == specimen.product_id and (other.pk, claim.method) in shelf.sites
        )
        if carrying:
            message += f" Zones that carry {claim.method}: {', '.join(carrying)}."
        found.append(LineProblem(claim.line, "zone", message))
        return None

    def _at(
        self, place: Place, claim: Claim, specimen: Specimen, revision: MethodRevision
    ) -> list[LineProblem]:
        def at(column: str, message: str) -> list[LineProblem]:
            return [LineProblem(claim.line, column, message)]

        self.places[claim.line] = place
        key = (place, claim.rater)
        first = self.taken.setdefault(key, claim.line)
        if first != claim.line:
            what = "this rater's grade of" if claim.rater else "a reading of"
            return at("site", f"Line {first} has {what} this site already.")
        run = self.shelf.runs.get(place)
        if run is None:
            # what was read before the specimen was retired may still come in
            read_on = claim.measured_at and timezone.localdate(claim.measured_at)
            if specimen.retired_on and read_on and read_on > specimen.retired_on:
                retired = date_words(specimen.retired_on)
                return at("specimen", f"{specimen.code} is used up: it was retired on {retired}.")
            return []
        return self._on(run, claim, revision, at)

    def _on(
        self,
        run: Run,
        claim: Claim,
        revision: MethodRevision,
        at: Callable[[str, str], list[LineProblem]],
    ) -> list[LineProblem]:
        if run.study_id != self.study.pk:
            return at("site", "This site was used up by another study.")
        if run.revision_id != revision.pk:
            return at("site", "The run on this site follows another revision of the method.")
        if run.pk in self.shelf.void or (run.pk, claim.rater) in self.shelf.read:
            self.standing[claim.line] = run  # judged when the whole line is known
        return []

    def sorted_out(self, rows: list[Row]) -> tuple[list[Row], list[LineProblem]]:
        """The rows that are new, and a problem for each that says other than the record.

        So a file that came before may come again, with more lines or saved in another form.
        """
        fresh, problems = [], []
        for row in rows:
            run = self.standing.get(row.line)
            if run is None:
                fresh.append(row)
            elif not self._is_same(row, run):
                is_void = run.pk in self.shelf.void
                message = (
                    "The run on this site is void; use another site."
                    if is_void
                    else "This site has a reading already: amend that one."
                )
                problems.append(LineProblem(row.line, "site", message))
        return fresh, problems

    def _is_same(self, row: Row, run: Run) -> bool:
        read = self.shelf.read.get((run.pk, row.claim.rater))
        says = None if row.entry is None else (row.raw, row.measured_at)
        return read == says and self.shelf.void.get(run.pk, "") == row.void_reason


@transaction.atomic
def receive_upload(*, by: User, study: Study, file_name: str, content: bytes) -> ReadingUpload:
    """Keep the file as it came; nothing of it counts until it is stored.

    A file that came before and was not stored is taken up again.
    """
    policies.check_study_takes_readings(study)
    digest = hashlib.sha256(content).hexdigest()
    _check_not_stored(study, digest)
    waiting = ReadingUpload.objects.filter(study=study, digest=digest).first()
    if waiting is not None:
        return waiting
    upload = ReadingUpload.objects.create(
        study=study,
        file_name=file_name[:200],
        content=content,
        digest=digest,
        by=by,
        received_at=timezone.now(),
    )
    audit.record(
        by=by,
        verb="sent a file of readings",
        subject=study,
        detail={"file": upload.file_name, "sha256": digest},
    )
    return upload


def _check_not_stored(study: Study, digest: str) -> None:
    stored = ReadingUpload.objects.filter(study=study, digest=digest, stored_at__isnull=False)
    if stored.exists():
        raise Conflict({"file": ["This very file has been stored already."]})


def preview(upload: ReadingUpload) -> Preview:
    """Every problem of the file, by line and column."""
    return _checked(upload)[0]


def store_upload(*, by: User, upload: ReadingUpload) -> int:
    """Store all readings of the file; returns how many lines. Checks everything once more.

    The file is checked and every row made ready before the transaction begins, which then only
    looks whether the record is still the one checked against, and writes: with 50,000 lines
    others wait for about a second, not for half a minute.
    """
    _check_not_stored(upload.study, upload.digest)
    for _ in range(CHECKS_AGAIN):
        checked, checker = _checked(upload)
        if not checked.may_be_stored:
            raise Refused({"file": ["The file has problems now: look at the list again."]})
        made = _made(checked.rows, upload, checker, by)
        if _stored(by=by, upload=upload, made=made, mark=checker.shelf.mark):
            upload.refresh_from_db()
            return upload.row_count
    raise Conflict(
        {"file": ["Others are writing to these specimens just now: try again in a minute."]}
    )


@dataclass(frozen=True)
class _Made:
    """Rows ready to be written; runs that are new have no number yet."""

    fresh: Prepared
    places: list[Place]  # of the fresh runs, in their order
    readings: Prepared
    read_at: list[Place]  # of each reading
    voids: Prepared
    void_at: list[Place]
    runs: Mapping[Place, Run]
    count: int


@transaction.atomic
def _stored(*, by: User, upload: ReadingUpload, made: _Made, mark: tuple[int, ...]) -> bool:
    """Write it all; False when the record has moved since it was checked, and nothing is written."""
    # the lock makes a second press of the button wait and then find the file stored
    upload = ReadingUpload.objects.select_for_update(of=("self",)).get(pk=upload.pk)
    _check_not_stored(upload.study, upload.digest)
    if _mark(upload.study) != mark:
        return False
    try:
        with transaction.atomic():
            _write(made, upload.study)
    except IntegrityError:
        raise Conflict(
            {"file": ["Somebody used one of these sites just now: look at the list again."]}
        ) from None
    upload.stored_at = timezone.now()
    upload.row_count = made.count
    upload.save(update_fields=["stored_at", "row_count"])
    audit.record(
        by=by,
        verb="stored a file of readings",
        subject=upload.study,
        detail={"file": upload.file_name, "sha256": upload.digest, "rows": upload.row_count},
    )
    mark_changed(upload.study)
    return True


def _made(rows: list[Row], upload: ReadingUpload, checker: _Checker, by: User) -> _Made:
    fresh = _fresh_runs(rows, upload.study, checker, by)
    runs = checker.shelf.runs
    now = timezone.now()
    readings: list[tuple[Place, Reading]] = []
    voids: dict[Place, RunVoid] = {}
    for row in rows:
        place = checker.places[row.line]
        run = runs.get(place) or fresh[place]
        if row.entry is not None:
            reading = _reading(row, row.entry, run, upload=upload, by=by, now=now)
            readings.append((place, reading))
        if row.void_reason:
            voids[place] = RunVoid(
                run_id=run.pk,
                reason=RunVoid.Reason.OTHER,
                note=row.void_reason,
                value_was_known=row.entry is not None,
                by_id=by.pk,
                at=now,
            )
    return _Made(
        fresh=Prepared(Run, fresh.values()),
        places=list(fresh),
        readings=Prepared(Reading, (reading for _, reading in readings)),
        read_at=[place for place, _ in readings],
        voids=Prepared(RunVoid, voids.values()),
        void_at=list(voids),
        runs=runs,
        count=len(rows),
    )


def _write(made: _Made, study: Study) -> None:
    start = study.runs.aggregate(last=Max("position"))["last"] or 0
    made.fresh.fill("position", range(start + 1, start + 1 + len(made.places)))
    made.fresh.write()
    numbers = {place: run.pk for place, run in made.runs.items()}
    if made.places:
        found = Run.objects.filter(study=study, position__gt=start).values_list(
            "specimen", "zone", "revision__method", "site", "pk"
        )
        numbers |= {(s, z, m, site): pk for s, z, m, site, pk in found}
    made.readings.fill("run_id", [numbers[place] for place in made.read_at])
    made.readings.write()
    made.voids.fill("run_id", [numbers[place] for place in made.void_at])
    made.voids.write()


def _mark(study: Study) -> tuple[int, ...]:
    """Numbers that change whenever a run, reading or void of the study's specimens comes or goes."""
    runs = Run.objects.filter(
        specimen__in=ArmSpecimen.objects.filter(study=study).values("specimen")
    )
    told = runs.aggregate(count=Count("pk"), last=Max("pk"))
    return (
        told["count"],
        told["last"] or 0,
        Reading.objects.filter(run__in=runs).count(),
        RunVoid.objects.filter(run__in=runs).count(),
        Specimen.objects.filter(memberships__study=study, retired_on__isnull=False).count(),
    )


def _checked(upload: ReadingUpload) -> tuple[Preview, _Checker]:
    study = upload.study
    shelf = _shelf(study)
    scales = {key: revision.scale for key, revision in shelf.revisions.items()}
    checker = _Checker(study, shelf)
    try:
        rows, problems = rows_of(bytes(upload.content), scales, checker.problems_of, upload.columns)
    except BadFile as why:
        return Preview([], [], str(why)), checker
    fresh, differing = checker.sorted_out(rows)
    told = sorted([*problems, *differing], key=lambda problem: problem.line)
    same_count = len(rows) - len(fresh) - len(differing)
    return Preview(fresh, told, same_count=same_count), checker


def _shelf(study: Study) -> _Shelf:
    mark = _mark(study)  # first: what comes while the rest is read is then seen as new
    revisions = {
        used.revision.method.key: used.revision
        for used in study.study_methods.select_related("revision__method")
    }
    members = ArmSpecimen.objects.filter(study=study)
    products = members.values("specimen__product")
    # a site is consumed by a method, whichever revision of it was run there
    runs = Run.objects.filter(
        specimen__in=members.values("specimen"),
        revision__method__in=[revision.method_id for revision in revisions.values()],
    ).select_related("revision")
    return _Shelf(
        revisions=revisions,
        specimens={s.code: s for s in Specimen.objects.select_related("product")},
        in_study=frozenset(members.values_list("specimen", flat=True)),
        zones={(z.product_id, z.code): z for z in Zone.objects.filter(product__in=products)},
        sites={
            (zone, key): sites
            for zone, key, sites in ZoneCapacity.objects.filter(
                zone__product__in=products
            ).values_list("zone", "method_key", "site_count")
        },
        runs={(r.specimen_id, r.zone_id, r.revision.method_id, r.site): r for r in runs},
        read={
            (run, rater): (raw, measured_at)
            for run, rater, raw, measured_at in Reading.objects.filter(
                run__in=runs, supersedes__isnull=True
            ).values_list("run", "rater", "raw", "measured_at")
        },
        void=dict(RunVoid.objects.filter(run__in=runs).values_list("run", "note")),
        mark=mark,
    )


def _fresh_runs(rows: list[Row], study: Study, checker: _Checker, by: User) -> dict[Place, Run]:
    fresh: dict[Place, Run] = {}
    # the sheet's order is the order in which the bench worked; places are numbered when written
    for row in sorted(rows, key=lambda r: (r.measured_at, r.line)):
        place = checker.places[row.line]
        if place not in checker.shelf.runs and place not in fresh:
            specimen, zone, _, site = place
            fresh[place] = Run(
                study_id=study.pk,
                specimen_id=specimen,
                zone_id=zone,
                revision=checker.shelf.revisions[row.claim.method],
                site=site,
                planned_by_id=by.pk,
            )
    return fresh


def _reading(
    row: Row, checked: Entry, run: Run, *, upload: ReadingUpload, by: User, now: datetime
) -> Reading:
    entry = ReadingEntry(
        uuid=uuids.uuid5(UPLOAD_NAMESPACE, f"{upload.study_id}:{upload.digest}:{row.line}"),
        run=run,
        raw=row.raw,
        measured_at=row.measured_at,
        rater=row.claim.rater,
        note=row.note,
    )
    # by number, not by object: for 50,000 lines that saves seconds in which others must wait
    return Reading(
        **reading_fields(checked, run.revision),
        uuid=entry.uuid,
        run_id=run.pk,
        raw=row.raw,
        rater=row.claim.rater,
        note=row.note,
        measured_at=row.measured_at,
        entered_at=now,
        by_id=by.pk,
        digest=digest_of(entry.content(by)),
    )


@transaction.atomic
def choose_columns(*, by: User, upload: ReadingUpload, columns: Mapping[str, int]) -> None:
    """Say which column of the file is which of ours; nothing is stored by it."""
    _check_not_stored(upload.study, upload.digest)
    before, upload.columns = upload.columns, dict(columns)
    upload.save(update_fields=["columns"])
    audit.record(
        by=by,
        verb="matched columns of a file of readings",
        subject=upload.study,
        detail={"file": upload.file_name} | audit.changes(before or {}, upload.columns),
    )
