"""A small published study with an episode drawn from it, and photos of its bench. All invented."""

import uuid as uuids
from dataclasses import dataclass
from datetime import timedelta
from io import BytesIO

from PIL import Image

from labsite.models import User
from labsite.roles import Role
from reports.episodes import (
    create_episode,
    release_episode,
    running,
    save_segment,
    sign_off_episode,
)
from reports.models import Episode, Segment
from reports.script_checks import book_from, episode_contents
from specimens.models import Specimen
from tests.reports.demo_site import amend, person_with, publish, run_waiting_jobs
from tests.reports.story_lab import READ_AT, Story, build_story, upload
from trials import instruments
from trials.models import Photo, Reading, Run, Study, VideoMark
from trials.photos import MarkEntry, PhotoEntry, keep_mark, keep_photo


@dataclass(frozen=True)
class DeskLab:
    """A study with findings, an episode of it, and the two people who make it."""

    story: Story
    episode: Episode
    lead: User
    editor: User

    @property
    def study(self) -> Study:
        return self.story.study

    def segment(self, place: int = 0) -> Segment:
        return running(self.episode)[place]

    def write(self, script: str, *, place: int = 0, **words) -> Segment:
        """Keep words as the lead, over what stands there."""
        segment = self.segment(place)
        return save_segment(
            by=self.lead,
            segment=segment,
            version=segment.version,
            words={"script": script} | words,
            book=book_from(episode_contents(self.episode)),
        )


def build_desk(*, with_photos: bool = False) -> DeskLab:
    """Three new waders and three worn ones on the belt, published. Photos come before that."""
    story = build_story(method="belt-abrasion", arms={"New": 3, "Worn": 3})
    Specimen.objects.update(paid_by="the lab")
    items = [*story.arms["New"], *story.arms["Worn"]]
    values = (4.1, 4.4, 4.2, 2.9, 3.2, 3.0)
    upload(
        story,
        [
            {"specimen": one.code, "value": value, "ended": "failed"}
            for one, value in zip(items, values, strict=True)
        ],
    )
    lead, editor = person_with(Role.LEAD), person_with(Role.EDITOR)
    if with_photos:
        for run, colour in zip(Run.objects.order_by("pk"), COLOURS, strict=False):
            take_photo(run, by=lead, colour=colour)
            mark_film(run, by=lead)
    publish(story.study, by=lead)
    episode = create_episode(
        by=lead,
        fields={"title": "Waders on the belt", "target_seconds": 60, "words_per_minute": 150},
        studies=[story.study],
    )
    return DeskLab(story, episode, lead, editor)


SAID = "All were bought by the lab. They kept {belt-abrasion worn figure}."
# the timer showed this much more than had passed whenever a worn item was run: invented
TIMER_ERROR_S = 0.9


def build_timed_desk() -> DeskLab:
    """The same with a bench timer for every run, and the episode out as edition 1."""
    lab = build_desk()
    watch = instruments.add_instrument(
        by=lab.lead,
        fields={"code": "timer-3", "name": "Bench timer", "kind": "timer", "unit": "s"},
    )
    instruments.use_for_all(
        by=lab.lead,
        study=lab.study,
        revision=lab.story.revision,
        instrument=watch,
        reason="From the bench book.",
    )
    run_waiting_jobs()
    lab.write(SAID)
    sign_off_episode(by=lab.editor, episode=lab.episode, note="Asked.")
    release_episode(by=lab.editor, episode=lab.episode)
    return lab


def put_timer_right(desk: DeskLab) -> set[str]:
    """Amend every worn item's seconds at the bench; returns the worn items' codes."""
    worn = {one.code for one in desk.story.arms["Worn"]}
    readings = Reading.objects.current().filter(run__study=desk.study, run__specimen__code__in=worn)
    for reading in list(readings):
        right = {"seconds": reading.raw["seconds"] - TIMER_ERROR_S, "ended": "failed"}
        amend(reading, right, by=desk.lead, reason="Timer 3 ran ahead.")
    run_waiting_jobs()
    return worn


COLOURS = ((10, 120, 30), (200, 30, 30), (30, 60, 200))


def take_photo(run: Run, *, by: User, colour: tuple[int, int, int], later_s: int = 0) -> Photo:
    """Keep a picture of one colour, taken after the run."""
    out = BytesIO()
    Image.new("RGB", (64, 48), colour).save(out, "JPEG")
    entry = PhotoEntry(
        uuid=uuids.uuid4(),
        run=run,
        content=out.getvalue(),
        taken_at=READ_AT + timedelta(minutes=5, seconds=later_s),
        shows=Photo.Shows.AFTER,
        caption="The hole over the knee",
    )
    return keep_photo(by=by, entry=entry).photo


def mark_film(run: Run, *, by: User) -> VideoMark:
    """Mark the moment of a film at which the belt goes through."""
    entry = MarkEntry(
        uuid=uuids.uuid4(),
        run=run,
        video=f"belt-{run.pk}",
        seconds=92.54,
        caption="The belt goes through",
        marked_at=READ_AT + timedelta(minutes=6),
    )
    return keep_mark(by=by, entry=entry)[0]
