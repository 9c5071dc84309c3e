"""Finding specimens for an arm of a study: by product, size, lot, owner and service."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from django.db.models import Prefetch

from specimens.models import Product, Specimen
from specimens.queries import Exposure, exposure, exposure_words
from specimens.words import count_words
from trials.models import ArmSpecimen

MOST_FOUND = 200


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """What the specimens of an arm have in common; what is empty does not matter."""

    product: Product | None = None
    size: str = ""
    lot: str = ""
    owner: str = ""
    wear: str = ""  # "never" or "worn"
    km_from: float | None = None
    km_to: float | None = None
    months_from: float | None = None
    months_to: float | None = None
    is_free: bool = False


@dataclass(frozen=True)
class FoundSpecimen:
    """A specimen with what decides whether it belongs in an arm."""

    specimen: Specimen
    service_words: str
    is_documented: bool
    has_crash: bool
    studies: tuple[str, ...]


@dataclass(frozen=True)
class Finding:
    """What was found, with what is to be said of it as a group."""

    found: tuple[FoundSpecimen, ...]
    count: int
    cautions: tuple[str, ...]

    @property
    def left_out(self) -> int:
        """Found, but too many to show."""
        return self.count - len(self.found)

    @property
    def count_words(self) -> str:
        return count_words(self.count, "specimen", "specimens")


def find_specimens(wanted: Wanted, on: date) -> Finding:
    """Specimens that are not used up and fit; three queries, however many.

    Service is compared at its best guess, and one whose distance is not known fits no range of it.
    """
    memberships = ArmSpecimen.objects.select_related("study")
    chosen = Specimen.objects.filter(retired_on__isnull=True)
    if wanted.product is not None:
        chosen = chosen.filter(product=wanted.product)
    if wanted.size:
        chosen = chosen.filter(size__iexact=wanted.size)
    if wanted.lot:
        chosen = chosen.filter(lot__iexact=wanted.lot)
    if wanted.owner:
        chosen = chosen.filter(owner_alias__iexact=wanted.owner)
    if wanted.is_free:
        chosen = chosen.filter(memberships__isnull=True)
    rows = [
        (one, known)
        for one in chosen.select_related("product")
        .prefetch_related("service_entries", Prefetch("memberships", queryset=memberships))
        .order_by("product__maker", "product__name", "code")
        if _fits(known := exposure(one, on), wanted)
    ]
    return Finding(
        found=tuple(
            FoundSpecimen(
                specimen=one,
                service_words=exposure_words(known),
                is_documented=known.is_documented,
                has_crash=known.has_crash,
                studies=tuple(sorted(member.study.title for member in one.memberships.all())),
            )
            for one, known in rows[:MOST_FOUND]
        ),
        count=len(rows),
        cautions=tuple(_cautions(rows)),
    )


def _fits(known: Exposure, wanted: Wanted) -> bool:
    if (wanted.wear == "never" and known.is_worn) or (wanted.wear == "worn" and not known.is_worn):
        return False
    km = known.distance_km.best if known.distance_km else None if known.is_worn else 0.0
    return _between(km, wanted.km_from, wanted.km_to) and _between(
        known.months, wanted.months_from, wanted.months_to
    )


def _between(value: float | None, low: float | None, high: float | None) -> bool:
    if low is None and high is None:
        return True
    if value is None:
        return False
    return (low is None or value >= low) and (high is None or value <= high)


def _cautions(rows: Sequence[tuple[Specimen, Exposure]]) -> Iterable[str]:
    worn = [one for one, known in rows if known.is_worn]
    owners = Counter(one.owner_alias for one in worn)
    if len(worn) > 1 and len(owners) == 1 and "" not in owners:
        yield "All worn ones came from one owner: use, climate and care of others will differ."
    if owners[""]:
        yield "The owner of some worn ones is not recorded, so all may come from one person."
    if worn:
        yield "Gear that was thrown away earlier is not among them, so the usual loss may be larger."
    if len({one.size for one, _ in rows}) > 1:
        yield "Sizes differ."
    if any(known.has_crash for _, known in rows):
        yield "Some have a crash on record."
