"""An editor's words in another language: kept with the draft, signed off, frozen, shown."""

import pytest
from django.test import Client

from labsite.errors import Refused
from labsite.models import User
from labsite.roles import Role
from reports.models import Edition, EditionDraft, PublishedCard
from reports.review import study_digest
from reports.translations import save_translation
from tests.reports.demo_site import PAIR, person_with, publish
from trials.models import Study

pytestmark = pytest.mark.usefixtures("demo")

WORDS = {
    "title": "Eine Hose",
    "question": "Wie geht es der Hose?",
    "headline": "Zwei Hosen",
    "summary": "Wir haben beide geprüft.",
    "note": "",
}


@pytest.fixture
def study() -> Study:
    return Study.objects.get(slug=PAIR)


def test_readers_of_german_get_the_words_frozen_with_the_edition(
    reader: Client, study: Study
) -> None:
    edition = Edition.objects.get(study=study)
    frozen = edition.content["translations"]["de"]
    german = reader.get(f"/de/scorecards/{PAIR}/").content.decode()
    assert frozen["question"] in german
    assert frozen["headline"] in german
    assert edition.content["study"]["question"] not in german[german.index("<main") :]
    assert frozen["question"] not in reader.get(f"/scorecards/{PAIR}/").content.decode()
    listed = reader.get("/de/", {"q": "Fahrerhose"}).content.decode()
    assert frozen["question"] in listed
    assert PublishedCard.objects.get(study=study).translations["de"] == frozen


def test_a_translation_of_earlier_words_does_not_go_out(editor: User, study: Study) -> None:
    at_desk = Client()
    at_desk.force_login(editor)
    path = f"/desk/{PAIR}/words/de/"
    assert "The English has changed since" not in at_desk.get(path).content.decode()
    edition = publish(study, by=editor, note="Said anew.", headline="Other words")
    assert edition.content["translations"] == {}
    assert "The English has changed since" in at_desk.get(path).content.decode()


def test_a_changed_translation_needs_a_new_sign_off(editor: User, study: Study) -> None:
    before = study_digest(study)
    save_translation(by=editor, study=study, language="de", fields=WORDS)
    assert study_digest(study) != before
    # what is published stays as it was
    assert Edition.objects.get(study=study).content["translations"]["de"] != WORDS


@pytest.mark.parametrize(
    ("fields", "field"),
    [
        (WORDS | {"question": "  "}, "question"),
        (WORDS | {"headline": "Noch 85 % übrig"}, "headline"),
    ],
)
def test_half_a_translation_and_a_figure_in_the_headline_are_refused(
    editor: User, study: Study, fields: dict[str, str], field: str
) -> None:
    with pytest.raises(Refused) as refused:
        save_translation(by=editor, study=study, language="de", fields=fields)
    assert list(refused.value.problems) == [field]


def test_an_empty_translation_takes_it_away(editor: User, study: Study) -> None:
    save_translation(by=editor, study=study, language="de", fields={})
    assert EditionDraft.objects.get(study=study).translations == {}


def test_the_desk_page_keeps_what_was_typed_when_it_refuses(study: Study) -> None:
    client = Client()
    client.force_login(person_with(Role.EDITOR))
    path = f"/desk/{PAIR}/words/de/"
    assert study.question in client.get(path).content.decode().replace("&#x27;", "'")
    refused = client.post(path, WORDS | {"question": ""})
    assert refused.status_code == 400
    assert "Wir haben beide geprüft." in refused.content.decode()
    assert client.post(path, WORDS).status_code == 302
    kept = EditionDraft.objects.get(study=study).translations["de"]
    assert {name: kept[name] for name in WORDS} == WORDS
    assert client.get(f"/desk/{PAIR}/words/xx/").status_code == 404
