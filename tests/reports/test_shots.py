"""Shots: typed and chosen, what they show, and what happens when a photo is struck out after."""

import pytest
from django.test import Client

from labsite.errors import Refused
from reports import episodes
from reports.checklist import State, episode_checklist
from reports.episodes import release_episode, save_segment, sign_off_episode
from reports.models import Segment
from reports.script_checks import book_from, episode_contents, stale_parts
from reports.shots import shot_lines, shots_of, shown_shots
from tests.reports.demo_site import visible_text
from tests.reports.desk_lab import DeskLab, build_desk, take_photo
from trials.actions import void_run
from trials.models import Photo, RunVoid, VideoMark
from trials.photos import strike_out_photo

SAID = "All were bought by the lab. They kept {belt-abrasion worn figure}."


@pytest.fixture
def desk(db) -> DeskLab:
    return build_desk(with_photos=True)


@pytest.fixture
def at_desk(desk) -> Client:
    client = Client()
    client.force_login(desk.editor)
    return client


def key_of(one: Photo | VideoMark) -> str:
    return f"{'photo' if isinstance(one, Photo) else 'mark'} {one.pk.hex[:10]}"


def book_of_desk(desk: DeskLab):
    return book_from(episode_contents(desk.episode))


def point(desk: DeskLab, key: str):
    (found,) = [p for p in episode_checklist(desk.episode, [], book_of_desk(desk)) if p.key == key]
    return found


@pytest.mark.parametrize(
    ("line", "shot"),
    [
        ("The hole", {"what": "The hole"}),
        ("The hole | photo 1a2b", {"what": "The hole", "photo": "1a2b"}),
        ("The belt | MARK 1a2b", {"what": "The belt", "mark": "1a2b"}),
        ("| photo 1a2b", {"what": "", "photo": "1a2b"}),
        ("The belt | belt-07 | 1:40", {"what": "The belt", "video": "belt-07", "at": "1:40"}),
        ("All of it | picture kept-x", {"what": "All of it", "picture": "kept-x"}),
        ("A card | photo", {"what": "A card", "video": "photo"}),
    ],
)
def test_a_line_is_read_and_written_as_the_same_shot(line: str, shot: dict[str, str]) -> None:
    assert shots_of(line) == [shot]
    assert shots_of(shot_lines([shot])) == [shot]


def test_what_is_too_long_is_refused_and_not_cut(desk: DeskLab) -> None:
    shots = shots_of(f"Short\n{'x' * 201} | photo 1a2b")
    with pytest.raises(Refused) as refused:
        desk.write(SAID, shots=shots)
    assert refused.value.problems == {"shots": ["Shot 2: at most 200 characters between two bars."]}


def test_a_shot_takes_film_and_time_from_its_mark(desk: DeskLab) -> None:
    mark = VideoMark.objects.earliest("pk")
    segment = desk.write(SAID, shots=shots_of(f"The end | {key_of(mark)}"))
    (shot,) = shown_shots(segment.shots, book_of_desk(desk).shots)
    # 92.54 s is 1 min 32.5 s
    assert (shot.film, shot.clock) == (mark.video, "1:32.5")
    assert "The belt goes through" in shot.seen[0].alternative


def test_a_shot_of_nothing_is_told_and_keeps_the_episode_in(desk: DeskLab) -> None:
    desk.write(SAID, shots=shots_of("The hole | photo 0000000000"))
    told = point(desk, "shots")
    assert told.state is State.STOP
    assert told.details == ("Opening: There is no photo 0000000000 in this episode's studies.",)
    with pytest.raises(Refused, match="Shots"):
        sign_off_episode(by=desk.editor, episode=desk.episode, note="Asked.")


def test_a_photo_struck_out_afterwards_asks_for_another_read(desk: DeskLab) -> None:
    photo = Photo.objects.order_by("run").first()
    segment = desk.write(SAID, shots=shots_of(f"The hole | {key_of(photo)}"))
    assert stale_parts(segment, book_of_desk(desk)) == []
    signed = sign_off_episode(by=desk.editor, episode=desk.episode, note="Asked.")
    assert episodes.episode_digest(desk.episode) == signed.digest

    later = take_photo(photo.run, by=desk.lead, colour=(1, 2, 3), later_s=60)
    strike_out_photo(by=desk.lead, photo=photo, reason="It shows another pair.")
    (stale,) = stale_parts(segment, book_of_desk(desk))
    assert stale["key"] == key_of(photo)
    assert stale["before"].endswith("after the run: The hole over the knee")
    assert stale["now"] == (
        f"struck out: It shows another pair. A later one of the same: {key_of(later)}"
    )
    # the sign-off spoke of the photo as it stood
    assert episodes.episode_digest(desk.episode) != signed.digest
    assert point(desk, "stale").state is State.STOP
    assert point(desk, "shots").state is State.STOP

    # read again is not enough: a struck-out photo is not shown
    episodes.read_again(by=desk.lead, segment=segment, book=book_of_desk(desk))
    assert point(desk, "stale").state is State.DONE
    assert point(desk, "shots").state is State.STOP
    desk.write(SAID, shots=shots_of(f"The hole | {key_of(later)}"))
    assert point(desk, "shots").state is State.DONE


def test_a_run_voided_afterwards_asks_for_another_read(desk: DeskLab) -> None:
    mark = VideoMark.objects.select_related("run").earliest("pk")
    segment = desk.write(SAID, shots=shots_of(f"The end | {key_of(mark)}"))
    void_run(
        by=desk.lead,
        run=mark.run,
        reason=RunVoid.Reason.SLIPPED,
        note="Seen on the film.",
        value_was_known=True,
    )
    stale = {one["key"]: one["now"] for one in stale_parts(segment, book_of_desk(desk))}
    assert stale[key_of(mark)] == "of a void run: specimen slipped or failed in the jaw"
    assert point(desk, "shots").state is State.LOOK


def test_the_board_offers_what_the_bench_kept(desk: DeskLab, at_desk: Client) -> None:
    photos = list(Photo.objects.order_by("run"))
    strike_out_photo(by=desk.lead, photo=photos[0], reason="Blurred.")
    page = at_desk.get(f"/desk/episodes/{desk.episode.slug}/").content.decode()
    assert f'data-shot="{key_of(photos[0])}"' not in page
    for one in (photos[1], VideoMark.objects.latest("pk")):
        assert f'data-shot="{key_of(one)}"' in page
    assert f'src="/photos/{photos[1].pk}/display/"' in page


def test_print_view_and_shot_list_show_picture_words_and_film(
    desk: DeskLab, at_desk: Client
) -> None:
    photo, mark = Photo.objects.earliest("pk"), VideoMark.objects.earliest("pk")
    lines = f"The hole | {key_of(photo)}\nThe end | {key_of(mark)}"
    desk.write(SAID, shots=shots_of(lines))
    for tail in ("presenter/", "shots/"):
        page = at_desk.get(f"/desk/episodes/{desk.episode.slug}/{tail}").content.decode()
        assert f'src="/photos/{photo.pk}/display/"' in page
        assert f'alt="Photo of {photo.run.specimen.code}, left side' in page
        assert f"The end, {mark.video} at 1:32.5" in visible_text(page)


def test_without_script_what_cannot_be_kept_comes_back_to_be_put_right(
    desk: DeskLab, at_desk: Client
) -> None:
    segment = desk.segment()
    path = f"/desk/episodes/{desk.episode.slug}/segments/{segment.pk}/"
    given = {"version": segment.version, "title": "Opening", "script": "A long hour at the desk."}
    answer = at_desk.post(path, given | {"pause_s": "a while"})
    assert answer.status_code == 400
    page = answer.content.decode()
    assert "Whole seconds, from 0 to 600." in page
    assert "A long hour at the desk." in page
    for nonsense in ("", "x", "9" * 40, "²"):
        assert at_desk.post(path, given | {"version": nonsense}).status_code == 409
        history = at_desk.post(f"{path}history/", {"version": nonsense, "over": nonsense})
        assert history.status_code == 404
    assert Segment.objects.get(pk=segment.pk).script == ""


def test_a_released_episode_shows_the_photo_that_its_scorecard_names(
    desk: DeskLab, reader: Client
) -> None:
    photo, mark = Photo.objects.earliest("pk"), VideoMark.objects.earliest("pk")
    # taken after the scorecard went out, so the edition does not name it
    later = take_photo(photo.run, by=desk.lead, colour=(1, 2, 3), later_s=60)
    lines = f"The hole | {key_of(photo)}\nNew | {key_of(later)}\nThe end | {key_of(mark)}"
    desk.write(SAID, shots=shots_of(lines))
    sign_off_episode(by=desk.editor, episode=desk.episode, note="Asked.")
    edition = release_episode(by=desk.editor, episode=desk.episode)
    hole, new, end = edition.content["segments"][0]["shots"]
    assert (end["video"], end["at"]) == (mark.video, "1:32.5")
    assert "shown" not in new
    path = f"/scorecards/{desk.study.slug}/1/photos/{photo.full_digest}.jpg"
    page = reader.get(f"/episodes/{desk.episode.slug}/").content.decode()
    assert f'src="{path}"' in page
    assert later.full_digest not in page
    assert reader.get(path).headers["Content-Type"] == "image/jpeg"
    assert hole["shown"]["alternative"] in page


def test_words_kept_by_script_say_which_shot_cannot_be_kept(desk: DeskLab, at_desk: Client) -> None:
    segment = desk.segment()
    answer = at_desk.put(
        f"/desk/episodes/{desk.episode.slug}/segments/{segment.pk}/",
        {"title": "Opening", "script": "", "shots": "x" * 201},
        content_type="application/json",
        headers={"If-Match": f'"{segment.version}"'},
    )
    assert answer.status_code == 400
    assert list(answer.json()["fields"]) == ["shots"]
    with pytest.raises(Refused):
        save_segment(by=desk.lead, segment=segment, version=1, words={"title": ""})
