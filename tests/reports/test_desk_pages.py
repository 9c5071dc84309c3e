"""The editor's desk: who may come in, what it says, what it refuses."""

import pytest
from django.test import Client

from labsite.roles import Role
from reports.models import EditionDraft
from tests.reports.demo_site import (
    AGES,
    PAIR,
    amend,
    current_reading,
    person_with,
    run_waiting_jobs,
    visible_text,
    write_and_sign_off,
)
from trials.models import Study

pytestmark = pytest.mark.usefixtures("demo")

WORDS = {
    "headline": "What was done",
    "summary_text": "What the benches show.",
    "note": "Said better.",
    "extra_cautions": "",
}
DESK_ROLES = {Role.LEAD, Role.EDITOR}
PEOPLE = [None, *Role]
# address, method, needs the desk
ADDRESSES = [
    ("/", "get", False),
    (f"/scorecards/{PAIR}/", "get", False),
    (f"/scorecards/{PAIR}/1/", "get", False),
    (f"/scorecards/{PAIR}/1/readings.csv", "get", False),
    (f"/scorecards/{PAIR}/1/card.json", "get", False),
    ("/methods/seam-opening/1/", "get", False),
    ("/cautions/", "get", False),
    ("/desk/", "get", True),
    (f"/desk/{PAIR}/", "get", True),
    (f"/desk/{PAIR}/", "post", True),
    (f"/desk/{PAIR}/publish/", "post", True),
    (f"/desk/{PAIR}/preview/", "get", True),
    (f"/desk/{PAIR}/state.json", "get", True),
    ("/across/", "get", True),
    (f"/api/v1/studies/{PAIR}/findings/", "get", True),
    ("/api/v1/scorecards/", "get", False),
    (f"/api/v1/scorecards/{PAIR}/1/", "get", False),
]


def client_of(role: Role | None) -> Client:
    client = Client()
    if role is not None:
        client.force_login(person_with(role))
    return client


@pytest.mark.parametrize("role", PEOPLE)
@pytest.mark.parametrize(("path", "method", "needs_desk"), ADDRESSES)
def test_who_may_ask_for_what(role: Role | None, path: str, method: str, needs_desk: bool) -> None:
    if path.endswith("/publish/"):
        write_and_sign_off(Study.objects.get(slug=PAIR), WORDS)
    answer = getattr(client_of(role), method)(path, WORDS if method == "post" else {})
    if not needs_desk:
        assert answer.status_code == 200
    elif role is None and path.startswith("/api/"):
        assert answer.status_code == 401
    elif role is None:
        assert answer.status_code == 302
        assert answer["Location"].startswith(f"/sign-in/?next=/{path.split('/')[1]}/")
    elif role in DESK_ROLES or (role is Role.AUDITOR and method == "get"):
        assert answer.status_code == (302 if method == "post" else 200)
    else:
        assert answer.status_code == 403
        assert "lead or editor" in visible_text(answer.content.decode())


@pytest.mark.parametrize("role", PEOPLE)
def test_only_a_lead_asks_how_many_specimens_a_study_needs(role: Role | None) -> None:
    answer = client_of(role).get(f"/lab/studies/{PAIR}/how-many/")
    allowed = 200 if role is Role.LEAD else 403
    assert answer.status_code == (302 if role is None else allowed)


@pytest.mark.parametrize(
    ("path", "method"),
    [
        ("/desk/", "post"),
        (f"/desk/{PAIR}/", "delete"),
        (f"/desk/{PAIR}/publish/", "get"),
        (f"/desk/{PAIR}/preview/", "post"),
        (f"/desk/{PAIR}/state.json", "post"),
        (f"/api/v1/studies/{PAIR}/findings/", "post"),
    ],
)
def test_other_methods_are_refused(at_desk: Client, path: str, method: str) -> None:
    assert getattr(at_desk, method)(path).status_code == 405


@pytest.mark.parametrize("tail", ["", "preview/", "state.json"])
def test_studies_that_are_not_there_are_not_found(at_desk: Client, tail: str) -> None:
    assert at_desk.get(f"/desk/no-such-study/{tail}").status_code == 404


def test_desk_lists_each_study_with_where_it_stands(at_desk: Client, lead) -> None:
    assert visible_text(at_desk.get("/desk/").content.decode()).count("Up to date") == 3
    study = Study.objects.get(slug=PAIR)
    amend(current_reading(study, "belt-abrasion"), {"seconds": 9, "ended": "failed"}, by=lead)
    text = visible_text(at_desk.get("/desk/").content.decode())
    assert text.count("Up to date") == 2
    assert text.count("Being computed again") == 1


def test_state_tells_when_new_findings_are_ready(at_desk: Client, lead) -> None:
    def state() -> dict:
        return at_desk.get(f"/desk/{PAIR}/state.json").json()

    assert state() == {"is_current": True, "words": "up to date"}
    study = Study.objects.get(slug=PAIR)
    amend(current_reading(study, "belt-abrasion"), {"seconds": 9, "ended": "failed"}, by=lead)
    assert state() == {"is_current": False, "words": "being computed again"}
    run_waiting_jobs()
    assert state()["is_current"] is True


def test_keeping_words_keeps_them_all(at_desk: Client) -> None:
    words = WORDS | {"headline": "A <b>bold</b> & plain headline", "extra_cautions": "One.\nTwo."}
    answer = at_desk.post(f"/desk/{PAIR}/", words, follow=True)
    assert "Words kept." in visible_text(answer.content.decode())
    draft = EditionDraft.objects.get(study__slug=PAIR)
    assert draft.headline == "A <b>bold</b> & plain headline"
    assert draft.extra_cautions.split() == ["One.", "Two."]
    assert "A &lt;b&gt;bold&lt;/b&gt; &amp; plain headline" in answer.content.decode()
    assert "<b>bold</b>" not in answer.content.decode()


def test_too_long_a_headline_is_told_beside_the_field_and_kept(at_desk: Client) -> None:
    answer = at_desk.post(f"/desk/{PAIR}/", WORDS | {"headline": "x" * 161})
    assert answer.status_code == 400
    page = answer.content.decode()
    assert "at most 160 characters" in page
    assert "x" * 161 in page
    assert WORDS["summary_text"] in page


def test_publishing_without_a_note_is_told_beside_the_field(at_desk: Client) -> None:
    answer = at_desk.post(f"/desk/{PAIR}/publish/", WORDS | {"note": ""})
    assert answer.status_code == 400
    page = answer.content.decode()
    assert "Say what is new since edition 1." in page
    assert Study.objects.get(slug=PAIR).editions.count() == 1
    assert page.index('name="note"') > 0


def test_publishing_leads_to_the_new_edition(at_desk: Client) -> None:
    write_and_sign_off(Study.objects.get(slug=PAIR), WORDS)
    answer = at_desk.post(f"/desk/{PAIR}/publish/", WORDS, follow=True)
    assert answer.redirect_chain == [(f"/scorecards/{PAIR}/2/", 302)]
    text = visible_text(answer.content.decode())
    assert "Edition 2 is published." in text
    assert "What changed in this edition: Said better." in text


def test_preview_shows_the_next_edition_and_freezes_nothing(at_desk: Client) -> None:
    at_desk.post(f"/desk/{PAIR}/", WORDS | {"headline": "Only a preview"})
    text = visible_text(at_desk.get(f"/desk/{PAIR}/preview/").content.decode())
    assert "Only a preview" in text
    assert "Edition 2" in text
    assert Study.objects.get(slug=PAIR).editions.count() == 1
    assert "Only a preview" not in Client().get(f"/scorecards/{PAIR}/").content.decode()


def test_desk_pages_are_never_kept_by_a_browser(at_desk: Client) -> None:
    for path in ("/desk/", f"/desk/{PAIR}/", f"/desk/{PAIR}/preview/", f"/desk/{PAIR}/state.json"):
        assert "no-store" in at_desk.get(path)["Cache-Control"]


def test_a_study_not_registered_yet_has_no_desk(at_desk: Client) -> None:
    study = Study.objects.create(
        slug="not-yet", title="Not yet", question="", kind=Study.Kind.WORN_NEW
    )
    assert study.registered_at is None
    assert at_desk.get("/desk/not-yet/").status_code == 404
    assert "Not yet</a>" not in at_desk.get("/desk/").content.decode()


def test_desk_shows_each_finding_with_interval_and_what_to_know(at_desk: Client) -> None:
    text = visible_text(at_desk.get(f"/desk/{PAIR}/").content.decode())
    study = Study.objects.get(slug=PAIR)
    for finding in study.editions.get().content["findings"]:
        assert " ".join((finding["interval_words"] or "none given").split()) in text
        assert finding["verdict_words"] in text


def test_the_desk_shows_trends_with_band_limit_and_what_to_know(at_desk: Client) -> None:
    page = visible_text(at_desk.get(f"/desk/{AGES}/").content.decode())
    trends = at_desk.get(f"/api/v1/studies/{AGES}/findings/").json()["trends"]
    told = [trend for trend in trends if not trend["refusal"]]
    assert told
    for trend in told:
        sentences = [trend["sentence"], trend["limit_sentence"], *trend["notes"]]
        rows = [f"{row['exposure']} {row['retention']} {row['interval']}" for row in trend["rows"]]
        for words in (*sentences, *rows):
            assert " ".join(words.split()) in page


def test_the_desk_shows_no_trends_where_there_are_none(at_desk: Client) -> None:
    assert "Over service" not in visible_text(at_desk.get(f"/desk/{PAIR}/").content.decode())
