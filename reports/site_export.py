"""The public site as files that any web server hands out: the same pages, made by the same views.

Incremental: a manifest in the folder knows the digest of every file that was written, and for
each study what its pages depended on. What has not changed is not made again; what is gone is
removed, but only files that an earlier export wrote and nobody has changed since.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import re
import tempfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from html import unescape
from pathlib import Path
from typing import Any, cast
from urllib.parse import unquote, urlsplit

from django.conf import settings
from django.contrib.staticfiles import finders
from django.contrib.staticfiles.storage import staticfiles_storage
from django.http import HttpResponse
from django.test import Client

from labsite.errors import Refused
from labsite.kept_pages import code_version
from reports.kept import study_key
from reports.public_addresses import addresses_of_study, published_slugs, site_addresses

MANIFEST = ".wornproof-export.json"
MANIFEST_FORMAT = 2
TEXT_TYPES = re.compile(r"text/|application/[\w.+-]*(json|xml|bibtex)")
LEAST_COMPRESSED_BYTES = 200
STATIC = re.compile(r"/static/[A-Za-z0-9_./-]+\.[A-Za-z0-9]+")
# what may follow an address inside a style sheet or a module of our own
INSIDE = re.compile(r"""(?:url\(\s*["']?|from\s*["']|import\s*["']|import\(\s*["'])([^"')]+)""")
OWN_LINK = re.compile(r"""\b(href|src|action|data-[a-z-]+)="(/(?!/)[^"]*)\"""")
PAGE_LINK = re.compile(r"""\bhref="\?page=(\d+)\"""")


@dataclass
class Outcome:
    """What an export did."""

    written: int = 0
    unchanged: int = 0
    removed: int = 0
    left: list[str] = field(default_factory=list)  # gone from the site, changed by somebody since
    file_count: int = 0


@dataclass
class _Manifest:
    base: str
    files: dict[str, str] = field(default_factory=dict)  # name in the folder: digest
    studies: dict[str, dict[str, Any]] = field(default_factory=dict)  # slug: key, names, statics


class SiteExport:
    """One run. `base` is the whole address under which the files will lie."""

    def __init__(self, folder: Path, base: str, *, with_gzip: bool = False) -> None:
        parts = urlsplit(base)
        if parts.scheme not in ("http", "https") or not parts.hostname or parts.query:
            raise Refused("The address under which the files will lie begins with https:// .")
        self.folder = folder
        self.base = base.rstrip("/")
        self.host_name = parts.hostname
        self.prefix = parts.path.rstrip("/")
        self.is_secure = parts.scheme == "https"
        self.with_gzip = with_gzip
        environ: dict[str, Any] = {
            "HTTP_HOST": parts.netloc,
            "SERVER_NAME": parts.hostname,
            "wornproof.export": True,
        }
        self.client = Client(**environ)
        self.outcome = Outcome()
        self.before = _read_manifest(folder, self.base)
        self.now = _Manifest(self.base)
        self._waiting_statics: list[str] = []
        self._links: set[str] = set()

    def run(self, tell: Callable[[str], None] = lambda words: None) -> Outcome:
        """Write everything; `tell` hears how far it is."""
        self.folder.mkdir(parents=True, exist_ok=True)
        for path in site_addresses():
            self._export(path)
        self._export_missing_page()
        slugs = published_slugs()
        for done, slug in enumerate(slugs, start=1):
            self._export_study(slug)
            if done % 100 == 0 or done == len(slugs):
                tell(f"Scorecards: {done} of {len(slugs)}")
        self._export_linked()
        self._export_statics()
        self._remove_gone()
        _write_manifest(self.folder, self.now)
        self.outcome.file_count = len(self.now.files)
        return self.outcome

    # --- pages -----------------------------------------------------------------------------

    def _export_study(self, slug: str) -> None:
        key = hashlib.sha256(
            f"{study_key(slug)}|{code_version()}|{self.base}|{self.with_gzip}".encode()
        ).hexdigest()
        known = self.before.studies.get(slug)
        if known and known["key"] == key and all(self._is_whole(n) for n in known["names"]):
            for name in known["names"]:
                self.now.files[name] = self.before.files[name]
            self.outcome.unchanged += len(known["names"])
            self._waiting_statics += known["statics"]
            self._links |= set(known["links"])
            self.now.studies[slug] = known
            return
        names: list[str] = []
        statics: set[str] = set()
        elsewhere, self._links = self._links, set()
        for path in addresses_of_study(slug):
            told = self._export(path)
            names += told[0]
            statics |= told[1]
        self.now.studies[slug] = {
            "key": key,
            "names": names,
            "statics": sorted(statics),
            "links": sorted(self._links),
        }
        self._links |= elsewhere

    def _is_whole(self, name: str) -> bool:
        path = self.folder / name
        wanted = self.before.files.get(name)
        return path.is_file() and _digest(path.read_bytes()) == wanted

    def _export(self, path: str) -> tuple[list[str], set[str]]:
        """Write one address, and the pages of a list that follow it."""
        response = self._fetch(path)
        names, statics = self._keep(_name_of(path), response, path)
        for number in sorted({int(n) for n in PAGE_LINK.findall(_text(response))} - {1}):
            more = self._export_page(path, number)
            names += more[0]
            statics |= more[1]
        return names, statics

    def _export_page(self, path: str, number: int) -> tuple[list[str], set[str]]:
        name = _name_of(f"{path}page-{number}/")
        if name in self.now.files:
            return [], set()
        response = self._fetch(f"{path}?page={number}")
        names, statics = self._keep(name, response, path)
        for further in {int(n) for n in PAGE_LINK.findall(_text(response))} - {1}:
            more = self._export_page(path, further)
            names += more[0]
            statics |= more[1]
        return names, statics

    def _export_linked(self) -> None:
        """What the pages lead to and no list names: episodes with their pictures, photos."""
        while self._links:
            path = self._links.pop()
            if _name_of(path) not in self.now.files:
                self._export(path)

    def _export_missing_page(self) -> None:
        # asked for and not rendered here, so that it is the site's own
        path = "/there-is-no-such-page/"
        self._keep("404.html", self._get(path), path)

    def _get(self, path: str) -> HttpResponse:
        return cast("HttpResponse", self.client.get(path, secure=self.is_secure))

    def _fetch(self, path: str) -> HttpResponse:
        response = self._get(path)
        if response.status_code == 302 and response.headers["Location"].startswith("/"):
            # an address that leads on to the newest of something: files cannot, so it is there too
            response = self._get(response.headers["Location"])
        if response.status_code != 200:
            raise Refused(f"{path} answers {response.status_code}; nothing more was exported.")
        return response

    def _keep(self, name: str, response: HttpResponse, path: str) -> tuple[list[str], set[str]]:
        body = response.content
        kind = response.headers.get("Content-Type", "")
        statics: set[str] = set()
        if kind.startswith("text/html"):
            text = body.decode()
            statics = set(STATIC.findall(text))
            self._links |= _own_links(text)
            body = self._as_files(text, path).encode()
        elif TEXT_TYPES.match(kind) and self.prefix:
            body = self._with_prefix_in_whole_addresses(body.decode()).encode()
        self._waiting_statics += sorted(statics)
        return self._write(name, body, is_text=bool(TEXT_TYPES.match(kind))), statics

    def _as_files(self, text: str, path: str) -> str:
        """The page with the addresses that its files have."""
        text = PAGE_LINK.sub(
            lambda found: f'href="{path}"' if found[1] == "1" else f'href="{path}page-{found[1]}/"',
            text,
        )
        if not self.prefix:
            return text
        text = OWN_LINK.sub(rf'\1="{self.prefix}\2"', text)
        return self._with_prefix_in_whole_addresses(text)

    def _with_prefix_in_whole_addresses(self, text: str) -> str:
        root = self.base.removesuffix(self.prefix)
        return re.sub(rf"{re.escape(root)}(?=/)(?!{re.escape(self.prefix)}/)", self.base, text)

    # --- static files ----------------------------------------------------------------------

    def _export_statics(self) -> None:
        """Style sheets, scripts and pictures that the pages name, and those that these name."""
        seen: set[str] = set()
        while self._waiting_statics:
            path = self._waiting_statics.pop()
            if path in seen:
                continue
            seen.add(path)
            stored = path.removeprefix(settings.STATIC_URL)
            body = _static_bytes(stored)
            is_text = stored.endswith((".css", ".js", ".svg"))
            self._write(path.lstrip("/"), body, is_text=is_text)
            if stored.endswith((".css", ".js")) and not stored.startswith("plotly/"):
                folder = path.rpartition("/")[0]
                for inside in INSIDE.findall(body.decode()):
                    if not inside.startswith(("data:", "#")):
                        self._waiting_statics.append(_joined(folder, inside))

    # --- files -----------------------------------------------------------------------------

    def _write(self, name: str, body: bytes, *, is_text: bool) -> list[str]:
        names = [name]
        self._write_file(name, body)
        if self.with_gzip and is_text and len(body) >= LEAST_COMPRESSED_BYTES:
            names.append(f"{name}.gz")
            self._write_file(f"{name}.gz", gzip.compress(body, compresslevel=9, mtime=0))
        return names

    def _write_file(self, name: str, body: bytes) -> None:
        path = self.folder / name
        digest = _digest(body)
        self.now.files[name] = digest
        there = _digest(path.read_bytes()) if path.is_file() else None
        if there == digest:
            self.outcome.unchanged += 1
            return
        if there is not None and name not in self.before.files:
            raise Refused(
                f"{path} is there already and no export wrote it. Choose an empty folder."
            )
        path.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(dir=path.parent, delete=False) as file:
            file.write(body)
        # a web server hands these out, often as another user
        Path(file.name).chmod(0o644)
        Path(file.name).replace(path)
        self.outcome.written += 1

    def _remove_gone(self) -> None:
        for name, digest in self.before.files.items():
            path = self.folder / name
            if name in self.now.files or not path.is_file():
                continue
            if _digest(path.read_bytes()) != digest:
                self.outcome.left.append(name)
                continue
            path.unlink()
            self.outcome.removed += 1
            for parent in _inside(path.parent, self.folder):
                if any(parent.iterdir()):
                    break
                parent.rmdir()


def _static_bytes(stored: str) -> bytes:
    if staticfiles_storage.exists(stored):
        with staticfiles_storage.open(stored) as file:
            body: bytes = file.read()
            return body
    found = finders.find(stored)
    if found is None:
        raise Refused(f"A page names the file {stored}, which is not there.")
    return Path(found).read_bytes()


def _inside(folder: Path, top: Path) -> Iterable[Path]:
    while folder != top:
        yield folder
        folder = folder.parent


def _digest(body: bytes) -> str:
    return hashlib.sha256(body).hexdigest()


def _name_of(path: str) -> str:
    name = unquote(path).lstrip("/")
    return f"{name}index.html" if name.endswith("/") or not name else name


def _text(response: HttpResponse) -> str:
    is_page = response.headers.get("Content-Type", "").startswith("text/html")
    return response.content.decode() if is_page else ""


def _own_links(text: str) -> set[str]:
    links = {unescape(link).partition("#")[0] for name, link in OWN_LINK.findall(text)}
    return {link for link in links if not link.startswith(settings.STATIC_URL) and "?" not in link}


def _joined(folder: str, relative: str) -> str:
    parts = folder.split("/")
    for part in relative.partition("?")[0].split("/"):
        if part == "..":
            parts.pop()
        elif part not in ("", "."):
            parts.append(part)
    return "/".join(parts)


def _read_manifest(folder: Path, base: str) -> _Manifest:
    path = folder / MANIFEST
    try:
        told = json.loads(path.read_text())
    except FileNotFoundError:
        return _Manifest(base)
    except (OSError, UnicodeDecodeError, json.JSONDecodeError) as why:
        raise Refused(f"{path} cannot be read: {why}. Export into an empty folder.") from None
    if not isinstance(told, dict) or told.get("format") != MANIFEST_FORMAT:
        raise Refused(f"{path} is not of a form that this version knows.")
    return _Manifest(told["base"], told["files"], told["studies"])


def _write_manifest(folder: Path, manifest: _Manifest) -> None:
    told = {
        "format": MANIFEST_FORMAT,
        "base": manifest.base,
        "files": dict(sorted(manifest.files.items())),
        "studies": dict(sorted(manifest.studies.items())),
    }
    with tempfile.NamedTemporaryFile("w", dir=folder, delete=False) as file:
        json.dump(told, file, indent=0)
    Path(file.name).replace(folder / MANIFEST)
