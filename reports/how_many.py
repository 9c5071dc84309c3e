"""How many specimens a side a study needs, from what the lab's own records say of the scatter."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise
from statistics import median
from typing import TypedDict

import numpy as np
from django.utils import timezone

from reports.content import money
from reports.degradation.intervals import CannotCompare, Interval, specimen_interval
from reports.degradation.planning import (
    Plan,
    chance_of_trend_seen,
    log_scatter,
    plan_for,
    simulated_chance,
    specimens_needed,
    with_resolution,
)
from reports.degradation.record import method_record
from reports.quality_queries import method_record_of
from specimens.queries import Exposure, exposure
from specimens.words import HELD_SPACE, count_words, number_words
from trials.intervals import ReadingKind
from trials.models import ArmSpecimen, ControlRun, MethodRevision, Reading, Study

SIZES = (2, 3, 4, 5, 6, 8, 10, 12)
MOST_ROWS = 200  # a side; a budget that buys more shows no line of its own
MOST_TRIED = 60
TRIES = 200
SEED = 1  # the same question is answered alike each time
FEWEST_FREEDOM = 2.0  # below this a scatter from earlier arms is hardly more than a guess


@dataclass(frozen=True)
class Scatter:
    """How far specimens differ, on the natural-log scale, and how that is known.

    `freedom` is None for a guess. `log_width` is ``ln(high / low)`` of a usual reading.
    """

    log_sd: float
    source: str
    freedom: float | None = None
    log_width: float = 0.0

    @property
    def as_read(self) -> float:
        """With what the resolution of a reading adds."""
        return with_resolution(self.log_sd, self.log_width)

    @property
    def is_coarse(self) -> bool:
        """True where a step of the readings is wider than the scatter explains."""
        return self.log_width > 2 * self.log_sd


@dataclass(frozen=True)
class Cheaper:
    """What a number of specimens a side would show, and what the sides cost together."""

    specimens: int
    chance_words: str
    trend_words: str
    smallest_words: str
    cost_words: str
    is_enough: bool
    is_budget: bool


@dataclass(frozen=True)
class MethodNeeds:
    """One property of a study: what it needs, or why nothing can be said."""

    property: str
    method: str
    loss_words: str
    scatter_words: str
    source: str
    resolution_words: str
    needed: int | None
    needed_words: str
    cost_words: str
    budget_words: str
    tried_words: str
    rows: tuple[Cheaper, ...]
    refusal: str


@dataclass(frozen=True)
class HowMany:
    """All properties of a study, and the largest need among them."""

    methods: tuple[MethodNeeds, ...]
    wanted_words: str
    price_words: str
    now_words: str
    trend_words: str
    budget_words: str
    largest: int | None


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What a person wants to know.

    `wanted` is the chance of an interval wholly below 1 when the loss is the margin; `guessed_cv`
    stands in where the lab has no earlier arms of a method. `budget` buys specimens for all arms.
    With `tries` the number needed is tried through the analysis itself.
    """

    wanted: float
    guessed_cv: float
    budget: Decimal | None = None
    tries: bool = False


def how_many(study: Study, asked: Asked) -> HowMany:
    """Specimens a side for each property of the study."""
    prices = arm_prices(study)
    frame = _Frame(
        asked=asked,
        level=study.level,
        prices=prices,
        exposures=arm_exposures(study) if study.kind == Study.Kind.AGES else None,
        affordable=_affordable(study, asked.budget, prices),
    )
    methods = tuple(
        _needs(frame, used.revision, used.margin)
        for used in study.study_methods.select_related("revision__method")
    )
    needed = [one.needed for one in methods if one.needed is not None]
    largest = max(needed, default=None)
    return HowMany(
        methods=methods,
        wanted_words=_percent(asked.wanted),
        price_words=_price_words(prices),
        now_words=_now(study),
        trend_words=_trend_words(study, frame.exposures),
        budget_words=_budget_words(asked.budget, frame),
        largest=largest,
    )


@dataclass(frozen=True)
class _Frame:
    """What is the same for every property."""

    asked: Asked
    level: float
    prices: Sequence[tuple[str, Decimal, str]]
    exposures: Exposures | None
    affordable: int | None


@dataclass(frozen=True)
class Exposures:
    """Mean service of each arm, in one unit that is known for all of them."""

    values: tuple[float, ...]
    unit: str


def arm_exposures(study: Study) -> Exposures | None:
    """Distance where every worn specimen has one, else months; None with fewer than three ages."""
    today = timezone.localdate()
    arms = [
        [exposure(one, today) for one in arm.specimens.all()]
        for arm in study.arms.prefetch_related("specimens__service_entries")
    ]
    if any(not arm for arm in arms):
        return None
    known = [one for arm in arms for one in arm]
    by_distance = all(one.distance_km is not None for one in known if one.is_worn)

    def amount(one: Exposure) -> float:
        if by_distance:
            return one.distance_km.best if one.distance_km else 0.0
        return one.months

    values = tuple(sum(amount(one) for one in arm) / len(arm) for arm in arms)
    if len(set(values)) < 3:
        return None
    return Exposures(values, "km" if by_distance else "months")


def scatter_of(revision: MethodRevision) -> Scatter | None:
    """Specimen-to-specimen scatter from all earlier arms of this revision; None when unknown."""
    arms: dict[str, dict[str, list[Interval]]] = defaultdict(lambda: defaultdict(list))
    rows = (
        Reading.objects.current()
        .filter(run__revision=revision, run__void__isnull=True, low__isnull=False)
        .select_related("run__specimen")
    )
    arm_of = {
        (one.study_id, one.specimen_id): one.arm_id
        for one in ArmSpecimen.objects.filter(study__runs__revision=revision).distinct()
    }
    for reading in rows:
        arm = arm_of.get((reading.run.study_id, reading.run.specimen_id))
        if arm is not None and reading.low is not None:
            high = math.inf if reading.high is None else reading.high
            bounds = Interval(reading.low, high)
            arms[str(arm)][reading.run.specimen.code].append(bounds)
    values = {
        arm: [specimen_interval(readings) for readings in specimens.values()]
        for arm, specimens in arms.items()
        if len(specimens) > 1
    }
    if not values:
        return None
    try:
        # an arm stands where a session of control runs would: what scatters inside it are specimens
        found = method_record(values).repeatability
    except CannotCompare:
        return None
    if found is None or found.variance == 0 or found.degrees_of_freedom < FEWEST_FREEDOM:
        return None
    count = sum(len(own) for own in values.values())
    widths = [
        math.log(one.high / one.low)
        for own in arms.values()
        for readings in own.values()
        for one in readings
        if one.low > 0 and math.isfinite(one.high)
    ]
    return Scatter(
        found.standard_deviation,
        f"from {count_words(count, 'specimen', 'specimens')} in {len(values)} earlier "
        f"{'arm' if len(values) == 1 else 'arms'}, known with "
        f"{found.degrees_of_freedom:.2g} degrees of freedom",
        freedom=found.degrees_of_freedom,
        log_width=median(widths) if widths else 0.0,
    )


def guessed_scatter(revision: MethodRevision, guessed_cv: float) -> Scatter:
    """A guess of how specimens differ, on top of what the method's control runs scatter."""
    runs = list(ControlRun.objects.filter(revision=revision, low__gt=0, high__isnull=False))
    record = method_record_of(runs)
    repeat = record.repeatability if record else None
    words = "a guess: no earlier arms tell"
    log_sd = log_scatter(guessed_cv)
    if repeat is not None and repeat.variance > 0:
        log_sd = math.sqrt(log_sd**2 + repeat.variance)
        words = (
            f"a guess of {_percent(guessed_cv)}, for no earlier arms tell, with the "
            f"{_percent(repeat.relative_scatter_share)} that control runs of the method scatter"
        )
    widths = [math.log(run.high / run.low) for run in runs if run.high]
    steps = [math.log(b / a) for a, b in pairwise(revision.levels) if a > 0]
    return Scatter(log_sd, words, log_width=median(widths or steps or [0.0]))


def arm_prices(study: Study) -> tuple[tuple[str, Decimal, str], ...]:
    """For each arm the mean price of a specimen and its currency; arms without a price left out."""
    found = []
    for arm in study.arms.prefetch_related("specimens__product"):
        paid = [
            (one.price_paid, one.currency)
            if one.price_paid is not None
            else (one.product.list_price, one.product.currency)
            for one in arm.specimens.all()
        ]
        known = [(amount, currency) for amount, currency in paid if amount is not None]
        if known and len({currency for _, currency in known}) == 1:
            total = sum((amount for amount, _ in known), Decimal(0))
            found.append((arm.label, total / len(known), known[0][1]))
    return tuple(found)


def _needs(frame: _Frame, revision: MethodRevision, margin: float) -> MethodNeeds:
    asked = frame.asked
    if revision.outcome_kind == ReadingKind.GRADE:
        return _refusal(
            revision,
            margin,
            "Grades have no scatter in per cent. With exact ranks the smallest possible p is 0.10 at "
            "3 against 3 and 0.029 at 4 against 4, so plan at least 4 a side.",
        )
    scatter = scatter_of(revision) or guessed_scatter(revision, asked.guessed_cv)
    terms = _Terms(
        scatter=scatter.as_read, wanted=asked.wanted, level=frame.level, freedom=scatter.freedom
    )
    try:
        need = specimens_needed(loss=margin, **terms)
    except CannotCompare as why:
        return _refusal(revision, margin, str(why))
    sizes = {*SIZES, need.specimens_a_side}
    if frame.affordable is not None and 2 <= frame.affordable <= MOST_ROWS:
        sizes.add(frame.affordable)
    rows = {n: plan_for(n, loss=margin, **terms) for n in sorted(sizes)}
    return MethodNeeds(
        property=revision.method.property,
        method=str(revision),
        loss_words=_percent(margin),
        scatter_words=_percent(math.sqrt(math.expm1(scatter.log_sd**2))),
        source=scatter.source,
        resolution_words=_resolution_words(scatter),
        needed=need.specimens_a_side,
        needed_words=f"{need.specimens_a_side} a side",
        cost_words=_cost(need.specimens_a_side, frame.prices),
        budget_words=_what_budget_sees(frame, rows, scatter, margin),
        tried_words=_tried(frame, need.specimens_a_side, scatter, margin) if asked.tries else "",
        rows=tuple(
            Cheaper(
                specimens=n,
                chance_words=_percent(plan.chance),
                trend_words=_trend_chance(frame, n, margin, terms),
                smallest_words=_smallest(plan.smallest_loss, scatter),
                cost_words=_cost(n, frame.prices),
                is_enough=n >= need.specimens_a_side,
                is_budget=n == frame.affordable,
            )
            for n, plan in rows.items()
        ),
        refusal="",
    )


class _Terms(TypedDict):
    scatter: float
    wanted: float
    level: float
    freedom: float | None


def _smallest(loss: float, scatter: Scatter) -> str:
    """Never below a step of the readings, within which a loss can hide."""
    return _percent(max(loss, -math.expm1(-scatter.log_width)) if scatter.is_coarse else loss)


def _resolution_words(scatter: Scatter) -> str:
    if not scatter.log_width:
        return "No reading tells yet how fine it reads: exact readings are supposed."
    step = _percent(-math.expm1(-scatter.log_width))
    if scatter.is_coarse:
        return (
            f"It reads in steps of {step}, coarser than the scatter: a loss within one step can stay "
            "hidden however many specimens there are. Smaller steps help more than more specimens."
        )
    return f"A reading is known to within {step}, which is counted in."


def _trend_chance(frame: _Frame, specimens: int, margin: float, terms: _Terms) -> str:
    if frame.exposures is None:
        return ""
    chance = chance_of_trend_seen(
        [value for value in frame.exposures.values for _ in range(specimens)],
        loss=margin,
        scatter=terms["scatter"],
        level=terms["level"],
        freedom=terms["freedom"],
    )
    return _percent(chance)


def _tried(frame: _Frame, specimens: int, scatter: Scatter, margin: float) -> str:
    """The number needed, through the analysis as findings are made; takes a second a property."""
    if specimens > MOST_TRIED:
        return f"More than {MOST_TRIED} a side are not tried here."
    share = simulated_chance(
        specimens,
        loss=margin,
        scatter=scatter.log_sd,
        rng=np.random.default_rng(SEED),
        margin=margin,
        level=frame.level,
        resolution_share=-math.expm1(-scatter.log_width),
        freedom=scatter.freedom,
        simulations=TRIES,
    )
    doubt = 1.96 * math.sqrt(max(share * (1 - share), 0.01) / TRIES)
    low, high = max(0.0, share - doubt), min(1.0, share + doubt)
    return (
        f"Tried {TRIES} times through the analysis itself, with this resolution and scatters that "
        f"need not be equal: resolved in {_percent(share)} ({_percent(low)} to {_percent(high)})."
    )


def _affordable(
    study: Study, budget: Decimal | None, prices: Sequence[tuple[str, Decimal, str]]
) -> int | None:
    """Specimens of each arm that the budget buys; None when it cannot be said."""
    each = sum((price for _, price, _ in prices), Decimal(0))
    known = len(prices) == study.arms.count() and len({c for _, _, c in prices}) == 1
    return int(budget // each) if budget is not None and known and each > 0 else None


def _budget_words(budget: Decimal | None, frame: _Frame) -> str:
    if budget is None:
        return ""
    if frame.affordable is None:
        return "The prices do not tell what this budget buys: every arm needs one, in one currency."
    told = money(budget.quantize(Decimal(1)), frame.prices[0][2])
    if frame.affordable < 2:
        return (
            f"{told} does not buy two of each arm. One of each speaks for these items alone, with "
            "the scatter of the method's record."
        )
    return f"{told} buys {frame.affordable} of each arm, as far as the mean prices go."


def _what_budget_sees(
    frame: _Frame, rows: Mapping[int, Plan], scatter: Scatter, margin: float
) -> str:
    if frame.affordable is None or frame.affordable not in rows:
        return ""
    plan = rows[frame.affordable]
    return (
        f"The budget's {frame.affordable} a side see a loss of {_percent(margin)} with a chance of "
        f"{_percent(plan.chance)}; what they see with {_percent(frame.asked.wanted)} is a loss of "
        f"{_smallest(plan.smallest_loss, scatter)} or more."
    )


def _trend_words(study: Study, exposures: Exposures | None) -> str:
    if study.kind != Study.Kind.AGES:
        return ""
    if exposures is None:
        return (
            "A trend needs three service ages or more that are on record: until then each arm is "
            "only held against the baseline."
        )
    ages = ", ".join(number_words(value) for value in sorted(exposures.values))
    return (
        f"Mean service of the arms: {ages}{HELD_SPACE}{exposures.unit}. The chance as a trend is of "
        "seeing a straight line in the log fall, when the margin is lost from the least to the "
        "longest service."
    )


def _refusal(revision: MethodRevision, margin: float, why: str) -> MethodNeeds:
    return MethodNeeds(
        property=revision.method.property,
        method=str(revision),
        loss_words=_percent(margin),
        scatter_words="",
        source="",
        resolution_words="",
        needed=None,
        needed_words="",
        cost_words="",
        budget_words="",
        tried_words="",
        rows=(),
        refusal=why,
    )


def _percent(share: float) -> str:
    percent = 100 * share
    if 0 < percent < 1:
        return f"below 1{HELD_SPACE}%"
    if 99 <= percent < 100:
        return f"above 99{HELD_SPACE}%"
    return f"{percent:.2g}{HELD_SPACE}%" if percent < 99.5 else f"100{HELD_SPACE}%"


def _cost(specimens: int, prices: Sequence[tuple[str, Decimal, str]]) -> str:
    currencies = {currency for _, _, currency in prices}
    if len(currencies) != 1:
        return ""
    total = sum((specimens * price for _, price, _ in prices), Decimal(0))
    return money(total.quantize(Decimal(1)), currencies.pop())


def _price_words(prices: Sequence[tuple[str, Decimal, str]]) -> str:
    if not prices:
        return "No price of any specimen is recorded, so nothing is said of the budget."
    if len({currency for _, _, currency in prices}) > 1:
        return "Prices are in several currencies, so nothing is said of the budget."
    told = "; ".join(
        f"{label}: {money(price.quantize(Decimal('0.01')), currency)}"
        for label, price, currency in prices
    )
    return f"Mean price of a specimen, paid or else as listed. {told}."


def _now(study: Study) -> str:
    counts = [(arm.label, arm.specimens.count()) for arm in study.arms.all()]
    return ", ".join(f"{label}: {count}" for label, count in counts)
