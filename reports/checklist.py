"""What has to be looked at before a scorecard or an episode goes out, worked out from the record."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum

from django.utils import timezone

from reports.claims.figures import Book
from reports.embargoes import embargo_on, embargo_words
from reports.episode_corrections import correction_problems
from reports.models import EditionDraft, Episode, ReplyAnswer, ReplyRequest
from reports.quality import quality_facts
from reports.queries import standing, waiting_conflicts
from reports.script_checks import StoodFlag, draft_flags, stale_parts, study_book
from reports.shots import shown_shots
from reports.words import count
from specimens.models import Specimen
from specimens.words import date_words
from trials.models import Photo, Study
from trials.studies import is_closed


class State(StrEnum):
    """How a point stands. The words are the ones on the page."""

    DONE = "done"
    LOOK = "look at it"  # may go out when the second person says why
    STOP = "not yet"  # nothing goes out before this is done
    HOLD = "held"  # may be signed off, and goes out when its time comes


@dataclass(frozen=True)
class Point:
    """One line of the checklist."""

    key: str
    name: str
    state: State
    words: str
    details: tuple[str, ...] = field(default_factory=tuple)


def stops(points: Iterable[Point]) -> list[Point]:
    """Points that keep it in."""
    return [point for point in points if point.state is State.STOP]


def to_look_at(points: Iterable[Point]) -> list[Point]:
    """Points that the second person answers for."""
    return [point for point in points if point.state is State.LOOK]


def study_checklist(study: Study) -> list[Point]:
    """Every point for a study's next scorecard."""
    draft = EditionDraft.objects.filter(study=study).first() or EditionDraft(study=study)
    points = list(_record(study))
    points.append(flags_point(draft_flags(study, draft, study_book(study))))
    return [*points, *_gear([study]), *_makers([study]), _embargo_point(study)]


def flags_point(flags: Iterable[StoodFlag]) -> Point:
    """Open flags of the claim check."""
    found = list(flags)
    waiting = [one.flag for one in found if one.is_open]
    if waiting:
        details = tuple(f"{flag.name}: {flag.quote or 'the whole script'}" for flag in waiting)
        told = f"{count(len(waiting), 'flag waits', 'flags wait')} for better words or a reason."
        return Point("flags", "Claims", State.STOP, told, details)
    stand = [f"{one.flag.quote}: {one.stand.reason} ({one.stand.by})" for one in found if one.stand]
    if stand:
        told = f"{count(len(stand), 'claim stands', 'claims stand')} by a person's reason."
        return Point("flags", "Claims", State.LOOK, told, tuple(stand))
    return Point("flags", "Claims", State.DONE, "Nothing flagged.")


def _record(study: Study) -> Iterator[Point]:
    where = standing(study)
    is_current = where.summary is not None and where.is_current
    yield Point(
        "findings",
        "Findings",
        State.DONE if is_current else State.STOP,
        "Up to date." if is_current else f"Findings are {where.words}.",
    )
    if is_closed(study):
        yield Point("blind", "Blind study", State.STOP, "Closed until the last run is read.")
    waiting = waiting_conflicts(study)
    if waiting:
        told = f"{count(waiting, 'second reading waits', 'second readings wait')} to be settled."
        yield Point("conflicts", "Second readings", State.STOP, told)
    quality = quality_facts(study)
    faults = (
        *quality.out_of_calibration,
        *quality.found_wrong,
        *quality.past_limit,
        *quality.drifted,
        *quality.outside_conditions,
    )
    yield Point(
        "quality",
        "Calibration and controls",
        State.LOOK if faults else State.DONE,
        "The cautions tell readers of this." if faults else "Nothing overdue or out of limits.",
        faults,
    )
    yield from _photos(study)
    if where.summary is not None:
        refused = [str(f) for f in where.summary.findings.exclude(refusal="")]
        if refused:
            told = f"{count(len(refused), 'property has', 'properties have')} no finding."
            yield Point("refused", "Without a finding", State.LOOK, told, tuple(refused))


def _gear(studies: Iterable[Study]) -> Iterator[Point]:
    items = Specimen.objects.filter(memberships__study__in=list(studies)).distinct()
    unpaid = [one.code for one in items if not one.paid_by]
    yield Point(
        "paid",
        "Who paid",
        State.STOP if unpaid else State.DONE,
        "Say on the item's page who paid for it or lent it."
        if unpaid
        else "Recorded for every item.",
        tuple(unpaid),
    )


def _photos(study: Study) -> Iterator[Point]:
    """Items that were run and never photographed on the bench."""
    run = Specimen.objects.filter(runs__study=study, runs__readings__isnull=False).distinct()
    shown = Photo.objects.filter(run__study=study, void__isnull=True).values("run__specimen")
    missing = [one.code for one in run.exclude(pk__in=shown).order_by("code")]
    yield Point(
        "photos",
        "Photos",
        State.LOOK if missing else State.DONE,
        f"{count(len(missing), 'item has', 'items have')} no photo from the bench."
        if missing
        else "Every item that was run has one.",
        tuple(missing),
    )


def _makers(studies: Iterable[Study]) -> Iterator[Point]:
    today = timezone.localdate()
    for study in studies:
        asked: dict[str, list[ReplyRequest]] = {}
        for one in study.reply_requests.prefetch_related("answers"):
            asked.setdefault(one.maker, []).append(one)
        for maker in makers_of(study):
            yield _maker_point(study, maker, asked.get(maker, []), today)


def makers_of(study: Study) -> list[str]:
    """Makers of the items a study tests."""
    return sorted(
        set(
            Specimen.objects.filter(memberships__study=study).values_list(
                "product__maker", flat=True
            )
        )
    )


def _maker_point(study: Study, maker: str, asked: list[ReplyRequest], today: date) -> Point:
    key, name = f"maker-{study.slug}-{maker}", f"{maker} asked"
    if not asked:
        return Point(key, name, State.LOOK, "Not asked for comment.")
    last = asked[-1]
    answers = list(last.answers.all())
    sent = date_words(timezone.localdate(last.sent_at))
    told = f"Asked on {sent}, until {date_words(last.deadline_on)}."
    if any(a.kind == ReplyAnswer.Kind.ANSWER for a in answers):
        return Point(key, name, State.DONE, f"{told} Answered.")
    if any(a.kind == ReplyAnswer.Kind.NONE for a in answers):
        return Point(key, name, State.DONE, f"{told} Did not reply by then.")
    if last.deadline_on >= today:
        return Point(key, name, State.LOOK, f"{told} The time is not over.")
    return Point(key, name, State.LOOK, f"{told} Write down whether an answer came.")


def episode_checklist(episode: Episode, flags: Iterable[StoodFlag], book: Book) -> list[Point]:
    """Every point for an episode; each study it draws on has to be published as it stands."""
    studies = [one.study for one in episode.used.select_related("study")]
    points: list[Point] = []
    if not studies:
        points.append(Point("studies", "Studies", State.STOP, "Choose the studies it draws on."))
    for study in studies:
        points += [
            Point(f"{p.key}-{study.slug}", f"{p.name}: {study.title}", p.state, p.words, p.details)
            for p in _record(study)
        ]
        points.append(_scorecard_point(study))
    points.append(flags_point(flags))
    points.append(_stale_point(episode, book))
    points.append(_shots_point(episode, book))
    if episode.editions.exists():
        points.append(_correction_point(episode))
    return [*points, *_gear(studies), *_makers(studies), _embargo_point(episode)]


def _embargo_point(subject: Study | Episode) -> Point:
    embargo = embargo_on(subject)
    if embargo is None:
        return Point("embargo", "Embargo", State.DONE, "No embargo is in force.")
    told = (f"{embargo.agreed} ({embargo.by.display_name})",)
    return Point("embargo", "Embargo", State.HOLD, embargo_words(embargo), told)


def _correction_point(episode: Episode) -> Point:
    missing = [told for (told,) in correction_problems(episode).values()]
    if missing:
        return Point("correction", "What it puts right", State.STOP, " ".join(missing))
    told = "Written. Readers see it above the script."
    return Point("correction", "What it puts right", State.DONE, told)


def _scorecard_point(study: Study) -> Point:
    key, name = f"scorecard-{study.slug}", f"Scorecard: {study.title}"
    last = study.editions.order_by("-number").first()
    if last is None:
        return Point(key, name, State.STOP, "Not published: figures have nothing to lead to.")
    if last.summary_id != getattr(standing(study).summary, "pk", None):
        told = f"Edition {last.number} has older findings: publish the next one first."
        return Point(key, name, State.STOP, told)
    return Point(key, name, State.DONE, f"Edition {last.number} has the same findings.")


def _stale_point(episode: Episode, book: Book) -> Point:
    stale = [
        f"{segment.title}: {one['before']} is now {one['now']}"
        for segment in episode.segments.filter(is_cut=False)
        for one in stale_parts(segment, book)
    ]
    if stale:
        told = f"{count(len(stale), 'part', 'parts')} changed since a person read them."
        return Point("stale", "Read again", State.STOP, told, tuple(stale))
    return Point("stale", "Read again", State.DONE, "Every segment was read as it is now.")


def _shots_point(episode: Episode, book: Book) -> Point:
    out: list[str] = []
    odd: list[str] = []
    named = 0
    for segment in episode.segments.filter(is_cut=False):
        for shot in shown_shots(segment.shots, book.shots):
            named += len(shot.seen)
            is_out = shot.missing or any(one.is_struck_out for one in shot.seen)
            (out if is_out else odd).extend(f"{segment.title}: {one}" for one in shot.problems)
    if out:
        told = "A shot names nothing, or a photo that was struck out: choose another."
        return Point("shots", "Shots", State.STOP, told, (*out, *odd))
    if odd:
        told = "A shot shows a run that does not count: say so where it is shown."
        return Point("shots", "Shots", State.LOOK, told, tuple(odd))
    shown = count(named, "photo, mark or picture", "photos, marks or pictures")
    return Point("shots", "Shots", State.DONE, f"{shown} named, each as it was chosen.")
