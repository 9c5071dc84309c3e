"""The index of published cards: made from editions, searched by words and columns."""

import pytest
from django.core.management import call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import translation

from labsite.models import User
from reports.index import Wanted, choices, index_all, index_edition, page_of, search, wanted_from
from reports.models import Edition, PublishedCard, PublishedFinding
from reports.programme import published_lines
from reports.reader_lists import drawn_cards
from tests.reports.demo_site import AGES, PAIR, PRICES, publish
from trials.models import Study

pytestmark = pytest.mark.usefixtures("demo")


def found(**wanted: object) -> list[str]:
    keys = list(search(Wanted(**wanted)))
    return sorted(PublishedCard.objects.filter(pk__in=keys).values_list("slug", flat=True))


def test_every_published_study_has_one_card_with_its_findings() -> None:
    assert found() == sorted([AGES, PAIR, PRICES])
    for card in PublishedCard.objects.all():
        content = Edition.objects.get(pk=card.edition_id).content
        shown = [(f.property, f.verdict, f.retention) for f in card.findings.all()]
        assert shown == [(f["property"], f["verdict"], f["retention"]) for f in content["findings"]]


@pytest.mark.parametrize(
    ("wanted", "slugs"),
    [
        ({"text": "RAINMILE"}, [AGES]),
        ({"text": "jacket rainmile"}, [AGES]),
        ({"text": "jacket causeway"}, []),
        ({"text": "%"}, []),
        ({"text": "_"}, []),
        ({"gear": "trousers"}, [PAIR]),
        ({"kind": "price"}, [PRICES]),
        ({"year": 1066}, []),
        ({"gear": "back protector", "kind": "ages"}, []),
    ],
)
def test_words_and_columns_narrow_the_list_down(
    wanted: dict[str, object], slugs: list[str]
) -> None:
    assert found(**wanted) == slugs


def test_each_choice_that_is_offered_finds_something() -> None:
    offered = choices()
    assert offered.gear
    for name, values in (
        ("gear", offered.gear),
        ("tested", offered.properties),
        ("kind", offered.kinds),
        ("year", offered.years),
    ):
        for value in values:
            assert found(**{name: value}), (name, value)


@pytest.mark.parametrize(
    ("query", "wanted"),
    [
        ({}, Wanted()),
        ({"year": "next", "product": "-1"}, Wanted()),
        ({"year": "²", "product": "9" * 30}, Wanted()),
        ({"q": "  a \0  b "}, Wanted(text="a b")),
        ({"year": "2026", "product": "7"}, Wanted(year=2026, product=7)),
    ],
)
def test_what_an_address_asks_for_is_read_without_an_error(
    query: dict[str, str], wanted: Wanted
) -> None:
    assert wanted_from(query) == wanted


def test_a_new_edition_takes_the_place_of_the_old_in_the_index(editor: User) -> None:
    study = Study.objects.get(slug=PAIR)
    publish(study, by=editor, note="Said more plainly.", headline="Said anew")
    card = PublishedCard.objects.get(study=study)
    assert card.headline == "Said anew"
    assert card.edition == study.editions.order_by("-number").first()
    assert found(text="anew") == [PAIR]


def test_the_index_can_be_thrown_away_and_made_anew() -> None:
    columns = ("card__slug", "position", "property", "distance_km", "months", "gear_kind")
    before = sorted(PublishedFinding.objects.values_list(*columns))
    PublishedCard.objects.all().delete()
    assert found() == []
    assert index_all() == 3
    assert sorted(PublishedFinding.objects.values_list(*columns)) == before
    call_command("index_editions", verbosity=0)
    assert sorted(PublishedFinding.objects.values_list(*columns)) == before


def test_service_behind_a_finding_is_that_of_its_arm() -> None:
    content = Edition.objects.get(study__slug=AGES).content
    for row in PublishedFinding.objects.filter(card__slug=AGES):
        (arm,) = [a for a in content["arms"] if a["label"] == row.arm_label]
        months = [one["months"] for one in arm["specimens"]]
        assert row.months == pytest.approx(sum(months) / len(months))
        assert row.is_against_new
    for row in PublishedFinding.objects.filter(card__slug=PRICES):
        assert row.months is None
        assert row.distance_km is None


def test_a_page_of_cards_costs_the_same_queries_however_many_there_are() -> None:
    with CaptureQueriesContext(connection) as asked:
        shown = page_of(search(Wanted()), "1")
    assert len(asked) == 3  # how many, which, their states
    with CaptureQueriesContext(connection) as asked:
        drawn = drawn_cards(shown)
    assert len(asked) <= 2  # the cards, their findings
    with CaptureQueriesContext(connection) as asked:
        assert drawn_cards(shown) == drawn
    assert len(asked) == 0  # drawn once
    with translation.override("de"):
        assert drawn_cards(shown) != drawn
    index_edition(Edition.objects.get(study__slug=PAIR))
    assert len(drawn_cards(page_of(search(Wanted()), "1"))) == len(drawn) == 3
    assert page_of(search(Wanted()), "no number").number == 1
    assert page_of(search(Wanted()), "999").number == 1


def test_what_is_narrowed_down_is_looked_for_once() -> None:
    with CaptureQueriesContext(connection) as asked:
        page = page_of(search(Wanted(text="jacket")), "1")
    assert [card.slug for card in page] == [AGES]
    assert page.paginator.count == 1
    assert sum('"search_text"' in query["sql"] for query in asked) <= 1
    with CaptureQueriesContext(connection) as asked:
        assert page_of(search(Wanted(text="jacket water")), "1").paginator.count == 1
    # the texts are remembered until something is published
    assert not any("search_text" in query["sql"] for query in asked)


def test_choices_and_pooled_lines_are_remembered_until_something_is_published(
    editor: User,
) -> None:
    choices()
    with CaptureQueriesContext(connection) as asked:
        before = choices()
        published_lines()
        published_lines()
    assert sum("reports_publishedfinding" in query["sql"] for query in asked) <= 1
    assert set(before.kinds) == {"ages", "price", "worn-new"}
    # the index is made from editions again, as after an upgrade: what is offered follows it
    PublishedCard.objects.filter(slug=PRICES).delete()
    index_edition(Edition.objects.get(study__slug=PAIR))
    assert set(choices().kinds) == {"ages", "worn-new"}
