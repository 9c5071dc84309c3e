"""A step of the database that moves people's words, over rows as an older release left them."""

import json
import sqlite3
from contextlib import closing
from pathlib import Path

from tests.faults.running import Site

# what an older release had written: two that wait, of which one says something, and one that is over
OLD_ROWS = """
from django.utils import timezone
from labsite.models import User
from reports.models import Episode, SignOff
by = User.objects.create_user("an-editor")
for number in (1, 2, 3):
    episode = Episode.objects.create(slug=f"episode-{number}", title=f"Episode {number}", made_by=by)
    SignOff.objects.create(episode=episode, digest="0" * 64, by=by, at=timezone.now())
"""
SAID = {"was_wrong": "The mass.", "is_right": "Less.", "since": "Edition 1", "found": "By a reader"}


def test_what_a_waiting_release_was_to_say_becomes_a_draft_to_be_signed(tmp_path: Path) -> None:
    site = Site(folder=tmp_path, variables={})
    site.manage("migrate", "--verbosity=0")
    site.manage("migrate", "reports", "0012", "--verbosity=0")
    site.manage("shell", "--verbosity=0", "-c", OLD_ROWS)
    with closing(sqlite3.connect(tmp_path / "db.sqlite3")) as connection, connection:
        for number, state, said in (
            (1, "waiting", SAID),
            (2, "waiting", {}),
            (3, "released", SAID),
        ):
            connection.execute(
                "INSERT INTO reports_releaseplan (episode_id, sign_off_id, by_id, release_at, "
                "embargo_note, correction, made_at, state, outcome) VALUES (?, ?, 1, ?, '', ?, ?, ?, '')",
                (number, number, "2026-03-01", json.dumps(said), "2026-02-01", state),
            )
    site.manage("migrate", "--verbosity=0")
    kept = site.rows(
        "SELECT episode_id, was_wrong, is_right, since, found, changed_by_id "
        "FROM reports_episodecorrectiondraft"
    )
    assert kept == [(1, *SAID.values(), 1)]
    assert site.rows("SELECT count(*) FROM reports_releaseplan") == [(3,)]
