"""Static files: names with a hash of their content, and the one file of the chart library."""

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import plotly
from django.contrib.staticfiles.finders import BaseFinder
from django.contrib.staticfiles.storage import ManifestStaticFilesStorage
from django.core.files.storage import FileSystemStorage


class HashedStaticFiles(ManifestStaticFilesStorage):
    """Hash `import` lines in JavaScript modules too.

    Without this a page after an upgrade could load a new module that imports an old one from
    the browser's cache.
    """

    support_js_module_import_aggregation = True


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
