"""The whole lab in one file, to keep it safe or to move it to another database.

An archive is a zip file: one file of JSON lines a table, the stored files (photos, traces), and a
manifest with a hash of each. Rows are written in the order of their keys, with sorted names and
no trace of the database they came from, so the same lab gives the same digest on SQLite and on
PostgreSQL. Left out: sessions, counts of wrong passwords, and what Django makes anew by itself.
"""

import base64
import hashlib
import json
import zipfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from itertools import islice
from pathlib import Path, PurePosixPath
from tempfile import TemporaryFile
from typing import IO, Any
from uuid import UUID

from django.apps import apps
from django.core.files.base import File
from django.core.files.storage import default_storage
from django.core.management.color import no_style
from django.db import connection, transaction
from django.db.migrations.recorder import MigrationRecorder
from django.db.models import BinaryField, JSONField, Model
from django.utils import timezone
from django.utils.duration import duration_iso_string

from labsite.errors import Refused
from labsite.models import User

FORMAT = 1
LEFT_OUT_APPS = frozenset({"admin", "axes", "contenttypes", "sessions"})
LEFT_OUT_MODELS = frozenset(
    {"auth.permission", "auth.group_permissions", "labsite.user_user_permissions"}
)
ROWS_AT_ONCE = 1_000
BYTES_AT_ONCE = 1024 * 1024


@dataclass(frozen=True, kw_only=True)
class Contents:
    """What an archive holds, or a database would give."""

    digest: str
    row_count: int
    file_count: int


def archived_models() -> list[type[Model]]:
    found = apps.get_models(include_auto_created=True)
    kept = [
        model
        for model in found
        if model._meta.app_label not in LEFT_OUT_APPS
        and model._meta.label_lower not in LEFT_OUT_MODELS
        and model._meta.managed
        and not model._meta.proxy
    ]
    return sorted(kept, key=lambda model: model._meta.label_lower)


# --- writing ---------------------------------------------------------------------------------


def write(path: Path) -> Contents:
    """Write the archive beside its name first, so that a full disk leaves no half archive."""
    unfinished = path.with_name(path.name + ".unfinished")
    try:
        with unfinished.open("wb") as target:
            unfinished.chmod(0o600)  # it holds the digests of everybody's passwords
            contents = _write_into(target)
        unfinished.replace(path)
    finally:
        unfinished.unlink(missing_ok=True)
    return contents


def _write_into(target: IO[bytes]) -> Contents:
    hashes: dict[str, str] = {}
    row_count = file_count = 0
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        with _snapshot():
            for model in archived_models():
                name = _table_name(model)
                with archive.open(name, "w", force_zip64=True) as entry:
                    hashes[name], rows = _copy(lines(model), entry)
                row_count += rows
        for stored in stored_files():
            name = f"files/{stored}"
            with (
                default_storage.open(stored, "rb") as source,
                archive.open(name, "w", force_zip64=True) as entry,
            ):
                hashes[name], _ = _copy(source.chunks(BYTES_AT_ONCE), entry)
            file_count += 1
        contents = Contents(digest=digest_of(hashes), row_count=row_count, file_count=file_count)
        manifest = {
            "format": FORMAT,
            "made_at": timezone.now().isoformat(),
            "migrations": migrations(),
            "digest": contents.digest,
            "row_count": row_count,
            "file_count": file_count,
            "sha256": hashes,
        }
        archive.writestr("manifest.json", json.dumps(manifest, indent=1, sort_keys=True))
    return contents


def _copy(pieces: Iterable[bytes], target: IO[bytes]) -> tuple[str, int]:
    """Copy pieces; return the hash of all and how many there were."""
    hasher, count = hashlib.sha256(), 0
    for piece in pieces:
        hasher.update(piece)
        target.write(piece)
        count += 1
    return hasher.hexdigest(), count


def _table_name(model: type[Model]) -> str:
    return f"tables/{model._meta.label_lower}.jsonl"


def migrations() -> list[str]:
    """Return the state of the tables, so that an archive is not put into other ones."""
    applied = MigrationRecorder(connection).applied_migrations()
    left_out = LEFT_OUT_APPS - {"contenttypes"}
    return sorted(f"{app}.{name}" for app, name in applied if app not in left_out)


def stored_files(folder: str = "") -> Iterator[str]:
    """Yield the names of all stored files, sorted within each folder."""
    try:
        folders, files = default_storage.listdir(folder)
    except FileNotFoundError:
        return  # a lab without a single photo
    for name in sorted(files):
        yield f"{folder}{name}"
    for name in sorted(folders):
        yield from stored_files(f"{folder}{name}/")


@contextmanager
def _snapshot() -> Iterator[None]:
    """See one moment of all tables; on PostgreSQL without holding anybody up."""
    is_inner = connection.in_atomic_block
    with transaction.atomic():
        if connection.vendor == "postgresql" and not is_inner:
            with connection.cursor() as cursor:
                cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")
        yield


def current() -> Contents:
    """Return what an archive made now would hold, without keeping one."""
    with TemporaryFile() as nowhere:
        return _write_into(nowhere)


def digest_of(hashes: dict[str, str]) -> str:
    text = "".join(f"{hashes[name]}  {name}\n" for name in sorted(hashes))
    return hashlib.sha256(text.encode()).hexdigest()


def lines(model: type[Model]) -> Iterator[bytes]:
    """Yield the rows of a table as JSON lines, in the order of their keys."""
    fields = model._meta.concrete_fields
    for row in model._base_manager.order_by("pk").iterator(chunk_size=ROWS_AT_ONCE):
        values = {field.attname: getattr(row, field.attname) for field in fields}
        yield json.dumps(_plain(values), sort_keys=True, ensure_ascii=False).encode() + b"\n"


def _plain(value: Any) -> Any:
    """Write a value so that both databases give the same text, and nothing is rounded."""
    if isinstance(value, dict):
        return {key: _plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(inner) for inner in value]
    if isinstance(value, float) and value.is_integer() and abs(value) >= 1e16:
        return int(value)  # PostgreSQL gives 1e22 inside JSON back in full
    if isinstance(value, bytes | memoryview):
        return base64.b64encode(bytes(value)).decode()
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat(timespec="microseconds")
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, timedelta):
        return duration_iso_string(value)
    if isinstance(value, Decimal | UUID):
        return str(value)
    return value


# --- restoring -------------------------------------------------------------------------------


def restore(path: Path) -> Contents:
    """Put an archive into this site's empty database and storage, all of it or nothing.

    Afterwards the digest is computed anew from what is there now. Refused with the reason when
    the archive is damaged, of other tables, or when somebody already works here.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            manifest = checked(archive)
            _refuse_unless_it_fits(manifest)
            return _put(archive, manifest)
    except (zipfile.BadZipFile, OSError, EOFError) as error:
        raise Refused(f"{path.name} cannot be read as an archive: {error}.") from error


def checked(archive: zipfile.ZipFile) -> dict[str, Any]:
    """Compare every part with its hash and the whole with its digest; return the manifest."""
    names = archive.namelist()
    if "manifest.json" not in names:
        raise Refused("This is not an archive of a lab: it has no manifest.")
    try:
        manifest: dict[str, Any] = json.loads(archive.read("manifest.json"))
        hashes: dict[str, str] = dict(manifest["sha256"])
    except (ValueError, KeyError, TypeError) as error:
        raise Refused("The manifest of this archive cannot be read.") from error
    if manifest.get("format") != FORMAT:
        raise Refused("This archive was made by another version of the program.")
    if len(names) != len(set(names)) or set(names) != {"manifest.json", *hashes}:
        raise Refused("The archive holds other parts than its manifest names.")
    for name, wanted in hashes.items():
        parts = PurePosixPath(name).parts
        if ".." in parts or name.startswith("/") or parts[0] not in ("tables", "files"):
            raise Refused(f"The archive names a place that is not its own: {name!r}.")
        with archive.open(name) as part:
            # zip's parts can do what file_digest needs, their type does not say so
            found = hashlib.file_digest(part, "sha256").hexdigest()  # type: ignore[arg-type]
        if found != wanted:
            raise Refused(f"{name} is not what was archived: its hash differs.")
    if digest_of(hashes) != manifest.get("digest"):
        raise Refused("The digest of the whole does not fit its parts.")
    return manifest


def _refuse_unless_it_fits(manifest: dict[str, Any]) -> None:
    here, there = set(migrations()), set(manifest["migrations"])
    if here != there:
        missing = ", ".join(sorted(there - here)[:3]) or "none"
        more = ", ".join(sorted(here - there)[:3]) or "none"
        raise Refused(
            "The archive was made with other tables than this database has. Install the "
            f"version it came from first. Only there: {missing}. Only here: {more}."
        )
    if User.objects.exists() or any(True for _ in stored_files()):
        raise Refused("There is a lab here already. Restore into an empty database and folder.")


def _put(archive: zipfile.ZipFile, manifest: dict[str, Any]) -> Contents:
    stored: list[str] = []
    models = archived_models()
    try:
        with transaction.atomic():
            for model in models:
                # Only what migrating itself made, such as the groups, is there.
                model._base_manager.all()._raw_delete(connection.alias)
            for model in models:
                with archive.open(_table_name(model)) as part:
                    _insert(model, part)
            _set_sequences(models)
            for name in manifest["sha256"]:
                if name.startswith("files/"):
                    stored.append(_store(archive, name))
            contents = current()
            if contents.digest != manifest["digest"]:
                raise Refused("What is here now differs from the archive. Nothing was kept.")
    except BaseException:
        for name in stored:
            default_storage.delete(name)
        raise
    return contents


def _insert(model: type[Model], part: IO[bytes]) -> None:
    fields = {field.attname: field for field in model._meta.concrete_fields}
    while some := list(islice(part, ROWS_AT_ONCE)):
        rows = []
        for line in some:
            values = json.loads(line)
            if set(values) != set(fields):
                raise Refused(f"{model._meta.label_lower} has other columns than this database.")
            rows.append(
                model(**{name: _value(fields[name], value) for name, value in values.items()})
            )
        with _times_kept(model):
            model._base_manager.bulk_create(rows)


@contextmanager
def _times_kept(model: type[Model]) -> Iterator[None]:
    """Keep fields that take the time of adding from taking it while rows come back."""
    takes_now = [f for f in model._meta.concrete_fields if getattr(f, "auto_now_add", False)]
    for field in takes_now:
        field.auto_now_add = False  # type: ignore[attr-defined]
    try:
        yield
    finally:
        for field in takes_now:
            field.auto_now_add = True  # type: ignore[attr-defined]


def _value(field: Any, value: Any) -> Any:
    if value is None:
        return None
    if isinstance(field, BinaryField):
        return base64.b64decode(value)
    if isinstance(field, JSONField):
        return value
    # A foreign key's column has the type of the key it points to.
    while field.remote_field is not None:
        field = field.target_field
    return field.to_python(value)


def _set_sequences(models: list[type[Model]]) -> None:
    with connection.cursor() as cursor:
        for statement in connection.ops.sequence_reset_sql(no_style(), models):
            cursor.execute(statement)


def _store(archive: zipfile.ZipFile, name: str) -> str:
    wanted = name.removeprefix("files/")
    with archive.open(name) as part:
        given = default_storage.save(wanted, File(part))
    if given != wanted:
        default_storage.delete(given)
        raise Refused(f"The storage would not keep {wanted} under its name.")
    return given
