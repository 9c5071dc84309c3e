"""An embargo is a rule: nothing is timed or let out before it ends, and previews say so."""

from datetime import timedelta

import pytest
from django.db import IntegrityError, transaction
from django.test import Client
from django.utils import timezone

from labsite.errors import NotAllowed, Refused
from labsite.jobs import run_job
from labsite.models import AuditEntry, Job
from labsite.roles import Role
from reports.checklist import State, study_checklist
from reports.embargoes import embargo_on, set_embargo
from reports.episode_corrections import NEEDED, keep_correction
from reports.episodes import release_episode, sign_off_episode
from reports.models import Embargo, EpisodeEdition, ReleasePlan, SignOff
from reports.review import (
    current_sign_off,
    make_preview,
    plan_release,
    preview_token,
    study_authors,
    study_digest,
)
from tests.reports.demo_site import person_with, publish, sign_off, visible_text
from tests.reports.desk_lab import DeskLab, build_desk

SAID = "All were bought by the lab. They kept {belt-abrasion worn figure}."
AGREED = "Sent to the maker and one newspaper; both agreed in writing."


@pytest.fixture
def desk(db) -> DeskLab:
    return build_desk()


@pytest.fixture
def at_desk(desk) -> Client:
    client = Client()
    client.force_login(desk.editor)
    return client


def in_hours(hours: float):
    return timezone.now() + timedelta(hours=hours)


@pytest.fixture
def signed(desk) -> SignOff:
    desk.write(SAID)
    return sign_off_episode(by=desk.editor, episode=desk.episode, note="Asked.")


def hold(desk: DeskLab, hours: float = 24, subject=None) -> Embargo:
    return set_embargo(
        by=desk.editor, subject=subject or desk.episode, ends_at=in_hours(hours), agreed=AGREED
    )


def test_no_time_of_release_before_it_ends(desk: DeskLab, signed: SignOff) -> None:
    embargo = hold(desk)
    with pytest.raises(Refused) as refused:
        plan_release(by=desk.editor, subject=desk.episode, signed=signed, release_at=in_hours(23.9))
    assert list(refused.value.problems) == ["release_at"]
    plan = plan_release(
        by=desk.editor, subject=desk.episode, signed=signed, release_at=embargo.ends_at
    )
    assert plan.state == ReleasePlan.State.WAITING


def test_nothing_goes_out_now_while_it_holds(desk: DeskLab, signed: SignOff) -> None:
    hold(desk)
    with pytest.raises(Refused, match="Under embargo until"):
        release_episode(by=desk.editor, episode=desk.episode)
    hold(desk, subject=desk.study)
    with pytest.raises(Refused, match="Under embargo until"):
        publish(desk.study, by=desk.lead, note="Anew.")


def test_a_scorecard_is_timed_by_the_same_rule(desk: DeskLab) -> None:
    sign_off(desk.study)
    signed = current_sign_off(desk.study, study_digest(desk.study), study_authors(desk.study))
    hold(desk, subject=desk.study)
    with pytest.raises(Refused) as refused:
        plan_release(by=desk.editor, subject=desk.study, signed=signed, release_at=in_hours(1))
    assert list(refused.value.problems) == ["release_at"]


def test_one_set_after_the_time_holds_back_at_the_minute(desk: DeskLab, signed: SignOff) -> None:
    plan = plan_release(by=desk.editor, subject=desk.episode, signed=signed, release_at=in_hours(1))
    with pytest.raises(Refused, match="Take it back first"):
        hold(desk)
    # written in a transaction that overlapped with the plan's
    Embargo.objects.create(
        episode=desk.episode, ends_at=in_hours(24), agreed=AGREED, by=desk.editor
    )
    job = Job.objects.get(kind="release", state="waiting")
    Job.objects.filter(pk=job.pk).update(not_before=timezone.now() - timedelta(seconds=1))
    run_job(job.pk)
    plan.refresh_from_db()
    assert plan.state == ReleasePlan.State.HELD
    assert "Under embargo until" in plan.outcome
    assert not EpisodeEdition.objects.exists()


def test_it_ends_by_itself_or_is_lifted_by_name_with_a_reason(
    desk: DeskLab, signed: SignOff
) -> None:
    hold(desk)
    with pytest.raises(Refused) as refused:
        set_embargo(by=desk.editor, subject=desk.episode, ends_at=None, agreed="  ")
    assert list(refused.value.problems) == ["agreed"]
    set_embargo(by=desk.editor, subject=desk.episode, ends_at=None, agreed="It leaked.")
    assert embargo_on(desk.episode) is None
    assert (
        AuditEntry.objects.filter(verb="lifted an embargo").get().detail["agreed"] == "It leaked."
    )
    past = Embargo.objects.create(
        episode=desk.episode, ends_at=in_hours(-0.01), agreed=AGREED, by=desk.editor
    )
    assert embargo_on(desk.episode) is None
    assert release_episode(by=desk.editor, episode=desk.episode).number == 1
    with pytest.raises(IntegrityError), transaction.atomic():
        Embargo.objects.filter(pk=past.pk).update(agreed="Never said.")


@pytest.mark.parametrize("hours", [-1, None])
def test_an_end_is_to_come(desk: DeskLab, hours: float | None) -> None:
    ends_at = None if hours is None else in_hours(hours)
    with pytest.raises(Refused) as refused:
        set_embargo(by=desk.editor, subject=desk.episode, ends_at=ends_at, agreed=AGREED)
    assert list(refused.value.problems) == ["ends_at"]


def test_only_those_who_publish_set_it(desk: DeskLab) -> None:
    with pytest.raises(NotAllowed):
        set_embargo(
            by=person_with(Role.TECHNICIAN),
            subject=desk.episode,
            ends_at=in_hours(1),
            agreed=AGREED,
        )


def test_the_checklist_shows_it_and_a_sign_off_is_still_possible(desk: DeskLab) -> None:
    desk.write(SAID)
    hold(desk)
    hold(desk, subject=desk.study)
    (point,) = [p for p in study_checklist(desk.study) if p.key == "embargo"]
    assert point.state is State.HOLD
    assert AGREED in point.details[0]
    assert sign_off_episode(by=desk.editor, episode=desk.episode, note="Asked.").pk


def test_the_preview_says_until_when(desk: DeskLab, reader: Client) -> None:
    desk.write(SAID)
    for subject in (desk.episode, desk.study):
        link, token = make_preview(by=desk.editor, subject=subject, for_whom="The maker", days=3)
        assert token == preview_token(link)
        assert "Under embargo" not in reader.get(f"/preview/{token}/").content.decode()
        embargo = hold(desk, subject=subject)
        text = visible_text(reader.get(f"/preview/{token}/").content.decode())
        local = timezone.localtime(embargo.ends_at)
        assert f"{local:%H:%M} ({local:%Z})" in text
        assert "may be passed on or published before" in text


def test_by_the_form_with_mistakes_beside_the_field(desk: DeskLab, at_desk: Client) -> None:
    page = f"/desk/episodes/{desk.episode.slug}/review/"
    path = f"{page}embargo/"
    for given in ({}, {"ends_at": "soon", "agreed": AGREED}, {"ends_at": "2020-01-01T09:00"}):
        answer = at_desk.post(path, given)
        assert answer.status_code == 400
        assert "Set this embargo" in answer.content.decode()
    assert not Embargo.objects.exists()
    ends = timezone.localtime(in_hours(30))
    given = {"ends_at": f"{ends:%Y-%m-%dT%H:%M}", "agreed": AGREED}
    assert at_desk.post(path, given).status_code == 302
    text = visible_text(at_desk.get(page).content.decode())
    assert "nothing goes out" in text
    assert AGREED in text
    assert at_desk.post(path, {"lift": "lift"}).status_code == 400
    assert at_desk.post(path, {"lift": "lift", "reason": "It leaked."}).status_code == 302
    assert embargo_on(desk.episode) is None


def test_a_timed_correction_says_what_it_puts_right(desk: DeskLab, signed: SignOff) -> None:
    release_episode(by=desk.editor, episode=desk.episode)
    desk.write(f"{SAID} One sentence more.")
    with pytest.raises(Refused, match="Say what is right"):
        sign_off_episode(by=desk.editor, episode=desk.episode, note="Asked.")
    said = {name: f"{name}, as it will stand." for name in NEEDED}
    keep_correction(by=desk.lead, episode=desk.episode, said=said)
    again = sign_off_episode(by=desk.editor, episode=desk.episode, note="Asked.")
    plan_release(by=desk.editor, subject=desk.episode, signed=again, release_at=in_hours(1))
    job = Job.objects.get(kind="release", state="waiting")
    Job.objects.filter(pk=job.pk).update(not_before=timezone.now() - timedelta(seconds=1))
    run_job(job.pk)
    assert EpisodeEdition.objects.get(number=2).content["correction"] == said
