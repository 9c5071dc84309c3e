"""Pages of records from files and in files, the same for every kind."""

from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_POST, require_safe

from labsite.errors import Refused
from labsite.forms import ActionForm
from labsite.roles import Deed, needs, person
from labsite.tables import XLSX_TYPE, BadFile, csv_bytes, problem_rows, xlsx_bytes
from specimens import imports
from specimens.forms import TableFileField
from specimens.models import RecordFile
from specimens.trails import lab_trail
from specimens.words import count_words

PROBLEMS_SHOWN = 300


class RecordFileForm(ActionForm):
    """A file of records."""

    file = TableFileField(most_bytes=imports.MOST_BYTES)


def as_file(rows: list[list[Any]], name: str, ending: str) -> HttpResponse:
    """A table to download."""
    if ending not in ("csv", "xlsx"):
        raise Http404
    try:
        data = csv_bytes(rows) if ending == "csv" else xlsx_bytes(rows, title=name)
    except BadFile as why:
        return HttpResponse(str(why), status=409, content_type="text/plain; charset=utf-8")
    kind = "text/csv; charset=utf-8" if ending == "csv" else XLSX_TYPE
    disposition = f'attachment; filename="{name}.{ending}"'
    return HttpResponse(data, content_type=kind, headers={"Content-Disposition": disposition})


def _kind(key: str) -> imports.Kind:
    try:
        return imports.kinds[key]
    except KeyError:
        raise Http404 from None


def _trail(kind: imports.Kind, *here: tuple[str, str] | str) -> list[dict[str, str]]:
    words, name = kind.home
    return lab_trail((words, reverse(name)), *here)


@needs(Deed.MANAGE_RECORDS)
def add(request: HttpRequest, key: str) -> HttpResponse:
    kind = _kind(key)
    is_sent = request.method == "POST"
    form = RecordFileForm(request.POST, request.FILES) if is_sent else RecordFileForm()
    if form.is_valid():
        sent = form.cleaned_data["file"]
        try:
            kept = imports.receive(
                by=person(request), kind=kind, file_name=sent.name, content=sent.read()
            )
        except Refused as refused:
            form.refuse(refused)
        else:
            return redirect("lab-record-file", key=key, pk=kept.pk)
    context = {
        "form": form,
        "kind": kind,
        "most_lines": imports.MOST_LINES,
        "trail": _trail(kind, f"{kind.words[1].capitalize()} from a file"),
    }
    return render(request, "specimens/record_file_add.html", context, status=form.status)


def _file(key: str, pk: int) -> RecordFile:
    return get_object_or_404(RecordFile.objects.select_related("by"), kind=_kind(key).key, pk=pk)


@needs(Deed.MANAGE_RECORDS)
def file(request: HttpRequest, key: str, pk: int) -> HttpResponse:
    found = _file(key, pk)
    if found.columns is None and found.stored_at is None:
        return redirect("lab-record-columns", key=key, pk=pk)
    return _file_page(request, found, {})


@needs(Deed.MANAGE_RECORDS)
def columns(request: HttpRequest, key: str, pk: int) -> HttpResponse:
    found, kind = _file(key, pk), _kind(key)
    header = imports.header_of(found)
    form = imports.ColumnsForm(
        request.POST or None,
        header=header,
        columns=kind.columns,
        needed=kind.needed,
        initial=found.columns or imports.guessed(kind.columns, header),
    )
    problems: dict[str, list[str]] = {}
    if form.is_valid():
        try:
            imports.choose_columns(by=person(request), file=found, columns=form.cleaned_data)
        except Refused as refused:
            problems = refused.problems
        else:
            return redirect("lab-record-file", key=key, pk=pk)
    return columns_page(
        request,
        form,
        header,
        file_name=found.file_name,
        problems=problems,
        trail=_trail(
            kind, (found.file_name, reverse("lab-record-file", args=[key, pk])), "Columns"
        ),
        back=reverse("lab-record-add", args=[key]),
    )


def columns_page(
    request: HttpRequest, form: imports.ColumnsForm, header: list[str], **context: Any
) -> HttpResponse:
    """The page that asks which column is which."""
    status = 400 if form.errors or context["problems"] else 200
    context |= {"form": form, "header": header}
    return render(request, "specimens/record_file_columns.html", context, status=status)


@require_POST
@needs(Deed.MANAGE_RECORDS)
def store(request: HttpRequest, key: str, pk: int) -> HttpResponse:
    found, kind = _file(key, pk), _kind(key)
    try:
        count = imports.store(by=person(request), file=found)
    except Refused as refused:
        found.refresh_from_db()
        return _file_page(request, found, refused.problems)
    messages.success(request, f"{count_words(count, *kind.words)} stored from {found.file_name}.")
    return redirect(kind.home[1])


@require_safe
@needs(Deed.MANAGE_RECORDS)
def problems(request: HttpRequest, key: str, pk: int) -> HttpResponse:
    looked_at = imports.look(_file(key, pk))
    rows = problem_rows(looked_at.file_problem, looked_at.problems)
    return as_file(rows, f"problems-{key}-{pk}", "csv")


def _file_page(
    request: HttpRequest, found: RecordFile, refusal: dict[str, list[str]]
) -> HttpResponse:
    kind = _kind(found.kind)
    looked_at = None if found.stored_at else imports.look(found)
    context = {
        "file": found,
        "kind": kind,
        "looked_at": looked_at,
        "problems": looked_at.problems[:PROBLEMS_SHOWN] if looked_at else [],
        "problem_words": count_words(
            len(looked_at.problems) if looked_at else 0, "problem", "problems"
        ),
        "new_words": count_words(len(looked_at.things) if looked_at else 0, *kind.words),
        "same_words": count_words(looked_at.same_count if looked_at else 0, "line", "lines"),
        "stored_words": count_words(found.row_count, *kind.words),
        "not_read": _not_read(found),
        "refusal": refusal,
        "home": reverse(kind.home[1]),
        "trail": _trail(kind, found.file_name),
    }
    return render(request, "specimens/record_file.html", context, status=409 if refusal else 200)


def _not_read(found: RecordFile) -> list[str]:
    """Names of columns of the file that are none of ours."""
    read = set((found.columns or {}).values())
    return [name for place, name in enumerate(imports.header_of(found)) if place not in read]


@require_safe
@needs(Deed.SEE_LAB)
def export(request: HttpRequest, key: str, ending: str) -> HttpResponse:
    return as_file(imports.rows_out(_kind(key), filled=True), key, ending)


@require_safe
@needs(Deed.MANAGE_RECORDS)
def template(request: HttpRequest, key: str, ending: str) -> HttpResponse:
    return as_file(imports.rows_out(_kind(key), filled=False), f"{key}-to-fill-in", ending)
