"""A worker killed in the middle of a job: the answer still comes, and once."""

import pytest

from tests.faults.running import Site, all_done, some_running


def kill_in_the_middle(site: Site, *, compute_s: float, store_s: float, has_beat: bool) -> dict:
    if has_beat:
        site.start("beat", "beat")
    site.start("worker", "worker")
    site.manage("request_slow", "--count=3", f"--compute-s={compute_s}", f"--store-s={store_s}")
    site.wait_for(some_running, within_s=60)
    site.kill("worker")
    at_the_kill = site.look()
    assert "running" in at_the_kill["states"].values()
    site.start("worker", "worker")
    seen = site.wait_for(all_done, within_s=90)
    assert seen["effects"] == dict.fromkeys(seen["states"], 1)
    assert len(seen["states"]) == 3
    return seen


def test_killed_while_computing_on_the_embedded_broker(start_site):
    site = start_site()
    seen = kill_in_the_middle(site, compute_s=2, store_s=0, has_beat=False)
    assert max(seen["attempts"].values()) >= 2


def test_killed_while_storing_on_the_embedded_broker(start_site):
    site = start_site()
    kill_in_the_middle(site, compute_s=0.05, store_s=2, has_beat=False)


def test_work_asked_for_while_the_broker_was_away_is_done_later(start_site):
    # Port 1 refuses. The action must succeed all the same, and soon.
    site = start_site(BROKER_URL="redis://127.0.0.1:1/0")
    site.manage("request_slow", "--count=3")
    assert set(site.look()["states"].values()) == {"waiting"}
    site.variables.clear()
    site.start("worker", "worker")
    seen = site.wait_for(all_done, within_s=60)
    assert seen["effects"] == dict.fromkeys(seen["states"], 1)


def test_a_message_that_cannot_be_read_stops_nobody(start_site):
    site = start_site()
    site.manage("request_slow", "--count=3")
    for number, content in enumerate((b"", b'{"body": "cut sho')):
        (site.folder / "broker" / "queue" / f"0_{number}.wornproof.msg").write_bytes(content)
    site.start("worker", "worker")
    seen = site.wait_for(all_done, within_s=60)
    assert seen["effects"] == dict.fromkeys(seen["states"], 1)
    assert (site.folder / "worker.log").read_text().count("cannot be read") == 2
    assert site.processes["worker"].poll() is None


@pytest.mark.services
def test_killed_while_computing_on_redis(redis_url, start_site):
    site = start_site(BROKER_URL=redis_url)
    seen = kill_in_the_middle(site, compute_s=2, store_s=0, has_beat=True)
    assert max(seen["attempts"].values()) >= 2


@pytest.mark.services
def test_killed_while_computing_on_rabbitmq(rabbitmq_url, start_site):
    site = start_site(BROKER_URL=rabbitmq_url)
    seen = kill_in_the_middle(site, compute_s=2, store_s=0, has_beat=True)
    assert max(seen["attempts"].values()) >= 2
