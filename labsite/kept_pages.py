"""Public pages that are made once and then handed out as they are.

A view marked with `kept` says in a key of a few narrow queries what its page depends on. The page
is made once for each key, kept on disk under it (compressed), and in the memory of each process
for as long as the site's stamp stays: one query that changes with everything a kept page shows. So
a page is never older than the record, whichever process, host or person changed it.

Only strangers get kept pages: who has a cookie of ours gets a page made for them.
"""

import gzip
import hashlib
import json
import logging
import re
import tempfile
import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from dataclasses import dataclass
from functools import cache, wraps
from pathlib import Path
from typing import Any, Generic, TypeVar

from django.apps import apps
from django.conf import settings
from django.contrib.messages.storage.cookie import CookieStorage
from django.contrib.staticfiles import finders
from django.db import DatabaseError, connection
from django.http import HttpRequest, HttpResponse, HttpResponseNotModified
from django.template.response import SimpleTemplateResponse
from django.utils import translation

logger = logging.getLogger(__name__)

MEMORY_BYTES = 64 * 1024 * 1024
# already compressed: a second time costs time and saves nothing
COMPRESSED_TYPES = ("application/zip", "image/png")
CACHE_CONTROL = "public, no-cache"  # may be kept anywhere, and is asked for by its ETag each time
LEAST_COMPRESSED_BYTES = 200
# set anew for each answer, or only for a person
NOT_KEPT = {"set-cookie", "vary", "x-request-id", "content-length", "content-encoding", "date"}

GetResponse = Callable[[HttpRequest], HttpResponse]
View = Callable[..., HttpResponse]
KeyOf = Callable[..., str | None]
T = TypeVar("T")
K = TypeVar("K", bound=Hashable)


# --- what a page depends on --------------------------------------------------------------------

_stamps: dict[str, str] = {}


def register_stamp(name: str, sql: str) -> None:
    """Add a scalar SQL expression to the site's stamp; it changes when kept pages may change."""
    _stamps[name] = f"({sql})"


def stamp() -> tuple[Any, ...]:
    """One query: as long as its answer stays, so does every kept page."""
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT {', '.join(_stamps.values())}")  # constants of our own
        row: tuple[Any, ...] = cursor.fetchone()
    return row


@cache
def code_version() -> str:
    """Digest of everything but data that a page is made from: code, templates, words, styles."""
    digest = hashlib.sha256()
    kinds = {".py", ".html", ".txt", ".svg", ".css", ".js", ".mo", ".json"}
    folders = [Path(app.path) for app in apps.get_app_configs() if _is_ours(Path(app.path))]
    for folder in sorted(folders):
        for path in sorted(folder.rglob("*")):
            if path.suffix in kinds and path.is_file():
                digest.update(str(path.relative_to(folder)).encode())
                digest.update(path.read_bytes())
    chart_library = finders.find("plotly/plotly.min.js")
    if chart_library:
        digest.update(str(Path(chart_library).stat().st_size).encode())
    return digest.hexdigest()


def _is_ours(folder: Path) -> bool:
    return folder.parent == settings.BASE_DIR


def remembered(make: Callable[[], T]) -> Callable[[], T]:
    """Mark what costs much and depends on nothing but what the stamp covers: it is made once a
    stamp in each process, and must not be changed by who gets it.
    """
    last: list[tuple[tuple[Any, ...], T]] = []

    @wraps(make)
    def known() -> T:
        now = stamp()  # before anything is read, so that it is never newer than what was made
        if not last or last[0][0] != now:
            last[:] = [(now, make())]
        return last[0][1]

    return known


class Recent(Generic[K, T]):
    """The things made last, up to a number, in the memory of this process. Keys say their state."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._kept: OrderedDict[K, T] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, key: K) -> T | None:
        """What was kept under this key, if it still is."""
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
            return self._kept.get(key)

    def keep(self, key: K, made: T) -> None:
        """Keep this, and let go of what nobody asked for the longest."""
        with self._lock:
            self._kept[key] = made
            while len(self._kept) > self._most:
                self._kept.popitem(last=False)


# --- one kept page -----------------------------------------------------------------------------


@dataclass(frozen=True)
class KeptPage:
    """An answer with status 200. `packed` is gzip, or the plain bytes where that saves nothing."""

    key: str
    headers: tuple[tuple[str, str], ...]
    packed: bytes
    is_gzip: bool

    @property
    def size(self) -> int:
        """About how much memory it takes."""
        return len(self.packed) + 1000

    def answer(self, request: HttpRequest) -> HttpResponse:
        """The page for this request: in the form the browser takes, or 'not modified'."""
        takes_gzip = self.is_gzip and _takes_gzip(request.META.get("HTTP_ACCEPT_ENCODING", ""))
        etag = f'"{self.key}-gz"' if takes_gzip else f'"{self.key}"'
        if _knows(request.META.get("HTTP_IF_NONE_MATCH", ""), self.key):
            response: HttpResponse = HttpResponseNotModified()
        else:
            body = self.packed
            if self.is_gzip and not takes_gzip:
                body = gzip.decompress(self.packed)
            response = HttpResponse(body)
            if takes_gzip:
                response.headers["Content-Encoding"] = "gzip"
            response.headers["Content-Length"] = str(len(body))
        for name, value in self.headers:
            if response.status_code == 200 or name.lower() != "content-type":
                response.headers[name] = value
        response.headers["ETag"] = etag
        response.headers["Cache-Control"] = CACHE_CONTROL
        if self.is_gzip:
            response.headers["Vary"] = "Accept-Encoding"
        return response


def _takes_gzip(accepted: str) -> bool:
    for part in accepted.split(","):
        name, _, weight = part.partition(";")
        if name.strip() in ("gzip", "*"):
            return weight.replace(" ", "") not in ("q=0", "q=0.0", "q=0.00", "q=0.000")
    return False


def _knows(if_none_match: str, key: str) -> bool:
    if if_none_match.strip() == "*":
        return True
    known = re.findall(r'(?:W/)?"([^"]*)"', if_none_match)
    return key in known or f"{key}-gz" in known


# --- on disk -----------------------------------------------------------------------------------


def _folder(request: HttpRequest) -> Path:
    place = f"{request.scheme}://{request.get_host()}{request.path}"
    name = hashlib.sha256(place.encode()).hexdigest()[:32]
    return Path(settings.VAR_DIR) / "pages" / name[:2] / name


def _read(folder: Path, key: str) -> tuple[dict[str, str], bytes, bool] | None:
    try:
        raw = (folder / key).read_bytes()
    except OSError:
        return None  # not made yet
    head, _, packed = raw.partition(b"\n")
    told = json.loads(head)
    return told["headers"], packed, told["gzip"]


def _write(folder: Path, key: str, headers: dict[str, str], packed: bytes, is_gzip: bool) -> None:
    """Keep a page on disk; those of the same address under other keys go."""
    head = json.dumps({"headers": headers, "gzip": is_gzip}).encode()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(dir=folder, delete=False) as file:
            file.write(head + b"\n" + packed)
        Path(file.name).replace(folder / key)
        for old in folder.iterdir():
            if old.name != key:
                old.unlink(missing_ok=True)
    except OSError as why:
        # a full disk must not take the public pages away
        logger.warning("A public page could not be kept on disk: %s", why)


# --- in memory ---------------------------------------------------------------------------------


class Memory:
    """The pages that this process handed out last, each with the stamp it was good for."""

    def __init__(self, most_bytes: int = MEMORY_BYTES) -> None:
        self._pages: OrderedDict[tuple[str, ...], tuple[tuple[Any, ...], KeptPage]] = OrderedDict()
        self._bytes = 0
        self._most_bytes = most_bytes
        self._lock = threading.Lock()

    def get(self, place: tuple[str, ...]) -> tuple[tuple[Any, ...], KeptPage] | None:
        """The page of a place, with the stamp it was good for."""
        with self._lock:
            found = self._pages.get(place)
            if found is not None:
                self._pages.move_to_end(place)
            return found

    def put(self, place: tuple[str, ...], now: tuple[Any, ...], page: KeptPage) -> None:
        """Remember a page; those asked for longest ago make room."""
        if page.size > self._most_bytes // 4:
            return
        with self._lock:
            before = self._pages.pop(place, None)
            self._bytes += page.size - (before[1].size if before else 0)
            self._pages[place] = (now, page)
            while self._bytes > self._most_bytes:
                _, (_, gone) = self._pages.popitem(last=False)
                self._bytes -= gone.size

    def __len__(self) -> int:
        return len(self._pages)


memory = Memory()


# --- around views and requests -----------------------------------------------------------------


def kept(key_of: KeyOf) -> Callable[[View], View]:
    """Mark a public view. `key_of` gets its arguments and says what its page depends on.

    None means that there is no such page; the view then says so itself.
    """

    def mark(view: View) -> View:
        @wraps(view)
        def kept_view(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
            if not getattr(request, "may_be_kept", False):
                return view(request, *args, **kwargs)
            now = stamp()  # before anything is read, so that it is never newer than the page
            told = key_of(*args, **kwargs)
            if told is None:
                return view(request, *args, **kwargs)
            key = _whole_key(request, told)
            found = _read(_folder(request), key)
            if found is not None:
                headers, packed, is_gzip = found
                response = HttpResponse(packed, headers=headers)
                response.kept = (now, key, headers, packed, is_gzip)  # type: ignore[attr-defined]
                return response
            response = view(request, *args, **kwargs)
            if isinstance(response, SimpleTemplateResponse):
                response.render()
            if response.status_code == 200 and not response.streaming:
                headers = dict(response.headers)
                packed, is_gzip = _packed(response)
                _write(_folder(request), key, headers, packed, is_gzip)
                response.kept = (now, key, headers, packed, is_gzip)  # type: ignore[attr-defined]
            return response

        return kept_view

    return mark


def _whole_key(request: HttpRequest, told: str) -> str:
    parts = (
        code_version(),
        request.scheme or "",
        request.get_host(),
        request.path,
        translation.get_language() or "",
        told,
    )
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:40]


def _packed(response: HttpResponse) -> tuple[bytes, bool]:
    body = response.content
    kind = response.headers.get("Content-Type", "").partition(";")[0]
    if kind in COMPRESSED_TYPES or len(body) < LEAST_COMPRESSED_BYTES:
        return body, False
    # mtime 0: the same page is the same bytes
    return gzip.compress(body, compresslevel=9, mtime=0), True


class KeptPagesMiddleware:
    """Hand out kept pages before anything else is done for a request."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if not _is_for_strangers(request):
            return self.get_response(request)
        place = (request.scheme or "", request.get_host(), request.path)
        found = memory.get(place)
        if found is not None and self._is_good(found[0]):
            return found[1].answer(request)
        request.may_be_kept = True  # type: ignore[attr-defined]
        response = self.get_response(request)
        made = getattr(response, "kept", None)
        if made is None or response.status_code != 200:
            return response
        now, key, own, packed, is_gzip = made
        # the headers that the middleware below puts on every page belong to it
        headers = own | {
            name: value for name, value in response.headers.items() if name.lower() not in NOT_KEPT
        }
        page = KeptPage(
            key=key,
            headers=tuple((n, v) for n, v in headers.items() if n.lower() not in NOT_KEPT),
            packed=packed,
            is_gzip=is_gzip,
        )
        memory.put(place, now, page)
        return page.answer(request)

    @staticmethod
    def _is_good(then: tuple[Any, ...]) -> bool:
        try:
            return then == stamp()
        except DatabaseError:
            logger.exception("The database does not answer; a kept page was handed out unchecked.")
            return True


def _is_for_strangers(request: HttpRequest) -> bool:
    """Whether this may be a kept page: read, without a question, by nobody we know."""
    if request.method not in ("GET", "HEAD") or request.META.get("QUERY_STRING"):
        return False
    if settings.DEBUG or request.META.get("wornproof.export"):
        return False  # templates change while one looks; an export leaves out what needs a server
    cookies = request.META.get("HTTP_COOKIE", "")
    return not cookies or not any(f"{name}=" in cookies for name in _our_cookies())


def _our_cookies() -> tuple[str, ...]:
    return (settings.SESSION_COOKIE_NAME, CookieStorage.cookie_name, settings.LANGUAGE_COOKIE_NAME)
