"""Entries that arrive late, twice, out of order, from a wrong clock or in a file."""

import json
import uuid
from datetime import timedelta

import pytest
from django.test import Client
from django.utils import timezone

from labsite.models import AuditEntry
from labsite.roles import Role
from tests.trials.bench_lab import person_with
from trials.models import (
    EntriesFile,
    HeldEntry,
    Reading,
    ReadingConflict,
    Run,
    RunVoid,
    SafetyAcknowledgement,
)

pytestmark = pytest.mark.django_db


def send(client, method, address, body, **headers):
    return client.generic(
        method, address, json.dumps(body), content_type="application/json", headers=headers
    )


def put_reading(client, body, reading_id=None, **headers):
    address = f"/api/v1/readings/{reading_id or uuid.uuid4()}/"
    return send(client, "PUT", address, body, **headers)


def drop(run, at, **changes):
    raw = {"held_at": 1.25, "failed_at": 1.6}
    return {"run": run, "raw": raw, "measured_at": at.isoformat()} | changes


def looked_at(lab, at):
    """The check that a reading carries: the right specimen was on the rig a moment before."""
    return {
        "id": str(uuid.uuid4()),
        "code": lab.specimens[0].code,
        "zone": lab.zone.code,
        "how": "typed",
        "checked_at": (at - timedelta(seconds=30)).isoformat(),
    }


def pass_checks(client, revision, at, *, entry=None, **changes):
    address = f"/api/v1/methods/{revision.method.key}/{revision.number}/checks/"
    body = {
        "entry": str(entry or uuid.uuid4()),
        "answers": {check["key"]: True for check in revision.checks},
        "passed_at": at.isoformat(),
    }
    return send(client, "POST", address, body | changes)


@pytest.fixture
def run(bench_lab):
    return bench_lab.run_of("padding-drop")


class TestSafety:
    def test_checks_count_from_when_they_were_passed(self, run, at_bench):
        """Both come fourteen hours late; by the server's clock of now the checks are over."""
        then = timezone.now() - timedelta(hours=14)
        assert pass_checks(at_bench, run.revision, then).status_code == 201
        late = put_reading(at_bench, drop(run.pk, then + timedelta(hours=1)))
        assert late.status_code == 201, late.content
        too_late = put_reading(at_bench, drop(run.pk, timezone.now()))
        assert too_late.status_code == 400

    def test_a_reading_before_its_checks_is_told_to_wait(self, run, at_bench):
        then = timezone.now() - timedelta(hours=1)
        early = put_reading(at_bench, body := drop(run.pk, then), reading_id := uuid.uuid4())
        assert (early.status_code, early.json()["code"]) == (400, "waits")
        assert early.json()["waits_for"] == "checks"
        pass_checks(at_bench, run.revision, then - timedelta(minutes=5))
        assert put_reading(at_bench, body, reading_id).status_code == 201

    def test_checks_passed_after_the_reading_do_not_count_for_it(self, run, at_bench):
        then = timezone.now() - timedelta(hours=1)
        pass_checks(at_bench, run.revision, then + timedelta(minutes=30))
        assert put_reading(at_bench, drop(run.pk, then)).json()["code"] == "waits"

    def test_sent_twice_they_are_the_same(self, run, at_bench):
        entry, at = uuid.uuid4(), timezone.now()
        answers = [pass_checks(at_bench, run.revision, at, entry=entry) for _ in range(2)]
        assert [answer.json()["entry"] for answer in answers] == [str(entry)] * 2
        assert SafetyAcknowledgement.objects.count() == 1

    def test_a_time_in_the_future_is_refused(self, run, at_bench):
        answer = pass_checks(at_bench, run.revision, timezone.now() + timedelta(hours=1))
        assert "in the future" in answer.json()["problems"]["passed_at"][0]


class TestClock:
    def test_a_wrong_clock_is_put_right_and_kept(self, run, at_bench, checks_passed):
        right = timezone.now().replace(microsecond=0)
        body = drop(run.pk, right - timedelta(hours=3), clock_offset_s=3 * 3600)
        assert put_reading(at_bench, body).status_code == 201
        kept = Reading.objects.get()
        assert kept.measured_at == right
        assert kept.clock_offset_s == 10_800

    def test_a_clock_far_ahead_is_no_reason_to_refuse(self, run, at_bench, checks_passed):
        body = drop(run.pk, timezone.now() + timedelta(days=400), clock_offset_s=-400 * 86_400)
        assert put_reading(at_bench, body).status_code == 201

    @pytest.mark.parametrize("offset", [1e12, "NaN", "soon", [1]])
    def test_an_absurd_offset_is_told(self, run, at_bench, checks_passed, offset):
        answer = put_reading(at_bench, drop(run.pk, timezone.now(), clock_offset_s=offset))
        assert answer.status_code == 400
        assert "clock_offset_s" in answer.json()["problems"]
        assert not Reading.objects.exists()

    def test_a_year_beyond_the_calendar_is_told(self, run, at_bench, checks_passed):
        body = drop(run.pk, timezone.now(), clock_offset_s=3e8)
        body["measured_at"] = "9999-12-31T23:00:00Z"
        assert "measured_at" in put_reading(at_bench, body).json()["problems"]


class TestOrder:
    def test_a_reading_taken_before_the_void_belongs_to_the_run(
        self, run, bench_lab, at_bench, checks_passed
    ):
        read_at = timezone.now()
        void = {"reason": "slipped", "note": "It slid.", "value_was_known": False}
        entry = uuid.uuid4()
        void |= {"entry": str(entry), "voided_at": (read_at + timedelta(seconds=30)).isoformat()}
        answer = send(at_bench, "POST", f"/api/v1/runs/{run.pk}/void/", void)
        assert (answer.status_code, answer.json()["entry"]) == (200, str(entry))
        RunVoid.objects.get()
        late = put_reading(at_bench, drop(run.pk, read_at))
        assert late.status_code == 201, late.content
        after = bench_lab.run_of("padding-drop")
        send(at_bench, "POST", f"/api/v1/runs/{after.pk}/void/", void | {"entry": None})
        refused = put_reading(at_bench, drop(after.pk, timezone.now() + timedelta(seconds=60)))
        assert "void" in refused.json()["problems"][""][0]

    def test_an_amendment_may_arrive_before_its_reading(self, run, at_bench, checks_passed):
        first, second, at = uuid.uuid4(), uuid.uuid4(), timezone.now()
        amendment = drop(run.pk, at, supersedes=str(first), reason="Read the wrong mark.")
        early = put_reading(at_bench, amendment, second)
        assert early.json()["waits_for"] == "reading"
        assert put_reading(at_bench, drop(run.pk, at), first).status_code == 201
        assert put_reading(at_bench, amendment, second).status_code == 201

    def test_a_reading_may_name_a_run_that_is_added_later(self, bench_lab, at_bench, checks_passed):
        entry = uuid.uuid4()
        at = timezone.now()
        body = drop(str(entry), at, specimen_check=looked_at(bench_lab, at))
        early = put_reading(at_bench, body, reading_id := uuid.uuid4())
        assert early.json()["waits_for"] == "run"
        added = {
            "entry": str(entry),
            "specimen": bench_lab.specimens[0].code,
            "method": "padding-drop",
            "zone": bench_lab.zone.code,
        }
        address = f"/api/v1/studies/{bench_lab.study.slug}/runs/"
        answers = [send(at_bench, "POST", address, added) for _ in range(3)]
        assert [answer.status_code for answer in answers] == [201, 200, 200]
        assert {answer.json()["entry"] for answer in answers} == {str(entry)}
        run = Run.objects.get(entry=entry)
        assert put_reading(at_bench, body, reading_id).json()["run"] == run.pk
        other = send(at_bench, "POST", address, added | {"method": "belt-abrasion"})
        assert other.status_code == 409
        assert Run.objects.count() == 1


class TestWhoSends:
    def test_nobody_sends_in_anothers_name(self, run, at_bench, technician, checks_passed):
        body = drop(run.pk, timezone.now())
        other = put_reading(at_bench, body, **{"X-Entered-By": "999"})
        assert (other.status_code, other.json()["code"]) == (403, "other person")
        own = put_reading(at_bench, body, **{"X-Entered-By": str(technician.pk)})
        assert own.status_code == 201

    def test_a_stale_token_is_named(self, run, technician, checks_passed):
        client = Client(enforce_csrf_checks=True)
        client.force_login(technician)
        answer = put_reading(client, drop(run.pk, timezone.now()))
        assert (answer.status_code, answer.json()["code"]) == (403, "stale token")
        fresh = client.get("/api/v1/session/").json()["csrf_token"]
        sent = put_reading(client, drop(run.pk, timezone.now()), **{"X-CSRFToken": fresh})
        assert sent.status_code == 201

    def test_the_session_tells_the_servers_time(self, at_bench):
        from datetime import datetime

        told = datetime.fromisoformat(at_bench.get("/api/v1/session/").json()["now"])
        assert abs(timezone.now() - told) < timedelta(minutes=1)


class TestHandedOver:
    body = {
        "kind": "reading",
        "words": "held at 1 m",
        "address": "/api/v1/readings/x/",
        "content": {"run": 1, "raw": {"held_at": 1}, "note": "a\0b"},
        "why": "This run is void.",
        "made_at": "2026-03-02T12:00:00Z",
    }

    def test_it_is_kept_once_and_settled_by_the_lead(self, at_bench, bench_lab):
        entry = uuid.uuid4()
        for _ in range(2):
            answer = send(at_bench, "PUT", f"/api/v1/held/{entry}/", self.body)
            assert (answer.status_code, answer.json()["id"]) == (201, str(entry))
        held = HeldEntry.objects.get()
        assert held.why == "This run is void."
        lead = Client()
        lead.force_login(bench_lab.lead)
        assert "held at 1 m" in lead.get("/lab/tablets/handed-over/").content.decode()
        address = f"/lab/tablets/handed-over/{entry}/"
        assert "Say" in lead.post(address, {"note": " "}).content.decode() or not (
            HeldEntry.objects.get().settled_at
        )
        lead.post(address, {"note": "Run again on a fresh site."})
        held.refresh_from_db()
        assert (held.settled_by, held.settled_note) == (
            bench_lab.lead,
            "Run again on a fresh site.",
        )
        assert AuditEntry.objects.filter(verb="settled a handed-over entry").count() == 1

    def test_other_content_under_its_id_is_told(self, at_bench, bench_lab):
        address = f"/api/v1/held/{uuid.uuid4()}/"
        send(at_bench, "PUT", address, self.body)
        other = send(at_bench, "PUT", address, self.body | {"content": {"run": 2}})
        assert other.status_code == 409
        assert HeldEntry.objects.count() == 1


class TestFile:
    """The form of the file is the one that the waiting page writes (queue/export.js)."""

    def file_of(self, *entries):
        content = {"format": "wornproof-waiting-entries", "version": 1, "saved_at": "now"}
        return json.dumps(content | {"entries": list(entries)}).encode()

    def entry(self, person, body, *, entry_id=None, kind="reading", address=None, method="PUT"):
        entry_id = str(entry_id or uuid.uuid4())
        return {
            "id": entry_id,
            "kind": kind,
            "method": method,
            "address": address or f"/api/v1/readings/{entry_id}/",
            "body": body,
            "label": "held at 1.25 m, failed at 1.6 m",
            "by": person.pk,
            "by_name": person.display_name,
            "made_at": "2026-03-02T12:00:00.000Z",
        }

    def bring(self, client, content):
        from django.core.files.uploadedfile import SimpleUploadedFile

        file = SimpleUploadedFile("entries.json", content, content_type="application/json")
        return client.post("/lab/tablets/files/", {"file": file}, follow=True)

    @pytest.fixture
    def office(self, bench_lab):
        client = Client()
        client.force_login(bench_lab.lead)
        return client

    def test_it_is_shown_first_and_taken_in_once(self, run, office, technician, checks_passed):
        content = self.file_of(self.entry(technician, drop(run.pk, timezone.now())))
        shown = self.bring(office, content)
        assert "Taking it in would give:\n        1 stored" in shown.content.decode()
        assert not Reading.objects.exists()
        address = f"/lab/tablets/files/{EntriesFile.objects.get().pk}/"
        for words in ("1 stored", "1 on record"):
            assert words in office.post(address).content.decode()
        reading = Reading.objects.get()
        # in the name of who made it; who took it in is in the trail
        assert reading.by == technician
        taken = AuditEntry.objects.filter(verb="took in a tablet's entries from a file")
        assert {row.by.username for row in taken} == {"a-lead"}
        assert self.bring(office, content).status_code == 200
        assert EntriesFile.objects.count() == 1

    def test_a_run_and_its_reading_and_checks_in_any_order(
        self, bench_lab, office, technician, run
    ):
        added, at = uuid.uuid4(), timezone.now()
        revision = run.revision
        checks = f"/api/v1/methods/padding-drop/{revision.number}/checks/"
        content = self.file_of(
            self.entry(technician, drop(str(added), at, specimen_check=looked_at(bench_lab, at))),
            self.entry(
                technician,
                {
                    "entry": str(added),
                    "specimen": bench_lab.specimens[0].code,
                    "method": "padding-drop",
                    "zone": bench_lab.zone.code,
                    "site": None,
                },
                entry_id=added,
                kind="run",
                method="POST",
                address=f"/api/v1/studies/{bench_lab.study.slug}/runs/",
            ),
            self.entry(
                technician,
                {
                    "entry": str(passed := uuid.uuid4()),
                    "answers": {check["key"]: True for check in revision.checks},
                    "passed_at": (at - timedelta(minutes=1)).isoformat(),
                },
                entry_id=passed,
                kind="checks",
                method="POST",
                address=checks,
            ),
        )
        shown = self.bring(office, content).content.decode()
        assert "1 follows another" in shown
        address = f"/lab/tablets/files/{EntriesFile.objects.get().pk}/"
        assert "3 stored" in office.post(address).content.decode()
        assert Reading.objects.get().run.entry == added

    def test_what_cannot_be_taken_says_why(self, run, office, technician):
        content = self.file_of(
            self.entry(technician, drop(run.pk, timezone.now())),
            self.entry(technician, {}, address="/admin/", method="POST"),
            self.entry(technician, {}, address="/api/v1/session/", method="GET"),
            self.entry(technician, drop(999, timezone.now())),
        )
        shown = self.bring(office, content).content.decode()
        assert "4 refused" in shown
        assert "Pass the checks for" in shown
        assert "no address that entries are sent to" in shown
        assert "There is no run 999." in shown

    def test_a_technician_takes_in_only_their_own(self, run, bench_lab, technician, checks_passed):
        client = Client()
        client.force_login(technician)
        lead = person_with(Role.LEAD)
        shown = self.bring(client, self.file_of(self.entry(lead, drop(run.pk, timezone.now()))))
        assert "they or the lab lead take it in" in shown.content.decode()

    @pytest.mark.parametrize(
        "content",
        [
            b"[]",
            b"{",
            b"\xff\xfe\x00",
            b'{"format": "wornproof-waiting-entries", "version": 9, "entries": []}',
            b'{"format": "wornproof-waiting-entries", "version": 1, "entries": [{"id": 1}]}',
            b'{"format": "wornproof-waiting-entries", "version": 1, "entries": [7]}',
            b"[" * 100_000,
        ],
    )
    def test_what_is_no_such_file_is_told_beside_the_field(self, office, content):
        answer = self.bring(office, content)
        assert answer.status_code in (200, 400)
        assert "field-problem" in answer.content.decode()
        assert not EntriesFile.objects.exists()

    def test_a_second_reading_is_kept_beside_the_first(
        self, run, office, technician, at_bench, checks_passed
    ):
        put_reading(at_bench, drop(run.pk, timezone.now()))
        body = drop(run.pk, timezone.now(), raw={"held_at": 1.0, "failed_at": 1.25})
        self.bring(office, self.file_of(self.entry(technician, body)))
        assert not ReadingConflict.objects.exists()
        address = f"/lab/tablets/files/{EntriesFile.objects.get().pk}/"
        assert "1 kept beside another" in office.post(address).content.decode()
        assert ReadingConflict.objects.count() == 1


class TestPages:
    def test_a_page_of_the_bench_says_whose_it_is(self, bench_lab, at_bench, technician):
        answer = at_bench.get(f"/bench/{bench_lab.study.slug}/")
        assert answer.headers["X-Wornproof-Person"] == str(technician.pk)
        assert "X-Wornproof-Person" not in Client().get("/").headers

    def test_the_manifest_names_icons_that_are_there(self, client):
        from django.contrib.staticfiles import finders

        told = client.get("/offline/manifest.webmanifest").json()
        assert told["start_url"] == told["scope"] == "/bench/"
        for icon in told["icons"]:
            assert finders.find(icon["src"].removeprefix("/static/")), icon

    def test_the_page_for_no_network_knows_nobody(self, at_bench, technician):
        text = Client().get("/offline/no-network/").content.decode()
        assert "No network" in text
        assert technician.display_name not in text
