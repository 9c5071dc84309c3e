"""What machines read beside the data: Atom, JSON-LD, Open Graph, citations, site map, robots."""

import html
import io
import json
import re
import uuid
import xml.etree.ElementTree as ET
from datetime import datetime

import pytest
from django.test import Client
from django.utils import translation
from PIL import Image

from labsite.models import User
from reports.citations import LATEX, bibtex, csl, linked_data
from reports.models import Edition
from reports.pictures.preview import MOST_STRIPS, preview_svg
from reports.standing_pages import page_parts, places_of
from tests.reports.demo_site import AGES, PAIR, PRICES, publish
from trials.models import Study

pytestmark = pytest.mark.usefixtures("demo")
ALL = [AGES, PAIR, PRICES]
ATOM = "{http://www.w3.org/2005/Atom}"


def linked(page: str) -> dict[str, object]:
    found = re.findall(r'<script type="application/ld\+json">(.*?)</script>', page, re.DOTALL)
    (text,) = found
    loaded: dict[str, object] = json.loads(text)
    return loaded


# --- Atom --------------------------------------------------------------------------------------


def atom_faults(text: str) -> list[str]:
    """What RFC 4287 asks of a feed and its entries, sections 4.1 and 4.2, written from the RFC."""
    feed = ET.fromstring(text)
    faults = [] if feed.tag == f"{ATOM}feed" else ["the root is not a feed"]

    def exactly_one(element: ET.Element, name: str, where: str) -> None:
        count = len(element.findall(f"{ATOM}{name}"))
        if count != 1:
            faults.append(f"{where}: {count} of {name}")

    def check_common(element: ET.Element, where: str) -> None:
        for name in ("id", "title", "updated"):
            exactly_one(element, name, where)
        identity = element.findtext(f"{ATOM}id") or ""
        if not re.match(r"[a-z][a-z0-9+.-]*:\S+$", identity):  # 4.2.6: an IRI, absolute
            faults.append(f"{where}: id {identity!r}")
        for name in ("updated", "published"):
            for one in element.findall(f"{ATOM}{name}"):
                # 3.3: RFC 3339 with an upper-case T and a zone
                if not re.fullmatch(
                    r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)", one.text or ""
                ):
                    faults.append(f"{where}: {name} {one.text!r}")
        alternates = [
            (one.get("type", ""), one.get("hreflang", ""))
            for one in element.findall(f"{ATOM}link")
            if one.get("rel", "alternate") == "alternate"
        ]
        if len(alternates) != len(set(alternates)):  # 4.1.1 and 4.1.2
            faults.append(f"{where}: alternate links of the same kind")
        for one in element.findall(f"{ATOM}link"):
            if not (one.get("href") or "").startswith("http"):
                faults.append(f"{where}: link without a whole address")

    check_common(feed, "feed")
    if not any(one.get("rel") == "self" for one in feed.findall(f"{ATOM}link")):
        faults.append("feed: no link to itself")  # 4.1.1 SHOULD
    has_author = feed.find(f"{ATOM}author/{ATOM}name") is not None
    identities = []
    for entry in feed.findall(f"{ATOM}entry"):
        where = entry.findtext(f"{ATOM}title") or "entry"
        check_common(entry, where)
        identities.append(entry.findtext(f"{ATOM}id"))
        if not has_author and entry.find(f"{ATOM}author") is None:  # 4.1.1, 4.1.2
            faults.append(f"{where}: no author here or above")
        if entry.find(f"{ATOM}content") is None and not [
            one
            for one in entry.findall(f"{ATOM}link")
            if one.get("rel", "alternate") == "alternate"
        ]:
            faults.append(f"{where}: neither content nor alternate link")
        if len(entry.findall(f"{ATOM}summary")) > 1:
            faults.append(f"{where}: two summaries")
    if len(identities) != len(set(identities)):
        faults.append("two entries with one id")
    return faults


@pytest.mark.parametrize("address", ["/feed.atom", f"/scorecards/{PAIR}/feed.atom"])
def test_feeds_keep_to_the_rules_of_atom(reader: Client, editor: User, address: str) -> None:
    publish(Study.objects.get(slug=PAIR), by=editor, note="Said better.")
    answer = reader.get(address)
    assert answer["Content-Type"].startswith("application/atom+xml")
    text = answer.content.decode()
    assert atom_faults(text) == []
    titles = [e.findtext(f"{ATOM}title") for e in ET.fromstring(text).findall(f"{ATOM}entry")]
    assert f"{Study.objects.get(slug=PAIR).title}, edition 2" in titles
    # its editions, all studies' or its own, and the episode that was made from them
    assert len(titles) == (5 if address == "/feed.atom" else 3)


def test_the_rules_would_see_a_bad_feed() -> None:
    bad = (
        '<feed xmlns="http://www.w3.org/2005/Atom"><title>t</title><updated>yesterday</updated>'
        '<link rel="alternate" href="/x"/><entry><id>1</id><title>e</title></entry></feed>'
    )
    faults = " ".join(atom_faults(bad))
    for words in ("0 of id", "'yesterday'", "without a whole address", "no link to itself"):
        assert words in faults
    assert "e: 0 of updated" in faults


def test_an_entry_keeps_its_id_whatever_the_site_is_called(reader: Client) -> None:
    def identities(host: str) -> list[str | None]:
        feed = ET.fromstring(reader.get("/feed.atom", headers={"host": host}).content)
        return [e.findtext(f"{ATOM}id") for e in (feed, *feed.findall(f"{ATOM}entry"))]

    assert identities("localhost") == identities("127.0.0.1")
    for identity in identities("localhost"):
        assert uuid.UUID(identity.removeprefix("urn:uuid:")).version == 5


def test_an_unknown_feed_is_not_there(reader: Client) -> None:
    assert reader.get("/scorecards/nothing-here/feed.atom").status_code == 404


# --- JSON-LD -----------------------------------------------------------------------------------


@pytest.mark.parametrize("slug", ALL)
def test_linked_data_has_what_a_dataset_needs(reader: Client, slug: str) -> None:
    # required and recommended properties of https://schema.org/Dataset as search engines ask for
    # them (name, description of 50 to 5000 signs, license, creator, distribution): from memory
    edition = Edition.objects.get(study__slug=slug)
    graph = linked(reader.get(f"/scorecards/{slug}/1/").content.decode())
    assert graph["@context"] == "https://schema.org"
    dataset, article = graph["@graph"]
    assert dataset["@type"] == "Dataset"
    assert 50 <= len(dataset["description"]) <= 5000
    assert dataset["license"] == "https://creativecommons.org/licenses/by/4.0/"
    assert dataset["creator"]["name"] == "Ennick Wear Bench"
    assert dataset["version"] == "1"
    assert edition.digest in dataset["identifier"]
    assert {one["encodingFormat"] for one in dataset["distribution"]} == {
        "application/zip",
        "text/csv",
        "application/json",
    }
    for one in dataset["distribution"]:
        path = one["contentUrl"].removeprefix("http://testserver")
        assert reader.get(path).status_code == 200
    assert article["@type"] == "Article"
    assert len(article["headline"]) <= 110
    datetime.fromisoformat(article["datePublished"])
    assert article["isBasedOn"]["@id"] == dataset["@id"]
    assert "aggregateRating" not in json.dumps(graph)


def test_linked_data_gives_the_published_figures_in_percent(reader: Client) -> None:
    edition = Edition.objects.get(study__slug=AGES)
    dataset = linked(reader.get(f"/scorecards/{AGES}/1/").content.decode())["@graph"][0]
    for told, found in zip(dataset["variableMeasured"], edition.content["findings"], strict=True):
        for name, share in (("value", "retention"), ("minValue", "low"), ("maxValue", "high")):
            if found[share] is None:
                assert name not in told
            else:
                assert told[name] == pytest.approx(100 * found[share], abs=1e-3)


def test_words_cannot_leave_the_script_element(reader: Client) -> None:
    from reports.templatetags.linked_data import linked_data as as_script

    hostile = "</script><script>alert(1)</script><!-- & \u2028"
    text = as_script({"name": hostile})
    assert text.count("<") == 2
    assert json.loads(text.removeprefix('<script type="application/ld+json">')[:-9]) == {
        "name": hostile
    }


# --- Open Graph --------------------------------------------------------------------------------


@pytest.mark.parametrize("slug", ALL)
def test_a_shared_link_has_a_title_words_and_a_picture(reader: Client, slug: str) -> None:
    page = reader.get(f"/scorecards/{slug}/1/").content.decode()
    told = dict(re.findall(r'<meta property="([^"]+)"\s+content="([^"]*)"', page))
    for name in ("og:title", "og:type", "og:image", "og:url", "og:description", "og:image:alt"):
        assert told[name], name
    picture = reader.get(told["og:image"].removeprefix("http://testserver"))
    assert picture["Content-Type"] == "image/png"
    drawn = Image.open(io.BytesIO(picture.content))
    assert drawn.size == (1200, 630) == (int(told["og:image:width"]), int(told["og:image:height"]))
    assert (
        len(set(drawn.convert("L").get_flattened_data())) > 20
    )  # words were drawn, not only a ground
    assert len(picture.content) < 300_000


def machine_words(reader: Client, address: str) -> tuple[dict[str, str], dict[str, dict]]:
    page = reader.get(address).content.decode()
    shared = dict(re.findall(r'<meta property="([^"]+)"\s+content="([^"]*)"', page))
    graph: list[dict] = linked(page)["@graph"]  # type: ignore[assignment]
    return shared, {one["@type"]: one for one in graph}


def test_machines_are_told_the_language_of_the_page(reader: Client) -> None:
    content = Edition.objects.get(study__slug=PAIR).content
    german = content["translations"]["de"]
    shared, told = machine_words(reader, f"/de/scorecards/{PAIR}/1/")
    assert shared["og:locale"] == "de_DE"
    assert html.unescape(shared["og:title"]) == german["title"]
    assert "Schlechter als" in shared["og:description"]
    article = told["Article"]
    assert article["inLanguage"] == "de"
    assert article["description"] == german["question"]
    assert german["headline"].startswith(article["headline"])
    # names of columns and properties in the data stay as they were frozen
    assert told["Dataset"]["inLanguage"] == "en-gb"
    shared, told = machine_words(reader, f"/scorecards/{PAIR}/1/")
    assert shared["og:locale"] == "en_GB"
    assert "Worse than" in shared["og:description"]
    assert told["Article"]["inLanguage"] == "en-gb"
    assert told["Article"]["description"] == content["study"]["question"]


def test_german_page_of_an_untranslated_card_says_its_article_is_english(rf) -> None:
    edition = Edition.objects.get(study__slug=PAIR)
    edition.content = {k: v for k, v in edition.content.items() if k != "translations"}
    with translation.override("de"):
        told = page_parts(rf.get(f"/de/scorecards/{PAIR}/1/"), edition)
    assert told["shared"]["locale"] == "en_GB"
    assert told["linked"]["@graph"][1]["inLanguage"] == "en-gb"


def test_the_picture_shows_the_cards_own_figures() -> None:
    for slug in ALL:
        content = Edition.objects.get(study__slug=slug).content
        svg = preview_svg(content)
        root = ET.fromstring(svg)
        texts = [one.text for one in root.iter() if one.tag.endswith("text")]
        charted = [one for one in content["findings"] if one["chart"]]
        if len(charted) > MOST_STRIPS:
            charted = list({one["property"]: one for one in charted}.values())[:MOST_STRIPS]
        verdicts = [one["verdict_words"] for one in charted]
        assert [text for text in texts if text in set(verdicts)] == verdicts
        points = [float(one.get("cx")) for one in root.iter() if one.tag.endswith("circle")]
        wanted = [560 + 4 * f["chart"]["x_point"] for f in charted if f["chart"]["x_point"]]
        assert points == pytest.approx(wanted, abs=0.06)
        assert any("certifies nothing" in text for text in texts)
        assert any("invented" in text for text in texts)


def test_a_long_question_stays_inside_the_picture() -> None:
    content = Edition.objects.get(study__slug=PAIR).content
    long = content | {"study": content["study"] | {"question": "Wherefore & <art> thou " * 40}}
    root = ET.fromstring(preview_svg(long, "Withdrawn"))
    lowest = max(float(one.get("y")) for one in root.iter() if one.tag.endswith("text"))
    assert lowest <= 630


# --- citations ---------------------------------------------------------------------------------


def test_bibtex_is_one_whole_entry(reader: Client) -> None:
    answer = reader.get(f"/scorecards/{PAIR}/1/cite.bib")
    text = answer.content.decode()
    assert text.startswith(f"@misc{{{PAIR}-1,\n")
    assert text.rstrip().endswith("}")
    assert text.count("{") - text.count("\\{") == text.count("}") - text.count("\\}")
    assert "author = {{Ennick Wear Bench}}" in text
    assert f"url = {{http://testserver/scorecards/{PAIR}/1/}}" in text


def test_bibtex_escapes_what_tex_would_obey(rf) -> None:
    content = Edition.objects.get(study__slug=PAIR).content
    title = "100 % of $5 & #1 in_a {row} ~ ^ \\"
    tricky = content | {"study": content["study"] | {"title": title}}
    text = bibtex(tricky, places_of(rf.get("/"), PAIR, 1), [])
    line = next(one for one in text.split("\n") if one.startswith("  title"))
    assert r"100 \% of \$5 \& \#1 in\_a \{row\} \textasciitilde{}" in line
    assert set(LATEX) >= set("\\{}$&#%_^~")


def test_csl_has_the_fields_of_its_schema(reader: Client, rf) -> None:
    # names and types of citation-style-language/schema, csl-data.json: from memory
    (item,) = reader.get(f"/scorecards/{PAIR}/1/cite.json").json()
    assert item["type"] == "dataset"
    assert item["author"] == [{"literal": "Ennick Wear Bench"}]
    year, month, day = item["issued"]["date-parts"][0]
    published = Edition.objects.get(study__slug=PAIR).published_at
    assert (year, month, day) == (published.year, published.month, published.day)
    assert item["URL"].endswith(f"/scorecards/{PAIR}/1/")
    content = Edition.objects.get(study__slug=PAIR).content
    (told,) = csl(content, places_of(rf.get("/"), PAIR, 1), ["Withdrawn."])
    assert told["note"] == "Withdrawn."


def test_an_edition_without_a_licence_claims_none(rf) -> None:
    edition = Edition.objects.get(study__slug=PAIR)
    old = {k: v for k, v in edition.content.items() if k != "licence"}
    places = places_of(rf.get("/"), PAIR, 1)
    told = linked_data(old, places, digest="0", status="Published", corrections=[])
    assert "license" not in told["@graph"][0]


# --- site map and robots -----------------------------------------------------------------------


def test_the_site_map_names_pages_that_are_there(reader: Client) -> None:
    root = ET.fromstring(reader.get("/sitemap.xml").content)
    space = "{http://www.sitemaps.org/schemas/sitemap/0.9}"
    assert root.tag == f"{space}urlset"
    places = [one.text or "" for one in root.iter(f"{space}loc")]
    assert len(places) == len(set(places)) > 20
    for slug in ALL:
        assert f"http://testserver/scorecards/{slug}/" in places
    for place in places:
        assert reader.get(place.removeprefix("http://testserver")).status_code == 200, place


def test_robots_keeps_out_of_the_lab_and_names_the_site_map(reader: Client) -> None:
    text = reader.get("/robots.txt").content.decode()
    for closed in ("/admin/", "/bench/", "/desk/", "/lab/"):
        assert f"Disallow: {closed}" in text
    assert "Sitemap: http://testserver/sitemap.xml" in text
