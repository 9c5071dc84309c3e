"""If-Match on what changes, and the client of the documentation run against a live server.

What a stale ETag must do (412, and nothing changed) is RFC 9110, 13.1.1.
"""

import re
import sys
import types
from pathlib import Path
from uuid import uuid4

import pytest
from django.test import Client
from django.utils import timezone

from labsite import access
from labsite.roles import Deed
from trials.models import Reading, RunVoid

PAGE = Path(__file__).parents[2] / "docs" / "api-client.md"


@pytest.fixture
def client_of_the_page() -> types.ModuleType:
    (code,) = re.findall(r"```python\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    assert len(code.splitlines()) < 100
    module = types.ModuleType("lab_client")
    sys.modules["lab_client"] = module  # dataclasses look their module up
    exec(compile(code, str(PAGE), "exec"), module.__dict__)
    yield module
    del sys.modules["lab_client"]


@pytest.mark.django_db(transaction=True)
def test_the_client_of_the_documentation_works(
    live_server, bench_lab, checks_passed, technician, client_of_the_page
):
    deeds = (Deed.SEE_LAB, Deed.ENTER_READINGS)
    _, secret = access.make_token(by=technician, name="client", deeds=deeds, days=1)
    lab = client_of_the_page.Lab(live_server.url + "/", secret)
    run = bench_lab.run_of("belt-abrasion")
    entry = {
        "run": run.pk,
        "raw": {"seconds": 4.2, "ended": "failed"},
        "measured_at": timezone.now().isoformat(),
    }

    name = str(uuid4())
    kept = lab.send(name, **entry)

    # 0.1 s resolution: half a step to either side
    assert (kept.low, kept.high, kept.unit, kept.run) == (4.15, 4.25, "s", run.pk)
    assert lab.send(name, **entry) == kept
    assert lab.reading(name) == kept
    assert lab.send(name, etag=kept.etag, **entry) == kept
    codes = {one["code"] for one in lab.specimens()}
    assert codes == {specimen.code for specimen in bench_lab.specimens}
    assert [row["id"] for row in lab.readings(study=bench_lab.study.slug)] == [name]
    with pytest.raises(client_of_the_page.Problem) as stale:
        lab.send(name, etag='"old"', **entry)
    assert stale.value.status == 412
    with pytest.raises(client_of_the_page.Problem) as wrong:
        lab.send(str(uuid4()), **(entry | {"raw": {"seconds": -1}}))
    assert wrong.value.status == 400
    assert Reading.objects.count() == 1


@pytest.mark.django_db
class TestIfMatch:
    def void(self, at_bench: Client, run, match: str):
        return at_bench.post(
            f"/api/v1/runs/{run.pk}/void/",
            {"reason": "slipped", "note": "out of the jaw", "value_was_known": False},
            content_type="application/json",
            headers={"If-Match": match},
        )

    def test_a_stale_one_changes_nothing_and_says_so(self, at_bench, bench_lab):
        run = bench_lab.run_of("belt-abrasion")
        seen = at_bench.get(f"/api/v1/runs/{run.pk}/").headers["ETag"]

        answer = self.void(at_bench, run, '"another"')

        assert answer.status_code == 412
        assert answer.headers["Content-Type"] == "application/problem+json"
        assert "Read it again" in answer.json()["problems"][""][0]
        assert not RunVoid.objects.exists()
        assert self.void(at_bench, run, f'"another", {seen}').status_code == 200
        assert RunVoid.objects.count() == 1
        # what was seen is no more: the run is void now
        assert self.void(at_bench, run, seen).status_code == 412

    def test_a_star_asks_only_that_something_is_there(self, at_bench, bench_lab, checks_passed):
        address = f"/api/v1/readings/{uuid4()}/"
        body = {
            "run": bench_lab.run_of("belt-abrasion").pk,
            "raw": {"seconds": 4.2, "ended": "failed"},
            "measured_at": timezone.now().isoformat(),
        }
        sent = {"content_type": "application/json", "headers": {"If-Match": "*"}}

        assert at_bench.put(address, body, **sent).status_code == 412
        assert not Reading.objects.exists()
        first = at_bench.put(address, body, content_type="application/json")
        assert first.status_code == 201
        assert first.headers["ETag"] == at_bench.get(address).headers["ETag"]
        assert at_bench.put(address, body, **sent).status_code == 200

    def test_the_description_says_it_of_every_change(self, client):
        paths = client.get("/api/v1/schema.json").json()["paths"]
        changes = [
            operation
            for operations in paths.values()
            for method, operation in operations.items()
            if method != "get"
        ]
        assert len(changes) > 8
        for operation in changes:
            assert "If-Match" in {one["name"] for one in operation["parameters"]}
            assert "412" in operation["responses"]
