"""The processes of docker-compose.yml, started by hand on this machine's services."""

import json
from pathlib import Path

import pytest
import yaml

from tests.browser.site import free_port
from tests.faults.running import ROOT, Site, all_done, new_key, some_running

pytestmark = pytest.mark.services


def compose_command(service: str) -> list[str]:
    """Take a service's command from docker-compose.yml, without `python manage.py`."""
    compose = yaml.safe_load(Path(ROOT / "docker-compose.yml").read_text())
    command = compose["services"][service]["command"]
    assert command[:2] == ["python", "manage.py"]
    return command[2:]


def run_as_in_compose(site: Site) -> None:
    port = free_port()
    site.manage(*compose_command("migrate"))
    site.manage("collectstatic", "--noinput", "--verbosity=0")
    web = [argument.replace("8000", str(port)) for argument in compose_command("web")]
    site.start("web", *web)
    site.start("worker", *compose_command("worker"))
    site.start("beat", *compose_command("beat"))
    site.wait_until_answering(f"http://127.0.0.1:{port}/readyz")

    status, body, _ = site.get(f"http://127.0.0.1:{port}/readyz", host="lab.example")
    ready = json.loads(body)
    assert (status, ready["database"], ready["migrations"]) == (200, "ok", "ok")
    assert ready["broker"] == "ok"
    status, body, headers = site.get(f"http://127.0.0.1:{port}/sign-in/", host="lab.example")
    assert status == 200
    assert 'name="password"' in body
    assert "script-src 'self'" in headers["Content-Security-Policy"]

    site.manage("request_slow", "--count=3", "--compute-s=2")
    site.wait_for(some_running, within_s=60)
    site.kill("worker")
    site.start("worker", *compose_command("worker"))
    seen = site.wait_for(all_done, within_s=90)
    assert seen["effects"] == dict.fromkeys(seen["states"], 1)
    assert "s ago" in site.manage("pulse")


def test_postgresql_and_redis(postgresql_url, redis_url, start_site):
    run_as_in_compose(
        start_site(
            DATABASE_URL=postgresql_url,
            BROKER_URL=redis_url,
            SECRET_KEY=new_key(),
            ALLOWED_HOSTS="lab.example",
        )
    )


def test_postgresql_and_rabbitmq(postgresql_url, rabbitmq_url, start_site):
    run_as_in_compose(
        start_site(
            DATABASE_URL=postgresql_url,
            BROKER_URL=rabbitmq_url,
            SECRET_KEY=new_key(),
            ALLOWED_HOSTS="lab.example",
        )
    )
