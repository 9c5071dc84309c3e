"""The demo's invented episode, made through the same actions as an editor's."""

import json
from pathlib import Path

from django.conf import settings
from django.db import transaction

from labsite.models import User
from reports.episodes import (
    add_segment,
    create_episode,
    release_episode,
    running,
    save_segment,
    set_cut,
    sign_off_episode,
)
from reports.models import Episode, EpisodeEdition
from reports.script_checks import book_from, episode_contents
from trials.models import Study

FILE = Path(settings.BASE_DIR) / "fixtures" / "demo" / "episode.json"


@transaction.atomic
def make_demo_episode(*, author: User, second: User) -> EpisodeEdition | None:
    """Write, sign off and release it; nothing where it is there already."""
    told = json.loads(FILE.read_text(encoding="utf-8"))
    studies = list(Study.objects.filter(slug__in=told["studies"], is_invented=True))
    if Episode.objects.exists() or len(studies) < len(told["studies"]):
        return None
    studies.sort(key=lambda study: told["studies"].index(study.slug))
    episode = create_episode(
        by=author,
        fields={
            "title": told["title"],
            "question": told["question"],
            "target_seconds": told["minutes"] * 60,
            "words_per_minute": told["words_per_minute"],
        },
        studies=studies,
        is_invented=True,
    )
    for unused in running(episode):
        set_cut(by=author, segment=unused, is_cut=True)
    book = book_from(episode_contents(episode))
    for words in told["segments"]:
        segment = add_segment(by=author, episode=episode, title=words["title"])
        save_segment(by=author, segment=segment, version=1, words=words, book=book)
    episode.refresh_from_db()
    note = "All is invented, and the makers' answers are still awaited."
    sign_off_episode(by=second, episode=episode, note=note)
    return release_episode(by=second, episode=episode)
