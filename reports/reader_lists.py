"""What the pages of lists are given: the index, comparisons, what goes first, products, methods."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from django.core.paginator import Page
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import translation
from django.utils.safestring import SafeString
from django.utils.translation import gettext

from labsite.kept_pages import Recent
from reports import charts, words
from reports.answer import Told, answer
from reports.charts import Shown
from reports.content import money
from reports.index import CARDS_ON_A_PAGE, Choices, ShownCard, Wanted, choices, page_of, search
from reports.models import Finding, PublishedCard, PublishedFinding
from reports.phrases import said_plainly
from reports.programme import MEASURES, PooledLine, published_lines
from specimens.models import Product
from trials.models import Method, MethodRevision, Study

MOST_COMPARED = 60
MOST_LEFT_OUT_SHOWN = 10


# --- the index -------------------------------------------------------------------------------


def index_page(wanted: Wanted, query: Mapping[str, str]) -> dict[str, Any]:
    """Cards that fit, the filters as they stand, and the way to the next page."""
    page = page_of(search(wanted), query.get("page", ""))
    kept = {name: value for name, value in query.items() if name in _PARTS and value}
    return {
        "cards": drawn_cards(page.object_list),
        "page": page,
        "count": page.paginator.count,
        **_turning(page, kept),
        "wanted": wanted,
        "is_narrowed": wanted != Wanted(),
        "filters": filters(wanted, choices()),
        "product": Product.objects.filter(pk=wanted.product).first() if wanted.product else None,
        "on_a_page": CARDS_ON_A_PAGE,
    }


def _turning(page: Page[Any], kept: Mapping[str, str]) -> dict[str, str]:
    """The ways to the pages beside this one, which keep what was asked for."""
    return {
        "newer": f"?{urlencode({**kept, 'page': page.number - 1})}" if page.has_previous() else "",
        "older": f"?{urlencode({**kept, 'page': page.number + 1})}" if page.has_next() else "",
    }


_PARTS = ("q", "gear", "property", "kind", "product", "year")


def filters(wanted: Wanted, offered: Choices) -> list[dict[str, Any]]:
    """One list of choices for each column, with the chosen one marked."""
    kinds = dict(Study.Kind.choices)
    lists: list[tuple[str, str, Iterable[tuple[str, str]], str]] = [
        ("gear", gettext("Kind of gear"), _sorted(offered.gear), wanted.gear),
        ("property", gettext("Property"), _sorted(offered.properties), wanted.tested),
        (
            "kind",
            gettext("Kind of study"),
            [(key, said_plainly(str(kinds.get(key, key)))) for key in offered.kinds],
            wanted.kind,
        ),
        (
            "year",
            gettext("Year"),
            [(str(year), str(year)) for year in offered.years],
            str(wanted.year or ""),
        ),
    ]
    return [
        {
            "name": name,
            "label": label,
            "options": [
                {"value": value, "label": words.capital(shown), "is_chosen": value == chosen}
                for value, shown in options
            ],
        }
        for name, label, options, chosen in lists
    ]


def _sorted(values: Sequence[str]) -> list[tuple[str, str]]:
    return sorted(((value, said_plainly(value)) for value in values), key=lambda pair: pair[1])


# a drawn card takes some 4 kB
_drawn: Recent[tuple[ShownCard, str], SafeString] = Recent(5_000)


def drawn_cards(wanted: Iterable[ShownCard]) -> list[SafeString]:
    """The cards as they stand in a list, in the page's language. Each state is drawn once."""
    shown, language = list(wanted), translation.get_language() or ""
    drawn = {card: kept for card in shown if (kept := _drawn.get((card, language)))}
    missing = [card for card in shown if card not in drawn]
    if missing:
        full = PublishedCard.objects.defer("search_text").prefetch_related("findings")
        cards = full.in_bulk([card.pk for card in missing])
        for card in missing:
            context = {"card": card_entry(cards[card.pk])}
            drawn[card] = render_to_string("reports/public/_card.html", context)
            _drawn.keep((card, language), drawn[card])
    return [drawn[card] for card in shown]


def card_entry(card: PublishedCard) -> dict[str, Any]:
    """A card in a list: its question, its answer and one small picture a property."""
    findings = list(card.findings.all())
    shown = [shown_of(found) for found in findings]
    top = charts.strip_top(shown)
    rows: dict[str, list[dict[str, Any]]] = {}
    for found, one in zip(findings, shown, strict=True):
        rows.setdefault(found.property, []).append(
            {
                "verdict": found.verdict,
                "verdict_words": verdict_words(found.verdict),
                "arm_label": found.arm_label,
                "chart": charts.strip(one, top),
            }
        )
    own = card.translations.get(translation.get_language() or "", {})
    return {
        "url": reverse("scorecard", args=[card.slug]),
        "title": own.get("title", card.title),
        "question": own.get("question", card.question),
        "is_own_language": bool(own),
        "published_at": card.published_at,
        "kind_words": dict(Study.Kind.choices).get(card.kind, card.kind),
        "answer": answer(
            [Told(f.property, f.arm_label, f.baseline_label, f.verdict) for f in findings]
        ),
        "properties": [{"name": name, "arms": arms} for name, arms in rows.items()],
    }


def verdict_words(verdict: str) -> str:
    """A verdict as a card tells it."""
    known = words.VERDICT_WORDS | words.GRADE_VERDICT_WORDS
    return known.get(verdict, words.capital(verdict))


def shown_of(found: PublishedFinding) -> Shown:
    """A finding as drawn."""
    return Shown(
        label=f"{found.property}, {found.arm_label}",
        retention=found.retention,
        low=found.low,
        high=found.high,
        margin=found.margin,
        verdict_words=verdict_words(found.verdict),
        interval_words=words.percent_range(found.low, found.high),
    )


# --- one property over several cards ---------------------------------------------------------


def compare_page(query: Mapping[str, str], chosen: Sequence[str]) -> dict[str, Any]:
    """Every published finding of one property, those of one method together."""
    offered = choices()
    name = query.get("property", "").replace("\0", "")
    gear = query.get("gear", "").replace("\0", "")
    found: list[PublishedFinding] = []
    cards: dict[str, str] = {}
    total = 0
    if name:
        rows = (
            PublishedFinding.objects.filter(property=name, kind=Finding.Kind.RATIO)
            .select_related("card")
            .order_by("-card__published_at", "card", "position")
        )
        if gear:
            rows = rows.filter(card__products__kind=gear).distinct()
        total = rows.count()
        every = list(rows[:MOST_COMPARED])
        cards = {row.card.slug: row.card.title for row in every}
        wanted = [slug for slug in chosen if slug in cards]
        found = [row for row in every if not wanted or row.card.slug in wanted]
    shown = [shown_of(row) for row in found]
    top = charts.strip_top(shown)
    groups: dict[tuple[str, int], list[dict[str, Any]]] = {}
    for row, one in zip(found, shown, strict=True):
        groups.setdefault((row.method_key, row.method_number), []).append(_compared(row, one, top))
    methods = {
        (r.method.key, r.number): r.method.name
        for r in MethodRevision.objects.filter(
            method__key__in={key for key, _ in groups}
        ).select_related("method")
    }
    return {
        "property": name,
        "filters": [
            one
            for one in filters(Wanted(tested=name, gear=gear), offered)
            if one["name"] in ("property", "gear")
        ],
        "cards": [
            {"slug": slug, "title": title, "is_chosen": slug in chosen}
            for slug, title in cards.items()
        ],
        "left_out": max(0, total - MOST_COMPARED),
        "groups": [
            {
                "method": methods.get(key, key[0]),
                "number": key[1],
                "url": reverse("method", args=list(key)),
                "rows": rows_of,
            }
            for key, rows_of in groups.items()
        ],
        "hundred": next(
            (r["chart"]["hundred"] for g in groups.values() for r in g if r["chart"]), None
        ),
    }


def _compared(row: PublishedFinding, one: Shown, top: float) -> dict[str, Any]:
    return {
        "title": row.card.title,
        "url": reverse("scorecard", args=[row.card.slug]),
        "arm_label": row.arm_label,
        "baseline_label": row.baseline_label,
        "n_other": row.n_other,
        "n_baseline": row.n_baseline,
        "verdict": row.verdict,
        "verdict_words": verdict_words(row.verdict),
        "retention_words": "" if row.retention is None else words.percent(row.retention),
        "interval_words": words.percent_range(row.low, row.high),
        "level_words": words.level_words(row.level),
        "chart": charts.strip(one, top),
    }


# --- what goes first -------------------------------------------------------------------------


@dataclass(frozen=True)
class Measured:
    """Pooled lines over one measure of service."""

    per_words: str
    rows: list[dict[str, Any]]
    apart: list[dict[str, Any]]  # what cannot be pooled, with the reason


def first_page() -> dict[str, Any]:
    """Pooled loss by kind of gear and property over everything published."""
    lines = published_lines()
    shown = {id(line): _line_shown(line) for line in lines}
    top = charts.strip_top(list(shown.values()))
    rows = [_line_row(line, shown[id(line)], top) for line in lines]
    # the greatest loss first: that is what the page asks
    rows.sort(key=lambda row: (row["retention"] is None, row["retention"] or 0.0))
    return {
        "hundred": next((row["chart"]["hundred"] for row in rows if row["chart"]), None),
        "measures": [
            Measured(
                measure.words,
                [row for row in rows if row["per_words"] == measure.words and row["chart"]],
                [row for row in rows if row["per_words"] == measure.words and not row["chart"]],
            )
            for measure in MEASURES
        ],
        "studies": len({t for line in lines if line.retention is not None for t in line.studies}),
    }


def _line_shown(line: PooledLine) -> Shown:
    return Shown(
        label=f"{line.property}, {line.kind}",
        retention=line.retention,
        low=line.low,
        high=line.high,
        margin=0.1,
        verdict_words="",
        interval_words=line.interval_words,
    )


def _line_row(line: PooledLine, shown: Shown, top: float) -> dict[str, Any]:
    return {
        "per_words": line.per_words,
        "retention": line.retention,
        "property": line.property,
        "kind": line.kind,
        "studies": line.studies,
        "kept_words": line.kept_words,
        "interval_words": line.interval_words,
        "next_words": line.next_words,
        "refusal": line.refusal,
        "left_out": line.left_out[:MOST_LEFT_OUT_SHOWN],
        "left_out_more": max(0, len(line.left_out) - MOST_LEFT_OUT_SHOWN),
        "chart": charts.strip(shown, top),
    }


# --- products and methods --------------------------------------------------------------------


def products_list() -> list[dict[str, Any]]:
    """Products that something is published on, by kind and name."""
    found = (
        Product.objects.filter(published_in__isnull=False)
        .distinct()
        .order_by("kind", "maker", "name")
    )
    return [{"product": product, "url": reverse("product", args=[product.pk])} for product in found]


def product_page(product: Product, number: str) -> dict[str, Any]:
    """Everything published on a product, a page at a time."""
    page = page_of(search(Wanted(product=product.pk)), number)
    return {
        "product": product,
        "price_words": money(product.list_price, product.currency),
        "cards": drawn_cards(page.object_list),
        "page": page,
        **_turning(page, {}),
    }


def methods_list() -> list[dict[str, Any]]:
    """Methods in force or replaced, with their revisions."""
    found = []
    methods = Method.objects.prefetch_related("revisions").order_by("property", "name")
    for method in methods:
        revisions = [r for r in method.revisions.all() if r.state != MethodRevision.State.DRAFT]
        if revisions:
            newest = max(revisions, key=lambda r: r.number)
            found.append(
                {
                    "name": method.name,
                    "property": method.property,
                    "url": reverse("method", args=[method.key, newest.number]),
                    "revision_count": len(revisions),
                    "number": newest.number,
                    "quantity": newest.quantity,
                    "unit": newest.unit,
                    "relation": newest.relation,
                }
            )
    return found
