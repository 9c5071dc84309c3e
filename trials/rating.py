"""Grades from photos: each rater alone, in an order drawn for them, with no arm in sight."""

import hashlib
import secrets
import uuid as uuids
from dataclasses import dataclass

from django.db import transaction
from django.db.models import Exists, OuterRef
from django.utils import timezone

from labsite import audit
from labsite.errors import Refused
from labsite.models import User
from trials.actions import ReadingEntry, Recorded, record_reading
from trials.bench_queries import GradePicture, grade_pictures
from trials.intervals import ReadingKind
from trials.models import (
    MethodRevision,
    Photo,
    RatingOrder,
    Reading,
    Run,
    RunQuerySet,
    Study,
    StudyLook,
)
from trials.photos import PhotoLine, photo_lines

CHANGED_AT_ONCE = "The rater changed it before going on."


@dataclass(frozen=True)
class RatingTask:
    """A graded method of a study, and how far this rater is."""

    key: str
    name: str
    photographed: int
    graded: int

    @property
    def left(self) -> int:
        """Runs still to grade."""
        return self.photographed - self.graded


@dataclass(frozen=True)
class RatingPage:
    """What a rater sees of one run: its photos and the scale. No specimen, arm, caption or time."""

    key: str
    name: str
    run: int | None
    number: int
    all_count: int
    photos: tuple[PhotoLine, ...]
    grades: tuple[GradePicture, ...]
    last: Reading | None
    has_seen_key: bool


def is_graded(study: Study) -> bool:
    """True when the study has a method that people grade."""
    return study.study_methods.filter(revision__outcome_kind=ReadingKind.GRADE.value).exists()


def rater_name(user: User) -> str:
    """How a person is named as a rater, everywhere the same."""
    return user.get_username()[:40]


def tasks(study: Study, rater: User) -> list[RatingTask]:
    """The graded methods of a study: three queries each."""
    found = []
    for revision in _graded_revisions(study):
        runs = _to_grade(study, revision)
        graded = runs.filter(
            Exists(Reading.objects.filter(run=OuterRef("pk"), rater=rater_name(rater)))
        )
        found.append(
            RatingTask(revision.method.key, revision.method.name, runs.count(), graded.count())
        )
    return found


def rating_page(study: Study, key: str, rater: User, *, again: bool = False) -> RatingPage | None:
    """The next run to grade, or with `again` the one graded last; None without such a method."""
    revision = _revision(study, key)
    if revision is None:
        return None
    order = order_of(study, revision, rater)
    runs = sorted(
        _to_grade(study, revision).values_list("pk", flat=True),
        key=lambda run: place_in_order(order.seed, run),
    )
    mine = Reading.objects.current().filter(run__in=runs, rater=rater_name(rater))
    done = set(mine.values_list("run", flat=True))
    last = mine.order_by("-entered_at").first()
    left = [run for run in runs if run not in done]
    shown = last.run_id if again and last else next(iter(left), None)
    shots = Photo.objects.filter(
        run=shown, shows=Photo.Shows.GRADING, void__isnull=True
    ).select_related("by", "zone", "void")
    return RatingPage(
        key=key,
        name=revision.method.name,
        run=shown,
        number=len(done) if again and last else len(done) + 1,
        all_count=len(runs),
        photos=photo_lines(shots.order_by("taken_at")),
        grades=grade_pictures(key, revision.grade_scale),
        last=last,
        has_seen_key=StudyLook.objects.filter(
            study=study, kind=StudyLook.Kind.CODES, by=rater
        ).exists(),
    )


def place_in_order(seed: int, run: int) -> bytes:
    """Where a run comes for a rater: by a digest, so that photos taken later keep the others' places."""
    return hashlib.sha256(f"{seed}:{run}".encode()).digest()


@transaction.atomic
def order_of(study: Study, revision: MethodRevision, rater: User) -> RatingOrder:
    """The order drawn for this rater, drawn now if it was not."""
    order, is_new = RatingOrder.objects.get_or_create(
        study=study,
        revision=revision,
        rater=rater,
        defaults={"seed": secrets.randbelow(2**31), "drawn_at": timezone.now()},
    )
    if is_new:
        audit.record(
            by=rater, verb="drew an order of grading", subject=study, detail={"seed": order.seed}
        )
    return order


def grade_from_photos(*, by: User, run: Run, grade: str, reading_id: uuids.UUID) -> Recorded:
    """A rater's grade; a second one by the same rater amends the first and says so."""
    if run.revision.outcome_kind != ReadingKind.GRADE:
        raise Refused({"grade": ["This method is not graded."]})
    if not Photo.objects.filter(run=run, shows=Photo.Shows.GRADING, void__isnull=True).exists():
        raise Refused({"grade": ["There is no photo of this run to grade."]})
    rater = rater_name(by)
    mine = Reading.objects.current().filter(run=run, rater=rater).exclude(pk=reading_id).first()
    raw = {"grade": int(grade)} if grade.isascii() and grade.isdigit() else {"grade": grade[:10]}
    return record_reading(
        by=by,
        entry=ReadingEntry(
            uuid=reading_id,
            run=run,
            raw=raw,
            measured_at=timezone.now(),
            rater=rater,
            supersedes=mine.pk if mine else None,
            reason=CHANGED_AT_ONCE if mine else "",
            entered_from=Reading.EnteredFrom.PHOTOS,
        ),
    )


def _graded_revisions(study: Study) -> list[MethodRevision]:
    used = study.study_methods.filter(
        revision__outcome_kind=ReadingKind.GRADE.value
    ).select_related("revision__method")
    return [one.revision for one in used]


def _revision(study: Study, key: str) -> MethodRevision | None:
    return next((one for one in _graded_revisions(study) if one.method.key == key), None)


def _to_grade(study: Study, revision: MethodRevision) -> RunQuerySet:
    shot = Photo.objects.filter(run=OuterRef("pk"), shows=Photo.Shows.GRADING, void__isnull=True)
    return Run.objects.filter(Exists(shot), study=study, revision=revision, void__isnull=True)
