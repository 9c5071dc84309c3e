"""Who paid for what, in words, from the gear's record and the lab's list of interests."""

from collections import Counter
from datetime import date
from typing import Any

from django.db.models import Q

from reports.models import Interest
from reports.words import capital, count, joined


def items_paid(content: dict[str, Any]) -> list[str]:
    """A line for every way the items of a scorecard came to the lab."""
    sources: Counter[tuple[str, str]] = Counter()
    for arm in content["arms"]:
        for one in arm["specimens"]:
            sources[f"{one['maker']} {one['product']}", one["source_words"]] += 1
    return [
        f"{product}: {count(number, 'item', 'items')} {source}."
        for (product, source), number in sorted(sources.items())
    ]


def interests_on(day: date) -> list[Interest]:
    """Interests that were in force on a day."""
    return list(
        Interest.objects.filter(started_on__lte=day).filter(
            Q(ended_on__isnull=True) | Q(ended_on__gte=day)
        )
    )


def disclosure(contents: list[dict[str, Any]], day: date) -> dict[str, Any]:
    """What readers are told of money: items first, then what else the lab has recorded."""
    lines = [line for content in contents for line in items_paid(content)]
    others = [
        f"{capital(one.get_kind_display())}: {one.who}. {one.what}" for one in interests_on(day)
    ]
    kinds = [f"no {label}" for _, label in Interest.Kind.choices]
    return {
        "items": lines,
        "interests": others,
        "none_words": "" if others else f"The lab has recorded {joined(kinds)}.",
    }
