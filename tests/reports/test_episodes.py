"""Episodes: segments and their history, two editors, figures that follow the record, release."""

import json
import re

import pytest
from django.db import IntegrityError, transaction
from django.test import Client
from django.utils import timezone

from labsite.errors import Conflict, NotAllowed, Refused
from labsite.roles import Role
from reports import episodes, review
from reports.claims.figures import rendered
from reports.claims.numbers import NUMBER, STANDARD
from reports.episode_corrections import keep_correction
from reports.episodes import NewerThere, release_episode, running, save_segment, sign_off_episode
from reports.errata_queries import uses_of
from reports.models import (
    Edition,
    Episode,
    EpisodeCorrectionDraft,
    EpisodeEdition,
    Segment,
    SegmentVersion,
)
from reports.script_checks import book_from, episode_contents, stale_parts
from tests.reports.demo_site import (
    AGES,
    PAIR,
    PRICES,
    amend,
    current_reading,
    person_with,
    publish,
    run_waiting_jobs,
    visible_text,
)
from trials.models import Study

pytestmark = pytest.mark.usefixtures("demo")

SLUG = "what-the-letter-rounds-take-out-of-riding-gear"
NOTE = "The makers were asked."
SAID = {
    "was_wrong": "was_wrong said.",
    "is_right": "is_right said.",
    "since": "Edition 1.",
    "found": "By a reader.",
}


@pytest.fixture
def told() -> Episode:
    return Episode.objects.get(slug=SLUG)


def put_right(episode: Episode, *, by) -> None:
    keep_correction(by=by, episode=episode, said=SAID)


@pytest.fixture
def fresh(lead) -> Episode:
    """A new episode of one study, without words."""
    return episodes.create_episode(
        by=lead,
        fields={"title": "One pair", "target_seconds": 300, "words_per_minute": 150},
        studies=[Study.objects.get(slug=PAIR)],
    )


def write(segment: Segment, text: str, *, by, version: int | None = None, **words) -> Segment:
    book = book_from(episode_contents(segment.episode))
    return save_segment(
        by=by,
        segment=segment,
        version=segment.version if version is None else version,
        words={"script": text} | words,
        book=book,
    )


def segment_named(episode: Episode, title: str) -> Segment:
    return episode.segments.get(title=title, is_cut=False)


class TestSegments:
    def test_a_new_episode_has_a_segment_for_each_property(self, fresh) -> None:
        titles = [segment.title for segment in running(fresh)]
        methods = Study.objects.get(slug=PAIR).study_methods.count()
        assert titles[0] == "Opening"
        assert titles[-1] == "What this could not see"
        assert len(titles) == methods + 2

    def test_every_state_of_a_segment_stays_readable(self, fresh, lead, editor) -> None:
        segment = running(fresh)[0]
        first = write(segment, "One.", by=lead)
        write(first, "Two.", by=editor)
        kept = list(segment.versions.order_by("version").values_list("script", "by__username"))
        assert kept == [("", "test-lead"), ("One.", "test-lead"), ("Two.", "test-editor")]
        with pytest.raises(IntegrityError), transaction.atomic():
            SegmentVersion.objects.filter(segment=segment).update(script="Never said.")

    def test_words_of_somebody_else_are_never_overwritten_unseen(self, fresh, lead, editor) -> None:
        segment = running(fresh)[0]
        write(segment, "Theirs.", by=editor)
        with pytest.raises(NewerThere) as newer:
            write(segment, "Mine.", by=lead, version=1)
        assert newer.value.segment.script == "Theirs."
        assert Segment.objects.get(pk=segment.pk).script == "Theirs."
        chosen = write(newer.value.segment, "Mine.", by=lead)
        assert chosen.script == "Mine."
        assert segment.versions.filter(script="Theirs.").exists()

    def test_the_same_words_again_are_no_change_and_no_conflict(self, fresh, lead) -> None:
        segment = running(fresh)[0]
        write(segment, "Once.", by=lead)
        again = write(segment, "Once.", by=lead, version=1)
        assert again.version == 2
        assert segment.versions.count() == 2

    def test_order_is_kept_only_over_the_order_that_was_seen(self, fresh, lead) -> None:
        fresh.refresh_from_db()
        keys = [s.pk for s in running(fresh)]
        turned = keys[::-1]
        now = episodes.set_order(by=lead, episode=fresh, version=fresh.version, order=turned)
        assert [s.pk for s in running(now)] == turned
        with pytest.raises(Conflict):
            episodes.set_order(by=lead, episode=fresh, version=fresh.version, order=keys)
        with pytest.raises(Conflict):
            episodes.set_order(by=lead, episode=now, version=now.version, order=keys[1:])

    def test_a_segment_that_is_cut_keeps_its_words_and_comes_back(self, fresh, lead) -> None:
        segment = write(running(fresh)[0], "Kept.", by=lead)
        episodes.set_cut(by=lead, segment=segment, is_cut=True)
        assert segment.pk not in [s.pk for s in running(fresh)]
        episodes.set_cut(by=lead, segment=segment, is_cut=False)
        assert running(fresh)[-1].script == "Kept."

    @pytest.mark.parametrize(
        ("words", "field"),
        [
            ({"title": "  "}, "title"),
            ({"script": "x" * 20_001}, "script"),
            ({"pause_s": 601}, "pause_s"),
            ({"pause_s": -1}, "pause_s"),
        ],
    )
    def test_what_cannot_be_kept_is_said_by_field(self, fresh, lead, words, field) -> None:
        with pytest.raises(Refused) as refused:
            save_segment(by=lead, segment=running(fresh)[0], version=1, words=words)
        assert set(refused.value.problems) == {field}

    def test_only_those_who_draft_write(self, fresh, technician) -> None:
        with pytest.raises(NotAllowed):
            write(running(fresh)[0], "Hello.", by=technician)


class TestFigures:
    def test_a_figure_follows_its_finding_and_asks_for_another_read(self, told, lead) -> None:
        study = Study.objects.get(slug=PAIR)
        segment = segment_named(told, "One pair of trousers")
        book = book_from(episode_contents(told))
        before = rendered(segment.script, book).text
        assert stale_parts(segment, book) == []
        amend(
            current_reading(study, "belt-abrasion", "F5UG-C"),
            {"seconds": 9, "ended": "failed"},
            by=lead,
        )
        run_waiting_jobs()
        book = book_from(episode_contents(told))
        assert rendered(segment.script, book).text != before
        (stale,) = [s for s in stale_parts(segment, book) if s["key"].endswith("figure")]
        assert stale["key"] == "b: belt-abrasion worn figure"
        assert stale["before"] != stale["now"]
        with pytest.raises(Refused, match="Read again"):
            sign_off_episode(by=person_with(Role.EDITOR), episode=told, note=NOTE)
        episodes.read_again(by=lead, segment=segment, book=book)
        assert stale_parts(Segment.objects.get(pk=segment.pk), book) == []

    def test_new_words_do_not_hide_an_older_figure_that_changed(self, told, lead) -> None:
        study = Study.objects.get(slug=PAIR)
        segment = segment_named(told, "One pair of trousers")
        amend(
            current_reading(study, "belt-abrasion", "F5UG-C"),
            {"seconds": 9, "ended": "failed"},
            by=lead,
        )
        run_waiting_jobs()
        now = write(segment, segment.script + "\n\nOne sentence more.", by=lead)
        assert stale_parts(now, book_from(episode_contents(told)))


class TestRelease:
    def test_the_author_never_signs_alone(self, told, lead, editor) -> None:
        put_right(told, by=editor)
        write(segment_named(told, "Water"), "Water first. On this bench less is better.", by=editor)
        with pytest.raises(Refused, match="another person"):
            sign_off_episode(by=editor, episode=told, note=NOTE)
        signed = sign_off_episode(by=lead, episode=told, note=NOTE)
        assert signed.by == lead

    def test_a_change_after_the_sign_off_ends_it(self, told, lead, editor) -> None:
        put_right(told, by=lead)
        sign_off_episode(by=editor, episode=told, note=NOTE)
        write(segment_named(told, "Opening"), "Bought by the lab. Another opening.", by=lead)
        with pytest.raises(Refused, match="second person"):
            release_episode(by=editor, episode=told)

    def test_open_flags_keep_it_in_until_changed_or_answered_for(self, told, lead, editor) -> None:
        put_right(told, by=lead)
        write(segment_named(told, "Water"), "This proves it, in 2026.", by=lead)
        with pytest.raises(Refused, match="Claims: 2 flags"):
            sign_off_episode(by=editor, episode=told, note=NOTE)
        for rule, quote in (("proof", "proves"), ("typed-number", "2026")):
            review.let_stand(
                by=lead,
                subject=told,
                rule=rule,
                quote=quote,
                sentence="This proves it, in 2026.",
                reason="A line from the letter we read out.",
            )
        sign_off_episode(by=editor, episode=told, note=NOTE)
        edition = release_episode(by=editor, episode=told)
        assert [one["number"] for one in edition.content["typed"]] == ["2026"]
        assert [one["quote"] for one in edition.content["stands"]] == ["proves"]
        # the reason spoke of that sentence, not of the next one
        write(segment_named(told, "Water"), "This proves it too, in 2026.", by=lead)
        with pytest.raises(Refused, match="Claims: 2 flags"):
            sign_off_episode(by=editor, episode=told, note=NOTE)

    def test_each_study_must_be_published_with_the_same_findings(self, told, lead, editor) -> None:
        put_right(told, by=lead)
        study = Study.objects.get(slug=PAIR)
        amend(
            current_reading(study, "belt-abrasion", "F5UG-C"),
            {"seconds": 9, "ended": "failed"},
            by=lead,
        )
        run_waiting_jobs()
        book = book_from(episode_contents(told))
        for segment in running(told):
            episodes.read_again(by=lead, segment=segment, book=book)
        with pytest.raises(Refused, match="Edition 1 has older findings"):
            sign_off_episode(by=editor, episode=told, note=NOTE)
        publish(study, by=lead, note="The lap timer was read.")
        sign_off_episode(by=editor, episode=told, note=NOTE)

    def test_a_second_edition_says_what_it_puts_right(self, told, lead, editor) -> None:
        with pytest.raises(Refused, match="What it puts right: Say what was wrong"):
            sign_off_episode(by=editor, episode=told, note=NOTE)
        keep_correction(by=lead, episode=told, said=SAID | {"since": " "})
        with pytest.raises(Refused, match="What it puts right: Say since when"):
            sign_off_episode(by=editor, episode=told, note=NOTE)

    def test_who_writes_the_correction_does_not_sign_it_alone(self, told, lead, editor) -> None:
        put_right(told, by=editor)
        with pytest.raises(Refused, match="another person"):
            sign_off_episode(by=editor, episode=told, note=NOTE)
        sign_off_episode(by=lead, episode=told, note=NOTE)
        # another word of it, and what was signed is no longer what would go out
        keep_correction(by=editor, episode=told, said=SAID | {"found": "By a letter."})
        with pytest.raises(Refused, match="second person"):
            release_episode(by=editor, episode=told)
        sign_off_episode(by=lead, episode=told, note=NOTE)
        edition = release_episode(by=editor, episode=told)
        assert edition.content["correction"] == SAID | {"found": "By a letter."}
        # the next edition starts without words
        assert not EpisodeCorrectionDraft.objects.filter(episode=told).exists()

    def test_the_same_words_again_end_no_sign_off(self, told, lead, editor) -> None:
        put_right(told, by=lead)
        sign_off_episode(by=editor, episode=told, note=NOTE)
        keep_correction(by=editor, episode=told, said=SAID)
        assert release_episode(by=editor, episode=told).number == 2

    def test_what_is_released_stays(self, told) -> None:
        with pytest.raises(IntegrityError), transaction.atomic():
            EpisodeEdition.objects.filter(episode=told).update(number=9)

    def test_a_scorecard_names_the_episodes_made_from_it(self, told) -> None:
        (card,) = Edition.objects.filter(study__slug=PAIR)
        labels = {use.kind: use.url for use in uses_of(card)}
        assert labels["episode"] == f"/episodes/{SLUG}/1/"
        assert labels["episode script"] == f"/desk/episodes/{SLUG}/"
        (unused,) = Edition.objects.filter(study__slug=PRICES)
        assert "episode" not in {use.kind for use in uses_of(unused)}


def numbers_of(text: str) -> list[str]:
    named = [m.span() for m in STANDARD.finditer(text)]
    return [
        match["digits"]
        for match in NUMBER.finditer(text)
        if not any(a <= match.start() < b for a, b in named)
    ]


def test_every_number_of_a_released_episode_is_a_figure_or_a_named_exception() -> None:
    """Read from the frozen content alone, each figure found again in the scorecard it names."""
    for edition in EpisodeEdition.objects.all():
        content = edition.content
        typed = {one["number"] for one in content["typed"]}
        cards = {
            one["slug"]: Edition.objects.get(study__slug=one["slug"], number=one["number"])
            for one in content["scorecards"]
        }
        seen = 0
        for segment in content["segments"]:
            for part in [*segment["paragraphs"], *segment["screen"], content["title"]]:
                for piece in part:
                    if "key" not in piece:
                        for number in numbers_of(piece["text"]):
                            assert any(number in one for one in typed), piece
                        continue
                    seen += 1
                    assert content["figures"][piece["key"]]["words"] == piece["text"]
                    card = json.dumps(cards[piece["study"]].content, ensure_ascii=False)
                    for number in numbers_of(piece["text"]):
                        shown = number.replace("\u2009", "\u2009")
                        assert shown in card or told_by_arithmetic(piece, cards), piece
        assert seen >= 15


def told_by_arithmetic(piece: dict, cards: dict) -> bool:
    """Shares lost, times and counts stand on the card as the finding's own raw numbers."""
    source, part = piece["key"].split(": ")[-1].rsplit(" ", 1)
    method, arm = source.split(" ")
    (found,) = [
        f
        for f in cards[piece["study"]].content["findings"]
        if f["method"]["key"] == method and f["arm"] == arm
    ]
    number = float(re.sub(r"[^\d.]", "", piece["text"].split(" to ")[0].split("\u00a0")[0]))
    raw = {
        "lost": lambda: 100 - 100 * found["retention"],
        "times": lambda: 1 / found["retention"],
        "times-range": lambda: 1 / found["high"],
        "unseen": lambda: 100 * found["smallest_visible_loss"],
        "low": lambda: 100 * found["low"],
        "high": lambda: 100 * found["high"],
    }[part]()
    return abs(number - raw) <= 0.05 * abs(raw)


class TestPages:
    def test_the_public_page_links_every_figure_to_its_scorecard(
        self, reader: Client, told
    ) -> None:
        page = reader.get(f"/episodes/{SLUG}/").content.decode()
        text = visible_text(page)
        assert "Who paid" in text
        assert "Dunmarl Rainmile jacket: 6 items lent by the owner." in text
        assert "Checked before publication by" in text
        assert f'href="/scorecards/{AGES}/1/#each"' in page
        assert f'href="/scorecards/{PAIR}/1/#each"' in page
        assert text.index("Before you read the numbers") < text.index("Water first")
        assert 'src="/episodes/' in page
        picture = re.search(r'src="(/episodes/[^"]+\.svg)"', page)
        assert picture is not None
        assert reader.get(picture[1]).content.startswith(b"<svg")

    def test_an_older_edition_says_that_a_newer_exists(self, reader, told, lead, editor) -> None:
        put_right(told, by=lead)
        sign_off_episode(by=editor, episode=told, note=NOTE)
        release_episode(by=editor, episode=told)
        assert "A newer edition exists." in visible_text(
            reader.get(f"/episodes/{SLUG}/1/").content.decode()
        )
        newest = visible_text(reader.get(f"/episodes/{SLUG}/").content.decode())
        assert "Corrected" in newest
        assert "was_wrong said." in newest
        assert "corrected" in visible_text(reader.get("/episodes/").content.decode())

    def test_keeping_by_script_needs_the_version_that_was_read(self, at_desk, told) -> None:
        segment = segment_named(told, "Water")
        path = f"/desk/episodes/{SLUG}/segments/{segment.pk}/"
        words = {"script": "Short.", "title": "Water"}

        def put(**headers: str):
            return at_desk.put(path, words, content_type="application/json", headers=headers)

        assert put().status_code == 428
        kept = put(**{"If-Match": f'"{segment.version}"'})
        assert kept.status_code == 200
        assert kept["ETag"] == f'"{segment.version + 1}"'
        words["script"] = "Other."
        late = put(**{"If-Match": f'"{segment.version}"'})
        assert late.status_code == 412
        assert late.json()["current"]["script"] == "Short."
        assert late.json()["current"]["by"] == "Editor"
        assert (
            at_desk.put(
                path, "[1]", content_type="application/json", headers={"If-Match": "1"}
            ).status_code
            == 400
        )

    def test_a_reason_by_script_costs_no_page(self, at_desk, told, lead) -> None:
        write(segment_named(told, "Water"), "This proves it.", by=lead)
        path = f"/desk/episodes/{SLUG}/review/stand/"
        given = {"rule": "proof", "quote": "proves", "sentence": "This proves it."}
        empty = at_desk.post(path, given | {"reason": " "}, headers={"Accept": "application/json"})
        assert (empty.status_code, list(empty.json()["fields"])) == (400, ["reason"])
        kept = at_desk.post(
            path, given | {"reason": "A quotation."}, headers={"Accept": "application/json"}
        )
        assert (kept.status_code, kept.content) == (204, b"")
        # and nothing is told twice: the board shows it itself
        board = visible_text(at_desk.get(f"/desk/episodes/{SLUG}/").content.decode())
        assert "It stands: A quotation. (Editor)" in board
        assert "It stands, with your name" not in board

    def test_without_script_the_second_gets_both_texts(self, at_desk, told, lead) -> None:
        segment = segment_named(told, "Water")
        write(segment, "Theirs came first.", by=lead)
        answer = at_desk.post(
            f"/desk/episodes/{SLUG}/segments/{segment.pk}/",
            {"version": segment.version, "script": "Mine came second.", "title": "Water"},
        )
        assert answer.status_code == 409
        text = answer.content.decode()
        assert "Theirs came first." in text
        assert "Mine came second." in text
        assert Segment.objects.get(pk=segment.pk).script == "Theirs came first."

    def test_a_new_episode_by_its_form(self, at_desk) -> None:
        given = {
            "title": "Two protectors",
            "minutes": "12",
            "words_per_minute": "150",
            "studies": [Study.objects.get(slug=PRICES).pk],
        }
        assert at_desk.post("/desk/episodes/", given | {"minutes": "0"}).status_code == 400
        answer = at_desk.post("/desk/episodes/", given, follow=True)
        assert answer.redirect_chain[-1][0] == "/desk/episodes/two-protectors/"
        text = visible_text(answer.content.decode())
        assert "0:00 of 12:00" in text
        again = at_desk.post("/desk/episodes/", given)
        assert again.status_code == 400
        assert "There is an episode of that title." in again.content.decode()

    def test_the_presenter_gets_figures_times_and_shots(self, at_desk) -> None:
        text = visible_text(at_desk.get(f"/desk/episodes/{SLUG}/presenter/").content.decode())
        assert "{" not in text
        assert "at 140 words a minute" in text
        assert "Shot: The shower, two jackets side by side, shower-03 at 1:40" in text

    def test_an_older_version_comes_back_as_a_new_one(self, at_desk, told, lead) -> None:
        segment = segment_named(told, "Water")
        old = segment.script
        now = write(segment, "Something else.", by=lead)
        answer = at_desk.post(
            f"/desk/episodes/{SLUG}/segments/{segment.pk}/history/",
            {"version": segment.version, "over": now.version},
        )
        assert answer.status_code == 302
        after = Segment.objects.get(pk=segment.pk)
        assert (after.script, after.version) == (old, now.version + 1)

    @pytest.mark.parametrize("tail", ["", "review/", "presenter/", "captions.vtt", "state.json"])
    def test_what_is_not_there_is_not_found(self, at_desk, tail) -> None:
        assert at_desk.get(f"/desk/episodes/nothing/{tail}").status_code == 404

    def test_an_auditor_reads_and_writes_nothing(self, told) -> None:
        client = Client()
        client.force_login(person_with(Role.AUDITOR))
        assert client.get(f"/desk/episodes/{SLUG}/").status_code == 200
        assert client.post(f"/desk/episodes/{SLUG}/", {}).status_code == 403
        assert client.post(f"/desk/episodes/{SLUG}/add/", {"title": "x"}).status_code == 403
        assert client.post(f"/desk/episodes/{SLUG}/review/", {}).status_code == 403


def test_times_are_of_today() -> None:
    assert EpisodeEdition.objects.latest("released_at").released_at <= timezone.now()
