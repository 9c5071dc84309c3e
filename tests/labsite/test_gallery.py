"""The gallery of components: for whoever works on the look, and nobody else."""

from django.test import Client, override_settings


def test_gallery_is_shown_while_debugging_only(db: None) -> None:
    assert Client().get("/gallery/").status_code == 404
    with override_settings(DEBUG=True):
        page = Client().get("/gallery/")
    assert page.status_code == 200
    assert b"Not a certification." in page.content
