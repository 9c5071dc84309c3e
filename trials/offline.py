"""What lets the bench open without network: a release's files, and whose page a page is."""

import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from django.conf import settings
from django.contrib.staticfiles import finders
from django.contrib.staticfiles.storage import staticfiles_storage
from django.http import HttpRequest, HttpResponse

# What the bench's pages load; the desk's and the public pages' files are larger and not needed.
PARTS = ("labsite/", "trials/", "specimens/")
WORKER = "trials/worker/worker.js"
SCOPE = "/bench/"


@dataclass(frozen=True)
class Release:
    """The static files of one version of the bench. Their names carry a hash of their content."""

    name: str
    files: tuple[str, ...]


def release() -> Release | None:
    """The release that is served; None where names carry no hash, as while debugging.

    Without hashed names an old and a new file share an address, so nothing may be kept.
    """
    # a lazy object: its attributes are those of the storage that settings name
    storage: Any = staticfiles_storage
    if settings.DEBUG or not getattr(storage, "manifest_hash", ""):
        return None
    return _release(tuple(sorted(storage.hashed_files.items())), storage.base_url or "")


@lru_cache(maxsize=2)
def _release(hashed: tuple[tuple[str, str], ...], base_url: str) -> Release:
    files = tuple(
        base_url + name
        for path, name in hashed
        if path.replace("\\", "/").startswith(PARTS) and path.replace("\\", "/") != WORKER
    )
    digest = hashlib.sha256("\n".join(files).encode()).hexdigest()
    return Release(digest[:16], files)


def worker_script(current: Release) -> str:
    """The service worker's script: what it has to keep, then how."""
    told = json.dumps({"release": current.name, "files": current.files})
    return f"const WORNPROOF = {told};\n{_worker_source()}"


def _worker_source() -> str:
    path = finders.find(WORKER)
    if not isinstance(path, str):
        raise FileNotFoundError(WORKER)
    with open(path, encoding="utf-8") as file:  # noqa: PTH123 - a path of the finders
        return file.read()


class BenchPageMiddleware:
    """Say on each page of the bench whose page it is and which release's files it needs.

    The service worker keeps a page only with these two, so that no other person is shown it and
    no page is shown without its own files.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        is_page = request.path.startswith(SCOPE) and response.status_code == 200
        if is_page and request.method == "GET" and request.user.is_authenticated:
            response.headers["X-Wornproof-Person"] = str(request.user.pk)
            current = release()
            if current is not None:
                response.headers["X-Wornproof-Release"] = current.name
        return response
