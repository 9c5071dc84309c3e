"""Before something goes out: second person, exemption, checklist, times, previews, makers, interests."""

from datetime import date, timedelta

import pytest
from django.db import IntegrityError, transaction
from django.test import Client
from django.utils import timezone

from labsite.errors import NotAllowed, Refused
from labsite.jobs import run_job
from labsite.models import Job, JobState, User
from labsite.roles import Role, give_role
from reports import errata, review
from reports.actions import publish_edition, save_draft
from reports.checklist import State, study_checklist
from reports.errata_actions import save_correction_draft
from reports.models import Edition, Interest, ReleasePlan, ReplyAnswer, ReplyRequest, SignOff
from reports.replies import ask_maker, maker_content, record_answer
from specimens.models import Specimen
from tests.reports.demo_site import (
    PAIR,
    PRICES,
    amend,
    current_reading,
    person_with,
    publish,
    run_waiting_jobs,
    sign_off,
    visible_text,
)
from trials.models import Study

pytestmark = pytest.mark.usefixtures("demo")


def client_of(user: User) -> Client:
    client = Client()
    client.force_login(user)
    return client


@pytest.fixture
def lab_lead_two(db) -> User:
    user = User.objects.create_user(username="third", first_name="Third")
    give_role(user=user, role=Role.LEAD, by=None)
    return user


WORDS = {
    "headline": "What was done",
    "summary_text": "What the benches show.",
    "note": "Said anew.",
}


@pytest.fixture
def pair() -> Study:
    return Study.objects.get(slug=PAIR)


@pytest.fixture
def prices() -> Study:
    return Study.objects.get(slug=PRICES)


@pytest.fixture
def admin(db):
    return person_with(Role.ADMINISTRATOR)


def point(study: Study, key: str):
    return next(p for p in study_checklist(study) if p.key == key)


class TestSignOff:
    def test_nothing_goes_out_on_its_authors_word(self, pair, editor) -> None:
        save_draft(by=editor, study=pair, fields=WORDS)
        with pytest.raises(Refused, match="another person has to sign"):
            review.sign_off_study(by=editor, study=pair, note="Mine.")
        with pytest.raises(Refused, match="second person"):
            publish_edition(by=editor, study=pair)
        assert pair.editions.count() == 1

    def test_whoever_published_may_be_the_author_once_another_signed(
        self, pair, editor, lead
    ) -> None:
        save_draft(by=editor, study=pair, fields=WORDS)
        review.sign_off_study(by=lead, study=pair, note="Seen.")
        edition = publish_edition(by=editor, study=pair)
        assert edition.content["edition"]["sign_off"] == (
            "Checked before publication by Lead, who did not write it."
        )

    def test_other_words_or_findings_end_a_sign_off(self, pair, editor, lead) -> None:
        save_draft(by=editor, study=pair, fields=WORDS)
        sign_off(pair)
        save_draft(by=editor, study=pair, fields=WORDS | {"headline": "Other words"})
        with pytest.raises(Refused, match="second person"):
            publish_edition(by=editor, study=pair)
        sign_off(pair)
        amend(current_reading(pair, "belt-abrasion"), {"seconds": 9, "ended": "failed"}, by=lead)
        run_waiting_jobs()
        pair.refresh_from_db()
        with pytest.raises(Refused, match="second person"):
            publish_edition(by=editor, study=pair)

    def test_keeping_the_same_words_makes_nobody_their_author(self, pair, editor, lead) -> None:
        save_draft(by=editor, study=pair, fields=WORDS)
        save_draft(by=lead, study=pair, fields=WORDS)
        assert review.study_authors(pair) == {editor.pk}

    def test_two_who_both_wrote_sign_off_each_others_words(self, pair, editor, lead) -> None:
        save_draft(by=lead, study=pair, fields=WORDS)
        kept = save_correction_draft(
            by=editor,
            study=pair,
            corrects=pair.editions.get(),
            fields=dict.fromkeys(errata.NEEDED, "Said.") | {"wrong_since": date(2026, 3, 1)},
        )
        assert review.study_authors(pair) == {editor.pk, lead.pk}
        review.sign_off_study(by=editor, study=pair, note="Read.")
        with pytest.raises(Refused, match="second person"):
            publish_edition(by=lead, study=pair)
        review.sign_off_study(by=editor, study=pair, note="Read twice.")
        with pytest.raises(Refused, match="second person"):
            publish_edition(by=lead, study=pair)
        page = client_of(lead).get(f"/desk/{pair.slug}/review/").content.decode()
        assert "Signed off by Editor, who wrote a part of it" in visible_text(page)
        review.sign_off_study(by=lead, study=pair, note="Read too.")
        # whoever keeps the same words of a correction has not become their author
        again = {name: getattr(kept, name) for name in errata.NEEDED}
        save_correction_draft(by=lead, study=pair, corrects=kept.corrects, fields=again)
        edition = publish_edition(by=lead, study=pair)
        said = "Written by Editor and Lead; each checked before publication what the other had written."
        assert edition.content["edition"]["sign_off"] == said
        shown = Client().get(f"/scorecards/{pair.slug}/2/").content.decode()
        assert said in visible_text(shown)
        german = visible_text(Client().get(f"/de/scorecards/{pair.slug}/2/").content.decode())
        assert "Geschrieben von Editor und Lead" in german

    def test_a_third_who_wrote_nothing_is_enough(self, pair, editor, lead, lab_lead_two) -> None:
        save_draft(by=lead, study=pair, fields=WORDS)
        save_correction_draft(
            by=editor,
            study=pair,
            corrects=pair.editions.get(),
            fields=dict.fromkeys(errata.NEEDED, "Said.") | {"wrong_since": date(2026, 3, 1)},
        )
        review.sign_off_study(by=lab_lead_two, study=pair, note="Read.")
        assert publish_edition(by=lead, study=pair).content["edition"]["sign_off"] == (
            "Checked before publication by Third, who did not write it."
        )

    def test_points_to_look_at_need_a_word(self, pair, editor, lead) -> None:
        save_draft(by=editor, study=pair, fields=WORDS)
        with pytest.raises(Refused) as refused:
            review.sign_off_study(by=lead, study=pair)
        assert set(refused.value.problems) == {"note"}
        signed = review.sign_off_study(by=lead, study=pair, note="The maker has until Friday.")
        assert "Brackholt asked" in [one["name"] for one in signed.open_points]

    def test_a_technician_signs_nothing(self, pair, technician) -> None:
        with pytest.raises(NotAllowed):
            review.sign_off_study(by=technician, study=pair, note="x")

    def test_a_sign_off_never_changes(self, pair) -> None:
        with pytest.raises(IntegrityError), transaction.atomic():
            SignOff.objects.filter(study=pair).update(note="Other.")


class TestSmallLab:
    def test_a_lab_of_one_publishes_and_says_so(self, pair, editor, admin) -> None:
        save_draft(by=editor, study=pair, fields=WORDS)
        until = timezone.localdate() + timedelta(days=90)
        review.set_exemption(by=admin, is_on=True, reason="One person works here.", until_on=until)
        signed = review.sign_off_study(by=editor, study=pair, note="Seen once more.")
        assert signed.exemption is not None
        told = publish_edition(by=editor, study=pair).content["edition"]["sign_off"]
        assert told.startswith("Written and checked by one person, Editor.")
        assert "recorded by Administrator: One person works here." in told

    def test_it_is_not_for_words_of_two(self, pair, editor, lead, admin) -> None:
        until = timezone.localdate() + timedelta(days=90)
        review.set_exemption(by=admin, is_on=True, reason="One person works here.", until_on=until)
        save_draft(by=lead, study=pair, fields=WORDS)
        save_correction_draft(
            by=editor,
            study=pair,
            corrects=pair.editions.get(),
            fields=dict.fromkeys(errata.NEEDED, "Said.") | {"wrong_since": date(2026, 3, 1)},
        )
        page = visible_text(client_of(lead).get(f"/desk/{pair.slug}/review/").content.decode())
        assert "You wrote a part of this." in page
        assert "one person wrote and checked this" not in page
        assert review.sign_off_study(by=lead, study=pair, note="Read.").exemption is None
        with pytest.raises(Refused, match="second person"):
            publish_edition(by=lead, study=pair)

    def test_it_ends_by_its_day_or_by_name(self, pair, editor, admin) -> None:
        today = timezone.localdate()
        review.set_exemption(by=admin, is_on=True, reason="One person.", until_on=today)
        assert review.exemption_now() is not None
        review.set_exemption(by=admin, is_on=False, reason="A second one came.")
        assert review.exemption_now() is None
        save_draft(by=editor, study=pair, fields=WORDS)
        with pytest.raises(Refused, match="another person"):
            review.sign_off_study(by=editor, study=pair, note="x")

    @pytest.mark.parametrize("days", [-1, 400, None])
    def test_it_has_an_end_within_a_year(self, admin, days) -> None:
        until = None if days is None else timezone.localdate() + timedelta(days=days)
        with pytest.raises(Refused) as refused:
            review.set_exemption(by=admin, is_on=True, reason="One person.", until_on=until)
        assert set(refused.value.problems) == {"until_on"}

    def test_an_editor_does_not_exempt_themselves(self, editor) -> None:
        with pytest.raises(NotAllowed):
            review.set_exemption(by=editor, is_on=True, reason="Me.", until_on=date.max)


class TestChecklist:
    def test_an_item_that_nobody_paid_for_stops_it(self, pair) -> None:
        assert point(pair, "paid").state is State.DONE
        Specimen.objects.filter(code="YDNR-Z").update(paid_by="")
        stopped = point(pair, "paid")
        assert (stopped.state, stopped.details) == (State.STOP, ("YDNR-Z",))

    def test_items_without_a_photo_are_named(self, pair) -> None:
        assert point(pair, "photos").details == ("F5UG-C", "YDNR-Z")

    def test_findings_that_are_being_computed_stop_it(self, pair, lead) -> None:
        amend(current_reading(pair, "belt-abrasion"), {"seconds": 9, "ended": "failed"}, by=lead)
        pair.refresh_from_db()
        assert point(pair, "findings").state is State.STOP

    def test_a_maker_is_asked_answered_or_silent(self, pair, lead) -> None:
        key = f"maker-{PAIR}-Brackholt"
        assert "The time is not over." in point(pair, key).words
        request = ReplyRequest.objects.get(study=pair)
        record_answer(by=lead, request=request, kind="answer", text="The lot is right.")
        assert point(pair, key).state is State.DONE


class TestTimedRelease:
    def plan(self, study: Study, by, *, ahead: timedelta) -> ReleasePlan:
        return review.plan_release(
            by=by, subject=study, signed=sign_off(study), release_at=timezone.now() + ahead
        )

    def come(self, plan: ReleasePlan) -> ReleasePlan:
        """Let the time come and the worker look."""
        job = Job.objects.get(kind="release", key=str(plan.pk))
        past = timezone.now() - timedelta(seconds=1)
        Job.objects.filter(pk=job.pk).update(not_before=past)
        ReleasePlan.objects.filter(pk=plan.pk).update(release_at=past)
        run_job(job.pk)
        assert Job.objects.get(pk=job.pk).state == JobState.DONE
        return ReleasePlan.objects.get(pk=plan.pk)

    def test_nothing_goes_out_before_its_time_and_once_after(self, pair, editor) -> None:
        save_draft(by=editor, study=pair, fields=WORDS)
        plan = self.plan(pair, editor, ahead=timedelta(hours=1))
        job = Job.objects.get(kind="release")
        run_job(job.pk)
        assert pair.editions.count() == 1
        assert Job.objects.get(pk=job.pk).attempts == 0
        assert self.come(plan).state == ReleasePlan.State.RELEASED
        run_job(job.pk)
        assert pair.editions.count() == 2

    def test_changed_words_hold_it_back_and_say_why(self, pair, editor) -> None:
        save_draft(by=editor, study=pair, fields=WORDS)
        plan = self.plan(pair, editor, ahead=timedelta(hours=1))
        save_draft(by=editor, study=pair, fields=WORDS | {"headline": "Changed late"})
        held = self.come(plan)
        assert held.state == ReleasePlan.State.HELD
        assert "changed after the sign-off" in held.outcome
        assert pair.editions.count() == 1

    def test_a_time_that_was_taken_back_lets_nothing_out(self, pair, editor) -> None:
        save_draft(by=editor, study=pair, fields=WORDS)
        plan = self.plan(pair, editor, ahead=timedelta(hours=1))
        review.cancel_release(by=editor, plan=plan)
        assert self.come(plan).state == ReleasePlan.State.CANCELLED
        assert pair.editions.count() == 1
        with pytest.raises(Refused):
            review.cancel_release(by=editor, plan=plan)

    def test_a_time_needs_a_sign_off_and_lies_ahead(self, pair, editor) -> None:
        with pytest.raises(Refused) as refused:
            review.plan_release(by=editor, subject=pair, signed=None, release_at=timezone.now())
        assert set(refused.value.problems) == {"", "release_at"}

    def test_one_time_for_one_thing(self, pair, editor) -> None:
        save_draft(by=editor, study=pair, fields=WORDS)
        self.plan(pair, editor, ahead=timedelta(hours=1))
        with pytest.raises(Refused, match="set already"):
            self.plan(pair, editor, ahead=timedelta(hours=2))

    def test_the_form_says_what_is_wrong_beside_the_field(self, at_desk, pair) -> None:
        sign_off(pair)
        for given in ("", "yesterday", "2020-01-01T10:00"):
            answer = at_desk.post(f"/desk/{PAIR}/review/release/", {"release_at": given})
            assert answer.status_code == 400
        assert "Give a day and time to come." in answer.content.decode()


class TestPreview:
    def test_whoever_has_the_link_reads_until_it_ends(self, prices, editor, reader: Client) -> None:
        link, token = review.make_preview(by=editor, subject=prices, for_whom="Osterfell", days=2)
        answer = reader.get(f"/preview/{token}/")
        assert answer.status_code == 200
        assert "noindex" in answer["X-Robots-Tag"]
        assert "Preview for Osterfell" in visible_text(answer.content.decode())
        link.refresh_from_db()
        assert link.seen_count == 1
        review.revoke_preview(by=editor, link=link)
        assert reader.get(f"/preview/{token}/").status_code == 404

    def test_it_ends_by_itself_and_cannot_be_forged(self, prices, editor, reader: Client) -> None:
        link, token = review.make_preview(by=editor, subject=prices, for_whom="A", days=1)
        assert reader.get(f"/preview/{token}x/").status_code == 404
        assert reader.get(f"/preview/{link.pk}/").status_code == 404
        type(link).objects.filter(pk=link.pk).update(expires_at=timezone.now())
        assert reader.get(f"/preview/{token}/").status_code == 404

    @pytest.mark.parametrize(("whom", "days"), [("", 5), ("  ", 5), ("A", 0), ("A", 61)])
    def test_it_names_somebody_and_ends(self, prices, editor, whom, days) -> None:
        with pytest.raises(Refused):
            review.make_preview(by=editor, subject=prices, for_whom=whom, days=days)


class TestMakers:
    def test_a_maker_is_sent_nothing_of_another_makers(self, prices) -> None:
        """Two makers on one card: names, codes, prices and every ratio stay with their own."""
        sent = str(maker_content(prices, "Pellanmoor"))
        for word in ("Osterfell", "Keel", "DZQU-P", "D98W-G", "YH78-H", "£94", "£89"):
            assert word not in sent
        for word in ("Span", "KPFR-5", "ERWD-S", "AJ5E-A"):
            assert word in sent
        assert maker_content(prices, "Pellanmoor")["findings"] == []

    def test_a_maker_alone_on_a_card_gets_the_findings(self, pair) -> None:
        sent = maker_content(pair, "Brackholt")
        assert len(sent["findings"]) == len(pair.editions.get().content["findings"])
        assert sent["question"]

    def test_what_was_sent_is_frozen_and_answers_are_added(self, pair, lead) -> None:
        request = ReplyRequest.objects.get(study=pair)
        with pytest.raises(IntegrityError), transaction.atomic():
            ReplyRequest.objects.filter(pk=request.pk).update(questions="Other?")
        record_answer(by=lead, request=request, kind="later", text="Two weeks more, please.")
        record_answer(by=lead, request=request, kind="answer", text="Fine.", changed="Nothing.")
        assert [a.kind for a in request.answers.all()] == ["later", "answer"]

    def test_silence_is_written_down_only_after_the_day(self, pair, lead) -> None:
        request = ReplyRequest.objects.get(study=pair)
        with pytest.raises(Refused, match="has not passed"):
            record_answer(by=lead, request=request, kind=ReplyAnswer.Kind.NONE)

    @pytest.mark.parametrize(
        ("given", "field"),
        [
            ({"maker": "Nobody"}, "maker"),
            ({"sent_to": " "}, "sent_to"),
            ({"deadline_on": date(2020, 1, 1)}, "deadline_on"),
            ({"deadline_on": None}, "deadline_on"),
            ({"questions": ""}, "questions"),
        ],
    )
    def test_a_request_says_whom_what_and_until_when(self, pair, lead, given, field) -> None:
        asked = {
            "maker": "Brackholt",
            "sent_to": "technical office",
            "deadline_on": timezone.localdate() + timedelta(days=14),
            "questions": "Is the lot right?",
        }
        with pytest.raises(Refused) as refused:
            ask_maker(by=lead, study=pair, **(asked | given))
        assert set(refused.value.problems) == {field}

    def test_the_pages_show_and_keep(self, at_desk, pair) -> None:
        page = visible_text(at_desk.get(f"/desk/{PAIR}/makers/").content.decode())
        assert "Brackholt" in page
        request = ReplyRequest.objects.get(study=pair)
        path = f"/desk/{PAIR}/makers/{request.pk}/"
        assert "Readings sent" in visible_text(at_desk.get(path).content.decode())
        assert at_desk.post(path, {"kind": "answer"}).status_code == 400
        assert at_desk.post(path, {"kind": "answer", "text": "Right."}).status_code == 302
        assert at_desk.post(f"/desk/{PAIR}/makers/", {"maker": ""}).status_code == 400


class TestInterests:
    def test_an_interest_in_force_is_told_on_what_goes_out(
        self, pair, at_desk, editor, lead
    ) -> None:
        given = {
            "kind": "sponsor",
            "who": "Orvanay Post (invented)",
            "what": "Pays the rent of the net loft.",
            "started_on": "2025-01-01",
        }
        assert at_desk.post("/desk/interests/", given | {"started_on": ""}).status_code == 400
        assert at_desk.post("/desk/interests/", given).status_code == 302
        edition = publish(pair, by=editor, note="With the sponsor named.")
        told = edition.content["disclosure"]
        assert told["interests"] == [
            "Sponsor: Orvanay Post (invented). Pays the rent of the net loft."
        ]
        assert told["none_words"] == ""
        assert "Brackholt Causeway trousers: 1 item lent by the owner." in told["items"]

    def test_one_that_is_over_is_told_no_more(self, pair, editor) -> None:
        day = timezone.localdate()
        Interest.objects.create(
            kind="gift", who="A", what="B.", started_on=date(2025, 1, 1), ended_on=day, by=editor
        )
        before = publish(pair, by=editor, note="One.").content["disclosure"]
        assert before["interests"] == ["Gift or favour: A. B."]
        Interest.objects.update(ended_on=day - timedelta(days=1))
        after = publish(pair, by=editor, note="Two.").content["disclosure"]
        assert after["interests"] == []
        assert after["none_words"].startswith("The lab has recorded no sponsor, no money")


def test_every_number_in_a_scorecards_own_words_is_a_figure_or_a_named_exception() -> None:
    """The words of every demo edition: what is not a figure's words must be an exception."""
    from reports.claims.numbers import NUMBER

    figures = 0
    for edition in Edition.objects.all():
        said = edition.content["edition"]
        own = f"{said['headline']}\n{said['summary']}\n{said['note']}"
        for one in said["figures"]:
            assert one["words"] in own
            own = own.replace(one["words"], "", 1)
            figures += 1
        for one in said["typed"]:
            own = own.replace(one["number"], "", 1)
        assert NUMBER.search(own) is None, own
    assert figures == 2
