"""Finding specimens that match: a worn one with a new one, key by key."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from specimens.models import Product, Specimen
from specimens.queries import exposure, exposure_words

KEYS = ("size", "lot", "owner")
SAME, DIFFERENT, UNKNOWN = "same", "different", "unknown"


@dataclass(frozen=True)
class KeyState:
    """How two specimens compare by one key: same, different or unknown, with the two values."""

    key: str
    state: str
    worn: str
    other: str


@dataclass(frozen=True)
class Match:
    """A worn specimen with its best unworn counterpart, or None where every one is taken."""

    worn: Specimen
    worn_words: str
    other: Specimen | None
    keys: tuple[KeyState, ...]

    @property
    def cautions(self) -> tuple[str, ...]:
        """What a page must say because a key is not the same."""
        return tuple(
            f"{one.key} {'differs' if one.state == DIFFERENT else 'is not recorded'}"
            for one in self.keys
            if one.state != SAME and one.key != "owner"
        )


@dataclass(frozen=True)
class Matches:
    """All matches of a product, with what is to be said of them together."""

    product: Product
    matches: tuple[Match, ...]
    left_over: tuple[Specimen, ...]
    cautions: tuple[str, ...]
    baseline_codes: str
    other_codes: str


def find_matches(product: Product, on: date) -> Matches:
    """Give each worn specimen of a product the unworn one that agrees in most keys.

    Greedy from the best agreement down: at bench sizes the difference to the best total is at most
    a key. Retired specimens are left out. Two queries.
    """
    specimens = list(
        product.specimens.filter(retired_on__isnull=True).prefetch_related("service_entries")
    )
    known = {one.pk: exposure(one, on) for one in specimens}
    worn = [one for one in specimens if known[one.pk].is_worn]
    fresh = [one for one in specimens if not known[one.pk].is_worn]
    order = sorted(
        ((agreement(keys_of(w, f)), w.code, f.code, w, f) for w in worn for f in fresh),
        key=lambda row: (-row[0], row[1], row[2]),
    )
    given: dict[int, Specimen] = {}
    taken: set[int] = set()
    for _, _, _, one, other in order:
        if one.pk not in given and other.pk not in taken:
            given[one.pk] = other
            taken.add(other.pk)
    matches = tuple(
        Match(
            worn=one,
            worn_words=exposure_words(known[one.pk]),
            other=given.get(one.pk),
            keys=keys_of(one, given[one.pk]) if one.pk in given else (),
        )
        for one in worn
    )
    labels = [(match, f"p{n}") for n, match in enumerate(matches, start=1) if match.other]
    return Matches(
        product=product,
        matches=matches,
        left_over=tuple(one for one in fresh if one.pk not in taken),
        cautions=tuple(_cautions(worn)),
        baseline_codes=" ".join(f"{m.other.code}={label}" for m, label in labels if m.other),
        other_codes=" ".join(f"{m.worn.code}={label}" for m, label in labels),
    )


def keys_of(worn: Specimen, other: Specimen) -> tuple[KeyState, ...]:
    """Each key as same, different or unknown; an empty value is unknown, never the same."""
    values = (
        ("size", worn.size, other.size),
        ("lot", worn.lot, other.lot),
        ("owner", worn.owner_alias, other.owner_alias),
    )
    return tuple(
        KeyState(
            key,
            UNKNOWN if not one or not two else SAME if one == two else DIFFERENT,
            one or "not recorded",
            two or "not recorded",
        )
        for key, one, two in values
    )


def agreement(keys: Iterable[KeyState]) -> float:
    """More is better: a size counts for more than a lot, a lot for more than an owner."""
    weight = {"size": 4.0, "lot": 2.0, "owner": 1.0}
    score = {SAME: 1.0, UNKNOWN: 0.25, DIFFERENT: 0.0}
    return sum(weight[one.key] * score[one.state] for one in keys)


def _cautions(worn: Sequence[Specimen]) -> Iterable[str]:
    if not worn:
        return
    owners = Counter(one.owner_alias for one in worn)
    if len(owners) == 1 and "" not in owners and len(worn) > 1:
        yield "All worn specimens came from one owner: use, climate and care of others will differ."
    if owners[""]:
        yield "The owner of some worn specimens is not recorded, so all may come from one person."
    yield (
        "These are specimens that were still there to be lent: those thrown away earlier are not "
        "among them, so the usual loss may be larger."
    )
