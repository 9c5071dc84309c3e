"""The gallery of components: for whoever works on the look, and nobody else."""

import re
from pathlib import Path

from django.test import Client, override_settings

from labsite.models import User

STYLES = Path(__file__).parents[2] / "labsite" / "static" / "labsite" / "css"


def gallery() -> str:
    with override_settings(DEBUG=True):
        page = Client().get("/gallery/")
    assert page.status_code == 200
    return page.content.decode()


def test_gallery_is_shown_while_debugging_only(db: None) -> None:
    assert Client().get("/gallery/").status_code == 404
    assert "Not a certification." in gallery()


def test_gallery_shows_every_component(db: None) -> None:
    """Every class that a component's style sheet names stands on the page."""
    someone = Client()
    someone.force_login(User.objects.create_user(username="someone"))
    # what frames a page for a person and a page in two languages stands around those alone
    pages = gallery() + someone.get("/lab/").content.decode() + Client().get("/").content.decode()
    shown = {name for names in re.findall(r'class="([^"]*)"', pages) for name in names.split()}
    sheets = 0
    for sheet in sorted(STYLES.glob("*.css")):
        text = re.sub(r"/\*.*?\*/", "", sheet.read_text(encoding="utf-8"), flags=re.DOTALL)
        if "@layer components" not in text:
            continue
        sheets += 1
        named = set(re.findall(r"\.([a-z][a-z0-9-]*)(?=[^{};]*\{)", text))
        assert named, sheet.name
        assert named - shown == set(), f"{sheet.name}: not in the gallery"
    assert sheets > 8
