"""Photos and marks in films through the API: kept once, served safely, never changed."""

import hashlib
import uuid
from datetime import timedelta
from io import BytesIO
from urllib.parse import urlencode

import pytest
from django.core.files.storage import default_storage
from django.db import IntegrityError, connection, transaction
from django.test import Client
from django.utils import timezone
from PIL import Image

from labsite.models import AuditEntry
from labsite.roles import Role
from trials.models import Photo, PhotoOriginal, PhotoVoid, VideoMark


def jpeg(colour=(10, 120, 30), size=(320, 240)):
    out = BytesIO()
    Image.new("RGB", size, colour).save(out, "JPEG")
    return out.getvalue()


@pytest.fixture
def run(bench_lab):
    return bench_lab.run_of("point-challenge")


@pytest.fixture
def sent(run):
    """What goes into the address of a photo."""
    return {"run": run.pk, "taken_at": timezone.now().isoformat(), "shows": "event"}


def put(client, content, said, photo_id=None, content_type="image/jpeg"):
    address = f"/api/v1/photos/{photo_id or uuid.uuid4()}/?{urlencode(said)}"
    return client.put(address, content, content_type=content_type)


class TestKeeping:
    def test_a_photo_is_kept_and_served(self, at_bench, sent):
        answer = put(at_bench, jpeg(), sent | {"caption": "Point through the palm"})
        assert answer.status_code == 201
        told = answer.json()
        assert (told["width_px"], told["height_px"]) == (320, 240)
        assert told["shows"] == "event"
        assert told["caption"] == "Point through the palm"
        shown = at_bench.get(told["display_url"])
        assert shown.status_code == 200
        assert shown.headers["Content-Type"] == "image/jpeg"
        assert shown.headers["X-Content-Type-Options"] == "nosniff"
        assert "sandbox" in shown.headers["Content-Security-Policy"]
        assert Image.open(BytesIO(shown.getvalue())).size == (320, 240)
        assert AuditEntry.objects.filter(verb="kept photo").count() == 1

    def test_sent_twice_it_is_kept_once(self, at_bench, sent):
        photo_id = uuid.uuid4()
        first = put(at_bench, jpeg(), sent, photo_id)
        again = put(at_bench, jpeg(), sent, photo_id)
        assert (first.status_code, again.status_code) == (201, 200)
        assert first.json() == again.json()
        assert Photo.objects.count() == 1
        assert AuditEntry.objects.filter(verb="kept photo").count() == 1

    @pytest.mark.parametrize("change", ["pixels", "caption", "person"])
    def test_other_content_under_the_same_id_is_told(self, at_bench, sent, person, change):
        photo_id = uuid.uuid4()
        put(at_bench, jpeg(), sent, photo_id)
        client, content, said = at_bench, jpeg(), dict(sent)
        if change == "pixels":
            content = jpeg((1, 2, 200))
        elif change == "caption":
            said["caption"] = "Other words"
        else:
            client = Client()
            client.force_login(person(Role.LEAD))
        answer = put(client, content, said, photo_id)
        assert answer.status_code == 409
        assert answer.json()["id"] == str(photo_id)
        assert answer.json()["both_kept"] is False
        assert Photo.objects.get().caption == ""

    def test_the_header_is_not_believed(self, at_bench, sent):
        assert put(at_bench, jpeg(), sent, content_type="text/html").status_code == 201
        refused = put(at_bench, b"<html>", sent, content_type="image/jpeg")
        assert refused.status_code == 400
        assert "no JPEG" in refused.json()["problems"]["photo"][0]

    def test_two_photos_of_the_same_pixels_share_a_file(self, at_bench, sent):
        put(at_bench, jpeg(), sent)
        put(at_bench, jpeg(), sent)
        names = set(Photo.objects.values_list("full", flat=True))
        assert Photo.objects.count() == 2
        assert len(names) == 1
        assert default_storage.exists(names.pop())


class TestRefusing:
    @pytest.mark.parametrize(
        ("change", "field"),
        [
            ({"run": 999_999}, "run"),
            ({"run": "x"}, "run"),
            ({"shows": "a party"}, "shows"),
            ({"taken_at": "2031-01-01T10:00:00Z"}, "taken_at"),
            ({"taken_at": "2026-03-02T10:15:00"}, "taken_at"),
            ({"zone": "no-such"}, "zone"),
            ({"is_original": "perhaps"}, "is_original"),
            ({"by": "somebody"}, "by"),
            ({"caption": "x" * 201}, "caption"),
        ],
    )
    def test_what_is_wrong_is_told_at_its_field(self, at_bench, sent, change, field):
        answer = put(at_bench, jpeg(), sent | change)
        assert answer.status_code == 400
        assert field in answer.json()["problems"]
        assert Photo.objects.count() == 0

    def test_nothing_in_the_body_is_told(self, at_bench, sent):
        answer = put(at_bench, b"", sent)
        assert answer.status_code == 400
        assert "empty" in answer.json()["problems"]["photo"][0]

    def test_only_the_lab_sends_and_sees(self, at_bench, sent, person):
        url = put(at_bench, jpeg(), sent).json()["display_url"]
        editor, stranger = Client(), Client()
        editor.force_login(person(Role.EDITOR))
        assert put(editor, jpeg(), sent).status_code == 403
        assert editor.get(url).status_code == 200
        assert put(stranger, jpeg(), sent).status_code == 401
        assert stranger.get(url).status_code == 302
        administrator = Client()
        administrator.force_login(person(Role.ADMINISTRATOR))
        assert administrator.get(url).status_code == 403

    def test_a_size_that_is_none_is_not_there(self, at_bench, sent):
        url = put(at_bench, jpeg(), sent).json()["display_url"]
        assert at_bench.get(url.replace("display", "huge")).status_code == 404

    def test_a_lost_file_is_no_server_error(self, at_bench, sent):
        url = put(at_bench, jpeg((9, 9, 9)), sent).json()["full_url"]
        default_storage.delete(Photo.objects.get().full)
        assert at_bench.get(url).status_code == 404


class TestRecord:
    def test_struck_out_it_stays_and_says_why(self, at_bench, sent):
        told = put(at_bench, jpeg(), sent).json()
        address = f"/api/v1/photos/{told['id']}/void/"
        said = {"content_type": "application/json"}
        assert at_bench.post(address, {"reason": " "}, **said).status_code == 400
        struck = at_bench.post(address, {"reason": "Shows the wrong glove."}, **said)
        assert struck.json()["state"] == "void"
        assert struck.json()["void_reason"] == "Shows the wrong glove."
        assert at_bench.get(told["display_url"]).status_code == 200
        assert at_bench.post(address, {"reason": "Again."}, **said).status_code == 400
        assert PhotoVoid.objects.count() == 1

    @pytest.mark.parametrize("table", ["trials_photo", "trials_videomark"])
    def test_the_database_refuses_changes(self, at_bench, sent, run, table):
        put(at_bench, jpeg(), sent)
        mark(at_bench, run)
        for statement in (f"UPDATE {table} SET caption = 'x'", f"DELETE FROM {table}"):
            with (
                pytest.raises(IntegrityError, match="never changed"),
                transaction.atomic(),
                connection.cursor() as cursor,
            ):
                cursor.execute(statement)


def mark(client, run, mark_id=None, **change):
    said = {
        "run": run.pk,
        "video": "CARD 3, clip 12",
        "seconds": 12.5,
        "caption": "Point comes through",
        "marked_at": "2026-11-25T10:00:00Z",
    } | change
    said["marked_at"] = change.get("marked_at", run.planned_at.isoformat())
    return client.put(
        f"/api/v1/video-marks/{mark_id or uuid.uuid4()}/", said, content_type="application/json"
    )


class TestMarks:
    def test_a_moment_is_kept_once(self, at_bench, run):
        mark_id = uuid.uuid4()
        assert mark(at_bench, run, mark_id).status_code == 201
        assert mark(at_bench, run, mark_id).status_code == 200
        assert mark(at_bench, run, mark_id, seconds=13).status_code == 409
        assert VideoMark.objects.get().seconds == 12.5

    @pytest.mark.parametrize(
        ("change", "field"),
        [({"seconds": -1}, "seconds"), ({"video": " "}, "video"), ({"caption": ""}, "caption")],
    )
    def test_what_is_missing_is_told(self, at_bench, run, change, field):
        answer = mark(at_bench, run, **change)
        assert answer.status_code == 400
        assert field in answer.json()["problems"]


class TestOriginal:
    """The smaller photo goes first; the camera's own file follows."""

    def put_original(self, client, content, photo_id, original_id=None):
        address = f"/api/v1/photo-originals/{original_id or uuid.uuid4()}/?photo={photo_id}"
        return client.put(address, content, content_type="image/jpeg")

    def test_it_takes_the_place_of_the_smaller_one_without_where_it_was_taken(self, at_bench, sent):
        photo_id, original_id = uuid.uuid4(), uuid.uuid4()
        put(at_bench, jpeg(size=(320, 240)), sent | {"is_original": "no"}, photo_id)
        exif = Image.Exif()
        # EXIF 2.32 tag 0x8825, GPS: 48 degrees north
        exif[0x8825] = {1: "N", 2: (48.0, 0.0, 0.0)}
        out = BytesIO()
        Image.new("RGB", (640, 480), (10, 120, 30)).save(out, "JPEG", exif=exif)
        assert Image.open(BytesIO(out.getvalue())).getexif().get_ifd(0x8825)
        kept = self.put_original(at_bench, out.getvalue(), photo_id, original_id)
        assert kept.status_code == 201
        assert kept.json()["id"] == str(original_id)
        told = at_bench.get(f"/api/v1/photos/{photo_id}/").json()
        assert (told["width_px"], told["is_original"]) == (640, True)
        shown = at_bench.get(told["full_url"]).getvalue()
        assert Image.open(BytesIO(shown)).size == (640, 480)
        assert not Image.open(BytesIO(shown)).getexif()
        assert hashlib.sha256(shown).hexdigest() == told["digest"]
        again = self.put_original(at_bench, out.getvalue(), photo_id, original_id)
        assert again.status_code == 200
        assert AuditEntry.objects.filter(verb="kept the original of a photo").count() == 1

    def test_before_its_photo_it_waits(self, at_bench):
        told = self.put_original(at_bench, jpeg(), uuid.uuid4()).json()
        assert (told["code"], told["waits_for"]) == ("waits", "photo")

    def test_another_original_is_refused_and_the_first_stands(self, at_bench, sent, person):
        photo_id = uuid.uuid4()
        put(at_bench, jpeg(), sent | {"is_original": "no"}, photo_id)
        self.put_original(at_bench, jpeg(size=(640, 480)), photo_id)
        assert self.put_original(at_bench, jpeg((9, 9, 9)), photo_id).status_code == 409
        other = Client()
        other.force_login(person(Role.LEAD))
        assert self.put_original(other, jpeg(), photo_id).status_code == 400
        assert PhotoOriginal.objects.get().width_px == 640

    def test_a_broken_one_is_told_and_nothing_kept(self, at_bench, sent):
        photo_id = uuid.uuid4()
        put(at_bench, jpeg(), sent | {"is_original": "no"}, photo_id)
        assert self.put_original(at_bench, b"\xff\xd8\xff no picture", photo_id).status_code == 400
        assert self.put_original(at_bench, b"", photo_id).status_code == 400
        assert PhotoOriginal.objects.count() == 0


class TestClock:
    def test_a_fast_tablets_photo_is_put_right(self, at_bench, sent):
        """Three hours ahead: as it stands it would lie in the future, and be refused."""
        ahead = (timezone.now() + timedelta(hours=3)).isoformat()
        assert put(at_bench, jpeg(), sent | {"taken_at": ahead}).status_code == 400
        said = sent | {"taken_at": ahead, "clock_offset_s": -3 * 3600}
        assert put(at_bench, jpeg(), said).status_code == 201
        kept = Photo.objects.get()
        assert abs((kept.taken_at - timezone.now()).total_seconds()) < 60
        assert kept.clock_offset_s == -3 * 3600
