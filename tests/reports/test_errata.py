"""Corrections and withdrawals: from the desk's forms to every place where readers meet them."""

import io
import json
import re
import zipfile

import pytest
from django.db import IntegrityError, transaction
from django.test import Client

from labsite.errors import Refused
from labsite.models import AuditEntry, User
from labsite.roles import Role
from reports import errata
from reports.errata_actions import withdraw_edition
from reports.errata_queries import Use, register_use, uses_of
from reports.models import Correction, CorrectionDraft, Edition, Withdrawal
from tests.reports.demo_site import (
    PAIR,
    amend,
    current_reading,
    finding_of,
    person_with,
    publish,
    run_waiting_jobs,
    sign_off,
    visible_text,
)
from trials.models import Study

pytestmark = pytest.mark.usefixtures("demo")

WORDS = {
    "kind": "correction",
    "what_was_published": "Seam strength of the worn pair: 85 % of the new one.",
    "where_published": "The table of findings and the drawing beside it",
    "what_is_right": "The worn pair opened after far fewer turns than the page said.",
    "wrong_since": "2026-01-10",
    "conclusion": "The loss of seam strength is larger than we said.",
    "cause": "One turn count was read from the wrong line of the sheet.",
    "also_checked": "Every other count on that sheet, against the film.",
    "found_how": "A reader compared the film with the table.",
    "found_by": "A. Reader",
    "what_to_do": "Read edition 2 before relying on the seam figure.",
    "prevention": "Counts are now read aloud by a second person.",
    "apology": "",
}
WITHDRAWN = {
    "reason": "The clamp slipped in every run.",
    "found_how": "The clamp was found loose at its yearly check.",
    "what_to_do": "Do not use the seam figure.",
}


def study() -> Study:
    return Study.objects.get(slug=PAIR)


def page_of(client: Client, address: str) -> str:
    answer = client.get(address)
    assert answer.status_code == 200
    return answer.content.decode()


@pytest.fixture
def corrected(at_desk: Client, lead: User, editor: User, reader: Client) -> Edition:
    """A wrong count is amended, the correction written at the desk and edition 2 published."""
    page_of(reader, f"/scorecards/{PAIR}/1/")  # kept as it was before
    page_of(reader, f"/scorecards/{PAIR}/")
    wrong = next(
        r
        for r in [current_reading(study(), "seam-opening", code) for code in worn_codes()]
        if r.low
    )
    amend(wrong, {"turns": 3, "ended": "failed"}, by=lead)
    run_waiting_jobs()
    answer = at_desk.post(f"/desk/{PAIR}/correction/", WORDS | {"corrects": first().pk})
    assert answer.status_code == 302, visible_text(answer.content.decode())
    return publish(study(), by=editor)


def worn_codes() -> list[str]:
    worn = study().arms.get(is_baseline=False)
    return list(worn.specimens.values_list("code", flat=True))


def first() -> Edition:
    return Edition.objects.get(study__slug=PAIR, number=1)


# --- the words -------------------------------------------------------------------------------


def finding(**told: object) -> dict[str, object]:
    return {
        "method": {"key": "m"},
        "arm": "worn",
        "property": "seam strength",
        "arm_label": "Worn",
        "grades": None,
        "retention": 0.85,
        "low": 0.75,
        "high": 0.95,
        "retention_words": "85 %",
        "interval_words": "75 to 95 %",
        "verdict_words": "Some loss",
    } | told


def content(*findings: dict[str, object], headline: str = "h") -> dict[str, object]:
    return {"findings": list(findings), "edition": {"headline": headline, "summary": "s"}}


# expected values worked out by hand from the ladder in practice.md D.6: a sign, verdict or sentence
# that changes goes to the top, a figure that moves inside the printed interval to the foot
@pytest.mark.parametrize(
    ("new", "prominence", "within"),
    [
        (finding(), errata.FOOT, True),
        (finding(retention=0.80, retention_words="80 %"), errata.FOOT, True),
        (finding(retention=0.75, retention_words="75 %"), errata.FOOT, True),
        (finding(retention=0.60, retention_words="60 %"), errata.TOP, False),
        (finding(verdict_words="Clear loss"), errata.TOP, True),
        (finding(retention=None, retention_words=""), errata.TOP, False),
    ],
)
def test_a_correction_is_as_loud_as_what_it_takes_back(new, prominence, within) -> None:
    (row,) = errata.change_table(content(finding()), content(new))
    assert row["is_within"] is within
    assert errata.prominence([row], []) == prominence


def test_a_sentence_that_changes_goes_to_the_top() -> None:
    old, new = content(finding()), content(finding(), headline="other")
    sentences = errata.words_changed(old, new)
    assert sentences == [{"what": "Headline", "old": "h", "new": "other"}]
    assert errata.prominence(errata.change_table(old, new), sentences) == errata.TOP


def test_a_finding_that_comes_or_goes_is_in_the_table() -> None:
    other = finding(arm="older")
    rows = errata.change_table(content(finding()), content(finding(), other))
    assert [row["old"]["verdict"] for row in rows] == ["Some loss", "not on the card"]
    rows = errata.change_table(content(finding(), other), content(finding()))
    assert [row["new"]["verdict"] for row in rows] == ["Some loss", "not on the card"]
    assert rows[1]["is_changed"]


# --- at the desk -------------------------------------------------------------------------------


@pytest.mark.parametrize("role", [None, *Role])
@pytest.mark.parametrize("page", ["correction/", "1/withdraw/"])
def test_who_may_put_things_right(role: Role | None, page: str) -> None:
    client = Client()
    if role is not None:
        client.force_login(person_with(role))
    answer = client.get(f"/desk/{PAIR}/{page}")
    allowed = {Role.EDITOR: 200, Role.LEAD: 200, None: 302}
    assert answer.status_code == allowed.get(role, 403)


def test_the_draft_says_what_is_missing_and_holds_publication_back(
    at_desk: Client, editor: User
) -> None:
    half = WORDS | {"cause": "", "prevention": " ", "corrects": first().pk}
    assert at_desk.post(f"/desk/{PAIR}/correction/", half).status_code == 302
    page = visible_text(page_of(at_desk, f"/desk/{PAIR}/correction/"))
    assert "Still missing: the cause, what prevents a repeat." in page
    with pytest.raises(Refused, match="does not say yet: the cause, what prevents a repeat"):
        publish(study(), by=editor)
    assert Correction.objects.count() == 0
    assert at_desk.post(f"/desk/{PAIR}/correction/drop/").status_code == 302
    assert not CorrectionDraft.objects.exists()


def test_a_day_that_has_not_come_is_refused_beside_its_field(at_desk: Client) -> None:
    wrong = WORDS | {"wrong_since": "2999-01-01", "corrects": first().pk}
    answer = at_desk.post(f"/desk/{PAIR}/correction/", wrong)
    assert answer.status_code == 400
    page = answer.content.decode()
    assert "This day has not come yet." in page
    assert WORDS["cause"] in page  # nothing typed is lost


def test_the_desk_shows_every_figure_before_and_after(corrected: Edition, at_desk: Client) -> None:
    assert page_of(at_desk, f"/desk/{PAIR}/correction/").count("<tr>") >= 8


# --- where readers meet it ---------------------------------------------------------------------


def test_the_edition_freezes_its_correction_and_a_row_keeps_it(corrected: Edition) -> None:
    said = corrected.content["correction"]
    row = Correction.objects.get()
    assert row.content == said
    assert (row.edition, row.corrects) == (corrected, first())
    for name in ("what_was_published", "what_is_right", "conclusion", "cause", "prevention"):
        assert said[name] == WORDS[name]
    assert said["wrong_since"] == "2026-01-10"
    assert said["prominence"] == errata.TOP
    seam = next(one for one in said["changes"] if one["property"] == "seam strength")
    now = finding_of(study(), "seam-opening", "worn")
    assert seam["is_changed"]
    assert seam["new"]["kept"] == f"{round(now.retention * 100)}\u00a0%"
    assert {one["new"] for one in said["readings_changed"]} == {"superseded", "used"}
    assert not CorrectionDraft.objects.exists()


def test_both_pages_say_what_was_wrong_and_what_is_right(
    corrected: Edition, reader: Client
) -> None:
    old = visible_text(page_of(reader, f"/scorecards/{PAIR}/1/"))
    assert "Corrected" in old
    assert WORDS["what_is_right"] in old
    assert f"/scorecards/{PAIR}/2/#correction" in page_of(reader, f"/scorecards/{PAIR}/1/")
    for address in (f"/scorecards/{PAIR}/2/", f"/scorecards/{PAIR}/"):
        new = visible_text(page_of(reader, address))
        for name, words in WORDS.items():
            if name not in ("kind", "wrong_since") and words:
                assert words in new, name
        assert "10 January 2026" in new.replace("\xa0", " ")


def test_the_log_and_the_feeds_tell_it(corrected: Edition, reader: Client) -> None:
    log = visible_text(page_of(reader, "/corrections/"))
    assert WORDS["what_was_published"] in log
    assert WORDS["what_is_right"] in log
    for address in ("/feed.atom", f"/scorecards/{PAIR}/feed.atom"):
        feed = page_of(reader, address)
        assert "Correction: One worn pair of Causeway trousers" in feed
        assert "Corrected: One worn pair of Causeway trousers" in feed
        assert f"/scorecards/{PAIR}/2/#correction" in feed
        assert re.search(rf'rel="related" href="[^"]+/scorecards/{PAIR}/1/"', feed) or re.search(
            rf'href="[^"]+/scorecards/{PAIR}/1/" rel="related"', feed
        )


def test_machines_are_told_too(corrected: Edition, reader: Client) -> None:
    page = page_of(reader, f"/scorecards/{PAIR}/1/")
    data = json.loads(re.search(r"application/ld\+json\">(.*?)</script>", page)[1])
    dataset, article = data["@graph"]
    assert dataset["creativeWorkStatus"] == article["creativeWorkStatus"] == "Corrected"
    assert WORDS["what_is_right"] in article["correction"][0]["text"]
    packed = reader.get(f"/scorecards/{PAIR}/1/package.zip").content
    with zipfile.ZipFile(io.BytesIO(packed)) as inside:
        readme = inside.read("README.md").decode()
    assert "Corrected by edition 2" in readme
    assert "Corrected by edition 2" in reader.get(f"/scorecards/{PAIR}/1/cite.bib").content.decode()


# --- withdrawal --------------------------------------------------------------------------------


def test_a_withdrawn_edition_stays_with_its_reason_and_its_data(
    at_desk: Client, reader: Client
) -> None:
    before = page_of(reader, f"/scorecards/{PAIR}/1/")
    assert "Withdrawn" not in visible_text(before)
    answer = at_desk.post(f"/desk/{PAIR}/1/withdraw/", WITHDRAWN)
    assert answer.status_code == 302
    for address in (f"/scorecards/{PAIR}/1/", f"/scorecards/{PAIR}/"):
        page = visible_text(page_of(reader, address))
        assert "Nobody should rely on this edition." in page
        for words in WITHDRAWN.values():
            assert words in page
    assert WITHDRAWN["reason"] in page_of(reader, "/corrections/")
    assert "Withdrawn: One worn pair" in page_of(reader, "/feed.atom")
    assert "withdrawn" in page_of(reader, f"/scorecards/{PAIR}/1/package/").lower()
    for name in ("readings.csv", "card.json", "package.zip", "picture.png", "cite.bib"):
        assert reader.get(f"/scorecards/{PAIR}/1/{name}").status_code == 200
    assert AuditEntry.objects.filter(verb="withdrew edition").exists()


def test_a_withdrawal_needs_its_words_and_comes_once(at_desk: Client, editor: User) -> None:
    answer = at_desk.post(f"/desk/{PAIR}/1/withdraw/", WITHDRAWN | {"reason": ""})
    assert answer.status_code == 400
    assert WITHDRAWN["what_to_do"] in answer.content.decode()
    withdraw_edition(by=editor, edition=first(), **WITHDRAWN)
    with pytest.raises(Refused, match="withdrawn already"):
        withdraw_edition(by=editor, edition=first(), **WITHDRAWN)
    assert "Withdrawn" in page_of(at_desk, f"/desk/{PAIR}/1/withdraw/")


@pytest.mark.parametrize("deed", ["update", "delete"])
@pytest.mark.parametrize("model", [Correction, Withdrawal])
def test_neither_can_be_changed_or_taken_back(
    model: type, deed: str, corrected: Edition, editor: User
) -> None:
    withdraw_edition(by=editor, edition=first(), **WITHDRAWN)
    rows = model.objects.all()
    assert rows.count() == 1
    with pytest.raises(IntegrityError, match="never changed or deleted"), transaction.atomic():
        rows.update(at="2020-01-01T00:00:00Z") if deed == "update" else rows.delete()


# --- what leans on it --------------------------------------------------------------------------


def test_what_was_made_from_an_edition_is_listed(
    corrected: Edition, reader: Client, at_desk: Client
) -> None:
    assert next(use.label for use in uses_of(first())) == "Edition 2"

    def episodes(edition: Edition) -> list[Use]:
        return [Use("talk", "An evening talk", "/talks/7/", is_public=True)]

    register_use("talk of a test", episodes)
    try:
        assert "An evening talk" in page_of(at_desk, f"/desk/{PAIR}/1/withdraw/")
    finally:
        register_use("talk of a test", lambda edition: [])
    assert sign_off(study()) is not None
