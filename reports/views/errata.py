"""When something published was wrong: the public log, and the desk's forms to put it right."""

from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from labsite.errors import Refused
from labsite.kept_pages import kept
from labsite.roles import Deed, needs, person
from reports import errata
from reports.content import draft_content
from reports.errata_actions import drop_correction_draft, save_correction_draft, withdraw_edition
from reports.errata_forms import CorrectionForm, WithdrawalForm
from reports.errata_queries import correction_draft, corrections, uses_of, withdrawals
from reports.kept import site_key
from reports.models import Correction, CorrectionDraft, Edition, Withdrawal
from trials.models import OutOfTolerance, Study
from trials.studies import is_closed, note_look


@login_not_required
@require_safe
@kept(site_key)
def log(request: HttpRequest) -> HttpResponse:
    """Every correction and withdrawal, newest first."""
    entries = [_correction_entry(one) for one in corrections()]
    entries += [_withdrawal_entry(one) for one in withdrawals()]
    entries.sort(key=lambda one: one["at"], reverse=True)
    return render(request, "reports/public/corrections.html", {"entries": entries})


def _correction_entry(one: Correction) -> dict[str, Any]:
    slug = one.edition.study.slug
    return {
        "kind": one.kind,
        "at": one.at,
        "title": one.edition.study.title,
        "said": one.content,
        "old_number": one.corrects.number,
        "new_number": one.edition.number,
        "old_url": reverse("edition", args=[slug, one.corrects.number]),
        "new_url": reverse("edition", args=[slug, one.edition.number]),
    }


def _withdrawal_entry(one: Withdrawal) -> dict[str, Any]:
    slug = one.edition.study.slug
    return {
        "kind": "withdrawal",
        "at": one.at,
        "title": one.edition.study.title,
        "withdrawal": one,
        "old_number": one.edition.number,
        "old_url": reverse("edition", args=[slug, one.edition.number]),
    }


@needs(Deed.PUBLISH_EDITIONS)
@require_http_methods(["GET", "HEAD", "POST"])
@never_cache
def correct(request: HttpRequest, slug: str) -> HttpResponse:
    """Write the correction that the next edition will carry, beside the change table."""
    study = get_object_or_404(Study.objects.registered(), slug=slug)
    draft = correction_draft(study)
    editions = study.editions.order_by("-number")
    if not editions.exists():
        messages.info(request, "Nothing is published of this study yet, so nothing to correct.")
        return redirect("desk-study", slug=slug)
    form = CorrectionForm(request.POST or None, instance=draft, editions=editions)
    if request.method == "POST" and form.is_valid():
        fields = dict(form.cleaned_data)
        corrects = fields.pop("corrects")
        try:
            save_correction_draft(by=person(request), study=study, corrects=corrects, fields=fields)
        except Refused as refused:
            _add_errors(form, refused)
        else:
            messages.success(request, "Correction kept. It goes out with the next edition.")
            return redirect("desk-correct", slug=slug)
    status = 400 if request.method == "POST" else 200
    page = _correction_page(request, study, form, draft)
    return render(request, "reports/desk/correct.html", page, status=status)


def _correction_page(
    request: HttpRequest, study: Study, form: CorrectionForm, draft: CorrectionDraft | None
) -> dict[str, Any]:
    corrects = draft.corrects if draft else study.editions.order_by("-number").first()
    assert corrects is not None  # nosec B101  # the view has asked for one
    new = None if is_closed(study) else draft_content(study, by=person(request).display_name)
    changes: dict[str, Any] = {}
    if new is not None:
        note_look(by=person(request), study=study)
        rows = errata.change_table(corrects.content, new)
        sentences = errata.words_changed(corrects.content, new)
        changes = {
            "rows": rows,
            "sentences": sentences,
            "readings": errata.readings_changed(corrects.content, new),
            "prominence": errata.prominence(rows, sentences),
        }
    gaps = [errata.NEEDED[name] for name in errata.missing(_values(draft))] if draft else []
    return {
        "study": study,
        "form": form,
        "draft": draft,
        "corrects": corrects,
        "changes": changes,
        "gaps": gaps,
        "uses": uses_of(corrects),
        "found_wrong": OutOfTolerance.objects.filter(marks__reading__run__study=study)
        .select_related("instrument")
        .distinct(),
        "editions": study.editions.defer("content").select_related("withdrawal"),
    }


def _values(draft: CorrectionDraft) -> dict[str, Any]:
    return {name: getattr(draft, name) for name in errata.NEEDED}


@needs(Deed.PUBLISH_EDITIONS)
@require_POST
def drop(request: HttpRequest, slug: str) -> HttpResponse:
    """The next edition will be an ordinary one."""
    study = get_object_or_404(Study.objects.registered(), slug=slug)
    drop_correction_draft(by=person(request), study=study)
    messages.success(request, "The draft of a correction is dropped.")
    return redirect("desk-study", slug=slug)


@needs(Deed.PUBLISH_EDITIONS)
@require_http_methods(["GET", "HEAD", "POST"])
@never_cache
def withdraw(request: HttpRequest, slug: str, number: int) -> HttpResponse:
    """Say that nobody may rely on an edition."""
    edition = get_object_or_404(
        Edition.objects.select_related("study"), study__slug=slug, number=number
    )
    already = Withdrawal.objects.filter(edition=edition).first()
    form = WithdrawalForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        given = {name: form.cleaned_data[name] for name in ("reason", "found_how", "what_to_do")}
        try:
            withdraw_edition(by=person(request), edition=edition, **given)
        except Refused as refused:
            _add_errors(form, refused)
        else:
            messages.success(request, f"Edition {number} is withdrawn. Its page says so.")
            return redirect("edition", slug=slug, number=number)
    status = 400 if request.method == "POST" else 200
    page = {"edition": edition, "form": form, "already": already, "uses": uses_of(edition)}
    return render(request, "reports/desk/withdraw.html", page, status=status)


def _add_errors(form: Any, refused: Refused) -> None:
    for field, sentences in refused.problems.items():
        for sentence in sentences:
            form.add_error(field or None, sentence)
