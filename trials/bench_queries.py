"""What the entry page of a run shows beside the entry itself: sketch, prompts, evidence, witness."""

from dataclasses import dataclass
from functools import cache
from itertools import groupby
from pathlib import Path
from typing import Any

from django.db.models import Exists, OuterRef

from labsite.models import User
from specimens.models import Zone
from trials.models import (
    MethodRevision,
    Reading,
    ReadingConfirmation,
    Run,
    SafetyAcknowledgement,
    SecondKeying,
    Study,
    VideoMark,
)
from trials.photos import PhotoLine, marks_of, photos_of
from trials.phrases import phrases_for
from trials.physics.units import written
from trials.quality_queries import MadeWith, made_with
from trials.queries import RunLine, for_bench, run_line, wanted_code
from trials.safety import Prompts, prompts_of
from trials.sketches import Sketch, sketch_of

GRADE_PICTURES = Path(__file__).parent / "static" / "trials" / "grades"
WATCHER_CHECK = "second_person"
MOST_MARKS = 50
TODAY_AT_MOST = 60


@dataclass(frozen=True)
class ZoneName:
    """A zone that carries the run's method, to choose from at the rig."""

    code: str
    words: str


@dataclass(frozen=True)
class GradePicture:
    """A grade with its words and, where we drew one, its reference picture."""

    grade: int
    words: str
    picture: str  # path under the static files, or empty


@dataclass(frozen=True)
class KeyField:
    """One box in which the second person types the reading again, or chooses."""

    name: str
    words: str
    choices: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class ToConfirm:
    """A reading that waits for a second person, and whether this person may be it.

    With `fields` they type it themselves; `differing` is what was typed and was not the same.
    """

    reading: Reading
    is_own: bool
    fields: tuple[KeyField, ...] = ()
    differing: tuple[SecondKeying, ...] = ()


@dataclass(frozen=True)
class Shot:
    """What one challenge of a series came to, in the order of `at`, in ms since 1970."""

    run: int
    level: float
    outcome: str
    at: float


@dataclass(frozen=True)
class ShotSeries:
    """A method that goes up and down: the shots of one arm, and all its runs that are not void."""

    told: tuple[Shot, ...]
    runs: tuple[int, ...]


@dataclass(frozen=True)
class BenchAids:
    """Everything around the entry of one run."""

    wanted_code: str
    is_blind: bool
    asks_specimen: bool
    zones: tuple[ZoneName, ...]
    zone: str
    sketch: Sketch | None
    prompts: Prompts
    reads: dict[str, float]
    usual: dict[str, float | None]
    step_rule: dict[str, Any]
    shots: ShotSeries | None
    asks_watcher: bool
    watcher: str
    phrases: tuple[str, ...]
    grades: tuple[GradePicture, ...]
    photos: tuple[PhotoLine, ...]
    marks: tuple[VideoMark, ...]
    to_confirm: tuple[ToConfirm, ...]
    confirmations: tuple[ReadingConfirmation, ...]


def bench_aids(run: Run, user: User) -> BenchAids:
    """The aids of a run fetched with its study, specimen's product, zone and revision."""
    revision = run.revision
    product = run.specimen.product
    readings = list(
        Reading.objects.current().filter(run=run).select_related("by", "confirmation__by")
    )
    confirmed = [one.confirmation for one in readings if hasattr(one, "confirmation")]
    waiting = [one for one in readings if not hasattr(one, "confirmation")]
    is_void = hasattr(run, "void")
    return BenchAids(
        wanted_code=wanted_code(run),
        is_blind=run.study.is_blind,
        zones=tuple(_zone_names(run)),
        zone=run.zone.code,
        sketch=sketch_of(
            product.kind,
            code=run.zone.code,
            name=run.zone.name,
            side="" if run.zone.side == Zone.Side.NONE else run.zone.side,
        ),
        photos=photos_of(run),
        marks=tuple(marks_of(run)[:MOST_MARKS]),
        shots=shot_series(run),
        to_confirm=tuple(_to_confirm(one, revision, user) for one in waiting)
        if (revision.needs_second_person or revision.keyed_twice) and not is_void
        else (),
        confirmations=tuple(confirmed),
        **_method_aids(revision, user),
    )


def added_run_aids(study: Study, revision: MethodRevision, user: User) -> BenchAids:
    """The aids of a run that was added on a tablet: those of its method."""
    zones = Zone.objects.filter(
        product__specimens__memberships__study=study,
        capacities__method_key=revision.method.key,
    ).distinct()
    return BenchAids(
        wanted_code="",
        is_blind=False,
        zones=tuple(_zone_name(zone) for zone in zones),
        zone="",
        sketch=None,
        photos=(),
        marks=(),
        shots=None,
        to_confirm=(),
        confirmations=(),
        **_method_aids(revision, user),
    )


def shot_series(run: Run) -> ShotSeries | None:
    """Where the run's method goes up and down: what its arm's shots were so far.

    Each arm climbs for itself. A blind study has no series, because its runs would tell which specimens
    belong together.
    """
    if not run.revision.step_rule.get("up_and_down") or run.study.is_blind:
        return None
    same = Run.objects.valid().filter(
        study=run.study,
        revision__method=run.revision.method,
        specimen__memberships__arm__members__specimen=run.specimen,
        specimen__memberships__arm__study=run.study,
    )
    readings = Reading.objects.filter(run__in=same).order_by("measured_at")
    first_at: dict[int, float] = {}
    for reading in readings:
        first_at.setdefault(reading.run_id, reading.measured_at.timestamp() * 1000)
    told = tuple(
        Shot(one.run_id, float(one.raw["level"]), one.raw["outcome"], first_at[one.run_id])
        for one in readings.current()
    )
    return ShotSeries(told, tuple(same.values_list("pk", flat=True)))


def _method_aids(revision: MethodRevision, user: User) -> dict[str, Any]:
    return {
        "asks_specimen": revision.destructive,
        "prompts": prompts_of(
            revision.hazard_family, tuple(revision.stop_if), tuple(revision.after_run)
        ),
        "reads": {"low": revision.range_low, "high": revision.range_high},
        "usual": {"low": revision.plausible_low, "high": revision.plausible_high},
        "step_rule": dict(revision.step_rule),
        "asks_watcher": any(check["key"] == WATCHER_CHECK for check in revision.checks),
        "watcher": _last_watcher(user),
        "phrases": phrases_for(revision.hazard_family),
        "grades": grade_pictures(revision.method.key, revision.grade_scale),
    }


def for_aids(run_id: int, slug: str) -> Run:
    """The run with what `bench_aids` reads; raises `Run.DoesNotExist`."""
    return (
        Run.objects.filter(pk=run_id, study__slug=slug)
        .select_related("study", "specimen__product", "zone", "revision__method", "void")
        .get()
    )


def _zone_names(run: Run) -> list[ZoneName]:
    zones = Zone.objects.filter(
        product=run.specimen.product_id, capacities__method_key=run.revision.method.key
    )
    names = [_zone_name(zone) for zone in zones]
    if run.zone.code not in {zone.code for zone in names}:
        names.append(ZoneName(run.zone.code, run.zone.name))
    return names


def _to_confirm(reading: Reading, revision: MethodRevision, user: User) -> ToConfirm:
    is_own = reading.by_id == user.pk
    if not revision.keyed_twice:
        return ToConfirm(reading, is_own)
    differing = reading.second_keyings.filter(agrees=False).select_related("by")
    return ToConfirm(reading, is_own, key_fields(revision), tuple(differing))


def key_fields(revision: MethodRevision) -> tuple[KeyField, ...]:
    """The boxes of a raw entry of this method, as a second person types it."""
    unit = written(revision.unit)
    levels = tuple((f"{level:g}", f"{level:g} {unit}") for level in revision.levels)
    ended = (("failed", "failed"), ("stopped", "stopped before it failed"))
    held = (("held", "held"), ("failed", "failed"))
    grades = tuple(
        (str(one["grade"]), f"{one['grade']}: {one['words']}") for one in revision.grade_scale
    )
    fields = {
        "value": [KeyField("value", f"Value, in {unit}")],
        "timer": [KeyField("seconds", "Seconds"), KeyField("ended", "How it ended", ended)],
        "tally": [KeyField("turns", "Turns"), KeyField("ended", "How it ended", ended)],
        "rising_steps": [
            KeyField("held_at", f"Highest level held, in {unit}", levels),
            KeyField("failed_at", f"Level failed at, in {unit}", levels),
        ],
        "challenge": [
            KeyField("level", f"Level, in {unit}", levels),
            KeyField("outcome", "What happened", held),
        ],
        "mass_gain": [
            KeyField("before_g", "Mass before, in g"),
            KeyField("after_g", "Mass after, in g"),
        ],
        "grade": [KeyField("grade", "Grade", grades)],
    }
    return tuple(fields[revision.outcome_kind])


def _zone_name(zone: Zone) -> ZoneName:
    side = "" if zone.side == Zone.Side.NONE else f", {zone.side}"
    return ZoneName(zone.code, f"{zone.name}{side}")


def _last_watcher(user: User) -> str:
    last = SafetyAcknowledgement.objects.filter(by=user).exclude(watcher="").order_by("at").last()
    return last.watcher if last else ""


def grade_pictures(key: str, scale: list[dict[str, Any]]) -> tuple[GradePicture, ...]:
    """The grades of a method, each with its reference picture where there is one."""
    drawn = _drawn()
    return tuple(
        GradePicture(
            step["grade"],
            step["words"],
            f"trials/grades/{name}" if (name := f"{key}-{step['grade']}.svg") in drawn else "",
        )
        for step in scale
    )


@cache
def _drawn() -> frozenset[str]:
    return frozenset(path.name for path in GRADE_PICTURES.glob("*.svg"))


# --- today's runs ----------------------------------------------------------------------------


@dataclass(frozen=True)
class TodayBlock:
    """Runs in a row of one method: set up once."""

    method: str
    runs: tuple[RunLine, ...]
    made_with: tuple[MadeWith, ...]


@dataclass(frozen=True)
class Today:
    """What is to be done at the bench now, in the order of the sheet."""

    session: int  # 0 when no plan made sessions
    done_count: int
    all_count: int
    blocks: tuple[TodayBlock, ...]
    left_out: int

    @property
    def runs(self) -> tuple[RunLine, ...]:
        """All of them, in order."""
        return tuple(run for block in self.blocks for run in block.runs)


def today(study: Study) -> Today:
    """The first session of the plan that has something to do, else the runs in sheet order."""
    is_read = Exists(Reading.objects.filter(run=OuterRef("pk")))
    runs = Run.objects.filter(study=study).annotate(is_read=is_read)
    waiting = runs.filter(void__isnull=True, is_read=False)
    session = (
        waiting.filter(session__gt=0).order_by("session").values_list("session", flat=True).first()
    )
    own = runs.filter(session=session) if session else runs
    to_do = for_bench(own.filter(void__isnull=True, is_read=False).order_by("position", "pk"))
    shown = list(to_do[:TODAY_AT_MOST])
    equipment = made_with(shown)
    blocks = tuple(
        TodayBlock(
            revision.method.name,
            tuple(run_line(run) for run in same),
            equipment.get(revision.pk, ()),
        )
        for revision, same in groupby(shown, key=lambda run: run.revision)
    )
    count = own.count()
    waiting_count = own.filter(void__isnull=True, is_read=False).count()
    return Today(
        session=session or 0,
        done_count=count - waiting_count,
        all_count=count,
        blocks=blocks,
        left_out=waiting_count - len(shown),
    )
