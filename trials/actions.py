"""What people do to the record of trials. Each writes its audit row in the same transaction."""

import hashlib
import json
import uuid as uuids
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, Literal

from django.db import IntegrityError, connection, transaction
from django.db.models import Max, Q
from django.utils import timezone

from labsite import audit, jobs
from labsite.addresses import hidden_by
from labsite.errors import Conflict, NotYet, Refused
from labsite.models import User
from specimens.models import Specimen, Zone
from trials import policies
from trials.intervals import BadEntry, Entry, ReadingKind, entry_of
from trials.models import (
    Arm,
    ArmSpecimen,
    MethodRevision,
    Reading,
    ReadingConflict,
    Run,
    RunVoid,
    SafetyAcknowledgement,
    Study,
    StudyMethod,
)
from trials.tablets import Sent

SUMMARISE = "reports.summarise"


def canonical(content: Mapping[str, Any]) -> str:
    """JSON with sorted keys and no blanks: the same content is the same text anywhere."""
    return json.dumps(content, sort_keys=True, separators=(",", ":"), allow_nan=False)


def digest_of(content: Mapping[str, Any]) -> str:
    """SHA-256 of canonical JSON."""
    return hashlib.sha256(canonical(content).encode()).hexdigest()


def mark_changed(study: Study) -> None:
    """Call inside the transaction that moved a finding's inputs: asks for a new summary."""
    with connection.cursor() as cursor:
        # counts and tells in one question; the ORM needs two
        cursor.execute(
            "UPDATE trials_study SET inputs_version = inputs_version + 1 WHERE id = %s "
            "RETURNING inputs_version",
            [study.pk],
        )
        (study.inputs_version,) = cursor.fetchone()
    jobs.request_job(
        kind=SUMMARISE,
        key=f"{study.slug}:{study.inputs_version}",
        payload={"study": study.pk, "inputs_version": study.inputs_version},
    )


# --- studies ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class ArmPlan:
    """An arm as asked for: its specimens in any order."""

    key: str
    label: str
    is_baseline: bool
    specimens: Sequence[Specimen]
    pairs: Mapping[str, str] = field(default_factory=dict)  # specimen code to pair label


@dataclass(frozen=True)
class MethodPlan:
    """A method as asked for; no margin means the method's own."""

    revision: MethodRevision
    margin: float | None = None
    is_primary: bool = False


@transaction.atomic
def create_study(
    *, by: User, fields: Mapping[str, Any], arms: Sequence[ArmPlan], methods: Sequence[MethodPlan]
) -> Study:
    """A study with its arms and methods, not yet registered."""
    _check_arms(arms)
    _check_methods(methods)
    _check_address(fields["slug"], None)
    study = Study.objects.create(**fields)
    _add_arms(study, arms)
    _add_methods(study, methods)
    audit.record(by=by, verb="created study", subject=study)
    return study


def _check_address(slug: str, study: Study | None) -> None:
    if study is not None and study.slug == slug:
        return
    if Study.objects.filter(slug=slug).exists():
        raise Refused({"slug": ["A study with this address exists."]})
    path = hidden_by(slug)
    if path:
        told = f"The site has a page of its own at {path}: type another address."
        raise Refused({"slug": [told]})


@transaction.atomic
def change_study(
    *,
    by: User,
    study: Study,
    fields: Mapping[str, Any],
    arms: Sequence[ArmPlan],
    methods: Sequence[MethodPlan],
) -> Study:
    """Change a study that is not registered yet; its trail keeps what it said before.

    Once runs are on its sheet, arms and methods stand, and its words may still change.
    """
    study = Study.objects.select_for_update(of=("self",)).get(pk=study.pk)
    policies.check_study_may_change(study)
    _check_arms(arms)
    _check_methods(methods)
    _check_address(fields["slug"], study)
    before = registration_content(study)
    # an arm that keeps its label keeps its key, by which files and findings name it
    keys = {arm.label: arm.key for arm in study.arms.all()}
    arms = [replace(arm, key=keys.get(arm.label, arm.key)) for arm in arms]
    for name, value in fields.items():
        setattr(study, name, value)
    study.save(update_fields=list(fields))
    if study.runs.exists():
        margin = {used.revision_id: used.margin for used in study.study_methods.all()}
        same = {m.revision.pk for m in methods} == set(margin) and _as_planned(study) == {
            (arm.key, arm.label, arm.is_baseline, one.code, arm.pairs.get(one.code, ""))
            for arm in arms
            for one in arm.specimens
        }
        if not same:
            raise Refused({"arms": ["Runs are on its sheet: its arms and methods stand."]})
        study.study_methods.update(is_primary=False)  # only one at a time may be it
        for method, said in _method_rows(study, methods):
            study.study_methods.filter(revision=method.revision).update(**said)
    else:
        study.plans.all().delete()  # drafts of what is not asked any more
        study.arms.all().delete()
        study.study_methods.all().delete()
        _add_arms(study, arms)
        _add_methods(study, methods)
    after = registration_content(study)
    detail = audit.changes(before, after)
    audit.record(by=by, verb="changed study", subject=study, detail=detail)
    return study


def _as_planned(study: Study) -> set[tuple[str, str, bool, str, str]]:
    members = ArmSpecimen.objects.filter(study=study).select_related("arm", "specimen")
    return {
        (one.arm.key, one.arm.label, one.arm.is_baseline, one.specimen.code, one.pair)
        for one in members
    }


def _add_arms(study: Study, arms: Sequence[ArmPlan]) -> None:
    for position, plan in enumerate(arms):
        arm = Arm.objects.create(
            study=study,
            key=plan.key,
            label=plan.label,
            position=position,
            is_baseline=plan.is_baseline,
        )
        ArmSpecimen.objects.bulk_create(
            ArmSpecimen(
                study=study, arm=arm, specimen=specimen, pair=plan.pairs.get(specimen.code, "")
            )
            for specimen in plan.specimens
        )


def _add_methods(study: Study, methods: Sequence[MethodPlan]) -> None:
    for method, said in _method_rows(study, methods):
        StudyMethod.objects.create(study=study, revision=method.revision, **said)


def _method_rows(
    study: Study, methods: Sequence[MethodPlan]
) -> Iterator[tuple[MethodPlan, dict[str, Any]]]:
    """What the study says of each method; the one that the answer turns on stands first."""
    for position, method in enumerate(sorted(methods, key=lambda one: not one.is_primary)):
        yield (
            method,
            {
                "margin": study.margin if method.margin is None else method.margin,
                "position": position,
                "is_primary": method.is_primary,
            },
        )


def _check_methods(methods: Sequence[MethodPlan]) -> None:
    if not methods:
        raise Refused({"methods": ["Choose at least one method."]})
    if sum(method.is_primary for method in methods) > 1:
        raise Refused({"methods": ["The answer turns on one property at most."]})


def _check_arms(arms: Sequence[ArmPlan]) -> None:
    if len(arms) < 2:
        raise Refused({"arms": ["A comparison needs at least two arms."]})
    if sum(arm.is_baseline for arm in arms) != 1:
        raise Refused({"arms": ["Exactly one arm is the baseline."]})
    seen: dict[str, str] = {}
    for arm in arms:
        if not arm.specimens:
            raise Refused({"arms": [f"{arm.label} has no specimen."]})
        for specimen in arm.specimens:
            if specimen.code in seen:
                raise Refused(
                    {"arms": [f"{specimen.code} is in {seen[specimen.code]} and in {arm.label}."]}
                )
            seen[specimen.code] = arm.label


def registration_content(study: Study) -> dict[str, Any]:
    """What registration fixes, in a form whose digest anyone can recompute.

    Members that an amendment brought in later are not part of it.
    """
    # left out when empty, so that studies registered before these existed keep their digest
    later = {
        "is_blind": study.is_blind,
        "change_of_mind": study.change_of_mind,
        "population": study.population,
        "not_claimed": study.not_claimed,
    }
    return {name: value for name, value in later.items() if value} | {
        "slug": study.slug,
        "title": study.title,
        "question": study.question,
        "kind": study.kind,
        "level": study.level,
        "margin": study.margin,
        "scope": study.scope,
        "exclusion_rules": study.exclusion_rules,
        "is_simultaneous": study.is_simultaneous,
        "arms": [
            {
                "key": arm.key,
                "label": arm.label,
                "is_baseline": arm.is_baseline,
                "specimens": [
                    {"code": member.specimen.code, "pair": member.pair}
                    for member in arm.members.filter(amendment__isnull=True)
                    .select_related("specimen")
                    .order_by("specimen__code")
                ],
            }
            for arm in study.arms.all()
        ],
        "methods": [
            {
                "key": used.revision.method.key,
                "revision": used.revision.number,
                "margin": used.margin,
            }
            | ({"is_primary": True} if used.is_primary else {})
            for used in study.study_methods.select_related("revision__method")
        ],
    }


@transaction.atomic
def register_study(*, by: User, study: Study, at: datetime | None = None) -> Study:
    """Fix the question. From here on the study takes readings and its design stands."""
    policies.check_study_may_change(study)
    if not study.question.strip():
        raise Refused({"question": ["Write the question first."]})
    drafts = [
        str(used.revision)
        for used in study.study_methods.select_related("revision__method")
        if used.revision.state == MethodRevision.State.DRAFT
    ]
    if drafts:
        raise Refused({"methods": [f"Still a draft: {', '.join(drafts)}."]})
    study.registered_at = at or timezone.now()
    study.registered_by = by
    study.registration_digest = digest_of(registration_content(study))
    study.save(update_fields=["registered_at", "registered_by", "registration_digest"])
    audit.record(
        by=by,
        verb="registered study",
        subject=study,
        detail={
            "digest": study.registration_digest,
            "at": study.registered_at.isoformat(),
            "methods": method_digests(study),
        },
    )
    mark_changed(study)
    return study


def method_digests(
    study: Study, fields: Mapping[str, Sequence[str]] | None = None
) -> dict[str, Any]:
    """A digest of everything that each method of the study says, with the fields it is made from.

    `fields` names them by method as they were at registration: fields that came with a later
    version of the program are left out. The state and the notes of a revision may change.
    """
    told = {}
    for used in study.study_methods.select_related("revision__method"):
        revision = used.revision
        key = revision.method.key
        names = [
            field.attname
            for field in MethodRevision._meta.concrete_fields
            if field.name not in {"id", "method", "state"}
        ]
        if fields is not None:
            names = [name for name in fields.get(key, names) if name in names]
        content = {name: getattr(revision, name) for name in names}
        told[key] = {"digest": digest_of(content), "fields": names}
    return told


# --- runs ------------------------------------------------------------------------------------


@transaction.atomic
def plan_run(
    *,
    by: User,
    study: Study,
    specimen: Specimen,
    revision: MethodRevision,
    zone: Zone,
    site: int | None = None,
) -> Run:
    """A run on the sheet. Without a site, the first free one of the zone."""
    policies.check_specimen_in_study(specimen, study)
    policies.check_specimen_usable(specimen)
    if not study.study_methods.filter(revision=revision).exists():
        raise Refused({"method": [f"This study does not use {revision}."]})
    sites = policies.check_zone_carries(zone, specimen, revision)
    if site is None:
        used = set(
            Run.objects.filter(
                specimen=specimen, zone=zone, revision__method=revision.method
            ).values_list("site", flat=True)
        )
        free = [n for n in range(1, sites + 1) if n not in used]
        if not free:
            raise Refused(
                {"specimen": [f"{specimen.code} is used up for this: no free site in {zone.name}."]}
            )
        site = free[0]
    policies.check_site_free(
        specimen=specimen, zone=zone, revision=revision, site=site, sites=sites
    )
    last = study.runs.aggregate(last=Max("position"))["last"] or 0
    try:
        with transaction.atomic():
            run = Run.objects.create(
                study=study,
                revision=revision,
                specimen=specimen,
                zone=zone,
                site=site,
                position=last + 1,
                planned_by=by,
            )
    except IntegrityError:
        # somebody else took the site between our look and our write
        policies.check_site_free(
            specimen=specimen, zone=zone, revision=revision, site=site, sites=sites
        )
        raise
    audit.record(by=by, verb="planned run", subject=run)
    return run


def plan_run_by_codes(
    *, by: User, study: Study, specimen: str, method: str, zone: str, site: int | None = None
) -> Run:
    """`plan_run` from what a person types: a specimen's code, a method's key, a zone's code."""
    problems: dict[str, list[str]] = {}
    used = (
        study.study_methods.filter(revision__method__key=method)
        .select_related("revision__method")
        .first()
    )
    if used is None:
        problems["method"] = ["This study has no such method."]
    found = Specimen.objects.select_related("product").filter(code=specimen).first()
    place = Zone.objects.filter(product=found.product, code=zone).first() if found else None
    if found is None:
        problems["specimen"] = [f"The lab has no specimen {specimen}."]
    elif place is None:
        codes = ", ".join(found.product.zones.values_list("code", flat=True))
        problems["zone"] = [f"{found.product} has no zone '{zone}'. It has: {codes}."]
    if used is None or found is None or place is None:
        raise Refused(problems)
    return plan_run(
        by=by, study=study, specimen=found, revision=used.revision, zone=place, site=site
    )


@transaction.atomic
def acknowledge_safety(
    *,
    by: User,
    revision: MethodRevision,
    answers: Mapping[str, bool],
    watcher: str = "",
    sent: Sent | None = None,
) -> SafetyAcknowledgement:
    """Every check answered yes, one by one, by a named person.

    From a tablet it may arrive late and more than once; it counts from when it was given.
    """
    missing = [check for check in revision.checks if answers.get(check["key"]) is not True]
    if missing:
        raise Refused({check["key"]: [f"Not yet: {check['text']}"] for check in missing})
    try:
        with transaction.atomic():
            acknowledged = SafetyAcknowledgement.objects.create(
                revision=revision,
                by=by,
                at=sent.at_most_now(field="passed_at") if sent else timezone.now(),
                answers={check["key"]: True for check in revision.checks},
                watcher=watcher.strip(),
                **_arrival(sent),
            )
    except IntegrityError:
        same = _passed_before(sent, by=by, revision=revision)
        if same is None:
            raise
        return same
    audit.record(by=by, verb="passed safety checks", subject=revision)
    return acknowledged


def _arrival(sent: Sent | None) -> dict[str, Any]:
    if sent is None:
        return {}
    return {
        "entry": sent.entry,
        "received_at": timezone.now(),
        "clock_offset_s": sent.clock_offset_s,
    }


def _passed_before(
    sent: Sent | None, *, by: User, revision: MethodRevision
) -> SafetyAcknowledgement | None:
    """What this entry became when it came before; None when nothing stands under its id."""
    standing = SafetyAcknowledgement.objects.filter(entry=sent.entry).first() if sent else None
    if standing is not None and (standing.by_id, standing.revision_id) != (by.pk, revision.pk):
        raise Conflict("Other checks were stored under this id; these were not.")
    return standing


@transaction.atomic
def void_run(
    *,
    by: User,
    run: Run,
    reason: str,
    note: str,
    value_was_known: bool,
    sent: Sent | None = None,
) -> RunVoid:
    """The run did not measure the thing. Everything is kept; it says why.

    Sent twice by the same person with the same words, it is the same void.
    """
    problems: dict[str, list[str]] = {}
    if reason not in RunVoid.Reason.values:
        problems["reason"] = ["Choose a reason from the list."]
    if not note.strip():
        problems["note"] = ["Say in a sentence what happened."]
    if problems:
        raise Refused(problems)
    content = {
        "reason": reason,
        "note": note.strip(),
        "value_was_known": value_was_known,
        "by": by,
    }
    try:
        with transaction.atomic():
            at = sent.at_most_now(field="voided_at") if sent else timezone.now()
            void = RunVoid.objects.create(run=run, at=at, **content, **_arrival(sent))
    except IntegrityError:
        # void already, or voided by somebody else just now; the same void again is no news
        same = RunVoid.objects.filter(run=run, **content).first()
        if same is not None:
            return same
        raise Refused("This run is void already.") from None
    audit.record(
        by=by,
        verb="voided run",
        subject=run,
        detail={"reason": reason, "note": note.strip(), "value_was_known": value_was_known},
    )
    mark_changed(run.study)
    return void


# --- readings --------------------------------------------------------------------------------


@dataclass(frozen=True)
class ReadingEntry:
    """A reading as it comes from the bench, before it is checked."""

    uuid: uuids.UUID
    run: Run
    raw: Mapping[str, Any]
    measured_at: datetime
    rater: str = ""
    note: str = ""
    supersedes: uuids.UUID | None = None
    reason: str = ""
    clock_offset_s: float | None = None  # already in `measured_at`
    entered_from: str = Reading.EnteredFrom.BENCH
    is_at_rig: bool = False  # typed where the specimen is: its check is asked for

    def content(self, by: User) -> dict[str, Any]:
        """What makes two entries the same entry."""
        # left out when unknown, so that readings from before it existed keep their digest
        later: dict[str, Any] = {}
        if self.clock_offset_s is not None:
            later["clock_offset_s"] = self.clock_offset_s
        if self.entered_from != Reading.EnteredFrom.BENCH:
            later["entered_from"] = self.entered_from
        return later | {
            "run": self.run.pk,
            "raw": dict(self.raw),
            "measured_at": self.measured_at.timestamp(),
            "rater": self.rater,
            "note": self.note,
            "supersedes": str(self.supersedes) if self.supersedes else None,
            "reason": self.reason,
            "by": by.pk,
        }


@dataclass(frozen=True)
class Recorded:
    """What became of an entry: stored now, stored before, or kept beside the standing one."""

    reading: Reading
    state: Literal["stored", "stored before", "kept as conflict"]


def record_reading(*, by: User, entry: ReadingEntry) -> Recorded:
    """Store a reading once, however often it is sent.

    The client makes the UUID. The same content again is the same reading; other content under
    the same UUID, or a second first reading of a run, is kept as a conflict for a person.
    """
    try:
        return _record_once(by=by, entry=entry)
    except IntegrityError:
        # another process stored the same UUID or the same place between our look and our write,
        # so a new look finds what stands
        return _record_once(by=by, entry=entry)


@transaction.atomic
def _record_once(*, by: User, entry: ReadingEntry) -> Recorded:
    content = entry.content(by)
    digest = digest_of(content)
    # one question for both that may stand in its way
    there = list(Reading.objects.filter(Q(pk=entry.uuid) | _first_of(entry)).order_by())
    for standing in there:
        if standing.pk == entry.uuid:
            return _met_by(standing, by=by, entry=entry, digest=digest)
    older = _check_entry(by=by, entry=entry)
    checked = checked_entry(entry.raw, entry.run.revision)
    taken = next(iter(there), None) if older is None else _standing_in_place_of(entry, older)
    if taken is not None:
        # it may be this very entry, stored by another process since our first look
        return _met_by(taken, by=by, entry=entry, digest=digest)
    if entry.is_at_rig and older is None and entry.run.revision.destructive:
        policies.check_specimen_looked_at(entry.run, at=entry.measured_at)
    reading = Reading.objects.create(
        **reading_fields(checked, entry.run.revision),
        uuid=entry.uuid,
        run=entry.run,
        raw=dict(entry.raw),
        rater=entry.rater,
        note=entry.note,
        measured_at=entry.measured_at,
        clock_offset_s=entry.clock_offset_s,
        entered_from=entry.entered_from,
        entered_at=timezone.now(),
        by=by,
        supersedes=older,
        reason=entry.reason.strip(),
        digest=digest,
    )
    audit.record(
        by=by,
        verb="amended reading" if older else "entered reading",
        subject=entry.run,
        detail={"reading": str(reading.pk), "words": reading.words, "reason": reading.reason},
    )
    mark_changed(entry.run.study)
    return Recorded(reading, "stored")


def checked_entry(raw: Mapping[str, Any], revision: MethodRevision) -> Entry:
    """The entry as interval or grade; its problems become `Refused`."""
    try:
        return entry_of(raw, revision.scale)
    except BadEntry as bad:
        raise Refused({field: [why] for field, why in bad.problems.items()}) from bad


def reading_fields(checked: Entry, revision: MethodRevision) -> dict[str, Any]:
    """The columns that follow from the checked entry; an infinite end is stored as empty."""
    bounds = checked.bounds
    open_top = bounds is not None and bounds.high == float("inf")
    return {
        "kind": revision.outcome_kind,
        "low": bounds.low if bounds else None,
        "high": bounds.high if bounds and not open_top else None,
        "grade": checked.grade,
        "words": checked.words,
    }


def _check_entry(*, by: User, entry: ReadingEntry) -> Reading | None:
    run = entry.run
    policies.check_study_takes_readings(run.study)
    policies.check_measured_at(entry.measured_at, run.study)
    # one taken before the void was decided belongs to the run, in whatever order they arrive
    if RunVoid.objects.filter(run=run, at__lt=entry.measured_at).exists():
        raise Refused({"": ["This run is void: a void run takes no more readings."]})
    graded = run.revision.outcome_kind == ReadingKind.GRADE
    if graded and not entry.rater.strip():
        raise Refused({"rater": ["Say who graded it."]})
    if entry.rater and not graded:
        raise Refused({"rater": ["Only grades have a rater."]})
    if entry.supersedes is None:
        # paper carries its own ticks, and who grades photos stands at no machine
        if entry.entered_from == Reading.EnteredFrom.BENCH:
            policies.check_safety_acknowledged(run.revision, by, at=entry.measured_at)
        return None
    older = Reading.objects.filter(pk=entry.supersedes, run=run).order_by("pk").first()
    if older is None and not Reading.objects.filter(pk=entry.supersedes).exists():
        raise NotYet({"supersedes": ["The reading to amend has not arrived."]}, waits_for="reading")
    if older is None:
        raise Refused({"supersedes": ["The reading to amend is not one of this run."]})
    if not entry.reason.strip():
        raise Refused({"reason": ["Say why the reading is amended."]})
    if entry.rater != older.rater:
        raise Refused({"rater": ["An amended grade keeps its rater."]})
    return older


def _standing_in_place_of(entry: ReadingEntry, older: Reading | None) -> Reading | None:
    if older is not None:
        return Reading.objects.filter(supersedes=older).order_by("pk").first()
    return Reading.objects.filter(_first_of(entry)).order_by("pk").first()


def _first_of(entry: ReadingEntry) -> Q:
    return Q(run=entry.run, rater=entry.rater, supersedes__isnull=True)


def _met_by(standing: Reading, *, by: User, entry: ReadingEntry, digest: str) -> Recorded:
    """What becomes of an entry whose place a stored reading holds."""
    if standing.pk == entry.uuid and standing.digest == digest:
        return Recorded(standing, "stored before")
    return _keep_conflict(by=by, entry=entry, standing=standing, digest=digest)


def _keep_conflict(*, by: User, entry: ReadingEntry, standing: Reading, digest: str) -> Recorded:
    _, is_new = ReadingConflict.objects.get_or_create(
        reading_uuid=entry.uuid,
        digest=digest,
        defaults={
            "run": entry.run,
            "standing": standing,
            "content": entry.content(by),
            "by": by,
            "received_at": timezone.now(),
        },
    )
    if is_new:
        audit.record(
            by=by,
            verb="sent a second reading",
            subject=entry.run,
            detail={"reading": str(entry.uuid), "standing": str(standing.pk)},
        )
    return Recorded(standing, "kept as conflict")


@transaction.atomic
def settle_conflict(
    *,
    by: User,
    conflict: ReadingConflict,
    note: str,
    takes: str = "the standing reading",
) -> ReadingConflict:
    """A person looked at both entries; `takes` says in words which of the two is right.

    The row is locked first, so that two people who settle at once settle once.
    """
    if not note.strip():
        raise Refused({"note": ["Say how it was settled."]})
    conflict = ReadingConflict.objects.select_for_update(of=("self",)).get(pk=conflict.pk)
    if conflict.settled_at is not None:
        raise Conflict("This was settled already.")
    conflict.settled_at = timezone.now()
    conflict.settled_by = by
    conflict.settled_note = note.strip()
    conflict.save(update_fields=["settled_at", "settled_by", "settled_note"])
    audit.record(
        by=by,
        verb="settled a second reading",
        subject=conflict.run,
        detail={
            "reading": str(conflict.reading_uuid),
            "takes": takes,
            "note": note.strip(),
        },
    )
    return conflict
