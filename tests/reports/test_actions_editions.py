"""Editions: what publishing needs, what it freezes, and that it stays frozen."""

import json

import pytest
from django.db import IntegrityError, transaction
from django.test import Client
from django.utils import timezone

from labsite import audit, triggers
from labsite.errors import Refused
from labsite.models import AuditEntry, AuditSeal
from reports.actions import publish_edition, save_draft
from reports.models import Edition, EditionDraft
from specimens.models import Product
from tests.reports.demo_site import (
    AGES,
    PAIR,
    amend,
    current_reading,
    publish,
    run_waiting_jobs,
    sign_off,
    stand_for_all,
)
from trials.actions import digest_of, settle_conflict
from trials.models import ReadingConflict, Study

pytestmark = pytest.mark.usefixtures("demo")

WORDS = {
    "headline": "What was done",
    "summary_text": "What the benches show.",
    "note": "A reading was amended.",
    "extra_cautions": "",
}


@pytest.fixture
def pair() -> Study:
    return Study.objects.get(slug=PAIR)


def problems_of(study: Study, by, **words: str) -> dict[str, list[str]]:
    save_draft(by=by, study=study, fields=WORDS | words)
    with pytest.raises(Refused) as refused:
        publish_edition(by=by, study=study)
    return refused.value.problems


@pytest.mark.parametrize(
    ("words", "field", "says"),
    [
        ({"headline": ""}, "headline", "Write a headline."),
        ({"headline": "   "}, "headline", "Write a headline."),
        ({"summary_text": " \n "}, "summary_text", "Write the answer"),
        ({"note": ""}, "note", "Say what is new since edition 1."),
    ],
)
def test_publishing_needs_its_words(pair: Study, editor, words, field, says) -> None:
    problems = problems_of(pair, editor, **words)
    assert set(problems) == {field}
    assert problems[field][0].startswith(says)
    assert pair.editions.count() == 1


@pytest.mark.parametrize(
    "headline",
    [
        "Worn kept 81 %",
        "Kept 81\u00a0% of it",
        "12 per cent lost",
        "6.5 times the water",
        "Water ×6",
    ],
)
def test_a_headline_has_no_figure_for_readers_to_meet_before_the_cautions(
    pair: Study, editor, headline: str
) -> None:
    problems = problems_of(pair, editor, headline=headline)
    assert set(problems) == {"headline"}
    assert "cautions first" in problems["headline"][0]


def test_a_headline_may_name_prices_distances_and_counts(pair: Study, editor) -> None:
    headline = "A £29 and a £94 pair, 14 000 km, 3 items each, 24 months, box 3, in 2026"
    save_draft(by=editor, study=pair, fields=WORDS | {"headline": headline})
    with pytest.raises(Refused, match="Claims: 7 flags"):
        sign_off(pair)
    stand_for_all(pair, by=editor)
    sign_off(pair)
    edition = publish_edition(by=editor, study=pair)
    assert edition.headline == headline
    typed = edition.content["edition"]["typed"]
    assert [one["number"] for one in typed] == [
        "£29", "£94", "14 000 km", "3 items", "24 months", "3", "2026",
    ]  # fmt: skip
    assert {one["by"] for one in typed} == {editor.display_name}


def test_every_problem_is_told_at_once(pair: Study, editor) -> None:
    problems = problems_of(pair, editor, headline="", summary_text="", note="")
    assert set(problems) == {"headline", "summary_text", "note"}


def test_publishing_waits_for_findings_of_every_reading(pair: Study, editor, lead) -> None:
    amend(current_reading(pair, "belt-abrasion"), {"seconds": 5, "ended": "failed"}, by=lead)
    pair.refresh_from_db()
    problems = problems_of(pair, editor)
    assert "still being computed" in problems[""][0]
    run_waiting_jobs()
    pair.refresh_from_db()
    sign_off(pair)
    assert publish_edition(by=editor, study=pair).number == 2


def test_publishing_waits_for_second_readings_to_be_settled(pair: Study, editor, lead) -> None:
    reading = current_reading(pair, "belt-abrasion")
    conflict = ReadingConflict.objects.create(
        reading_uuid=reading.pk,
        run=reading.run,
        standing=reading,
        content={},
        digest="1" * 64,
        by=lead,
        received_at=timezone.now(),
    )
    problems = problems_of(pair, editor)
    assert "1 second reading" in problems[""][0]
    settle_conflict(by=lead, conflict=conflict, note="The first one stands.")
    sign_off(pair)
    assert publish_edition(by=editor, study=pair).number == 2


def test_numbers_follow_each_other_and_each_needs_its_note(pair: Study, editor) -> None:
    second = publish(pair, by=editor, note="Words put right.")
    assert EditionDraft.objects.get(study=pair).note == "", "a note belongs to one edition"
    with pytest.raises(Refused):
        publish_edition(by=editor, study=pair)
    third = publish(pair, by=editor, note="More words put right.")
    assert [second.number, third.number] == [2, 3]
    assert list(pair.editions.values_list("number", flat=True)) == [3, 2, 1]
    assert second.content["edition"]["note"] == "Words put right."
    assert pair.editions.get(number=1).content["edition"]["note"] == ""


def test_the_database_refuses_to_change_or_delete_an_edition(pair: Study) -> None:
    edition = pair.editions.get()
    for change in (
        lambda: Edition.objects.filter(pk=edition.pk).update(headline="Another"),
        lambda: Edition.objects.filter(pk=edition.pk).update(content={}),
        lambda: Edition.objects.filter(pk=edition.pk)._raw_delete("default"),
    ):
        with pytest.raises(IntegrityError, match="never changed"), transaction.atomic():
            change()
    assert Edition.objects.get(pk=edition.pk).content == edition.content


def test_anybody_can_recompute_the_digest_from_the_public_file(pair: Study) -> None:
    edition = pair.editions.get()
    public = json.loads(Client().get(f"/scorecards/{PAIR}/1/card.json").content)
    said = public.pop("digest")
    assert said == edition.digest
    assert digest_of(public) == said
    public["findings"][0]["verdict"] = "held"
    assert digest_of(public) != said


def test_an_edition_names_its_inputs_and_its_engine(pair: Study) -> None:
    edition = pair.editions.get()
    assert edition.content["inputs_digest"] == edition.summary.inputs_digest
    assert edition.content["engine"] == edition.summary.engine_version
    assert len(edition.content["inputs_digest"]) == 64


def test_publishing_and_drafting_leave_a_trace(pair: Study, editor) -> None:
    edition = publish(pair, by=editor, note="Traced.")
    last = AuditEntry.objects.filter(by=editor).order_by("-pk").first()
    assert last.verb == "published edition"
    assert last.detail == {"number": 2, "digest": edition.digest}
    assert AuditEntry.objects.filter(by=editor, verb="changed draft").count() == 1


def test_an_edition_carries_the_end_of_the_audit_chain_out_of_the_house(pair, editor) -> None:
    audit.seal()
    noted = str(audit.head())
    edition = publish(pair, by=editor, note="Traced.")
    assert edition.content["audit_head"] == noted
    assert audit.verify().is_whole
    triggers.remove()
    AuditSeal.objects.all()._raw_delete(AuditSeal.objects.db)
    AuditEntry.objects.update(verb="slept")
    triggers.install()
    audit.seal()
    sequence = noted.partition(":")[0]
    told = (
        f"Seal {sequence} is not the one noted in edition 2 of {PAIR}: the chain was written anew."
    )
    assert audit.verify().faults == (told,)


def test_a_draft_takes_no_other_fields(pair: Study, editor) -> None:
    with pytest.raises(Refused) as refused:
        save_draft(by=editor, study=pair, fields={"verdict": "held"})
    assert refused.value.problems == {"verdict": ["There is no such field."]}


def test_an_old_edition_stays_as_it_was_when_everything_else_moves(
    pair: Study, editor, lead
) -> None:
    before = pair.editions.get()
    page = Client().get(f"/scorecards/{PAIR}/1/").content.decode()
    files = [
        Client().get(f"/scorecards/{PAIR}/1/{name}").content
        for name in ("readings.csv", "card.json")
    ]
    reading = current_reading(pair, "belt-abrasion", "F5UG-C")
    amend(reading, {"seconds": 9.9, "ended": "failed"}, by=lead)
    reading.run.specimen.service_entries.update(wash_count=99)
    Product.objects.update(name="Renamed trousers")
    run_waiting_jobs()
    pair.refresh_from_db()
    publish(pair, by=editor, note="A reading was amended.")

    after = pair.editions.get(number=1)
    assert after.content == before.content
    assert after.digest == before.digest
    assert files == [
        Client().get(f"/scorecards/{PAIR}/1/{name}").content
        for name in ("readings.csv", "card.json")
    ]
    again = Client().get(f"/scorecards/{PAIR}/1/").content.decode()
    assert "A newer edition exists." in again
    assert "A newer edition exists." not in page
    assert without_news(again) == without_news(page)
    newest = Client().get(f"/scorecards/{PAIR}/").content.decode()
    assert "Renamed trousers" in newest
    assert "Renamed trousers" not in again
    assert "A newer edition exists." not in newest


def without_news(page: str) -> str:
    """The page without what must tell of newer editions: the notice, and the list of them."""
    start = page.find('<div class="notice notice-problem" id="newer">')
    if start >= 0:
        end = page.index("</div>", start) + len("</div>")
        page = page[:start] + page[end:]
    start = page.index('<ul class="ruled-list">', page.index('id="editions"'))
    return "\n".join(
        line.strip()
        for line in (page[:start] + page[page.index("</ul>", start) :]).splitlines()
        if line.strip()
    )


def test_new_readings_change_the_next_edition(pair: Study, editor, lead) -> None:
    first = pair.editions.get()
    reading = current_reading(pair, "belt-abrasion", "F5UG-C")
    amend(reading, {"seconds": 9.9, "ended": "failed"}, by=lead, reason="The lap timer was read.")
    run_waiting_jobs()
    pair.refresh_from_db()
    second = publish(pair, by=editor, note="A reading was amended.")
    retention = {
        e.number: next(
            f["retention"] for f in e.content["findings"] if f["method"]["key"] == "belt-abrasion"
        )
        for e in (first, second)
    }
    assert retention[2] > retention[1]
    states = {r["state"] for r in second.content["readings"]}
    assert "superseded" in states
    assert "The lap timer was read." in {r["reason"] for r in second.content["readings"]}
    keys = [c["key"] for c in second.content["cautions"]]
    assert "E27" in keys
    assert "E27" not in [c["key"] for c in first.content["cautions"]]


def test_an_editor_adds_cautions_and_removes_none(pair: Study, editor) -> None:
    computed = [c["key"] for c in pair.editions.get().content["cautions"]]
    save_draft(
        by=editor,
        study=pair,
        fields=WORDS | {"extra_cautions": "The room was warm.\n\n  One more.  "},
    )
    sign_off(pair)
    edition = publish_edition(by=editor, study=pair)
    keys = [c["key"] for c in edition.content["cautions"]]
    assert keys == [*computed, "editor", "editor"]
    assert [c["short"] for c in edition.content["cautions"][-2:]] == [
        "The room was warm.",
        "One more.",
    ]


def test_two_studies_number_their_editions_apart(editor) -> None:
    publish(Study.objects.get(slug=PAIR), by=editor, note="Again.")
    assert Study.objects.get(slug=AGES).editions.count() == 1
    first = Edition.objects.get(study__slug=PAIR, number=1)
    first.pk = None
    with pytest.raises(IntegrityError), transaction.atomic():
        first.save(force_insert=True)
