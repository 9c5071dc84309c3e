"""A time from two marks on a film: known to one frame either way."""

import pytest
from django.urls import reverse
from django.utils import timezone
from hypothesis import given
from hypothesis import strategies as st

from trials.intervals import BadEntry, ReadingKind, Scale, entry_of
from trials.models import Reading, VideoMark
from trials.physics.errors import OutOfRange
from trials.physics.flame import time_between_marks

SCALE = Scale(ReadingKind.TIMER, "s", 0.1, detection_limit=0.2, range_high=120)


def marked(**more):
    raw = {"from_s": 12.48, "to_s": 15.92, "frames_per_second": 25, "ended": "failed"} | more
    return entry_of(raw, SCALE)


def test_by_hand_at_25_frames():
    # 12.48 s is frame 312, 15.92 s is frame 398: 86 frames are 3.44 s, one frame is 0.04 s
    entry = marked()
    assert (entry.bounds.low, entry.bounds.high) == (3.40, 3.48)
    assert entry.words == "ended at 3.44\u00a0s on a film of 25 frames a second"


def test_out_at_once_is_at_most_one_frame():
    entry = marked(to_s=12.48)
    assert (entry.bounds.low, entry.bounds.high) == (0.0, 0.04)


def test_still_burning_when_the_film_ends():
    entry = marked(ended="stopped")
    assert entry.bounds.low == 3.40
    assert entry.bounds.high == float("inf")


@pytest.mark.parametrize(
    ("more", "field"),
    [
        ({"to_s": 12.0}, "to_s"),
        ({"to_s": 400}, "to_s"),
        ({"from_s": -1}, "from_s"),
        ({"frames_per_second": 0}, "frames_per_second"),
        ({"frames_per_second": 20_000}, "frames_per_second"),
        ({"ended": "perhaps"}, "ended"),
        ({"seconds": 3}, "seconds"),
        ({"to_s": 12.48, "ended": "stopped"}, "to_s"),
    ],
)
def test_what_cannot_be_is_told_beside_its_field(more, field):
    with pytest.raises(BadEntry) as told:
        marked(**more)
    assert list(told.value.problems) == [field]


@given(st.floats(0, 50), st.floats(0, 50), st.sampled_from([24.0, 25.0, 29.97, 50.0, 60.0, 240.0]))
def test_the_true_time_lies_inside(begun_s, length_s, rate):
    # each moment is marked on the first frame that shows it, whatever its place between frames
    def first_frame_after(moment):
        frame = int(moment * rate)
        return frame if frame / rate >= moment else frame + 1

    marks = (first_frame_after(begun_s) / rate, first_frame_after(begun_s + length_s) / rate)
    low, high = time_between_marks(*marks, frames_per_second=rate)
    assert low - 1e-9 <= length_s <= high + 1e-9
    assert high - low <= 2 / rate + 1e-9


def test_marks_the_wrong_way_round_are_refused():
    with pytest.raises(OutOfRange, match="before the first"):
        time_between_marks(2, 1, frames_per_second=25)


def test_a_stopwatch_at_or_below_the_limit_is_below_it():
    entry = entry_of({"seconds": 0, "ended": "failed"}, SCALE)
    assert (entry.bounds.low, entry.bounds.high) == (0.0, 0.2)
    plain = Scale(ReadingKind.TIMER, "s", 0.1)
    with pytest.raises(BadEntry, match="zero"):
        entry_of({"seconds": 0, "ended": "failed"}, plain)


@pytest.mark.django_db
def test_from_the_page_to_the_reading(at_bench, bench_lab, checks_passed):
    run = bench_lab.run_of("after-flame")
    address = reverse("lab-film-time", args=[run.pk])
    bench = at_bench.get(reverse("bench-run", args=[run.study.slug, run.pk])).content.decode()
    assert address in bench
    sent = {
        "video": "clip 7",
        "frames_per_second": "25",
        "from_s": "12,48",
        "to_s": "15.92",
        "ended": "failed",
        "measured_at": timezone.localtime().strftime("%Y-%m-%dT%H:%M"),
        "look": "yes",
    }
    shown = at_bench.post(address, sent).content.decode()
    assert "Ended at 3.44" in shown
    assert "between 3.4 and 3.48" in shown or "3.4 to 3.48" in shown
    assert not Reading.objects.exists()
    wrong = at_bench.post(address, sent | {"to_s": "3"})
    assert wrong.status_code == 400
    assert "before the first" in wrong.content.decode()
    assert at_bench.post(address, sent | {"keep": "yes"}).status_code == 302
    reading = Reading.objects.get()
    assert (reading.low, reading.high) == (3.4, 3.48)
    assert sorted(mark.seconds for mark in VideoMark.objects.all()) == [12.48, 15.92]
    again = at_bench.post(address, sent | {"keep": "yes"})
    assert again.status_code == 400
    assert "already" in again.content.decode()


@pytest.mark.django_db
def test_a_method_that_reads_no_time_takes_no_film(at_bench, bench_lab):
    run = bench_lab.run_of("padding-drop")
    assert at_bench.get(reverse("lab-film-time", args=[run.pk])).status_code == 400
