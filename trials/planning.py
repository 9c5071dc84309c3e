"""Plans of a study: drawn, changed by hand, put on the sheet and drawn again."""

import secrets
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import timedelta
from itertools import pairwise
from statistics import median
from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import Exists, Max, OuterRef, ProtectedError
from django.utils import timezone

from labsite import audit
from labsite.errors import Conflict, Refused
from labsite.models import User
from trials.actions import digest_of
from trials.models import ArmSpecimen, MethodRevision, Plan, Reading, Run, RunVoid, Study
from trials.plans.blind import blind_codes
from trials.plans.design import (
    ABRASION,
    STAGE_WORDS,
    WATER,
    WHOLE,
    Ask,
    Held,
    Item,
    MethodNeed,
    Pin,
    Planned,
    Slot,
    Spoils,
    ZoneSpace,
)
from trials.plans.families import ALL, rule_words, spoils_of, stage_of_family, wets
from trials.plans.solve import solve

SETUP_MINUTES = 10
SESSION_MINUTES = 240
MOST_SESSION_MINUTES = 1440
MOST_RUNS_EACH = 20
SEEDS = 10**9
# where shipped methods stand whose revision was put in force before it named its family
STAGES = {
    "water-uptake": WATER,
    "seam-opening": 3,
    "padding-drop": 4,
    "point-challenge": 5,
    "belt-abrasion": ABRASION,
    "contact-heat": 7,
    "flame-grade": 8,
}
FEWEST_GAPS = 5  # runs in a row before the lab's own pace is believed
LONGEST_GAP = timedelta(hours=3)  # what is longer was a break


@dataclass(frozen=True, kw_only=True)
class Wants:
    """What a person asks of a plan. Mappings go by the method's key."""

    runs_each: Mapping[str, int]
    session_minutes: int = SESSION_MINUTES
    setup_minutes: int = SETUP_MINUTES
    stages: Mapping[str, int] = field(default_factory=dict)

    def as_json(self) -> dict[str, Any]:
        """As a plan keeps it."""
        return {name: dict(v) if isinstance(v, Mapping) else v for name, v in asdict(self).items()}


def stage_of(revision: MethodRevision) -> int:
    """The place of a method in the order, unless a person says otherwise."""
    named = stage_of_family(revision.work_family)
    if named is not None:
        return named
    return STAGES.get(revision.method.key, ABRASION if revision.destructive else WHOLE)


def usual_minutes(revision: MethodRevision) -> tuple[float, bool]:
    """Minutes of one run and whether the lab's own earlier runs say so.

    The median time from one reading to the next of the same person on one day; the method's own
    figure until there are `FEWEST_GAPS` such gaps.
    """
    rows = (
        Reading.objects.filter(run__revision__method=revision.method, supersedes__isnull=True)
        .order_by("by", "measured_at")
        .values_list("by", "measured_at")
    )
    gaps = [
        later - earlier
        for (one, earlier), (other, later) in pairwise(rows)
        if one == other and timezone.localdate(earlier) == timezone.localdate(later)
    ]
    counted = [gap for gap in gaps if timedelta(0) < gap <= LONGEST_GAP]
    if len(counted) < FEWEST_GAPS:
        return float(revision.minutes), False
    return max(1.0, round(median(gap.total_seconds() for gap in counted) / 60, 1)), True


# --- from the record to an ask ---------------------------------------------------------------


def ask_of(study: Study, wants: Wants, *, seed: int, pins: Sequence[Pin] = ()) -> Ask:
    """Everything the planner needs to know, read from the record as it stands now."""
    used = [
        one.revision
        for one in study.study_methods.select_related("revision__method")
        if wants.runs_each.get(one.revision.method.key, 0) > 0
    ]
    needs = tuple(_need(revision, wants) for revision in used)
    members = list(
        ArmSpecimen.objects.filter(study=study, specimen__retired_on__isnull=True)
        .select_related("arm", "specimen__product")
        .prefetch_related("specimen__product__zones__capacities")
        .order_by("specimen__code")
    )
    runs_of: dict[int, list[Run]] = defaultdict(list)
    for run in _runs_on(members):
        runs_of[run.specimen_id].append(run)
    keys = {need.key for need in needs}
    held = tuple(_held(study, runs_of, keys))
    waiting = frozenset(
        run.pk
        for runs in runs_of.values()
        for run in runs
        if run.study_id == study.pk
        and run.revision.method.key in keys
        and not _flag(run, "is_read")
        and not _flag(run, "is_void")
    )
    return Ask(
        arms=tuple(
            arm.label for arm in sorted(study.arms.all(), key=lambda a: (not a.is_baseline, a.pk))
        ),
        items=tuple(_item(one, runs_of[one.specimen_id], needs, waiting) for one in members),
        methods=needs,
        session_minutes=float(wants.session_minutes),
        seed=seed,
        pins=tuple(pins),
        held=held,
        first_session=_first_session(study),
    )


def _need(revision: MethodRevision, wants: Wants) -> MethodNeed:
    key = revision.method.key
    stage = wants.stages.get(key, stage_of(revision))
    minutes, _ = usual_minutes(revision)
    return MethodNeed(
        key=key,
        name=revision.method.name,
        stage=stage,
        spoils=_spoils(revision),
        wets=wets(revision.spoils_rules) or (not revision.spoils_rules and stage == WATER),
        runs_each=wants.runs_each[key],
        minutes=minutes,
        setup_minutes=float(wants.setup_minutes),
        control_minutes=minutes if revision.control_material else 0.0,
    )


def spoils_words(revision: MethodRevision) -> list[str]:
    """What may not follow a run, as sentences; what a method without rules means is said too."""
    if not revision.spoils_rules and revision.destructive:
        return rule_words([{"reach": "site", "families": [ALL]}])
    return rule_words(revision.spoils_rules)


def _spoils(revision: MethodRevision) -> Spoils:
    return spoils_of(revision.spoils_rules, destructive=revision.destructive)


def _runs_on(members: Iterable[ArmSpecimen]) -> Iterable[Run]:
    return (
        Run.objects.filter(specimen__in=[one.specimen_id for one in members])
        .select_related("revision__method", "zone", "specimen")
        .annotate(
            is_read=Exists(Reading.objects.filter(run=OuterRef("pk"))),
            is_void=Exists(RunVoid.objects.filter(run=OuterRef("pk"))),
        )
        .order_by("pk")
    )


def _item(
    member: ArmSpecimen, runs: Sequence[Run], needs: Sequence[MethodNeed], waiting: frozenset[int]
) -> Item:
    return Item(
        code=member.specimen.code,
        arm=member.arm.label,
        product=str(member.specimen.product),
        zones=tuple(
            _space(zone, runs, needs, waiting) for zone in member.specimen.product.zones.all()
        ),
    )


def _space(
    zone: Any, runs: Sequence[Run], needs: Sequence[MethodNeed], waiting: frozenset[int]
) -> ZoneSpace:
    """A zone with what is gone of it. `waiting` are runs that the plan itself holds."""
    sites = {one.method_key: one.site_count for one in zone.capacities.all()}
    gone: dict[str, set[int]] = defaultdict(set)
    spoiled: dict[str, float] = defaultdict(float)
    for run in runs:
        key = run.revision.method.key
        is_here = run.zone_id == zone.pk
        if is_here:
            gone[key].add(run.site)
        if run.pk in waiting:
            continue
        spoils = _spoils(run.revision)
        for need in needs:
            wide = spoils.specimen | (spoils.zone if is_here else frozenset())
            if need.key != key and need.stage in wide:
                spoiled[need.key] = 1.0
            elif is_here and key in sites and need.stage in spoils.site:
                spoiled[need.key] += 1 / sites[key]
    return ZoneSpace(
        code=zone.code,
        name=zone.name,
        side=zone.side,
        sites=sites,
        free={
            key: tuple(n for n in range(1, count + 1) if n not in gone[key])
            for key, count in sites.items()
        },
        spoiled={key: min(1.0, share) for key, share in spoiled.items()},
    )


def _held(study: Study, runs_of: Mapping[int, Sequence[Run]], keys: set[str]) -> Iterable[Held]:
    numbers: dict[tuple[str, str], int] = defaultdict(int)
    for runs in runs_of.values():
        for run in runs:
            key = run.revision.method.key
            if run.study_id != study.pk or key not in keys or _flag(run, "is_void"):
                continue
            numbers[run.specimen.code, key] += 1
            yield Held(
                specimen=run.specimen.code,
                method=key,
                number=numbers[run.specimen.code, key],
                zone=run.zone.code,
                site=run.site,
                is_read=_flag(run, "is_read"),
                session=run.session,
            )


def _flag(run: Run, name: str) -> bool:
    return bool(getattr(run, name))


def _first_session(study: Study) -> int:
    """The session after the last one in which anything was read or found void."""
    worked = study.runs.filter(readings__isnull=False) | study.runs.filter(void__isnull=False)
    last = worked.aggregate(last=Max("session"))["last"]
    return (last or 0) + 1


# --- drawing a plan --------------------------------------------------------------------------


@transaction.atomic
def draw_plan(
    *, by: User, study: Study, wants: Wants, seed: int | None = None, reason: str = ""
) -> Plan:
    """A draft, in place of any draft there is. Nothing is on the sheet yet."""
    _check_wants(study, wants)
    if study.plans.filter(state=Plan.State.IN_FORCE).exists() and not reason.strip():
        raise Refused({"reason": ["A plan is in force: say why another takes its place."]})
    drawn = secrets.randbelow(SEEDS) if seed is None else seed
    ask = ask_of(study, wants, seed=drawn)
    planned = _solved(ask)
    study.plans.filter(state=Plan.State.DRAFT).delete()
    last = study.plans.aggregate(last=Max("number"))["last"] or 0
    plan = Plan.objects.create(
        study=study,
        number=last + 1,
        seed=drawn,
        ask={"wants": wants.as_json(), "pins": [], "basis": basis_of(ask)},
        reason=reason.strip(),
        made_at=timezone.now(),
        made_by=by,
        **_outcome(planned),
    )
    audit.record(by=by, verb="drew plan", subject=plan, detail={"seed": drawn})
    return plan


@transaction.atomic
def pin_slot(
    *, by: User, plan: Plan, slot: str, session: int | None = None, zone: str = ""
) -> Plan:
    """Hold one run in a session or zone, or let it go, and solve the rest around it."""
    plan = Plan.objects.select_for_update(of=("self",)).get(pk=plan.pk)
    _check_draft(plan)
    known = {one["name"]: one for one in plan.slots}
    if slot not in known:
        raise Refused("This run is not in the plan.")
    if known[slot]["is_kept"] and zone:
        raise Refused({"zone": ["This run is on the sheet already: its zone stands."]})
    if session is not None and not 1 <= session <= 200:
        raise Refused({"session": ["A session between 1 and 200."]})
    pins = [pin for pin in pins_of(plan) if pin.slot != slot]
    if session is not None or zone:
        pins.append(Pin(slot=slot, session=session, zone=zone or None))
    ask = ask_of(plan.study, wants_of(plan), seed=plan.seed, pins=pins)
    if zone and zone not in {one.code for one in ask.item(slot.split(":")[0]).zones}:
        raise Refused({"zone": [f"There is no zone '{zone}' on this specimen."]})
    for name, value in _outcome(_solved(ask)).items():
        setattr(plan, name, value)
    plan.ask = {**plan.ask, "pins": [asdict(pin) for pin in pins], "basis": basis_of(ask)}
    plan.save(update_fields=["slots", "notes", "ask"])
    audit.record(
        by=by,
        verb="pinned run",
        subject=plan,
        detail={"run": slot, "session": session, "zone": zone},
    )
    return plan


def wants_of(plan: Plan) -> Wants:
    """What was asked, as it was written."""
    return Wants(**plan.ask["wants"])


def pins_of(plan: Plan) -> list[Pin]:
    """What a person holds in place."""
    return [Pin(**pin) for pin in plan.ask["pins"]]


def solved_again(plan: Plan) -> Planned:
    """The plan drawn once more from its ask and seed, for comparing."""
    return _solved(ask_of(plan.study, wants_of(plan), seed=plan.seed, pins=pins_of(plan)))


def basis_of(ask: Ask) -> str:
    """A digest of the record that the plan was drawn on: when it differs, the plan is stale."""
    told = asdict(replace(ask, pins=(), seed=0))
    for method in told["methods"]:
        method["spoils"] = {reach: sorted(stages) for reach, stages in method["spoils"].items()}
    return digest_of(told)


def _check_wants(study: Study, wants: Wants) -> None:
    problems: dict[str, list[str]] = {}
    keys = set(study.study_methods.values_list("revision__method__key", flat=True))
    for key, count in wants.runs_each.items():
        if key not in keys:
            problems[f"runs_{key}"] = ["This study has no such method."]
        elif not 0 <= count <= MOST_RUNS_EACH:
            problems[f"runs_{key}"] = [f"Between 0 and {MOST_RUNS_EACH} runs."]
    if not any(wants.runs_each.values()):
        problems[""] = ["Ask for at least one run of one method."]
    for key, stage in wants.stages.items():
        if stage not in STAGE_WORDS:
            problems[f"stage_{key}"] = ["Choose from the list."]
    if not 10 <= wants.session_minutes <= MOST_SESSION_MINUTES:
        problems["session_minutes"] = [f"Between 10 and {MOST_SESSION_MINUTES} minutes."]
    if not 0 <= wants.setup_minutes <= MOST_SESSION_MINUTES:
        problems["setup_minutes"] = [f"Between 0 and {MOST_SESSION_MINUTES} minutes."]
    if problems:
        raise Refused(problems)


def _check_draft(plan: Plan) -> None:
    if plan.state != Plan.State.DRAFT:
        raise Conflict("This plan is on the sheet already: draw a new one to change it.")


def _solved(ask: Ask) -> Planned:
    try:
        return solve(ask)
    except ValueError as why:
        raise Refused(str(why)) from why
    except TimeoutError as why:
        raise Refused(
            "No plan was found in 30 seconds. Plan fewer methods or specimens at once."
        ) from why


def _outcome(planned: Planned) -> dict[str, Any]:
    return {
        "slots": [asdict(slot) | {"name": slot.name} for slot in planned.slots],
        "notes": [asdict(note) for note in planned.notes],
    }


def slots_of(plan: Plan) -> tuple[Slot, ...]:
    """The slots as the planner makes them."""
    return tuple(
        Slot(**{name: value for name, value in slot.items() if name != "name"})
        for slot in plan.slots
    )


# --- putting it on the sheet -----------------------------------------------------------------


@transaction.atomic
def accept_plan(*, by: User, plan: Plan) -> Plan:
    """Put the draft on the sheet: all of it or nothing.

    Runs on the sheet that the plan no longer has, because their specimen is lost, come off it;
    anything read or void stays for ever.
    """
    study = Study.objects.select_for_update(of=("self",)).get(pk=plan.study_id)
    plan = Plan.objects.select_for_update(of=("self",)).get(pk=plan.pk)
    _check_draft(plan)
    now = ask_of(study, wants_of(plan), seed=plan.seed)
    if basis_of(now) != plan.ask["basis"]:
        raise Conflict("The record has changed since this plan was drawn: draw it again.")
    slots = slots_of(plan)
    if not slots:
        raise Refused("There is nothing in this plan to put on the sheet.")
    study.plans.filter(state=Plan.State.IN_FORCE).update(state=Plan.State.REPLACED)
    plan.state = Plan.State.IN_FORCE
    plan.save(update_fields=["state"])
    if study.is_blind:
        give_blind_codes(study, seed=plan.seed)
    waiting = {
        (run.specimen.code, run.revision.method.key, run.zone.code, run.site): run
        for run in waiting_runs(study).select_related("specimen", "zone", "revision__method")
    }
    first = study.runs.exclude(pk__in=[run.pk for run in waiting.values()])
    start = first.aggregate(last=Max("position"))["last"] or 0
    new = []
    for slot in slots:
        place = {"position": start + slot.place, "session": slot.session, "plan": plan}
        kept = waiting.pop((slot.specimen, slot.method, slot.zone, slot.site), None)
        if kept is None:
            new.append((slot, place))
        else:
            Run.objects.filter(pk=kept.pk).update(**place)
    dropped = _take_off(waiting.values(), plan)
    _put_on(by=by, study=study, new=new)
    audit.record(
        by=by,
        verb="put plan on the sheet",
        subject=plan,
        detail={"seed": plan.seed, "runs": len(slots), "new": len(new), "taken off": dropped},
    )
    return plan


def waiting_runs(study: Study) -> Any:
    """Runs on the sheet that nothing has come of: no reading and no void."""
    return study.runs.filter(readings__isnull=True, void__isnull=True)


def give_blind_codes(study: Study, *, seed: int) -> None:
    """A drawn number for every specimen of the study that has none."""
    members = ArmSpecimen.objects.filter(study=study).select_related("specimen")
    without = {one.specimen.code: one for one in members if not one.blind_code}
    taken = [one.blind_code for one in members if one.blind_code]
    for code, number in blind_codes(sorted(without), seed=seed, taken=taken).items():
        ArmSpecimen.objects.filter(pk=without[code].pk).update(blind_code=number)


def _take_off(runs: Iterable[Run], plan: Plan) -> list[str]:
    keys = set(plan.ask["wants"]["runs_each"])
    dropped = []
    for run in runs:
        # a run of a method that this plan is not about stays where it is
        if (
            run.revision.method.key not in keys
            or not plan.ask["wants"]["runs_each"][run.revision.method.key]
        ):
            continue
        words = str(run)
        try:
            run.delete()
        except ProtectedError as why:
            raise Conflict(f"{words} has records already: void it instead.") from why
        dropped.append(words)
    return dropped


def _put_on(*, by: User, study: Study, new: Sequence[tuple[Slot, dict[str, Any]]]) -> None:
    members = {
        one.specimen.code: one.specimen
        for one in ArmSpecimen.objects.filter(study=study)
        .select_related("specimen__product")
        .prefetch_related("specimen__product__zones")
    }
    zones = {
        (code, zone.code): zone
        for code, specimen in members.items()
        for zone in specimen.product.zones.all()
    }
    revisions = {
        one.revision.method.key: one.revision
        for one in study.study_methods.select_related("revision__method")
    }
    try:
        with transaction.atomic():
            Run.objects.bulk_create(
                Run(
                    study=study,
                    revision=revisions[slot.method],
                    specimen=members[slot.specimen],
                    zone=zones[slot.specimen, slot.zone],
                    site=slot.site,
                    planned_by=by,
                    **place,
                )
                for slot, place in new
            )
    except IntegrityError as why:
        raise Conflict("A site was taken since this plan was drawn: draw it again.") from why
