"""Pages that need no sign-in, and every page that a person can reach by following links."""

import html
import re
from collections import deque

import html5lib
import pytest
from django.test import Client

from labsite.roles import Role
from reports.models import Edition
from tests.reports.demo_site import AGES, PAIR, PRICES, person_with, visible_text
from trials.models import MethodRevision

pytestmark = pytest.mark.usefixtures("demo")

SLUGS = (AGES, PAIR, PRICES)
PUBLIC = (
    "/",
    "/cautions/",
    "/about/",
    "/what-goes-first/",
    "/compare/",
    "/compare/?property=water+uptake",
    "/products/",
    "/methods/",
    "/?q=rainmile&gear=jacket&year=2026",
    "/methods/seam-opening/1/",
    *(f"/de/scorecards/{slug}/" for slug in SLUGS),
    "/de/",
    *(f"/scorecards/{slug}/" for slug in SLUGS),
    f"/scorecards/{PAIR}/1/",
    f"/scorecards/{PAIR}/1/readings.csv",
    f"/scorecards/{PAIR}/1/card.json",
    "/api/v1/scorecards/",
    f"/api/v1/scorecards/{PAIR}/1/",
)
# a value that is not there, printed; sentences of the lab's pages may begin with the word
NOT_SHOWN = re.compile(
    r"\bNone\b(?!\. | waits| is (recorded|entered))"
    r"|\b(nan|NaN|inf|Infinity|undefined|Traceback)\b|\{\{|\{%"
)
ENOUGH_OF_A_KIND = 3  # pages with the same pattern of address that a walk looks at


@pytest.mark.parametrize("path", PUBLIC)
def test_public_pages_need_no_sign_in(reader: Client, path: str) -> None:
    assert reader.get(path).status_code == 200
    assert reader.head(path).status_code == 200


@pytest.mark.parametrize("path", PUBLIC)
@pytest.mark.parametrize("method", ["post", "put", "patch", "delete"])
def test_public_pages_are_only_read(reader: Client, path: str, method: str) -> None:
    assert getattr(reader, method)(path).status_code == 405


@pytest.mark.parametrize(
    "path",
    [
        "/scorecards/no-such-study/",
        f"/scorecards/{PAIR}/2/",
        f"/scorecards/{PAIR}/0/",
        f"/scorecards/{PAIR}/2/readings.csv",
        f"/scorecards/{PAIR}/2/card.json",
        "/methods/no-such-method/1/",
        "/methods/seam-opening/2/",
        f"/api/v1/scorecards/{PAIR}/2/",
    ],
)
def test_what_is_not_there_is_not_found(reader: Client, path: str) -> None:
    assert reader.get(path).status_code == 404


def test_a_draft_of_a_method_is_nobodys_business(reader: Client) -> None:
    revision = MethodRevision.objects.get(method__key="seam-opening", number=1)
    fields = {
        f.attname: getattr(revision, f.attname)
        for f in MethodRevision._meta.concrete_fields
        if f.attname not in ("id", "number", "state")
    }
    MethodRevision.objects.create(**fields, number=2, state=MethodRevision.State.DRAFT)
    assert reader.get("/methods/seam-opening/2/").status_code == 404
    page = reader.get("/methods/seam-opening/1/").content.decode()
    assert "/methods/seam-opening/2/" not in page


@pytest.mark.parametrize("slug", SLUGS)
def test_first_cautions_come_before_the_first_figure_and_all_before_the_table(
    reader: Client, slug: str
) -> None:
    page = reader.get(f"/scorecards/{slug}/").content.decode()
    content = Edition.objects.get(study__slug=slug).content
    main = page[page.index("<main") :]
    first = main[main.index('class="first-cautions"') : main.index('class="first-cautions-all"')]
    told = [c["short"] for c in content["cautions"] if html.escape(c["short"]) in first]
    assert "Not a certification." in told
    assert len(told) == 4
    figures = [
        main.index(html.escape(f[words]))
        for f in content["findings"]
        for words in ("retention_words", "interval_words")
        if f[words] and f[words] != "no interval"
    ]
    until = main.index(first) + len(first)
    assert until < min(figures)
    # nor does any other share of anything come before them
    assert "%" not in visible_text(main[:until])
    # every one of them is shown whole, without a fold, before the table and the findings
    listed = main[main.index('id="before"') : main.index('id="table"')]
    assert "<details" not in listed
    for caution in content["cautions"]:
        assert html.escape(caution["short"]) in listed


@pytest.mark.parametrize("slug", SLUGS)
def test_every_estimate_on_a_card_has_its_interval(slug: str) -> None:
    for finding in Edition.objects.get(study__slug=slug).content["findings"]:
        if finding["kind"] != "ratio":
            assert finding["retention"] is None
            continue
        if finding["retention_words"]:
            assert finding["interval_words"] in finding["sentence"]
            assert finding["retention_words"] in finding["sentence"]
        assert finding["verdict_words"]
        assert finding["n_baseline"] >= 1


@pytest.mark.parametrize("slug", SLUGS)
def test_table_and_words_carry_the_same_figures(reader: Client, slug: str) -> None:
    page = reader.get(f"/scorecards/{slug}/").content.decode()
    table = page[page.index('aria-labelledby="table"') :]
    table = visible_text(table[: table.index("</table>")])
    for finding in Edition.objects.get(study__slug=slug).content["findings"]:
        for name in ("retention_words", "interval_words", "verdict_words"):
            if finding[name]:
                assert re.sub(r"\s", " ", finding[name]) in table


@pytest.mark.parametrize("slug", SLUGS)
def test_card_shows_question_arms_history_readings_methods_and_counts(
    reader: Client, slug: str
) -> None:
    text = visible_text(reader.get(f"/scorecards/{slug}/").content.decode())
    content = Edition.objects.get(study__slug=slug).content

    def told(words: str) -> bool:
        return re.sub(r"\s+", " ", words) in text

    assert told(content["study"]["question"])
    for arm in content["arms"]:
        assert told(arm["label"])
        for item in arm["specimens"]:
            assert told(item["code"])
            assert told(item["service_words"])
            assert told(item["source_words"])
    for reading in content["readings"]:
        assert told(reading["words"])
    for method in content["methods"]:
        assert told(method["relation"].capitalize())
        assert told(method["standard_note"])
    for caution in content["cautions"]:
        assert told(caution["full"])
    for count in content["counts"]:
        assert count["planned"] >= count["run"] >= count["void"] >= 0
        assert count["excluded"] == 0
    assert content["inputs_digest"] in text


@pytest.mark.parametrize("slug", SLUGS)
def test_each_property_has_its_readings_in_one_table_beside_its_findings(
    reader: Client, slug: str
) -> None:
    page = reader.get(f"/scorecards/{slug}/").content.decode()
    content = Edition.objects.get(study__slug=slug).content
    parts = re.findall(r'<div class="property-body" id="property-\d+">(.*?)</details>', page, re.S)
    names = list(dict.fromkeys(f["property"] for f in content["findings"]))
    assert len(parts) == len(names)
    for name, part in zip(names, parts, strict=True):
        readings = [r for r in content["readings"] if r["property"] == name]
        assert part.count('<table class="ruled readings') == 1
        assert part.count("<tr class=") == len(readings)
        assert part.count('class="finding"') == len(
            [f for f in content["findings"] if f["property"] == name]
        )


def test_invented_data_says_so_on_every_public_page(reader: Client) -> None:
    for path in ("/", *(f"/scorecards/{slug}/" for slug in SLUGS)):
        assert "invented" in visible_text(reader.get(path).content.decode()).lower()


def test_newest_edition_is_linked_from_the_index(reader: Client) -> None:
    page = reader.get("/").content.decode()
    for slug in SLUGS:
        assert f'href="/scorecards/{slug}/"' in page


def test_nobody_of_the_bench_is_named_in_public(reader: Client) -> None:
    for path in PUBLIC:
        text = reader.get(path).content.decode()
        assert "Merrin" not in text
        assert "Oakshaw" not in text
        assert "merrin" not in text


# --- following every link ----------------------------------------------------------------------


def pattern_of(path: str) -> str:
    # each picture is drawn anew, and all of them are looked at in test_picture_pages
    path = re.sub(r"^/desk/[^/]+/pictures(/[^.]+)?\.", "/desk/study/pictures.", path)
    return re.sub(r"/(\d+|[2-9A-Z]{4}-[2-9A-Z])(?=/|$)", "/n", path)


def links_of(page: str) -> set[str]:
    found = {html.unescape(href) for href in re.findall(r'<a\b[^>]*?\bhref="([^"]+)"', page)}
    return {
        href.split("#")[0]
        for href in found
        if href.startswith("/") and not href.startswith(("/admin/", "/static/"))
    }


@pytest.mark.parametrize("role", [None, *Role])
def test_every_link_leads_to_a_sound_page(role: Role | None) -> None:
    client = Client()
    starts = ["/", "/sign-in/"]
    if role is not None:
        client.force_login(person_with(role))
    waiting, seen, looked = deque(starts), set(starts), {}
    strict_checked: set[str] = set()
    while waiting:
        path = waiting.popleft()
        pattern = pattern_of(path.split("?")[0])
        if looked.get(pattern, 0) >= ENOUGH_OF_A_KIND:
            continue
        looked[pattern] = looked.get(pattern, 0) + 1
        answer = client.get(path)
        if answer.status_code == 302 and role is not None:
            assert path.split("?")[0] == "/sign-in/", f"{path} sends elsewhere"
            continue
        assert answer.status_code == 200, f"{path} answers {answer.status_code}"
        if not answer["Content-Type"].startswith("text/html"):
            continue
        page = answer.content.decode()
        shown = NOT_SHOWN.search(visible_text(page))
        assert shown is None, f"{path} shows {shown.group()}"
        if pattern not in strict_checked:
            strict_checked.add(pattern)
            html5lib.HTMLParser(strict=True).parse(page)
            ids = re.findall(r'\sid="([^"]+)"', page)
            assert len(ids) == len(set(ids)), f"{path} has an id twice"
        for href in sorted(links_of(page) - seen):
            seen.add(href)
            waiting.append(href)
    least = {None: 15, Role.TECHNICIAN: 20, Role.LEAD: 30, Role.EDITOR: 20, Role.ADMINISTRATOR: 12}
    least |= {Role.AUDITOR: 15}
    assert sum(looked.values()) >= least[role], looked
