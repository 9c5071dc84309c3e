"""What editors do with an episode: make it, write segments, set their order, release it."""

from collections.abc import Mapping, Sequence
from typing import Any

from django.db import transaction
from django.db.models import Max
from django.utils import timezone
from django.utils.text import slugify

from labsite import audit
from labsite.addresses import hidden_by
from labsite.errors import Conflict, Refused
from labsite.models import User
from labsite.roles import Deed, check_may
from reports.checklist import episode_checklist, stops
from reports.claims.figures import Book
from reports.embargoes import embargo_problems
from reports.episode_content import Going, episode_content
from reports.episode_corrections import correction_draft, correction_words
from reports.models import (
    Edition,
    Episode,
    EpisodeCorrectionDraft,
    EpisodeEdition,
    EpisodeStudy,
    Segment,
    SegmentVersion,
    SignOff,
)
from reports.review import current_sign_off, sign_off, sign_off_words
from reports.script_checks import book_from, episode_contents, episode_flags, seen_now
from reports.shots import shot_problems
from trials.actions import digest_of
from trials.models import Study

WORDS = ("title", "script", "screen_text", "shots", "pause_s")
LETTERS = "abcdefghijklmnopqrstuvwxyz"
LONGEST_SCRIPT = 20_000
MOST_SEGMENTS = 60


class NewerThere(Conflict):
    """Somebody else changed this since it was read. `segment` is what stands there now."""

    def __init__(self, segment: Segment) -> None:
        super().__init__(
            f"{segment.changed_by.display_name} changed this segment while you were writing. "
            "Nothing is overwritten: choose which words stand."
        )
        self.segment = segment


@transaction.atomic
def create_episode(
    *, by: User, fields: Mapping[str, Any], studies: Sequence[Study], is_invented: bool = False
) -> Episode:
    """A new episode with one segment for each property of its first study."""
    check_may(by, Deed.DRAFT_EDITIONS)
    slug = slugify(str(fields["title"]))[:80]
    problems: dict[str, list[str]] = {}
    if not slug:
        problems["title"] = ["Give it a title with letters."]
    elif Episode.objects.filter(slug=slug).exists():
        problems["title"] = ["There is an episode of that title."]
    elif hidden_by(slug):
        problems["title"] = ["The site has a page of its own under that name. Add a word."]
    if not studies:
        problems["studies"] = ["Choose at least one study."]
    elif len(studies) > len(LETTERS):
        problems["studies"] = [f"At most {len(LETTERS)} studies."]
    if problems:
        raise Refused(problems)
    episode = Episode.objects.create(slug=slug, made_by=by, is_invented=is_invented, **fields)
    for letter, study in zip(LETTERS, studies, strict=False):
        EpisodeStudy.objects.create(episode=episode, study=study, letter=letter)
    audit.record(
        by=by, verb="made episode", subject=episode, detail={"studies": [s.slug for s in studies]}
    )
    add_segment(by=by, episode=episode, title="Opening")
    for used in studies[0].study_methods.select_related("revision__method"):
        add_segment(by=by, episode=episode, title=used.revision.method.property.capitalize())
    add_segment(by=by, episode=episode, title="What this could not see")
    return episode


@transaction.atomic
def change_episode(*, by: User, episode: Episode, fields: Mapping[str, Any]) -> None:
    """Title, question, length and pace."""
    check_may(by, Deed.DRAFT_EDITIONS)
    known = ("title", "question", "target_seconds", "words_per_minute")
    after = {name: fields[name] for name in known if name in fields}
    before = {name: getattr(episode, name) for name in after}
    for name, value in after.items():
        setattr(episode, name, value)
    episode.save()
    detail = audit.changes(before, after)
    audit.record(by=by, verb="changed episode", subject=episode, detail=detail)


@transaction.atomic
def add_segment(*, by: User, episode: Episode, title: str) -> Segment:
    """An empty segment at the end."""
    check_may(by, Deed.DRAFT_EDITIONS)
    if not title.strip():
        raise Refused({"title": ["Name the segment."]})
    if episode.segments.filter(is_cut=False).count() >= MOST_SEGMENTS:
        raise Refused(f"An episode has at most {MOST_SEGMENTS} segments.")
    last = episode.segments.aggregate(last=Max("position"))["last"]
    segment = Segment.objects.create(
        episode=episode,
        position=0 if last is None else last + 1,
        title=title.strip()[:120],
        changed_at=timezone.now(),
        changed_by=by,
    )
    _keep_version(segment)
    Episode.objects.filter(pk=episode.pk).update(version=episode.version + 1)
    episode.refresh_from_db()
    return segment


@transaction.atomic
def save_segment(
    *, by: User, segment: Segment, version: int, words: Mapping[str, Any], book: Book | None = None
) -> Segment:
    """Keep a segment's words, if they were written over the version that stands there.

    Raises
    ------
    NewerThere
        If somebody else's words came in between.
    """
    check_may(by, Deed.DRAFT_EDITIONS)
    _check_words(words)
    now = Segment.objects.select_for_update().select_related("changed_by").get(pk=segment.pk)
    if all(getattr(now, name) == words.get(name, getattr(now, name)) for name in WORDS):
        return now  # nothing to keep, whoever came first
    if now.version != version:
        raise NewerThere(now)
    for name in WORDS:
        setattr(now, name, words.get(name, getattr(now, name)))
    if book is not None:
        _note_seen(now, book, again=False)
    now.version += 1
    now.changed_at = timezone.now()
    now.changed_by = by
    now.save()
    _keep_version(now)
    return now


def _check_words(words: Mapping[str, Any]) -> None:
    problems: dict[str, list[str]] = {}
    if "title" in words and not str(words["title"]).strip():
        problems["title"] = ["Name the segment."]
    for name in ("script", "screen_text"):
        if len(str(words.get(name, ""))) > LONGEST_SCRIPT:
            problems[name] = [f"At most {LONGEST_SCRIPT} characters in one segment: cut it in two."]
    too_long = shot_problems(words.get("shots", ()))
    if too_long:
        problems["shots"] = too_long
    pause = words.get("pause_s", 0)
    if not isinstance(pause, int) or not 0 <= pause <= 600:
        problems["pause_s"] = ["Whole seconds, from 0 to 600."]
    if problems:
        raise Refused(problems)


def _note_seen(segment: Segment, book: Book, *, again: bool) -> None:
    """Remember what new parts say; what older ones said only when the segment is read again."""
    now = seen_now(segment, book)
    segment.seen = {
        key: said if again else segment.seen.get(key, said) for key, said in now.items()
    }


@transaction.atomic
def read_again(*, by: User, segment: Segment, book: Book) -> None:
    """Say that a person has read the segment with its figures and pictures as they are now."""
    check_may(by, Deed.DRAFT_EDITIONS)
    now = Segment.objects.select_for_update().get(pk=segment.pk)
    before = now.seen
    _note_seen(now, book, again=True)
    now.save(update_fields=["seen"])
    audit.record(
        by=by,
        verb="read a segment again",
        subject=now,
        detail={"before": before, "now": now.seen},
    )


@transaction.atomic
def set_order(*, by: User, episode: Episode, version: int, order: Sequence[int]) -> Episode:
    """Put the segments in a new order, if the old one is still what the person saw."""
    check_may(by, Deed.DRAFT_EDITIONS)
    now = Episode.objects.select_for_update().get(pk=episode.pk)
    segments = {s.pk: s for s in now.segments.filter(is_cut=False)}
    if now.version != version:
        raise Conflict("The order was changed by somebody else meanwhile: look at the page anew.")
    if sorted(order) != sorted(segments):
        raise Conflict("A segment was added or cut meanwhile: look at the page anew.")
    for position, pk in enumerate(order):
        Segment.objects.filter(pk=pk).update(position=position)
    now.version += 1
    now.save(update_fields=["version"])
    titles = [segments[pk].title for pk in order]
    audit.record(by=by, verb="set running order", subject=now, detail={"order": titles})
    return now


@transaction.atomic
def set_cut(*, by: User, segment: Segment, is_cut: bool) -> None:
    """Take a segment out, or put it back at the end. Its words and history stay."""
    check_may(by, Deed.DRAFT_EDITIONS)
    episode = Episode.objects.select_for_update().get(pk=segment.episode_id)
    now = Segment.objects.select_for_update().get(pk=segment.pk)
    now.is_cut = is_cut
    if not is_cut:
        last = episode.segments.aggregate(last=Max("position"))["last"] or 0
        now.position = last + 1
    now.save(update_fields=["is_cut", "position"])
    episode.version += 1
    episode.save(update_fields=["version"])
    verb = "cut a segment" if is_cut else "put a segment back"
    audit.record(by=by, verb=verb, subject=now)


def _keep_version(segment: Segment) -> None:
    SegmentVersion.objects.create(
        segment=segment,
        version=segment.version,
        by=segment.changed_by,
        at=segment.changed_at,
        **{name: getattr(segment, name) for name in WORDS},
    )


# --- release ---------------------------------------------------------------------------------


def running(episode: Episode) -> list[Segment]:
    """The segments that are in, in running order."""
    return list(
        episode.segments.filter(is_cut=False)
        .select_related("changed_by")
        .order_by("position", "pk")
    )


def episode_digest(episode: Episode) -> str:
    """What a sign-off of an episode speaks of: every word, and the figures they stand for."""
    book = book_from(episode_contents(episode))
    said = correction_words(episode)
    return digest_of(
        {
            "title": episode.title,
            "question": episode.question,
            "segments": [
                {name: getattr(s, name) for name in WORDS} | {"seen": seen_now(s, book)}
                for s in running(episode)
            ],
        }
        # left out when there is none, so that older sign-offs keep their digest
        | ({"correction": said} if said else {})
    )


def episode_authors(episode: Episode) -> set[int]:
    """Who wrote what is new: since the last release, or all of it where no word is new."""
    last = episode.editions.order_by("-number").first()
    versions = SegmentVersion.objects.filter(segment__episode=episode)
    since = versions.filter(at__gt=last.released_at) if last else versions
    new = set(since.values_list("by", flat=True))
    draft = correction_draft(episode)
    if draft is not None:
        new.add(draft.changed_by_id)
    return new or {s.changed_by_id for s in running(episode)}


@transaction.atomic
def sign_off_episode(*, by: User, episode: Episode, note: str = "") -> SignOff:
    """Say that the episode may go out as it stands."""
    check_may(by, Deed.SIGN_OFF)
    book = book_from(episode_contents(episode))
    flags = episode_flags(episode, running(episode), book)
    return sign_off(
        by=by,
        subject=episode,
        authors=episode_authors(episode),
        points=episode_checklist(episode, flags, book),
        digest=episode_digest(episode),
        note=note,
    )


@transaction.atomic
def release_episode(*, by: User, episode: Episode) -> EpisodeEdition:
    """Freeze the signed episode as its next edition, for readers."""
    check_may(by, Deed.PUBLISH_EDITIONS)
    last = episode.editions.order_by("-number").first()
    authors = episode_authors(episode)
    signed = current_sign_off(episode, episode_digest(episode), authors)
    problems: dict[str, list[str]] = {}
    if signed is None:
        problems[""] = [UNSIGNED]
    book = book_from(episode_contents(episode))
    points = episode_checklist(episode, episode_flags(episode, running(episode), book), book)
    for point in stops(points):
        problems.setdefault("", []).append(f"{point.name}: {point.words}")
    for sentence in embargo_problems(episode):
        problems.setdefault("", []).append(sentence)
    if problems or signed is None:
        raise Refused(problems)
    at = timezone.now()
    number = (last.number if last else 0) + 1
    cards = latest_cards(episode)
    said = correction_words(episode)
    going = Going(number=number, at=at, signed=sign_off_words(signed, authors), said=said)
    content = episode_content(episode, running(episode), cards, going)
    edition = EpisodeEdition.objects.create(
        episode=episode,
        number=number,
        content=content,
        digest=digest_of(content),
        sign_off=signed,
        released_at=at,
        released_by=by,
    )
    edition.scorecards.set(cards.values())
    EpisodeCorrectionDraft.objects.filter(episode=episode).delete()
    audit.record(
        by=by,
        verb="released episode",
        subject=episode,
        detail={"number": number, "digest": edition.digest},
    )
    return edition


UNSIGNED = (
    "A second person has to sign this off as it stands, after the last change of its words or "
    "figures."
)


def latest_cards(episode: Episode) -> dict[str, Edition]:
    """The newest scorecard of each study, by the study's letter in the script."""
    used = list(episode.used.select_related("study"))
    found: dict[str, Edition] = {}
    for one in used:
        card = one.study.editions.order_by("-number").first()
        if card is not None:
            found[one.letter if len(used) > 1 else ""] = card
    return found
