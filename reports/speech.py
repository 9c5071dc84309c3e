"""How long a text takes to say, and its captions as WebVTT. No Django here.

WebVTT: The Web Video Text Tracks Format, W3C Candidate Recommendation of 4 April 2019, section 4.1.
"""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

LINE_SIGNS = 42  # a caption line that can be read at a glance; common practice, no source
LINES = 2
_TOKEN = re.compile(
    r"(?P<number>\d[\d\u2009\u202f\u00a0,]*(?:\.\d+)?)|(?P<word>[^\W\d]+(?:['’-][^\W\d]+)*)|(?P<sign>[%£€$°+−×])"
)


def spoken_words(text: str) -> int:
    """Words as they are said: '14 000 km' is 'fourteen thousand kilometres', three words."""
    return sum(_said(match) for match in _TOKEN.finditer(text))


def _said(match: "re.Match[str]") -> int:
    if match["word"]:
        return 1
    if match["sign"]:
        return 2 if match["sign"] == "%" else 1
    whole, _, decimals = re.sub(r"[^\d.]", "", match["number"]).partition(".")
    said = _number_words(int(whole)) if len(whole) < 13 else len(whole)
    return said + (1 + len(decimals) if decimals else 0)


def _number_words(number: int) -> int:
    """How many words a whole number takes: 81 is 'eighty-one', counted as two."""
    if number == 0:
        return 1
    said = 0
    place = 0
    while number:
        number, group = divmod(number, 1000)
        if group:
            hundreds, rest = divmod(group, 100)
            said += 2 * (hundreds > 0) + (hundreds > 0 and rest > 0)
            said += 0 if rest == 0 else 1 if rest <= 20 or rest % 10 == 0 else 2
            said += place > 0
        place += 1
    return said


def seconds(text: str, words_per_minute: int) -> float:
    """How long it takes to say."""
    return spoken_words(text) * 60 / words_per_minute


def clock(total: float) -> str:
    """'12:05'; hours only where there are any."""
    whole = round(total)
    hours, rest = divmod(whole, 3600)
    minutes, second = divmod(rest, 60)
    return f"{hours}:{minutes:02}:{second:02}" if hours else f"{minutes}:{second:02}"


@dataclass(frozen=True)
class Said:
    """A stretch of speech and the silence after it."""

    name: str
    text: str
    pause_s: float = 0.0


def captions(parts: Iterable[Said], words_per_minute: int) -> str:
    """The speech as a WebVTT file, timed by how long it takes to say."""
    lines = ["WEBVTT", ""]
    at = 0.0
    number = 0
    for part in parts:
        lines += [f"NOTE {_one_line(part.name)}", ""]
        for cue in _cues(part.text):
            number += 1
            ends = at + max(seconds(cue, words_per_minute), 0.5)
            lines += [str(number), f"{_stamp(at)} --> {_stamp(ends)}", *_lines(cue), ""]
            at = ends
        at += part.pause_s
    return "\n".join(lines) + "\n"


def _one_line(text: str) -> str:
    return " ".join(text.split()).replace("-->", "→")


def _stamp(at: float) -> str:
    thousandths = round(at * 1000)
    whole, part = divmod(thousandths, 1000)
    return f"{whole // 3600:02}:{whole // 60 % 60:02}:{whole % 60:02}.{part:03}"


def _cues(text: str) -> Iterator[str]:
    """As much as fits two lines, cut at the ends of sentences and between words."""
    for sentence in re.split(r"(?<=[.!?…])[ \n]+|\n+", text):
        cue = ""
        for word in sentence.split(" "):
            longer = f"{cue} {word}".strip()
            if cue and len(_wrapped(longer)) > LINES:
                yield cue
                cue = word
            else:
                cue = longer
        if cue:
            yield cue


def _wrapped(text: str) -> list[str]:
    lines = [""]
    for word in text.split(" "):
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and len(longer) > LINE_SIGNS:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines


def _lines(cue: str) -> list[str]:
    return [
        line.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
        for line in _wrapped(_one_line(cue))
    ]
