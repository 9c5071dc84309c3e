"""Published tables beside methods: the lab says what is comparable, the program what cannot be.

Bounds are those of tests/outside/test_published_tables.py.
"""

import pytest
from django.urls import reverse
from django.utils import translation

from labsite.errors import Refused
from reports.content import study_content
from reports.phrases import turned
from reports.queries import standing
from tests.reports.force_lab import finding_of, read_all
from tests.trials.bench_lab import build_bench_lab, pass_checks
from trials import method_library
from trials.models import MethodRevision, PublishedLimit
from trials.physics.published_tables import TABLES
from trials.published_levels import limits_beside

pytestmark = pytest.mark.django_db


@pytest.fixture
def lab(db):
    made = build_bench_lab()
    pass_checks(made, made.lead)
    return made


def enter(lab, key, table, *, is_comparable=True):
    return method_library.add_limit(
        by=lab.lead,
        method=lab.revisions[key].method,
        fields={
            "standard": TABLES[table].standard,
            "edition": "2015",
            "clause": "4.2",
            "words": "Knuckles at 5 J",
            "table": table,
            "is_comparable": is_comparable,
            "why": "Our rig was built after it.",
        },
    )


def test_every_shipped_table_is_shown_as_not_comparable(lab, client):
    shipped = PublishedLimit.objects.filter(by=None)
    assert shipped.count() >= 12
    for limit in shipped:
        revision = limit.method.revisions.order_by("-number").first()
        beside = next(one for one in limits_beside(revision) if one.limit == limit)
        assert not beside.is_comparable
        assert beside.called([(1.0, 1.0)] * 20) == ""
    page = client.get(reverse("method", args=["contact-heat", 1])).content.decode()
    assert "Not comparable." in page
    assert "at least 15 s, at 250 °C" in page
    assert "nothing here is a certification" in page


def test_every_shipped_table_fits_where_it_is_kept(lab):
    # SQLite keeps what is longer than its column; PostgreSQL refuses it
    for limit in PublishedLimit.objects.all():
        limit.full_clean(validate_constraints=False)


def test_a_table_in_another_quantity_cannot_be_called_comparable(lab):
    with pytest.raises(Refused) as refused:
        enter(lab, "contact-heat", "en-13594-seam")
    assert refused.value.problems["is_comparable"][0] == (
        "The method reads in s, the table is in N/mm."
    )
    with pytest.raises(Refused) as refused:
        enter(lab, "contact-heat", "en-407-contact")
    assert "100, 250, 350, 500" in refused.value.problems["is_comparable"][0]
    assert enter(lab, "contact-heat", "en-407-contact", is_comparable=False).pk


def test_the_form_says_so_beside_the_field_and_keeps_what_was_typed(lab, client):
    client.force_login(lab.lead)
    typed = {
        "standard": "EN 407",
        "edition": "2020",
        "clause": "table 1",
        "words": "Contact heat",
        "table": "en-407-contact",
        "is_comparable": "on",
        "why": "Because.",
    }
    answer = client.post(reverse("lab-limit-add", args=["contact-heat"]), typed)
    assert answer.status_code == 400
    page = answer.content.decode()
    assert "The table has its steps at plate temperature degc of" in page
    assert 'value="2020"' in page
    assert not PublishedLimit.objects.filter(edition="2020").exists()


def test_a_card_says_what_the_table_would_call_each_arm(lab):
    # force_lab reads 6.0, 6.2, 5.9 kN new and 8.9, 9.1, 9.3 kN worn; EN 13594 knuckles: mean at
    # most 7.0 kN, none above 9.0 kN
    enter(lab, "transmitted-force", "en-13594-knuckle")
    read_all(lab, (None, None))
    finding_of(lab)
    content = study_content(lab.study, standing(lab.study).summary, [])
    found = next(one for one in content["findings"] if one["method"]["key"] == "transmitted-force")
    told = found["published_levels"]
    assert [arm["words"] for arm in told[0]["arms"]] == ["at best level 1", "no level"]
    others = [one for one in content["findings"] if one is not found]
    assert others
    assert all(one["published_levels"] == [] for one in others)


def test_too_few_readings_for_the_table_get_no_name(lab):
    revision = lab.revisions["transmitted-force"]
    limit = PublishedLimit(method=revision.method, table="en-1621-1", is_comparable=True)
    beside = limits_beside(revision)
    shipped = next(one for one in beside if one.table and one.table.key == "en-1621-1")
    # the shipped method has another anvil, which the lab's word alone cannot put right
    assert shipped.differences == ("The table asks for anvil radius mm of 50.",)
    fits = type(shipped)(limit, shipped.table, (), shipped.settings, "kN")
    assert fits.called([(20.0, 20.1)] * 8).startswith("not said: The table asks for 9 specimens")
    assert fits.called([(20.0, 20.1)] * 9) == "lowest level"
    assert fits.called([(34.9, 35.0)] * 9) == "from no level to lowest level"


def test_the_newest_row_of_a_table_speaks(lab):
    revision = lab.revisions["transmitted-force"]
    enter(lab, "transmitted-force", "en-13594-knuckle")
    enter(lab, "transmitted-force", "en-13594-knuckle", is_comparable=False)
    mine = [one for one in limits_beside(revision) if one.limit.table == "en-13594-knuckle"]
    assert [one.is_comparable for one in mine] == [False]


def test_a_revision_that_departs_is_not_comparable_whatever_the_lab_said(lab):
    method = lab.revisions["transmitted-force"].method
    enter(lab, "transmitted-force", "en-13594-knuckle")
    draft = method_library.draft_revision(by=lab.lead, method=method)
    MethodRevision.objects.filter(pk=draft.pk).update(unit="J")
    draft.refresh_from_db()
    mine = next(one for one in limits_beside(draft) if one.limit.table == "en-13594-knuckle")
    assert not mine.is_comparable
    assert "The method reads in J, the table is in kN." in mine.why


@pytest.mark.parametrize("table", TABLES.values(), ids=lambda table: table.key)
def test_every_word_of_a_table_has_its_german(table):
    texts = [table.what, *([table.also] if table.also else [])]
    texts += [step.name for step in table.steps] + [table.bound_words(s) for s in table.steps]
    with translation.override("de"):
        assert [text for text in texts if turned(text) is None] == []
