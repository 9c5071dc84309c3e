"""The static export: crawled over a plain web server, incremental, careful with others' files."""

import functools
import hashlib
import http.server
import io
import json
import re
import shutil
import threading
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import urldefrag, urljoin

import pytest
from django.core.management import CommandError, call_command
from django.test import Client

from labsite.models import User
from reports.models import Edition
from tests.reports.demo_site import PAIR, PRICES, publish, visible_text
from trials.models import Study

pytestmark = pytest.mark.usefixtures("demo")
BASE = "http://lab.example"


def export(folder: Path, *more: str, base: str = BASE) -> str:
    out = io.StringIO()
    call_command("export_site", str(folder), "--base", base, *more, stdout=out)
    return out.getvalue()


class Links(HTMLParser):
    """Every address that a page asks a browser to fetch or offers to follow."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        named = {"href", "src", "data-plotly-src"}
        self.found += [value for name, value in attrs if name in named and value]


class Quiet(http.server.SimpleHTTPRequestHandler):
    """Python's own file server; it knows nothing of the site."""

    def log_message(self, *args: object) -> None:
        return


@contextmanager
def served(folder: Path) -> Iterator[str]:
    handler = functools.partial(Quiet, directory=str(folder))
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def crawl(start: str, base: str, home: str) -> tuple[set[str], list[str]]:
    """Follow every link from `start`; whole addresses under `base` lie under `home`."""
    seen, waiting, broken = {start}, [start], []
    while waiting:
        address = waiting.pop()
        try:
            with urllib.request.urlopen(address, timeout=10) as answer:
                kind = answer.headers.get("Content-Type", "")
                body = answer.read()
        except urllib.error.HTTPError as error:
            broken.append(f"{address} answers {error.code}")
            continue
        found: list[str] = []
        if kind.startswith("text/html"):
            links = Links()
            links.feed(body.decode())
            found = links.found
        elif "css" in kind:
            found = re.findall(r'url\(\s*["\']?([^"\')]+)', body.decode())
        elif "javascript" in kind and "plotly" not in address:
            # a specifier after `import` or `from`; words of a text never look so
            found = re.findall(r'(?:from|import)\s*\(?["\'](\.[^"\']+)', body.decode())
        for link in found:
            whole = urldefrag(urljoin(address, link.replace(base, home, 1)))[0]
            if whole.startswith(home) and whole not in seen:
                seen.add(whole)
                waiting.append(whole)
    return seen, broken


@pytest.fixture(scope="module")
def exported(demo_tables: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("site")
    export(folder)
    return folder


def test_no_link_of_the_export_is_broken(exported: Path) -> None:
    with served(exported) as home:
        seen, broken = crawl(f"{home}/", BASE, home)
    assert broken == []
    paths = {one.removeprefix(home) for one in seen}
    assert {f"/scorecards/{PAIR}/1/", "/corrections/", "/feed.atom", "/de/cautions/"} <= paths
    assert f"/scorecards/{PAIR}/1/package/readings.csv" in paths
    assert any(one.startswith("/static/") and one.endswith(".css") for one in paths)
    assert len(paths) > 100


def test_no_link_is_broken_below_a_path_either(tmp_path: Path) -> None:
    base = "https://lab.example/gear/tests"
    export(tmp_path / "gear" / "tests", base=base)
    with served(tmp_path) as home:
        seen, broken = crawl(f"{home}/gear/tests/", "https://lab.example", home)
    assert broken == []
    assert len(seen) > 100
    outside = [one for one in seen if not one.startswith(f"{home}/gear/tests/")]
    assert outside == []
    plain = [p for p in (tmp_path / "gear").rglob("*") if p.suffix in (".html", ".json", ".bib")]
    assert not [p for p in plain if "https://lab.example/scorecards" in p.read_text()]
    feed = (tmp_path / "gear" / "tests" / "feed.atom").read_text()
    assert f'href="{base}/scorecards/{PAIR}/1/"' in feed


def test_the_crawl_would_see_a_missing_file(exported: Path, tmp_path: Path) -> None:
    page = (exported / "index.html").read_text()
    (tmp_path / "index.html").write_text(page)
    with served(tmp_path) as home:
        _, broken = crawl(f"{home}/", BASE, home)
    assert len(broken) > 5


@pytest.mark.parametrize(
    "path", ["", f"scorecards/{PAIR}/1/", "cautions/", f"de/scorecards/{PAIR}/", "methods/"]
)
def test_a_page_says_what_the_site_says(exported: Path, reader: Client, path: str) -> None:
    """But for what needs a server: signing in, searching, reporting an error."""
    live = reader.get(f"/{path}", headers={"host": "localhost"}).content.decode()
    files = (exported / path / "index.html").read_text()
    served_only = re.compile(
        r"<search>.*?</search>|<li><a href=\"/sign-in/\">.*?</li>|"
        r"<p>\s*[^<]*<a href=\"[^\"]*/report-an-error/.*?</p>",
        re.DOTALL,
    )
    assert visible_text(files) == visible_text(served_only.sub("", live))


@pytest.mark.parametrize("name", ["readings.csv", "card.json", "package.zip", "picture.png"])
def test_a_file_is_the_same_bytes(exported: Path, reader: Client, name: str) -> None:
    live = reader.get(f"/scorecards/{PAIR}/1/{name}").content
    assert (exported / "scorecards" / PAIR / "1" / name).read_bytes() == live


def test_again_writes_nothing(exported: Path) -> None:
    before = {p: p.stat().st_mtime_ns for p in exported.rglob("*") if p.is_file()}
    assert " 0 written, " in export(exported)
    after = {p: p.stat().st_mtime_ns for p in exported.rglob("*") if p.is_file()}
    manifest = next(p for p in before if p.name.startswith("."))
    assert {p for p in before if before[p] != after[p]} <= {manifest}


def test_a_new_edition_touches_its_study_alone(
    exported: Path, tmp_path: Path, editor: User
) -> None:
    folder = tmp_path / "site"
    shutil.copytree(exported, folder)
    before = {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()}
    publish(Study.objects.get(slug=PAIR), by=editor, note="Said better.")
    told = export(folder)
    changed = {
        str(p.relative_to(folder))
        for p in folder.rglob("*")
        if p.is_file() and before.get(p) != p.read_bytes()
    }
    assert " 0 removed" in told
    assert f"scorecards/{PAIR}/2/index.html" in changed
    assert f"scorecards/{PAIR}/1/index.html" in changed  # says now that a newer one exists
    assert not [name for name in changed if PRICES in name]
    assert f"scorecards/{PAIR}/1/card.json" not in changed


def test_a_file_that_somebody_spoilt_is_made_anew(exported: Path) -> None:
    page = exported / "scorecards" / PAIR / "1" / "index.html"
    good = page.read_bytes()
    page.write_bytes(b"spoilt")
    assert " 1 written, " in export(exported)
    assert page.read_bytes() == good


def test_only_what_an_export_wrote_is_removed(exported: Path) -> None:
    manifest_path = exported / ".wornproof-export.json"
    manifest = json.loads(manifest_path.read_text())
    for name in ("old/index.html", "old/changed.html"):
        (exported / name).parent.mkdir(exist_ok=True)
        (exported / name).write_text("an old page")
        manifest["files"][name] = hashlib.sha256(b"an old page").hexdigest()
    manifest_path.write_text(json.dumps(manifest))
    (exported / "old" / "changed.html").write_text("somebody's words")
    (exported / "notes.txt").write_text("not ours")
    told = export(exported)
    assert " 1 removed" in told
    assert "Left, because somebody changed it: old/changed.html" in told
    assert not (exported / "old" / "index.html").exists()
    assert (exported / "old" / "changed.html").read_text() == "somebody's words"
    assert (exported / "notes.txt").read_text() == "not ours"


def test_a_folder_with_other_files_of_the_same_name_is_refused(tmp_path: Path) -> None:
    (tmp_path / "robots.txt").write_text("mine")
    with pytest.raises(CommandError, match="no export wrote it"):
        export(tmp_path)
    assert (tmp_path / "robots.txt").read_text() == "mine"


@pytest.mark.parametrize("base", ["lab.example", "ftp://lab.example", "https://"])
def test_an_address_that_is_none_is_refused(tmp_path: Path, base: str) -> None:
    with pytest.raises(CommandError, match="begins with https"):
        export(tmp_path / "site", base=base)


def test_nothing_secret_or_signed_in_is_in_it(exported: Path) -> None:
    everything = [p for p in exported.rglob("*") if p.suffix in (".html", ".json", ".csv")]
    assert len(everything) > 100
    for path in everything:
        text = path.read_text()
        assert "csrfmiddlewaretoken" not in text
        assert "/desk/" not in text
    assert Edition.objects.count() == 3
