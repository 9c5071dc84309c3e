"""What the pages of plans, run sheets and progress show, as frozen dataclasses."""

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from typing import Any

from django.db.models import Exists, OuterRef, Prefetch, QuerySet

from specimens.models import Specimen
from specimens.words import count_words
from trials import planning
from trials.consumables import Stock, stock_of
from trials.lab_queries import Cell, StudyPage, study_page
from trials.models import (
    ArmSpecimen,
    ConsumableLot,
    MethodRevision,
    Plan,
    Reading,
    Run,
    Study,
    StudyAmendment,
    StudyLook,
)
from trials.plans.design import STAGE_WORDS, Slot
from trials.plans.sessions import minutes_of
from trials.queries import Fact, setting_fact
from trials.studies import is_finished


def duration_words(minutes: float) -> str:
    """Minutes as people plan with them: 3 h 20 min."""
    hours, rest = divmod(round(minutes), 60)
    if not hours:
        return f"{rest}\u00a0min"
    return f"{hours}\u00a0h" + (f" {rest}\u00a0min" if rest else "")


@dataclass(frozen=True)
class SlotLine:
    """A run of a plan with its words, and whether a person holds it."""

    name: str
    place: int
    specimen: str
    arm: str
    zone: str
    zone_name: str
    site: int
    is_kept: bool
    pinned_session: int | None
    pinned_zone: str
    zones: tuple[tuple[str, str], ...]
    is_told: bool


@dataclass(frozen=True)
class Block:
    """Runs of one method in a session: set up once."""

    key: str
    method: str
    control_material: str
    slots: tuple[SlotLine, ...]


@dataclass(frozen=True)
class Session:
    """A session of a plan."""

    number: int
    minutes_words: str
    blocks: tuple[Block, ...]

    @property
    def run_count(self) -> int:
        """Runs in the session, control runs not counted."""
        return sum(len(block.slots) for block in self.blocks)


@dataclass(frozen=True)
class BalanceRow:
    """How often a method meets a zone, by arm in the order of the arms."""

    method: str
    zone: str
    counts: tuple[int, ...]


@dataclass(frozen=True)
class PlanPage:
    """A plan as the lead sees it."""

    plan: Plan
    arms: tuple[str, ...]
    sessions: tuple[Session, ...]
    balance: tuple[BalanceRow, ...]
    missing: tuple[str, ...]
    broken: tuple[str, ...]
    uneven: tuple[str, ...]
    uses: tuple[str, ...]
    total_words: str

    @property
    def run_count(self) -> int:
        """All runs of the plan."""
        return sum(session.run_count for session in self.sessions)


def plan_page(plan: Plan) -> PlanPage:
    """The plan by session and method, with what it could not keep."""
    ask = planning.ask_of(plan.study, planning.wants_of(plan), seed=plan.seed)
    slots = planning.slots_of(plan)
    pins = {pin.slot: pin for pin in planning.pins_of(plan)}
    told = {name for note in plan.notes if note["kind"] == "broken" for name in note["slots"]}
    revisions = _revisions(plan.study)
    zones = _zones(plan.study)

    def line(slot: Slot) -> SlotLine:
        pin = pins.get(slot.name)
        return SlotLine(
            name=slot.name,
            place=slot.place,
            specimen=slot.specimen,
            arm=slot.arm,
            zone=slot.zone,
            zone_name=zones[slot.specimen].get((slot.zone), (slot.zone, frozenset()))[0],
            site=slot.site,
            is_kept=slot.is_kept,
            pinned_session=pin.session if pin else None,
            pinned_zone=(pin.zone or "") if pin else "",
            zones=tuple(
                (code, name)
                for code, (name, carried) in zones[slot.specimen].items()
                if slot.method in carried
            ),
            is_told=slot.name in told,
        )

    sessions = [
        Session(
            number,
            duration_words(minutes_of(ask, [slot.method for slot in own])),
            tuple(
                Block(
                    key,
                    revisions[key].method.name,
                    revisions[key].control_material,
                    tuple(line(slot) for slot in same),
                )
                for key, same in groupby(own, key=lambda slot: slot.method)
            ),
        )
        for number, own in _by_session(slots)
    ]
    total = sum(minutes_of(ask, [slot.method for slot in own]) for _, own in _by_session(slots))
    return PlanPage(
        plan=plan,
        arms=ask.arms,
        sessions=tuple(sessions),
        balance=_balance(slots, ask.arms, revisions),
        missing=_sentences(plan, "missing"),
        broken=_sentences(plan, "broken"),
        uneven=_sentences(plan, "uneven"),
        uses=tuple(_uses(sessions, revisions)),
        total_words=duration_words(total),
    )


# what careful labs keep beyond what a plan needs: common practice, no source
SPARE = 0.2


def _uses(sessions: Iterable[Session], revisions: Mapping[str, MethodRevision]) -> Iterable[str]:
    """What the plan uses up of each kind of consumable, and whether the lab has it."""
    runs, controls = Counter[str](), Counter[str]()
    for block in (block for session in sessions for block in session.blocks):
        for kind in revisions[block.key].needs_consumables:
            runs[kind] += len(block.slots)
            controls[kind] += 2 if block.control_material else 0
    for kind in sorted(runs):
        needed = runs[kind] + controls[kind]
        wanted = math.ceil(needed * (1 + SPARE))
        words = str(ConsumableLot.Kind(kind).label).capitalize()
        told = count_words(runs[kind], "run", "runs")
        if controls[kind]:
            told += f" and {count_words(controls[kind], 'control run', 'control runs')}"
        # each blow of rising steps trips another indicator, and nobody knows beforehand how many
        at_least = ", one a blow: at least" if kind == ConsumableLot.Kind.INDICATOR else ":"
        told += f"{at_least} {count_words(needed, 'use', 'uses')}"
        yield f"{words}, {told}. {_stock_words(stock_of(kind), needed, wanted)}"


def _stock_words(stock: Stock, needed: int, wanted: int) -> str:
    if not stock.pieces:
        return f"The lab has none on record: get enough for {wanted} uses, a fifth to spare."
    pieces = count_words(stock.pieces, "piece", "pieces")
    if stock.uses_left is None:
        return f"The lab has {pieces}, and no limit of use is on record for some."
    has = f"The lab has {pieces} with {count_words(stock.uses_left, 'use', 'uses')} left"
    if stock.uses_left < needed:
        return f"{has}: {needed - stock.uses_left} short. With a fifth to spare it takes {wanted}."
    if stock.uses_left < wanted:
        return f"{has}: enough, but less than a fifth to spare."
    return f"{has}: enough, with a fifth to spare."


def _by_session(slots: Iterable[Slot]) -> list[tuple[int, list[Slot]]]:
    ordered = sorted(slots, key=lambda slot: (slot.session, slot.place))
    return [(n, list(own)) for n, own in groupby(ordered, key=lambda slot: slot.session)]


def _revisions(study: Study) -> dict[str, MethodRevision]:
    used = study.study_methods.select_related("revision__method")
    return {one.revision.method.key: one.revision for one in used}


def _zones(study: Study) -> dict[str, dict[str, tuple[str, frozenset[str]]]]:
    specimens = Specimen.objects.filter(memberships__study=study).prefetch_related(
        "product__zones__capacities"
    )
    return {
        specimen.code: {
            zone.code: (zone.name, frozenset(one.method_key for one in zone.capacities.all()))
            for zone in specimen.product.zones.all()
        }
        for specimen in specimens
    }


def _balance(
    slots: Sequence[Slot], arms: Sequence[str], revisions: Mapping[str, MethodRevision]
) -> tuple[BalanceRow, ...]:
    counts = Counter((slot.method, slot.zone, slot.arm) for slot in slots)
    rows = dict.fromkeys((slot.method, slot.zone) for slot in sorted(slots, key=_stable))
    return tuple(
        BalanceRow(
            revisions[method].method.name, zone, tuple(counts[method, zone, arm] for arm in arms)
        )
        for method, zone in rows
    )


def _stable(slot: Slot) -> tuple[str, str]:
    return slot.method, slot.zone


def _sentences(plan: Plan, kind: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys(n["sentence"] for n in plan.notes if n["kind"] == kind))


# --- asking ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class MethodAsk:
    """A method of the study on the form of a plan."""

    key: str
    name: str
    stage: int
    stage_words: str
    minutes_words: str


def method_asks(study: Study) -> list[MethodAsk]:
    """The study's methods in the order of their stages."""
    asks = []
    for revision in _revisions(study).values():
        stage = planning.stage_of(revision)
        minutes, is_own = planning.usual_minutes(revision)
        source = "from this lab's earlier runs" if is_own else "as the method says"
        asks.append(
            MethodAsk(
                revision.method.key,
                revision.method.name,
                stage,
                STAGE_WORDS[stage],
                f"about {duration_words(minutes)} a run, {source}",
            )
        )
    return sorted(asks, key=lambda one: (one.stage, one.name))


# --- run sheet -------------------------------------------------------------------------------


@dataclass(frozen=True)
class SheetLine:
    """A line of a printed run sheet. `is_control` lines have no specimen of the study."""

    place: int
    what: str
    zone: str
    site: int
    state: str
    is_control: bool = False


@dataclass(frozen=True)
class SheetBlock:
    """A method of a printed run sheet, with what to set before its first run."""

    name: str
    number: int
    unit: str
    settings: tuple[Fact, ...]
    checks: tuple[str, ...]
    lines: tuple[SheetLine, ...]


@dataclass(frozen=True)
class PrintedSheet:
    """A session on paper."""

    study: Study
    session: int
    plan: Plan | None
    minutes_words: str
    blocks: tuple[SheetBlock, ...]
    sessions: tuple[int, ...]


def printed_sheet(study: Study, session: int) -> PrintedSheet | None:
    """The runs of one session in their order; None when it has none."""
    runs = list(planned_runs(study).filter(session=session).order_by("position", "pk"))
    if not runs:
        return None
    codes = shown_codes(study)
    blocks = tuple(
        _sheet_block(list(same), codes)
        for _, same in groupby(runs, key=lambda run: run.revision_id)
    )
    plan = runs[0].plan
    minutes = 0.0
    if plan is not None:
        ask = planning.ask_of(study, planning.wants_of(plan), seed=plan.seed)
        known = {method.key for method in ask.methods}
        keys = [run.revision.method.key for run in runs]
        minutes = minutes_of(ask, [key for key in keys if key in known])
    numbers = study.runs.filter(session__gt=0).values_list("session", flat=True)
    return PrintedSheet(
        study=study,
        session=session,
        plan=plan,
        minutes_words=duration_words(minutes),
        blocks=blocks,
        sessions=tuple(sorted(set(numbers))),
    )


def planned_runs(study: Study) -> QuerySet[Run]:
    """Runs with what a sheet shows of them."""
    return (
        Run.objects.filter(study=study)
        .select_related("revision__method", "zone", "specimen", "plan", "void")
        .annotate(is_read=Exists(Reading.objects.filter(run=OuterRef("pk"))))
    )


def shown_codes(study: Study) -> dict[int, str]:
    """What the bench calls each specimen: its own code, or the drawn one in a blind study."""
    members = ArmSpecimen.objects.filter(study=study).select_related("specimen")
    return {
        one.specimen_id: f"Item {one.blind_code}"
        if study.is_blind and one.blind_code
        else one.specimen.code
        for one in members
    }


def _sheet_block(runs: list[Run], codes: Mapping[int, str]) -> SheetBlock:
    revision = runs[0].revision
    lines = [
        SheetLine(
            place=run.position,
            what=codes[run.specimen_id],
            zone=run.zone.name,
            site=run.site,
            state="void" if hasattr(run, "void") else "read" if _is_read(run) else "",
        )
        for run in runs
    ]
    if revision.control_material:
        control = SheetLine(0, revision.control_material, "", 0, "", is_control=True)
        lines = [control, *lines, control]
    return SheetBlock(
        name=revision.method.name,
        number=revision.number,
        unit=revision.unit,
        settings=tuple(setting_fact(setting) for setting in revision.settings),
        checks=tuple(check["text"] for check in revision.checks),
        lines=tuple(lines),
    )


def _is_read(run: Run) -> bool:
    return bool(getattr(run, "is_read", False))


@dataclass(frozen=True)
class CodeRow:
    """A line of the key to the blind codes."""

    blind_code: str
    specimen: str
    arm: str
    product: str


def code_key(study: Study) -> list[CodeRow]:
    """Which number stands for which specimen."""
    members = (
        ArmSpecimen.objects.filter(study=study)
        .exclude(blind_code="")
        .select_related("specimen__product", "arm")
    )
    rows = [
        CodeRow(one.blind_code, one.specimen.code, one.arm.label, str(one.specimen.product))
        for one in members
    ]
    return sorted(rows, key=lambda row: int(row.blind_code))


# --- progress --------------------------------------------------------------------------------


@dataclass(frozen=True)
class Waiting:
    """Something that stands between the study and its end, with where to go for it."""

    sentence: str
    kind: str  # plan, lost, void, conflict


@dataclass(frozen=True)
class ProgressPage:
    """How far a study is, on one page."""

    page: StudyPage
    total: Cell
    waiting: tuple[Waiting, ...]
    sessions: tuple[tuple[int, int, int], ...]  # number, read or void, all
    plans: tuple[Plan, ...]
    draft: Plan | None
    amendments: tuple[StudyAmendment, ...]
    looks: tuple[StudyLook, ...]
    out_of_order: int
    is_finished: bool
    last_reading_at: datetime | None

    @property
    def left(self) -> int:
        """Runs neither read nor void."""
        return self.total.planned - self.total.read - self.total.void


def progress_page(study: Study) -> ProgressPage:
    """Planned, done, void and missing; a handful of queries however many runs."""
    page = study_page(study)
    cells = [cell for arm in page.arms for cell in arm.cells]
    total = Cell(
        sum(c.planned for c in cells), sum(c.read for c in cells), sum(c.void for c in cells)
    )
    runs = planned_with_first_readings(study)
    plans = tuple(study.plans.select_related("made_by"))
    last = Reading.objects.filter(run__study=study).order_by("measured_at").last()
    return ProgressPage(
        page=page,
        total=total,
        waiting=tuple(_waiting(study, page, runs, plans)),
        sessions=tuple(_session_counts(runs)),
        plans=plans,
        draft=next((plan for plan in plans if plan.state == Plan.State.DRAFT), None),
        amendments=tuple(study.amendments.select_related("by")),
        looks=tuple(study.looks.select_related("by")),
        out_of_order=out_of_order(runs),
        is_finished=is_finished(study),
        last_reading_at=last.measured_at if last else None,
    )


def _waiting(
    study: Study, page: StudyPage, runs: Sequence[Run], plans: Sequence[Plan]
) -> Iterable[Waiting]:
    lost = sorted(
        {
            run.specimen.code
            for run in runs
            if run.specimen.retired_on and not _is_read(run) and not hasattr(run, "void")
        }
    )
    for code in lost:
        yield Waiting(
            f"{code} is used up or lost and still has runs on the sheet: draw the plan again.",
            "lost",
        )
    in_force = next((plan for plan in plans if plan.state == Plan.State.IN_FORCE), None)
    if in_force is None:
        yield Waiting("No plan is in force.", "plan")
    else:
        yield from _voids(in_force, runs)
    if page.conflict_count:
        noun = "second reading waits" if page.conflict_count == 1 else "second readings wait"
        yield Waiting(f"{page.conflict_count} {noun} to be settled.", "conflict")


def _voids(in_force: Plan, runs: Sequence[Run]) -> Iterable[Waiting]:
    wanted: Mapping[str, int] = in_force.ask["wants"]["runs_each"]
    void = [run for run in runs if hasattr(run, "void") and not run.specimen.retired_on]
    valid = Counter(
        (run.specimen.code, run.revision.method.key) for run in runs if not hasattr(run, "void")
    )
    lacking = [
        run
        for run in void
        if valid[run.specimen.code, run.revision.method.key]
        < wanted.get(run.revision.method.key, 0)
    ]
    for run in lacking:
        yield Waiting(
            f"{run.revision.method.name} on {run.specimen.code} is void and nothing stands in for "
            "it: draw the plan again.",
            "void",
        )


def _session_counts(runs: Sequence[Run]) -> Iterable[tuple[int, int, int]]:
    ordered = sorted((run for run in runs if run.session), key=lambda run: run.session)
    for number, own in groupby(ordered, key=lambda run: run.session):
        listed = list(own)
        over = sum(_is_read(run) or hasattr(run, "void") for run in listed)
        yield number, over, len(listed)


def planned_with_first_readings(study: Study) -> list[Run]:
    """All runs in the order of the sheet, each with its first readings."""
    first = Prefetch("readings", Reading.objects.filter(supersedes__isnull=True))
    return list(planned_runs(study).prefetch_related(first).order_by("position"))


def out_of_order(runs: Sequence[Run]) -> int:
    """Readings that came before one that the plan had put earlier."""
    times: list[Any] = [
        min(reading.measured_at for reading in run.readings.all())
        for run in runs
        if run.plan_id and run.readings.all()
    ]
    count, latest = 0, None
    for at in times:
        if latest is not None and at < latest:
            count += 1
        latest = at if latest is None else max(at, latest)
    return count
