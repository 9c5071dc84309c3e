"""Pictures in one click: every shape, ground and format, and the same figures as the page."""

import io
import re
import zipfile

import pytest
from django.test import Client
from PIL import Image

from tests.reports.demo_site import AGES, PAIR, PRICES, visible_text
from trials.models import Study

pytestmark = pytest.mark.usefixtures("demo")

KINDS = {
    "kept": PAIR,
    "readings": PAIR,
    "ladder": PRICES,
    "whole": AGES,
    "trend": AGES,
    "price": PRICES,
}


def names(client: Client, slug: str) -> list[str]:
    page = client.get(f"/desk/{slug}/pictures/").content.decode()
    return re.findall(rf'src="/desk/{slug}/pictures/([a-z0-9-]+)\.svg"', page)


@pytest.mark.parametrize("kind", KINDS)
def test_each_kind_of_picture_comes_in_one_click(at_desk: Client, kind: str) -> None:
    slug = KINDS[kind]
    name = next(one for one in names(at_desk, slug) if one.startswith(f"{kind}-"))
    for shape, size in (("wide", (1920, 1080)), ("square", (1080, 1080))):
        address = f"/desk/{slug}/pictures/{name}.png?shape={shape}&ground=clear&take=1"
        answer = at_desk.get(address)
        assert answer["Content-Type"] == "image/png"
        assert f"{slug}-{name}-{shape}-clear.png" in answer["Content-Disposition"]
        assert Image.open(io.BytesIO(answer.content)).size == size
    svg = at_desk.get(f"/desk/{slug}/pictures/{name}.svg").content.decode()
    assert "Ennick Wear Bench" in svg
    assert "edition 1." in svg
    assert "Certifies nothing." in svg


def test_the_picture_has_the_figures_of_the_card(at_desk: Client) -> None:
    content = Study.objects.get(slug=AGES).editions.get().content
    svg = at_desk.get(f"/desk/{AGES}/pictures/kept-{AGES}.svg").content.decode()
    drawn = [float(one) for one in re.findall(r'data-kept="([\d.]+)"', svg)]
    assert drawn == pytest.approx([f["retention"] for f in content["findings"]], rel=1e-5)
    strip = at_desk.get(f"/desk/{AGES}/pictures/readings-belt-abrasion.svg").content.decode()
    rows = [
        r
        for r in content["readings"]
        if r["method_key"] == "belt-abrasion" and r["state"] != "superseded"
    ]
    assert len(rows) > 10
    for row in rows:
        assert f"{row['specimen']}: {row['words']}" in strip


@pytest.mark.parametrize(
    "tail",
    [
        "nothing.svg",
        f"kept-{PAIR}.gif",
        f"kept-{PAIR}.svg?shape=tall",
        f"kept-{PAIR}.png?ground=red",
    ],
)
def test_what_cannot_be_drawn_is_not_found(at_desk: Client, tail: str) -> None:
    assert at_desk.get(f"/desk/{PAIR}/pictures/{tail}").status_code == 404


def test_all_of_them_come_in_one_file_with_their_words(at_desk: Client) -> None:
    slug = PRICES
    answer = at_desk.get(f"/desk/{slug}/pictures.zip")
    parts = [bytes(part) for part in answer.streaming_content]
    # the first picture is on its way before the last is drawn
    assert parts[0].startswith(b"PK")
    assert max(len(part) for part in parts) < sum(len(part) for part in parts) / 4
    pack = zipfile.ZipFile(io.BytesIO(b"".join(parts)))
    assert pack.testzip() is None
    made = names(at_desk, slug)
    assert len(pack.namelist()) == 8 * len(made) + 1
    words = pack.read("words.txt").decode()
    assert all(name in words for name in made)


def test_readers_find_episodes_and_their_pictures(reader: Client) -> None:
    from reports.public_addresses import episode_addresses

    assert 'href="/episodes/"' in reader.get("/").content.decode()
    found = episode_addresses()
    assert sum(one.endswith(".svg") for one in found) == 3
    for address in found:
        assert reader.get(address).status_code == 200
    assert "What the letter rounds" in visible_text(reader.get("/episodes/").content.decode())
