"""Methods in files: a line becomes a draft, never a method in force."""

import re
from collections.abc import Iterator, Sequence
from typing import Any

from django import forms

from labsite.errors import Refused
from labsite.models import User
from specimens.imports import Checked, Kind, Lines, Row, as_typed, problems_of
from trials.method_forms import DraftForm
from trials.method_library import changes_between, draft_problems, keep_drafts
from trials.models import Method, MethodRevision

OF_METHOD = {
    "key": "Short and for ever: small letters, digits and dashes.",
    "name": "",
    "property": "What it tells of the gear, such as abrasion resistance.",
}


def _holds(field: forms.Field) -> str:
    """What a cell of a column holds."""
    if isinstance(field, forms.BooleanField):
        return f"{field.label}: yes or no."
    if isinstance(field, forms.MultipleChoiceField):
        return f"{field.label}: several with semicolons between."
    return f"{field.label}. {field.help_text}".strip()


COLUMNS = OF_METHOD | {name: _holds(field) for name, field in DraftForm.base_fields.items()}
NEEDED = frozenset(OF_METHOD) | {
    name for name, field in DraftForm.base_fields.items() if field.required
}
EXAMPLE = {
    "key": "example-hem-pull",
    "name": "Invented hem pull",
    "property": "seam strength",
    "outcome_kind": MethodRevision.Outcome.VALUE.value,
    "quantity": "largest force before the hem opened",
    "unit": "N",
    "direction": MethodRevision.Direction.HIGHER.value,
    "resolution": 1,
    "range_low": 0,
    "range_high": 2000,
    "margin": 10,
    "steps": "Clamp both sides of the hem.\nPull at a steady speed until it opens.",
    "minutes": 10,
    "destructive": True,
    "hazards": "parts may fly off",
    "checks": "* guard closed\nsafety glasses on",
    "relation": "bench method, not the certified test",
}


def check(rows: Sequence[Row]) -> Checked:
    """A draft for each line that says something new."""
    methods = {one.key: one for one in Method.objects.prefetch_related("revisions")}
    first_lines: dict[str, int] = {}
    found = Lines()
    for row in rows:
        key = row.cells["key"]
        try:
            if first_lines.setdefault(key, row.line) != row.line:
                raise Refused({"key": [f"Line {first_lines[key]} is this method already."]})
            draft = _draft(row, methods.get(key))
        except Refused as refused:
            found.problems += problems_of(row.line, refused.problems)
            continue
        if draft is None:
            found.same_count += 1
        else:
            found.things.append(draft)
    return found.checked()


def _draft(row: Row, method: Method | None) -> MethodRevision | None:
    """The draft of a line; None when the newest revision says the same."""
    problems = _method_problems(row, method)
    cells = {name: cell for name, cell in row.cells.items() if name not in OF_METHOD}
    form = DraftForm(as_typed(DraftForm, cells))
    if not form.is_valid():
        problems |= {name: list(map(str, told)) for name, told in form.errors.items()}
    if problems:
        raise Refused(problems)
    revisions = sorted(method.revisions.all(), key=lambda one: one.number) if method else []
    draft = MethodRevision(
        method=method or Method(**{name: row.cells[name] for name in OF_METHOD}),
        number=revisions[-1].number + 1 if revisions else 1,
        state=MethodRevision.State.DRAFT,
        **form.cleaned_data,
    )
    problems = draft_problems(draft)
    if problems:
        raise Refused(problems)
    if revisions and not changes_between(revisions[-1], draft):
        return None
    if any(one.state == MethodRevision.State.DRAFT for one in revisions):
        raise Refused({"key": ["This method has a draft already: finish that one."]})
    return draft


def _method_problems(row: Row, method: Method | None) -> dict[str, list[str]]:
    problems: dict[str, list[str]] = {}
    if not re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", row.cells["key"]) or len(row.cells["key"]) > 60:
        problems["key"] = ["At most 60 small letters, digits and single dashes."]
    for name in ("name", "property"):
        text = row.cells[name]
        if not text:
            problems[name] = ["Missing."]
        elif len(text) > 120:
            problems[name] = ["At most 120 characters."]
        elif method is not None and getattr(method, name) != text:
            problems[name] = [f"In the record this method has '{getattr(method, name)}'."]
    return problems


def keep(by: User, found: Checked) -> bool:
    """Write the drafts, unless somebody drafted one of these methods meanwhile."""
    return keep_drafts(by=by, drafts=found.things)


def records() -> Iterator[dict[str, Any]]:
    """The newest revision of every method that is not a draft."""
    standing = MethodRevision.objects.exclude(state=MethodRevision.State.DRAFT)
    newest: dict[str, MethodRevision] = {
        one.method.key: one for one in standing.select_related("method").order_by("number")
    }
    for key in sorted(newest):
        method = newest[key].method
        yield {"key": key, "name": method.name, "property": method.property} | DraftForm.initial_of(
            newest[key]
        )


METHODS = Kind(
    key="methods",
    words=("draft", "drafts"),
    about="One line for each method. Each becomes a draft, which somebody has to read and put in "
    "force. Where a cell holds several things, they stand one a line inside the cell.",
    columns=COLUMNS,
    needed=NEEDED,
    example=EXAMPLE,
    check=check,
    keep=keep,
    records=records,
    home=("Methods", "lab-methods"),
)
