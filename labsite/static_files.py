"""Static files: names with a hash of their content, and the one file of the chart library."""

import hashlib
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import plotly
from django.conf import settings
from django.contrib.staticfiles.finders import BaseFinder, get_finders
from django.core.files.storage import FileSystemStorage
from django.core.management import call_command
from whitenoise.storage import CompressedManifestStaticFilesStorage


class HashedStaticFiles(CompressedManifestStaticFilesStorage):  # type: ignore[misc]  # no types
    """Hash `import` lines in JavaScript modules too, and lay a compressed copy beside each file.

    Without this a page after an upgrade could load a new module that imports an old one from
    the browser's cache.
    """

    support_js_module_import_aggregation = True
    # a module's name depends on those it imports, so each level of imports takes one pass
    max_post_process_passes = 12


class PlotlyFinder(BaseFinder):
    """Serve plotly.min.js of the installed package, and nothing else of its folder.

    The folder also holds data sets and a second bundle of 5 MB that no page asks for.
    """

    path = "plotly/plotly.min.js"

    def __init__(self, app_names: Any = None, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        folder = Path(plotly.__file__).parent / "package_data"
        self.storage = FileSystemStorage(location=folder)
        self.storage.prefix = "plotly"  # type: ignore[attr-defined]  # collectstatic reads it

    def check(self, **kwargs: Any) -> list[Any]:
        return []

    def find(self, path: str, find_all: bool = False, **kwargs: Any) -> Any:
        if path != self.path:
            return []
        found = self.storage.path("plotly.min.js")
        return [found] if find_all else found

    def list(self, ignore_patterns: Iterable[str] | None) -> Iterator[Any]:
        yield "plotly.min.js", self.storage


def collect_if_changed() -> bool:
    """Collect static files unless what is there was made from the same files.

    Hashing the names takes seconds, and most starts follow no change. Returns whether it did.
    """
    stamp = Path(settings.STATIC_ROOT).with_name("static-stamp")
    fingerprint = _fingerprint()
    if stamp.exists() and stamp.read_text() == fingerprint and Path(settings.STATIC_ROOT).is_dir():
        return False
    call_command("collectstatic", interactive=False, clear=True, verbosity=0)
    stamp.write_text(fingerprint)
    return True


def _fingerprint() -> str:
    digest = hashlib.sha256()
    for finder in get_finders():
        for path, storage in finder.list(None):
            status = Path(storage.path(path)).stat()
            digest.update(f"{path} {status.st_size} {status.st_mtime_ns}\n".encode())
    return digest.hexdigest()
