"""A scorecard goes out at its minute although the worker was killed, and once."""

import time
from datetime import UTC, datetime

from tests.faults.running import Site

LATE_S = 45  # within the minute, on a machine that is busy with other tests


def editions(site: Site) -> list[datetime]:
    found = site.rows("SELECT published_at FROM reports_edition ORDER BY number")
    return [
        at if isinstance(at, datetime) else datetime.fromisoformat(at).replace(tzinfo=UTC)
        for (at,) in found
    ]


def wait_for_edition(site: Site, number: int, *, until: float) -> datetime:
    while len(found := editions(site)) < number:
        logs = {path.name: path.read_text()[-2000:] for path in site.folder.glob("*.log")}
        plans = site.rows("SELECT state, outcome FROM reports_releaseplan")
        assert time.time() < until, (plans, logs)
        time.sleep(0.2)
    return found[number - 1]


def test_it_goes_out_at_its_minute_across_a_restart_and_once(start_site):
    site = start_site()
    due = datetime.fromisoformat(site.manage("set_release_time", "--seconds=12").strip())
    site.start("worker", "worker")
    site.kill("worker")
    site.start("worker", "worker")
    out = wait_for_edition(site, 1, until=due.timestamp() + LATE_S)
    assert 0 <= (out - due).total_seconds() < LATE_S

    # away over the minute: out as soon as a worker is back, by one of the two that come
    site.kill("worker")
    due = datetime.fromisoformat(site.manage("set_release_time", "--seconds=1").strip())
    time.sleep(max(0.0, due.timestamp() - time.time()) + 1)
    assert len(editions(site)) == 1
    site.start("worker", "worker")
    site.start("other", "worker")
    assert wait_for_edition(site, 2, until=time.time() + LATE_S) > due
    time.sleep(3)
    assert len(editions(site)) == 2
    assert {state for (state,) in site.rows("SELECT state FROM reports_releaseplan")} == {
        "released"
    }
