"""How long words take to say, and captions as WebVTT.

The grammar checked here is of WebVTT: The Web Video Text Tracks Format, W3C Candidate Recommendation
of 4 April 2019, sections 4.1 and 4.2.1 (from memory).
"""

import itertools
import re

import pytest

from reports.speech import LINE_SIGNS, Said, captions, clock, seconds, spoken_words

CUE = re.compile(r"(\d{2}):([0-5]\d):([0-5]\d)\.(\d{3}) --> (\d{2}):([0-5]\d):([0-5]\d)\.(\d{3})")


@pytest.mark.parametrize(
    ("text", "count"),
    [
        ("", 0),
        ("Four jackets, one bench.", 4),
        ("81\u00a0%", 4),  # eighty one per cent
        ("14\u2009000\u00a0km", 3),  # fourteen thousand kilometres
        ("100", 2),  # one hundred
        ("2.5 times", 4),  # two point five times
        ("£29", 3),  # twenty nine pounds
        ("The maker's well-known jacket", 4),
        ("1\u2009234\u2009567", 13),  # one million two hundred and thirty four thousand ...
        ("0", 1),
    ],
)
def test_numbers_are_counted_as_they_are_said(text: str, count: int) -> None:
    assert spoken_words(text) == count


def test_a_twelve_minute_script_has_1800_words_at_150() -> None:
    assert seconds("word " * 1800, 150) == pytest.approx(720)


@pytest.mark.parametrize(
    ("total", "shown"), [(0, "0:00"), (59.6, "1:00"), (725, "12:05"), (3725, "1:02:05")]
)
def test_times_are_shown_as_on_a_clock(total: float, shown: str) -> None:
    assert clock(total) == shown


def parsed(text: str) -> list[tuple[float, float, list[str]]]:
    """Read a WebVTT file strictly by its grammar."""
    assert text.startswith("WEBVTT\n\n")
    assert text.endswith("\n")
    cues = []
    for block in text.removeprefix("WEBVTT\n\n").strip("\n").split("\n\n"):
        lines = block.split("\n")
        if lines[0].startswith("NOTE"):
            assert "-->" not in block
            continue
        assert "-->" not in lines[0]
        match = CUE.fullmatch(lines[1])
        assert match is not None, lines[1]
        h, m, s, ms, h2, m2, s2, ms2 = (int(part) for part in match.groups())
        start, end = h * 3600 + m * 60 + s + ms / 1000, h2 * 3600 + m2 * 60 + s2 + ms2 / 1000
        assert end > start
        body = lines[2:]
        assert body
        assert all("-->" not in line and "<" not in line for line in body)
        assert not re.search(r"&(?!amp;|lt;|gt;)", "\n".join(body))
        cues.append((start, end, body))
    return cues


def test_captions_are_webvtt_in_order_and_lose_no_word() -> None:
    text = (
        "On Orvanay the post goes by small motorcycle, over three passes, in all weather. "
        "Whoever rides a round wears the same jacket for years.\n\nIt kept 81\u00a0% <here> & --> there."
    )
    cues = parsed(captions([Said("Opening --> x", text, 4), Said("Next", "And then.")], 140))
    assert all(a[1] <= b[0] + 1e-9 for a, b in itertools.pairwise(cues))
    assert all(len(body) <= 2 for _, _, body in cues)
    for _, _, body in cues:
        for line in body:
            plain = line.replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&")
            assert len(plain) <= LINE_SIGNS
    said = " ".join(" ".join(body) for _, _, body in cues)
    said = said.replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&")
    assert said.split() == [*text.replace("-->", "→").split(), "And", "then."]


def test_a_pause_is_silent_between_the_parts() -> None:
    cues = parsed(captions([Said("A", "One two three.", 10), Said("B", "Four.")], 60))
    assert cues[0][:2] == (0, 3)
    assert cues[1][0] == pytest.approx(13)


def test_an_empty_script_is_a_file_without_cues() -> None:
    assert parsed(captions([Said("A", "")], 150)) == []
