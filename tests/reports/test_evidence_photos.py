"""Photos behind readings: named by an edition, served to readers, and no others."""

import io
import uuid

import pytest
from django.test import Client
from django.utils import timezone
from PIL import Image

from labsite.models import User
from reports.models import Edition
from reports.public_addresses import addresses_of_study
from tests.reports.demo_site import PAIR, publish
from trials.models import Photo, Run, Study
from trials.photos import PhotoEntry, keep_photo, strike_out_photo

pytestmark = pytest.mark.usefixtures("demo")


def picture(shade: int) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (320, 240), (shade, 90, 60)).save(out, "JPEG")
    return out.getvalue()


def kept(run: Run, shade: int, *, by: User, caption: str = "") -> Photo:
    entry = PhotoEntry(
        uuid=uuid.uuid4(),
        run=run,
        content=picture(shade),
        taken_at=timezone.now(),
        shows=Photo.Shows.AFTER,
        caption=caption,
    )
    keep_photo(by=by, entry=entry)
    return Photo.objects.get(pk=entry.uuid)


def test_an_edition_names_its_photos_and_readers_see_those_alone(
    reader: Client, editor: User, technician: User
) -> None:
    study = Study.objects.get(slug=PAIR)
    run = study.runs.filter(readings__isnull=False).order_by("pk").first()
    assert run is not None
    shown = kept(run, 40, by=technician, caption="Hole on the left")
    struck = kept(run, 120, by=technician)
    strike_out_photo(by=technician, photo=struck, reason="Thumb before the lens.")
    publish(study, by=editor, note="With photos.")
    later = kept(run, 200, by=technician)

    edition = Edition.objects.get(study=study, number=2)
    assert [one["digest"] for one in edition.content["photos"]] == [shown.full_digest]
    address = f"/scorecards/{PAIR}/2/photos/{shown.full_digest}.jpg"
    page = reader.get(f"/scorecards/{PAIR}/2/").content.decode()
    assert address in page
    assert "Hole on the left" in page
    assert later.full_digest not in page
    answer = reader.get(address)
    assert answer["Content-Type"] == "image/jpeg"
    assert Image.open(io.BytesIO(answer.content)).size == (320, 240)
    assert address in addresses_of_study(PAIR)
    for other in (struck, later):
        path = f"/scorecards/{PAIR}/2/photos/{other.full_digest}.jpg"
        assert reader.get(path).status_code == 404
    # the first edition named none
    assert reader.get(address.replace("/2/", "/1/")).status_code == 404
