"""How many specimens a side a study needs, from what the lab's own records say of the scatter."""

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from reports.content import money
from reports.degradation.intervals import CannotCompare, Interval, specimen_interval
from reports.degradation.planning import log_scatter, plan_for, specimens_needed
from reports.degradation.record import method_record
from specimens.words import HELD_SPACE, count_words
from trials.intervals import ReadingKind
from trials.models import ArmSpecimen, MethodRevision, Reading, Study

SIZES = (2, 3, 4, 5, 6, 8, 10, 12)
FEWEST_FREEDOM = 2.0  # below this a scatter from earlier arms is hardly more than a guess


@dataclass(frozen=True)
class Scatter:
    """How far specimens differ, on the natural-log scale, and how that is known."""

    log_sd: float
    source: str


@dataclass(frozen=True)
class Cheaper:
    """What a number of specimens a side would show, and what the sides cost together."""

    specimens: int
    chance_words: str
    smallest_words: str
    cost_words: str
    is_enough: bool


@dataclass(frozen=True)
class MethodNeeds:
    """One property of a study: what it needs, or why nothing can be said."""

    property: str
    method: str
    loss_words: str
    scatter_words: str
    source: str
    needed: int | None
    needed_words: str
    cost_words: str
    rows: tuple[Cheaper, ...]
    refusal: str


@dataclass(frozen=True)
class HowMany:
    """All properties of a study, and the largest need among them."""

    methods: tuple[MethodNeeds, ...]
    wanted_words: str
    price_words: str
    now_words: str
    largest: int | None


def how_many(study: Study, *, wanted: float, guessed_cv: float) -> HowMany:
    """Specimens a side for each property of the study.

    `wanted` is the chance of an interval wholly below 1 when the loss is the margin; `guessed_cv`
    stands in where the lab has no earlier arms of a method.
    """
    prices = arm_prices(study)
    methods = tuple(
        _needs(study, used.revision, used.margin, wanted, guessed_cv, prices)
        for used in study.study_methods.select_related("revision__method")
    )
    needed = [one.needed for one in methods if one.needed is not None]
    largest = max(needed, default=None)
    return HowMany(
        methods=methods,
        wanted_words=_percent(wanted),
        price_words=_price_words(prices),
        now_words=_now(study),
        largest=largest,
    )


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
    return Scatter(
        found.standard_deviation,
        f"from {count_words(count, 'specimen', 'specimens')} in {len(values)} earlier "
        f"{'arm' if len(values) == 1 else 'arms'}",
    )


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


def _needs(
    study: Study,
    revision: MethodRevision,
    margin: float,
    wanted: float,
    guessed_cv: float,
    prices: Sequence[tuple[str, Decimal, str]],
) -> MethodNeeds:
    if revision.outcome_kind == ReadingKind.GRADE:
        return _refusal(
            revision,
            margin,
            "Grades have no scatter in per cent. With exact ranks the smallest possible p is 0.10 at "
            "3 against 3 and 0.029 at 4 against 4, so plan at least 4 a side.",
        )
    scatter = scatter_of(revision) or Scatter(
        log_scatter(guessed_cv), "a guess: no earlier arms tell"
    )
    terms = {"scatter": scatter.log_sd, "wanted": wanted, "level": study.level}
    try:
        need = specimens_needed(loss=margin, **terms)
    except CannotCompare as why:
        return _refusal(revision, margin, str(why))
    sizes = sorted({*SIZES, need.specimens_a_side})
    rows = [(n, plan_for(n, loss=margin, **terms)) for n in sizes if n <= max(SIZES[-1], 2)]
    return MethodNeeds(
        property=revision.method.property,
        method=str(revision),
        loss_words=_percent(margin),
        scatter_words=_percent(math.sqrt(math.expm1(scatter.log_sd**2))),
        source=scatter.source,
        needed=need.specimens_a_side,
        needed_words=f"{need.specimens_a_side} a side",
        cost_words=_cost(need.specimens_a_side, prices),
        rows=tuple(
            Cheaper(
                specimens=n,
                chance_words=_percent(plan.chance),
                smallest_words=_percent(plan.smallest_loss),
                cost_words=_cost(n, prices),
                is_enough=n >= need.specimens_a_side,
            )
            for n, plan in rows
        ),
        refusal="",
    )


def _refusal(revision: MethodRevision, margin: float, why: str) -> MethodNeeds:
    return MethodNeeds(
        property=revision.method.property,
        method=str(revision),
        loss_words=_percent(margin),
        scatter_words="",
        source="",
        needed=None,
        needed_words="",
        cost_words="",
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
