"""Everything a second person looks at before something goes out. Reads only."""

from dataclasses import dataclass

from reports.checklist import Point, episode_checklist, stops, study_checklist, to_look_at
from reports.embargoes import embargo_on
from reports.episodes import episode_authors, episode_digest, running
from reports.models import EditionDraft, Embargo, Episode, PreviewLink, ReleasePlan, SignOff
from reports.review import (
    enough_of,
    exemption_now,
    sign_offs_of,
    study_authors,
    study_digest,
)
from reports.script_checks import (
    StoodFlag,
    book_from,
    draft_flags,
    episode_contents,
    episode_flags,
    study_book,
)
from trials.models import Study


@dataclass(frozen=True)
class GoingOut:
    """A scorecard or an episode with its checklist, flags and sign-off."""

    subject: Study | Episode
    kind: str
    points: list[Point]
    flags: list[StoodFlag]
    authors: set[int]
    sign_offs: list[SignOff]  # of what stands there now, enough or not
    is_exempt: bool

    @property
    def signed(self) -> SignOff | None:
        """The sign-off that lets it out, if one does."""
        return enough_of(self.sign_offs, self.authors)

    @property
    def stopped(self) -> list[Point]:
        """Points that keep it in."""
        return stops(self.points)

    @property
    def to_look_at(self) -> list[Point]:
        """Points the second person answers for."""
        return to_look_at(self.points)

    @property
    def plans(self) -> list[ReleasePlan]:
        """Times set, newest first."""
        return list(self.subject.releaseplans.select_related("by", "sign_off__by"))

    @property
    def embargo(self) -> Embargo | None:
        """What holds it in, if anything."""
        return embargo_on(self.subject)

    @property
    def embargoes(self) -> list[Embargo]:
        """Every embargo set and lifted, newest first."""
        return list(self.subject.embargos.select_related("by"))

    @property
    def previews(self) -> list[PreviewLink]:
        """Links made, newest first."""
        return list(self.subject.previewlinks.select_related("by"))


def study_going_out(study: Study) -> GoingOut:
    """A study's next scorecard."""
    draft = EditionDraft.objects.filter(study=study).first() or EditionDraft(study=study)
    return GoingOut(
        subject=study,
        kind="study",
        points=study_checklist(study),
        flags=draft_flags(study, draft, study_book(study)),
        authors=study_authors(study),
        sign_offs=sign_offs_of(study, study_digest(study)),
        is_exempt=exemption_now() is not None,
    )


def episode_going_out(episode: Episode) -> GoingOut:
    """An episode."""
    book = book_from(episode_contents(episode))
    flags = episode_flags(episode, running(episode), book)
    return GoingOut(
        subject=episode,
        kind="episode",
        points=episode_checklist(episode, flags, book),
        flags=flags,
        authors=episode_authors(episode),
        sign_offs=sign_offs_of(episode, episode_digest(episode)),
        is_exempt=exemption_now() is not None,
    )
