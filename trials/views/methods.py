"""Pages of the method library: revisions, what changed, the sheet, limits and budgets."""

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_POST

from labsite.errors import Refused
from labsite.roles import Deed, may, needs, person
from specimens.trails import lab_trail
from trials import method_library
from trials.method_forms import BudgetField, BudgetForm, DraftForm, InForceForm, LimitForm
from trials.models import Method, MethodRevision
from trials.published_levels import limits_beside
from trials.quality_forms import ReasonForm
from trials.views.instruments import FormPage, form_page

LONGEST_FACT = 120


@needs(Deed.SEE_LAB)
def history(request: HttpRequest, key: str) -> HttpResponse:
    method = get_object_or_404(Method, key=key)
    revisions = list(method.revisions.order_by("-number"))
    context = {
        "method": method,
        "revisions": list(zip(revisions, [*revisions[1:], None], strict=True)),
        "has_draft": any(one.state == MethodRevision.State.DRAFT for one in revisions),
        "limits": limits_beside(revisions[0]) if revisions else [],
        "may_manage": may(request.user, Deed.MANAGE_RECORDS),
        "trail": _trail(method.name),
    }
    return render(request, "trials/methods/history.html", context)


@require_POST
@needs(Deed.MANAGE_RECORDS)
def new_draft(request: HttpRequest, key: str) -> HttpResponse:
    method = get_object_or_404(Method, key=key)
    made = method_library.draft_revision(by=person(request), method=method)
    return redirect("lab-method-edit", key=key, number=made.number)


@needs(Deed.MANAGE_RECORDS)
def edit(request: HttpRequest, key: str, number: int) -> HttpResponse:
    revision = _revision(key, number)
    form = DraftForm(request.POST or None, initial=DraftForm.initial_of(revision))
    if form.is_valid():
        try:
            method_library.change_draft(
                by=person(request), revision=revision, fields=form.cleaned_data
            )
        except Refused as refused:
            form.refuse(refused)
        else:
            return redirect("lab-method", key=key, number=number)
    context = {"form": form, "revision": revision, "trail": _trail_of(revision, "Edit the draft")}
    return render(request, "trials/methods/edit.html", context, status=form.status)


@needs(Deed.MANAGE_RECORDS)
def put_in_force(request: HttpRequest, key: str, number: int) -> HttpResponse:
    revision = _revision(key, number)

    def keep(fields: dict[str, Any]) -> str:
        made = method_library.put_in_force(by=person(request), revision=revision, **fields)
        return f"{made} is in force."

    page = FormPage(
        f"Put {revision} in force",
        "From then on it never changes, and the revision in force before is retired. Studies that "
        "use an older revision go on with it.",
        "Put it in force",
        reverse("lab-method-history", args=[key]),
        _trail_of(revision, "Put in force"),
    )
    return form_page(request, InForceForm(request.POST or None), page, keep)


@needs(Deed.MANAGE_RECORDS)
def retire(request: HttpRequest, key: str, number: int) -> HttpResponse:
    revision = _revision(key, number)

    def keep(fields: dict[str, Any]) -> str:
        return f"{method_library.retire_revision(by=person(request), revision=revision, **fields)} is retired."

    page = FormPage(
        f"Retire {revision}",
        "No new study may choose it. Studies that use it go on.",
        "Retire it",
        reverse("lab-method-history", args=[key]),
        _trail_of(revision, "Retire"),
    )
    return form_page(request, ReasonForm(request.POST or None), page, keep)


@needs(Deed.SEE_LAB)
def changes(request: HttpRequest, key: str, old: int, new: int) -> HttpResponse:
    before, after = _revision(key, old), _revision(key, new)
    context = {
        "before": before,
        "after": after,
        "changes": method_library.changes_between(before, after),
        "trail": _trail_of(after, f"Changes since revision {old}"),
    }
    return render(request, "trials/methods/changes.html", context)


@needs(Deed.SEE_LAB)
def sheet(request: HttpRequest, key: str, number: int) -> HttpResponse:
    revision = _revision(key, number)
    lines = [
        (words, method_library.lines_of(revision, name))
        for name, words in method_library.FIELD_WORDS.items()
    ]
    context = {
        "revision": revision,
        # what is one short line goes into one list, so that the sheet stays two pages
        "facts": [(words, said[0]) for words, said in lines if _is_fact(said)],
        "parts": [(words, said) for words, said in lines if said and not _is_fact(said)],
        "limits": limits_beside(revision),
        "trail": _trail_of(revision, "Sheet"),
    }
    return render(request, "trials/methods/sheet.html", context)


@needs(Deed.MANAGE_RECORDS)
def add_limit(request: HttpRequest, key: str) -> HttpResponse:
    method = get_object_or_404(Method, key=key)

    def keep(fields: dict[str, Any]) -> str:
        made = method_library.add_limit(by=person(request), method=method, fields=fields)
        return f"{made} is kept as context."

    page = FormPage(
        "Enter a published limit",
        "Read it in the standard itself. It is shown beside the method as context and never used "
        "to judge a reading.",
        "Keep this limit",
        reverse("lab-method-history", args=[key]),
        _trail((method.name, reverse("lab-method-history", args=[key])), "Enter a limit"),
    )
    return form_page(request, LimitForm(request.POST or None), page, keep)


@needs(Deed.MANAGE_RECORDS)
def new_budget(request: HttpRequest, key: str, number: int) -> HttpResponse:
    revision = _revision(key, number)
    newest = revision.budgets.first()
    initial: dict[str, Any] = {}
    if newest is not None:
        initial = {
            "at_value": newest.at_value,
            "components": BudgetField().write(newest.components),
            "note": newest.note,
        }

    def keep(fields: dict[str, Any]) -> str:
        made = method_library.make_budget(by=person(request), revision=revision, **fields)
        return f"Version {made.number} of the budget is kept."

    page = FormPage(
        "Uncertainty budget",
        f"{revision}, in {revision.unit}. A change is a new version; the old ones stay.",
        "Work it out and keep it",
        reverse("lab-budget", args=[key, number]),
        _trail_of(revision, "Uncertainty budget"),
    )
    return form_page(request, BudgetForm(request.POST or None, initial=initial), page, keep)


def _is_fact(said: list[str]) -> bool:
    return len(said) == 1 and len(said[0]) <= LONGEST_FACT


def _revision(key: str, number: int) -> MethodRevision:
    revisions = MethodRevision.objects.select_related("method")
    return get_object_or_404(revisions, method__key=key, number=number)


def _trail(*places: tuple[str, str] | str) -> list[dict[str, str]]:
    return lab_trail(("Methods", reverse("lab-methods")), *places)


def _trail_of(revision: MethodRevision, here: str) -> list[dict[str, str]]:
    key = revision.method.key
    return _trail((revision.method.name, reverse("lab-method-history", args=[key])), here)
