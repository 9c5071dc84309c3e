"""A lab in one file: whole or refused, and the same after coming back."""

import json
import zipfile
from io import StringIO

import pytest
from django.apps import apps
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.core.management import CommandError, call_command
from django.db import transaction

from labsite import archive, audit, triggers
from labsite.errors import Refused
from labsite.models import AuditEntry, AuditSeal, Lab, User
from labsite.roles import Role, give_role, roles_of
from specimens.models import Product
from tests.specimens.test_specimen_pages import PRODUCT

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def lab(client):
    """A small lab with people, records, a sealed trail and two files."""
    for name in list(archive.stored_files()):  # of tests that ran before
        default_storage.delete(name)
    Lab.objects.get_or_create(pk=1, defaults={"name": "Bench – Ünïcode"})
    lee = User.objects.create_user("lee", password="belt over drum 61", last_name="Ó")
    give_role(user=lee, role=Role.LEAD, by=None)
    client.force_login(lee)
    client.post("/lab/products/add/", PRODUCT | {"list_price": "94.10", "currency": "GBP"})
    audit.record(by=lee, verb="weighed", subject=lee, detail={"x": [1e22, 0.1, -1e-300, 2.0]})
    audit.seal()
    names = [
        default_storage.save("photos/one.bin", ContentFile(bytes(range(256)) * 9)),
        default_storage.save("photos/empty.bin", ContentFile(b"")),
    ]
    yield lee
    for name in names:
        if default_storage.exists(name):
            default_storage.delete(name)


@pytest.fixture
def kept(lab, tmp_path):
    path = tmp_path / "lab.zip"
    contents = archive.write(path)
    assert (contents.file_count, contents == archive.current()) == (2, True)
    return path


def empty_this_site() -> None:
    triggers.remove()
    with transaction.atomic():
        for model in archive.archived_models():
            model._base_manager.all()._raw_delete("default")
    triggers.install()
    for name in list(archive.stored_files()):
        default_storage.delete(name)


def test_a_lab_comes_back_as_it_was(lab, kept):
    before = {
        "entries": list(AuditEntry.objects.order_by("pk").values()),
        "seals": list(AuditSeal.objects.values()),
        "products": list(Product.objects.values()),
        "password": lab.password,
    }
    digest = archive.current().digest
    empty_this_site()
    assert not User.objects.exists()
    out = StringIO()
    call_command("restore", str(kept), stdout=out)
    assert digest in out.getvalue()
    lee = User.objects.get(username="lee")
    after = {
        "entries": list(AuditEntry.objects.order_by("pk").values()),
        "seals": list(AuditSeal.objects.values()),
        "products": list(Product.objects.values()),
        "password": lee.password,
    }
    assert after == before
    assert roles_of(lee) == {Role.LEAD}
    assert audit.verify().is_whole
    with default_storage.open("photos/one.bin", "rb") as back:
        assert back.read() == bytes(range(256)) * 9
    # new rows get new numbers
    assert User.objects.create_user("new").pk > lee.pk
    assert audit.record(by=lee, verb="x", subject=lee).pk > before["entries"][-1]["id"]


def test_nothing_is_put_over_a_lab_that_is_there(kept):
    with pytest.raises(CommandError, match="There is a lab here already"):
        call_command("restore", str(kept))


def rewritten(kept, change):
    """Make the archive anew with parts changed by `change(parts, manifest)`."""
    with zipfile.ZipFile(kept) as old:
        parts = {name: old.read(name) for name in old.namelist()}
    manifest = json.loads(parts.pop("manifest.json"))
    change(parts, manifest)
    with zipfile.ZipFile(kept, "w") as new:
        for name, content in parts.items():
            new.writestr(name, content)
        if manifest is not None:
            new.writestr("manifest.json", json.dumps(manifest))


def change_a_row(parts, manifest):
    name = "tables/labsite.lab.jsonl"
    parts[name] = parts[name].replace(b"Bench", b"Trench")


def drop_a_part(parts, manifest):
    del parts["files/photos/one.bin"]


def add_a_part(parts, manifest):
    parts["files/more.bin"] = b"more"


def climb_out(parts, manifest):
    parts["files/../../out.bin"] = b"x"
    manifest["sha256"]["files/../../out.bin"] = (
        "2d711642b726b04401627ca9fbac32f5c8530fb1903cc4db02258717921a4881"
    )


def forge_the_digest(parts, manifest):
    manifest["digest"] = "0" * 64


def come_from_the_future(parts, manifest):
    manifest["format"] = 99


def come_from_other_tables(parts, manifest):
    manifest["migrations"].append("labsite.9999_later")


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (change_a_row, "tables/labsite.lab.jsonl is not what was archived"),
        (drop_a_part, "other parts than its manifest names"),
        (add_a_part, "other parts than its manifest names"),
        (climb_out, "a place that is not its own"),
        (forge_the_digest, "digest of the whole"),
        (come_from_the_future, "another version of the program"),
        (come_from_other_tables, "labsite.9999_later"),
    ],
)
def test_a_damaged_or_forged_archive_is_refused_and_leaves_nothing(kept, change, told):
    rewritten(kept, change)
    empty_this_site()
    with pytest.raises(Refused, match=told):
        archive.restore(kept)
    assert not User.objects.exists()
    assert list(archive.stored_files()) == []


@pytest.mark.parametrize("content", [b"", b"not a zip", b"PK\x03\x04" + b"\0" * 40])
def test_what_is_no_archive_is_told(tmp_path, content):
    path = tmp_path / "x.zip"
    path.write_bytes(content)
    with pytest.raises(CommandError, match="cannot be read as an archive"):
        call_command("restore", "--check", str(path))


def test_a_cut_archive_is_told(kept):
    kept.write_bytes(kept.read_bytes()[:-200])
    with pytest.raises(CommandError, match="cannot be read as an archive"):
        call_command("restore", str(kept))


def test_checking_an_archive_touches_nothing(kept):
    out = StringIO()
    call_command("restore", "--check", str(kept), stdout=out)
    assert "The archive is whole." in out.getvalue()


def test_an_archive_is_only_for_its_owners_eyes_and_leaves_no_half(kept, tmp_path):
    assert kept.stat().st_mode & 0o077 == 0
    with pytest.raises(CommandError, match="could not be written"):
        call_command("archive", str(tmp_path / "no such folder" / "x.zip"))
    assert [path.name for path in tmp_path.glob("*.unfinished")] == []


def test_every_table_of_the_house_is_in_it(kept):
    with zipfile.ZipFile(kept) as opened:
        tables = {name.split("/")[1] for name in opened.namelist() if name.startswith("tables/")}
    for app in ("labsite", "specimens", "trials", "reports"):
        for model in apps.get_app_config(app).get_models():
            assert f"{model._meta.label_lower}.jsonl" in tables
    assert "sessions.session.jsonl" not in tables
