"""Static files carry a hash of their content, also where a script imports another."""

import json
import re
from pathlib import Path

import plotly
import pytest
from django.contrib.staticfiles import finders
from django.core.management import call_command

from labsite import static_files
from labsite.static_files import PlotlyFinder


@pytest.fixture
def collected(settings, tmp_path):
    settings.STATIC_ROOT = str(tmp_path / "static")
    settings.STORAGES = {
        **settings.STORAGES,
        "staticfiles": {"BACKEND": "labsite.static_files.HashedStaticFiles"},
    }
    call_command("collectstatic", interactive=False, verbosity=0)
    return tmp_path / "static"


def test_only_the_chart_library_itself_is_served():
    assert [path for path, _ in PlotlyFinder().list(None)] == ["plotly.min.js"]
    assert PlotlyFinder().find("plotly/widgetbundle.js") == []
    found = finders.find("plotly/plotly.min.js")
    assert Path(found).samefile(Path(plotly.__file__).parent / "package_data" / "plotly.min.js")


def test_imports_between_scripts_name_the_hashed_file(collected):
    names = json.loads((collected / "staticfiles.json").read_text())["paths"]
    checked = 0
    for name in names:
        if not name.endswith(".js") or name.startswith(("admin/", "rest_framework/", "plotly/")):
            continue
        script = (collected / names[name]).read_text()
        for imported in re.findall(r'^import .*?from "(\.[^"]+)"', script, re.M | re.S):
            assert re.search(r"\.[0-9a-f]{12}\.js$", imported), (name, imported)
            assert ((collected / names[name]).parent / imported).exists()
            checked += 1
    assert checked > 0


def test_the_chart_library_is_passed_on_unchanged(collected):
    names = json.loads((collected / "staticfiles.json").read_text())["paths"]
    ours = (collected / names["plotly/plotly.min.js"]).read_bytes()
    theirs = (Path(plotly.__file__).parent / "package_data" / "plotly.min.js").read_bytes()
    assert ours == theirs


def test_collecting_again_is_left_out_until_something_changes(settings, tmp_path):
    settings.STATIC_ROOT = tmp_path / "static"
    assert static_files.collect_if_changed() is True
    assert static_files.collect_if_changed() is False
    (tmp_path / "static-stamp").write_text("made from other files")
    assert static_files.collect_if_changed() is True
