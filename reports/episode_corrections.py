"""What a later edition of an episode puts right: written before the sign-off, so that two read it."""

from collections.abc import Mapping

from django.db import transaction
from django.utils import timezone

from labsite import audit
from labsite.errors import Refused
from labsite.models import User
from labsite.roles import Deed, check_may
from reports.models import Episode, EpisodeCorrectionDraft

NEEDED = {
    "was_wrong": "Say what was wrong, or what is new.",
    "is_right": "Say what is right.",
    "since": "Say since when it was wrong.",
    "found": "Say how it was found.",
}


def correction_draft(episode: Episode) -> EpisodeCorrectionDraft | None:
    """What stands there for the next edition, if anything."""
    return (
        EpisodeCorrectionDraft.objects.select_related("changed_by").filter(episode=episode).first()
    )


def correction_words(episode: Episode) -> dict[str, str]:
    """What the next edition says of the one before; empty where nothing is written yet."""
    return _words_of(correction_draft(episode))


def _words_of(draft: EpisodeCorrectionDraft | None) -> dict[str, str]:
    return {name: getattr(draft, name) for name in NEEDED} if draft else {}


def correction_problems(episode: Episode) -> dict[str, list[str]]:
    """What a later edition does not say yet of what it puts right."""
    said = correction_words(episode)
    return {name: [told] for name, told in NEEDED.items() if not said.get(name)}


@transaction.atomic
def keep_correction(
    *, by: User, episode: Episode, said: Mapping[str, str]
) -> EpisodeCorrectionDraft:
    """Keep these words for the next edition; a sign-off given before them no longer counts."""
    check_may(by, Deed.DRAFT_EDITIONS)
    if not episode.editions.exists():
        raise Refused("Nothing is released yet, so there is nothing to put right.")
    draft = correction_draft(episode)
    before = _words_of(draft)
    now = {name: said.get(name, "").strip() for name in NEEDED}
    if draft is not None and before == now:
        return draft
    draft, _ = EpisodeCorrectionDraft.objects.update_or_create(
        episode=episode, defaults=now | {"changed_by": by, "changed_at": timezone.now()}
    )
    audit.record(
        by=by,
        verb="changed draft correction",
        subject=episode,
        detail=audit.changes(before, now),
    )
    return draft
