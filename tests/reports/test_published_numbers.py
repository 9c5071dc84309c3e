"""Whatever an editor types: each number that goes out is a figure of its findings, or a named exception.

Random scripts of references, typed numbers, names and plain words, glued and spaced at random, go
the whole way through the database: kept, flagged, answered for, signed off, released. What went out
is then read from the frozen content alone, and each figure is worked out again from the raw numbers
of the finding in the scorecard it names.
"""

import math
import random
import re

import pytest

from labsite.errors import Refused
from reports.actions import publish_edition, save_draft
from reports.claims.figures import Book
from reports.episode_corrections import NEEDED, keep_correction
from reports.episodes import read_again, release_episode, running, sign_off_episode
from reports.models import Edition, EditionDraft, Stand
from reports.review import let_stand, sign_off_study
from reports.script_checks import (
    StoodFlag,
    book_from,
    draft_flags,
    episode_contents,
    episode_flags,
    study_book,
)
from tests.reports.desk_lab import DeskLab, build_desk

ROUNDS = 10
TYPED = ("72 %", "£45", "1,250 km", "−5", "3.14", "½", "12 items", "2026", "0.5", "7", "000", "9²")
PLAIN = ("It wore", "on the belt", "against new ones", "so far", ".", ", and", "A4 paper", "\n\n")
NAMES = ("EN 17092-2:2020", "ISO 13934-1")
SAID = dict.fromkeys(NEEDED, "New words.")
# digits with what may stand inside one number
RUN = re.compile(r"\d(?:[\d.,\u2009\u202f\u00a0 ]*\d)?")


@pytest.fixture
def desk(db) -> DeskLab:
    return build_desk()


def script(draw: random.Random, book: Book) -> str:
    """Up to a dozen parts, most of them spaced and some glued."""
    parts = []
    for _ in range(draw.randint(1, 12)):
        kind = draw.random()
        if kind < 0.4:
            parts.append(f"{{{draw.choice(sorted(book.figures))}}}")
        elif kind < 0.6:
            parts.append(draw.choice(TYPED))
        else:
            parts.append(draw.choice(PLAIN if kind < 0.95 else NAMES))
        parts.append("" if draw.random() < 0.2 else " ")
    return "".join(parts).strip()


def stand_for(flags: list[StoodFlag], *, by, subject, leave: StoodFlag | None = None) -> None:
    for one in flags:
        if one.is_open and one is not leave:
            flag = one.flag
            let_stand(
                by=by,
                subject=subject,
                rule=flag.rule,
                quote=flag.quote,
                sentence=flag.sentence,
                reason="Heard on the day.",
            )


# --- reading what went out -----------------------------------------------------------------------


def numbers_in(text: str) -> list[tuple[float, int]]:
    """Every number of a figure's words with the decimals it shows."""
    found = []
    for match in re.finditer(r"\d{1,3}(?:[\u2009\u202f,]\d{3})+|\d+(?:\.\d+)?", text):
        digits = re.sub(r"[^\d.]", "", match[0])
        found.append((float(digits), len(digits.partition(".")[2])))
    return found


def raw_numbers(card: dict, key: str) -> list[float] | None:
    """What a figure stands for, by arithmetic on the finding; None for words taken from the card."""
    source, _, part = key.rpartition(" ")
    if source.startswith("item "):
        (arm,) = [a for a in card["arms"] if a["key"] == source.removeprefix("item ")]
        return {"number": [float(len(arm["specimens"]))], "paid": []}.get(part)
    method, arm_key = source.split(" ")
    (one,) = [f for f in card["findings"] if (f["method"]["key"], f["arm"]) == (method, arm_key)]
    kept, low, high = one["retention"], one["low"], one["high"]
    level, span = 100 * one["level"], [100 * low, 100 * high]
    return {
        "verdict": [],
        "count": [one["n_other"]],
        "against": [one["n_baseline"]],
        "level": [level],
        "margin": [100 * one["margin"]],
        "kept": [100 * kept],
        "lost": [100 * (1 - kept)],
        "unseen": [100 * (one["smallest_visible_loss"] or 0)],
        "range": span,
        "figure": [100 * kept, level, *span],
        "low": span[:1],
        "high": span[1:],
        "lost-range": [100 * (1 - high), 100 * (1 - low)],
        "times": [1 / kept],
        "times-range": [1 / high, 1 / low],
    }.get(part)


def check_figure(card: dict, key: str, text: str) -> None:
    raw = raw_numbers(card, key)
    if raw is None:
        # a sentence, a price, a service: on the card word for word
        assert text.replace("\u00a0", " ") in str(card).replace("\u00a0", " ").replace("\\xa0", " ")
        return
    shown = numbers_in(text)
    assert len(shown) == len(raw), (key, text)
    for (number, decimals), true in zip(shown, raw, strict=True):
        # at least two figures are shown, so half of the last one is at most 5 in 100
        half = 0.5 * 10**-decimals
        assert math.isclose(number, true, abs_tol=half * 1.001, rel_tol=0.005), (key, text, true)


def check_part(pieces: list[dict], typed: list[dict], figures: dict, card: dict) -> int:
    """One paragraph of a released text; returns how many figures it holds."""
    text = "".join(piece["text"] for piece in pieces)
    allowed = [
        range(m.start(), m.end())
        for one in typed
        if one["reason"] and one["by"]
        for m in re.finditer(re.escape(one["number"]), text)
    ]
    for name in NAMES:
        allowed += [range(m.start(), m.end()) for m in re.finditer(re.escape(name), text)]
    allowed += [range(m.start(), m.end()) for m in re.finditer("A4 paper", text)]
    at, count, places = 0, 0, []
    for piece in pieces:
        end = at + len(piece["text"])
        if "key" in piece:
            count += 1
            places.append(range(at, end))
            assert figures[piece["key"]]["words"] == piece["text"]
            check_figure(card, piece["key"], piece["text"])
        at = end
    for place, character in enumerate(text):
        if character.isnumeric():
            held = any(place in one for one in (*allowed, *places))
            assert held, (text[max(0, place - 20) : place + 20], typed)
    for run in re.finditer(r"\d+(?:\.\d+)?", text):
        # figures set side by side, or beside a digit, would read as a number of nobody's
        whole = any(run.start() in one and run.end() - 1 in one for one in places) or all(
            any(place in one for one in allowed)
            for place in range(*run.span())
            if text[place].isnumeric()
        )
        assert whole, (run[0], text)
    return count


def card_of(desk: DeskLab) -> dict:
    return Edition.objects.filter(study=desk.study).order_by("-number")[0].content


# --- the properties ------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [1, 2])
def test_every_number_of_a_random_episode_is_a_figure_or_a_named_exception(
    desk: DeskLab, seed: int
) -> None:
    draw = random.Random(seed)
    book = book_from(episode_contents(desk.episode))
    assert len(book.figures) > 15
    figures = exceptions = refusals = 0
    for number in range(1, ROUNDS + 1):
        for place in range(len(running(desk.episode))):
            desk.write(
                script(draw, book), place=place, screen_text=script(draw, book).replace("\n", " ")
            )
        flags = episode_flags(desk.episode, running(desk.episode), book)
        typed = [one for one in flags if one.is_open and one.flag.rule == "typed-number"]
        if typed and draw.random() < 0.5:
            left = draw.choice(typed)
            stand_for(flags, by=desk.lead, subject=desk.episode, leave=left)
            # one typed number that nobody answers for keeps the whole episode in
            is_answered = Stand.objects.filter(
                quote=left.flag.quote, sentence=left.flag.sentence
            ).exists()
            if not is_answered:
                refusals += 1
                with pytest.raises(Refused, match="Claims"):
                    sign_off_episode(by=desk.editor, episode=desk.episode, note="Asked.")
        stand_for(
            episode_flags(desk.episode, running(desk.episode), book),
            by=desk.lead,
            subject=desk.episode,
        )
        for segment in running(desk.episode):
            read_again(by=desk.lead, segment=segment, book=book)
        if number > 1:
            keep_correction(by=desk.lead, episode=desk.episode, said=SAID)
        sign_off_episode(by=desk.editor, episode=desk.episode, note="Asked.")
        edition = release_episode(by=desk.editor, episode=desk.episode)
        assert edition.number == number
        content = edition.content
        exceptions += len(content["typed"])
        for segment in content["segments"]:
            for part in [*segment["paragraphs"], *segment["screen"]]:
                figures += check_part(part, content["typed"], content["figures"], card_of(desk))
    assert figures > 60
    assert exceptions > 15
    assert refusals > 1


def test_every_number_of_a_random_scorecard_is_a_figure_or_a_named_exception(
    desk: DeskLab,
) -> None:
    draw = random.Random(4)
    book = study_book(desk.study)
    names = ("summary_text", "note", "extra_cautions")
    figures = exceptions = 0
    for number in range(2, 2 + ROUNDS):
        words = {name: script(draw, book).replace("\n\n", " ") or "None." for name in names}
        words["note"] = f"New. {words['note']}"
        fields = {"headline": f"Said anew, {'again ' * (number % 3)}on the belt"} | words
        save_draft(by=desk.lead, study=desk.study, fields=fields)
        draft = EditionDraft.objects.get(study=desk.study)
        flags = draft_flags(desk.study, draft, study_book(desk.study))
        if any(one.is_open for one in flags):
            with pytest.raises(Refused, match="Claims"):
                sign_off_study(by=desk.editor, study=desk.study, note="Asked.")
        stand_for(flags, by=desk.lead, subject=desk.study)
        sign_off_study(by=desk.editor, study=desk.study, note="Asked.")
        content = publish_edition(by=desk.lead, study=desk.study).content
        said = content["edition"]
        exceptions += len(said["typed"])
        for name, shown in (("summary_text", "summary"), ("note", "note")):
            told = [one for one in said["figures"] if one["where"] == name]
            keys = re.findall(r"\{([^{}\n]{1,120})\}", words[name])
            assert [one["key"] for one in told] == keys
            # what was written with each reference replaced by its figure, and nothing else
            written, pieces = re.split(r"\{[^{}\n]{1,120}\}", words[name]), []
            for place, text in enumerate(written):
                pieces.append({"text": text})
                if place < len(told):
                    pieces.append({"text": told[place]["words"], "key": told[place]["key"]})
            assert "".join(piece["text"] for piece in pieces).strip() == said[shown]
            known = {one["key"]: one for one in told}
            figures += check_part(pieces, said["typed"], known, content)
    assert figures > 15
    assert exceptions > 8
