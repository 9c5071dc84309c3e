"""Figures and flags for the texts of a scorecard's draft and of an episode."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from reports.claims.check import Flag, check_script
from reports.claims.figures import Book, Figure, book_of, rendered
from reports.content import draft_content
from reports.errata_queries import correction_part
from reports.live_content import kept_content, live_content
from reports.models import EditionDraft, Episode, Segment, Stand
from reports.shots import evidence_of, keys_of
from trials.models import Study

DRAFT_TEXTS = ("headline", "summary_text", "note", "extra_cautions")


@dataclass(frozen=True)
class StoodFlag:
    """A flag with the reason it stands for, if a person gave one."""

    flag: Flag
    stand: Stand | None

    @property
    def is_open(self) -> bool:
        """Whether a person still has to act."""
        return self.stand is None


def study_book(study: Study) -> Book:
    """The figures of one study as they stand."""
    content = live_content(study)
    return Book() if content is None else book_of(content)


def episode_contents(episode: Episode) -> list[tuple[str, dict[str, Any]]]:
    """Letter and content of every study an episode draws on that may be seen."""
    used = list(episode.used.select_related("study"))
    found = []
    for one in used:
        content = kept_content(one.study)
        if content is not None:
            found.append((one.letter if len(used) > 1 else "", content))
    return found


def book_from(contents: Iterable[tuple[str, dict[str, Any]]]) -> Book:
    """One book of several studies."""
    told = list(contents)
    book = Book()
    for letter, content in told:
        book += book_of(content, letter)
    return replace(book, shots=evidence_of(content for _, content in told))


def draft_flags(study: Study, draft: EditionDraft, book: Book) -> list[StoodFlag]:
    """Flags of a scorecard's words. Prices and who paid stand on the card by themselves."""
    texts = [getattr(draft, name) for name in DRAFT_TEXTS]
    flags = check_script(texts, book, is_whole=False)
    return stood(flags, Stand.objects.filter(study=study).select_related("by"))


def episode_texts(episode: Episode, segments: Sequence[Segment]) -> list[str]:
    """Title first, then each segment's script and its words on the screen."""
    return [episode.title, *(text for s in segments for text in (s.script, s.screen_text))]


def episode_flags(episode: Episode, segments: Sequence[Segment], book: Book) -> list[StoodFlag]:
    """Flags of everything an episode says and shows in words."""
    flags = check_script(episode_texts(episode, segments), book)
    return stood(flags, Stand.objects.filter(episode=episode).select_related("by"))


def stood(flags: Iterable[Flag], stands: Iterable[Stand]) -> list[StoodFlag]:
    """Each flag with the newest reason given for it in the same sentence."""
    known = {(s.rule, s.quote, s.sentence): s for s in stands}
    return [
        StoodFlag(flag, known.get((flag.rule, flag.quote[:200], flag.sentence))) for flag in flags
    ]


def seen_now(segment: Segment, book: Book) -> dict[str, dict[str, str]]:
    """What a segment's figures say and its shots show now, to notice when that changes."""
    figures = rendered(f"{segment.script}\n{segment.screen_text}", book).figures
    now = {f.key: {"words": f.words, "digest": f.digest} for f in figures}
    for key in keys_of(segment.shots):
        if (one := book.shots.get(key)) is not None:
            now[key] = {"words": one.words, "digest": one.digest}
    return now


def stale_parts(segment: Segment, book: Book) -> list[dict[str, str]]:
    """Figures whose finding changed, and pictures that did, since a person last read a segment."""
    stale = []
    for key, now in seen_now(segment, book).items():
        before = segment.seen.get(key)
        if before is not None and before["digest"] != now["digest"]:
            stale.append({"key": key, "before": before["words"], "now": now["words"]})
    return stale


@dataclass(frozen=True)
class SaidWords:
    """A draft's texts as readers get them, what each figure is, and the numbers typed by hand."""

    words: dict[str, str]
    figures: list[dict[str, str]]
    typed: list[dict[str, str]]


def words_with_figures(study: Study, draft: EditionDraft, content: dict[str, Any]) -> SaidWords:
    """Set the figures of a scorecard's own content into its words."""
    book = book_of(content)
    read = {name: rendered(getattr(draft, name).strip(), book) for name in DRAFT_TEXTS}
    stands = Stand.objects.filter(study=study).select_related("by")
    written = [getattr(draft, name).strip() for name in DRAFT_TEXTS]
    flags = stood(check_script(written, book, is_whole=False), stands)
    return SaidWords(
        words={name: one.text for name, one in read.items()},
        figures=[_figure_part(name, f) for name, one in read.items() for f in one.figures],
        typed=[typed_part(one) for one in flags if one.flag.rule == "typed-number" and one.stand],
    )


def cautions_with_figures(content: dict[str, Any]) -> list[dict[str, Any]]:
    """The cautions, with figures set into those that an editor added."""
    book = book_of(content)
    return [
        one
        if one["key"] != "editor"
        else one | {name: rendered(one[name], book).text for name in ("short", "full")}
        for one in content["cautions"]
    ]


def preview_content(study: Study, *, by: str) -> dict[str, Any] | None:
    """The next edition as it would be frozen now, with its figures set in."""
    content = draft_content(study, by=by)
    draft = EditionDraft.objects.filter(study=study).first()
    if content is None or draft is None:
        return content
    said = words_with_figures(study, draft, content)
    content["edition"] |= {
        "headline": said.words["headline"] or content["edition"]["headline"],
        "summary": said.words["summary_text"],
        "note": said.words["note"],
    }
    content["cautions"] = cautions_with_figures(content)
    return content | correction_part(study, content)


def _figure_part(place: str, figure: Figure) -> dict[str, str]:
    return {"where": place, "key": figure.key, "words": figure.words, "label": figure.label}


def typed_part(one: StoodFlag) -> dict[str, str]:
    """A number typed by hand and why it stands, as frozen with what it stands in."""
    assert one.stand is not None  # nosec B101  # asked for by the callers
    return {
        "number": one.flag.quote,
        "sentence": one.flag.sentence,
        "reason": one.stand.reason,
        "by": one.stand.by.display_name,
    }


def has_result(study: Study, headline: str) -> bool:
    """Whether a headline takes in a figure of a finding, which belongs behind the cautions."""
    if "{" not in headline:
        return False
    book = study_book(study)
    return any(figure.source in book.findings for figure in rendered(headline, book).figures)
