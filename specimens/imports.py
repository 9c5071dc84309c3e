"""Records from files: matched to our columns, looked at whole, then stored all or not at all.

Each kind of record says here what its columns are, how lines become things and how they are kept
(`register`). A line that says what the record has already is counted and left alone, so a file
may come twice.
"""

import hashlib
import json
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from django import forms
from django.db import transaction
from django.utils import timezone

from labsite import audit
from labsite.errors import Conflict, Refused
from labsite.models import User
from labsite.tables import FORMULA, BadFile, LineProblem, Table, table_of
from specimens.models import RecordFile

MOST_BYTES = 5 * 1024 * 1024
MOST_LINES = 5_000
CHECKS_AGAIN = 3


@dataclass(frozen=True)
class Row:
    """One line's cells by our columns; what the file has no column for is empty."""

    line: int
    cells: Mapping[str, str]


@dataclass(frozen=True)
class Checked:
    """What a file would store; with any problem it stores nothing."""

    things: Sequence[Any] = ()
    same_count: int = 0  # lines that say what the record has already
    problems: Sequence[LineProblem] = ()
    file_problem: str = ""
    mark: Any = None  # `keep` looks whether the record is still the one checked against

    @property
    def may_be_stored(self) -> bool:
        """True when every line is sound and at least one is new."""
        return bool(self.things) and not self.problems and not self.file_problem


@dataclass(frozen=True, kw_only=True)
class Kind:
    """A kind of record that files may bring."""

    key: str
    words: tuple[str, str]  # one of them, many of them
    about: str  # what a line is, for the page
    columns: Mapping[str, str]  # our column to what it holds
    needed: frozenset[str]
    example: Mapping[str, Any]
    check: Callable[[Sequence[Row]], Checked]
    keep: Callable[[User, Checked], bool]  # False when the record moved meanwhile
    records: Callable[[], Iterable[Mapping[str, Any]]]  # everything, for a file out
    home: tuple[str, str]  # words and name of the page it belongs to


kinds: dict[str, Kind] = {}


def register(kind: Kind) -> None:
    """Let an app say what files may bring; called in AppConfig.ready()."""
    kinds[kind.key] = kind


# --- columns ---------------------------------------------------------------------------------


def _plain_name(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", "_", name.casefold()).strip("_")


def guessed(columns: Iterable[str], header: Sequence[str]) -> dict[str, int]:
    """Our column to its place in the file, where the names are the same but for their spelling."""
    places = {_plain_name(name): place for place, name in reversed(list(enumerate(header)))}
    return {name: places[name] for name in columns if name in places}


def fits(header: Sequence[str], columns: Iterable[str], needed: Iterable[str]) -> bool:
    """True when the file's own names say all, so that nobody needs to be asked."""
    known = guessed(columns, header)
    return set(needed) <= set(known) and len(known) == len(header)


class ColumnsForm(forms.Form):
    """Which column of the file is which of ours."""

    def __init__(
        self,
        *args: Any,
        header: Sequence[str],
        columns: Mapping[str, str],
        needed: Iterable[str],
        **kwargs: Any,
    ) -> None:
        super().__init__(*args, **kwargs)
        choices = [
            ("", "not in the file"),
            *((str(n), f"{n + 1}: {name[:60] or '(no name)'}") for n, name in enumerate(header)),
        ]
        for name, words in columns.items():
            self.fields[name] = forms.ChoiceField(
                label=name,
                help_text=words,
                choices=choices,
                required=name in set(needed),
                error_messages={"required": "Needed: choose the column."},
            )

    def clean(self) -> dict[str, Any]:
        """Turn places into numbers, each column of the file read once."""
        chosen = {name: int(place) for name, place in (super().clean() or {}).items() if place}
        seen: dict[int, str] = {}
        for name, place in chosen.items():
            first = seen.setdefault(place, name)
            if first != name:
                self.add_error(name, f"This column is read as {first} already.")
        return chosen


# --- files -----------------------------------------------------------------------------------


@transaction.atomic
def receive(*, by: User, kind: Kind, file_name: str, content: bytes) -> RecordFile:
    """Keep the file as it came; nothing of it counts until it is stored."""
    try:
        header, digest = _header_and_digest(content)
    except BadFile as why:
        raise Refused({"file": [str(why)]}) from why
    _check_not_stored(kind.key, digest)
    waiting = RecordFile.objects.filter(kind=kind.key, digest=digest).first()
    if waiting is not None:
        return waiting
    own = fits(header, kind.columns, kind.needed)
    made = RecordFile.objects.create(
        kind=kind.key,
        file_name=file_name[:200],
        content=content,
        digest=digest,
        columns=guessed(kind.columns, header) if own else None,
        by=by,
        received_at=timezone.now(),
    )
    audit.record(
        by=by,
        verb="sent a file of records",
        subject=made,
        detail={"kind": kind.key, "sha256": digest},
    )
    return made


def _header_and_digest(content: bytes) -> tuple[list[str], str]:
    """The digest is of what the file says: saved again or in another form it is the same file."""
    table = table_of(content, most_bytes=MOST_BYTES)
    digest = hashlib.sha256(json.dumps(table.header).encode())
    for count, line in enumerate(table.lines):
        if count >= MOST_LINES:
            raise BadFile(f"More than {MOST_LINES} lines: split the file.")
        digest.update(json.dumps([line.cells, sorted(line.formulas)]).encode())
    return table.header, digest.hexdigest()


def _check_not_stored(kind: str, digest: str) -> None:
    if RecordFile.objects.filter(kind=kind, digest=digest, stored_at__isnull=False).exists():
        raise Conflict({"file": ["These very lines have been stored already."]})


@transaction.atomic
def choose_columns(*, by: User, file: RecordFile, columns: Mapping[str, int]) -> None:
    """Say which column of the file is which of ours; nothing is stored by it."""
    _check_not_stored(file.kind, file.digest)
    before, file.columns = file.columns, dict(columns)
    file.save(update_fields=["columns"])
    audit.record(
        by=by,
        verb="matched columns of a file",
        subject=file,
        detail=audit.changes(before or {}, file.columns),
    )


def header_of(file: RecordFile) -> list[str]:
    """The names that the file's first line gives."""
    return table_of(bytes(file.content), most_bytes=MOST_BYTES).header


def look(file: RecordFile) -> Checked:
    """Everything that is wrong with a file, and what it would store."""
    return checked(kinds[file.kind], bytes(file.content), file.columns or {})


def checked(kind: Kind, content: bytes, columns: Mapping[str, int]) -> Checked:
    """What the content of a file would store."""
    try:
        table = table_of(content, most_bytes=MOST_BYTES)
        missing = sorted(kind.needed - set(columns))
        if missing:
            raise BadFile(f"Columns missing: {', '.join(missing)}.")
        rows, problems = _rows(table, kind, columns)
    except BadFile as why:
        return Checked(file_problem=str(why))
    if problems:
        return Checked(problems=problems)
    if not rows:
        return Checked(file_problem="The file has no lines below its header.")
    return kind.check(rows)


def _rows(
    table: Table, kind: Kind, columns: Mapping[str, int]
) -> tuple[list[Row], list[LineProblem]]:
    rows: list[Row] = []
    problems: list[LineProblem] = []
    for line in table.lines:  # as many as were counted when the file came
        if len(line.cells) != len(table.header):
            sentence = f"{len(line.cells)} cells where the header has {len(table.header)}."
            problems.append(LineProblem(line.number, "", sentence))
            continue
        problems += [
            LineProblem(line.number, name, FORMULA)
            for name, place in columns.items()
            if place in line.formulas
        ]
        cells = dict.fromkeys(kind.columns, "")
        cells |= {name: line.cells[place].strip() for name, place in columns.items()}
        rows.append(Row(line.number, cells))
    return rows, problems


def store(*, by: User, file: RecordFile) -> int:
    """Store all new lines of a file, checked once more; returns how many.

    Lines are checked before the transaction, which only writes: others do not wait for the checks.
    """
    _check_not_stored(file.kind, file.digest)
    kind = kinds[file.kind]
    for _ in range(CHECKS_AGAIN):
        found = look(file)
        if not found.may_be_stored:
            raise Refused({"file": ["The file cannot be stored as it is: look at the list again."]})
        if _kept(by, file, kind, found):
            return len(found.things)
    raise Conflict({"file": ["Others are writing to these records just now: try again."]})


@transaction.atomic
def _kept(by: User, file: RecordFile, kind: Kind, found: Checked) -> bool:
    # the lock makes a second press of the button wait and then find the file stored
    locked = RecordFile.objects.select_for_update().get(pk=file.pk)
    _check_not_stored(locked.kind, locked.digest)
    if not kind.keep(by, found):
        return False
    file.stored_at, file.row_count = timezone.now(), len(found.things)
    file.save(update_fields=["stored_at", "row_count"])
    audit.record(
        by=by,
        verb="stored a file of records",
        subject=file,
        detail={"kind": kind.key, "sha256": file.digest, "rows": file.row_count},
    )
    return True


# --- what kinds share ------------------------------------------------------------------------


def problems_of(line: int, told: Mapping[str, Sequence[str]]) -> list[LineProblem]:
    """An action's or a form's problems, beside their line."""
    return [LineProblem(line, name, one) for name, all_of in told.items() for one in all_of]


YES = frozenset({"yes", "y", "true", "1", "x"})
NO = frozenset({"no", "n", "false", "0", ""})


def as_typed(form: type[forms.Form], cells: Mapping[str, str]) -> dict[str, Any]:
    """Cells as the form would get them from a browser.

    Raises
    ------
    Refused
        For a yes or no that is neither.
    """
    data: dict[str, Any] = {}
    problems = {}
    for name, cell in cells.items():
        asked = form.base_fields.get(name)
        if isinstance(asked, forms.MultipleChoiceField):
            data[name] = [one.strip() for one in re.split(r"[;\n]", cell) if one.strip()]
        elif isinstance(asked, forms.BooleanField):
            if cell.casefold() not in YES | NO:
                problems[name] = [f"'{cell[:40]}' is neither yes nor no."]
            data[name] = "true" if cell.casefold() in YES else "false"
        else:
            data[name] = cell
    if problems:
        raise Refused(problems)
    return data


def as_cell(value: Any) -> Any:
    """A value as a cell that `as_typed` reads back."""
    match value:
        case None:
            return ""
        case bool():
            return "yes" if value else "no"
        case int() | float():
            return value
        case list():
            return "; ".join(map(str, value))
    return str(value)


def rows_out(kind: Kind, *, filled: bool) -> list[list[Any]]:
    """The kind's whole record as a table, or the table to fill in with one invented line."""
    records = kind.records() if filled else [kind.example]
    return [
        list(kind.columns),
        *([as_cell(one.get(name)) for name in kind.columns] for one in records),
    ]


@dataclass
class Lines:
    """Gathers what a kind's check finds."""

    things: list[Any] = field(default_factory=list)
    problems: list[LineProblem] = field(default_factory=list)
    same_count: int = 0

    def checked(self, mark: Any = None) -> Checked:
        """What was found, in the file's order."""
        return Checked(self.things, self.same_count, self.problems, mark=mark)
