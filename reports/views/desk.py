"""The editor's desk: findings, the words of the next edition, publishing."""

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from labsite.errors import Refused
from labsite.roles import Deed, may, needs, person
from reports import queries
from reports.actions import publish_edition, save_draft
from reports.content import finding_content, left_out, trends_content
from reports.errata_queries import correction_draft
from reports.forms import DraftForm
from reports.models import EditionDraft
from reports.programme import pooled_lines
from reports.script_checks import preview_content
from reports.views.public import plots, with_method_urls
from trials.leaving_out import left_out_now
from trials.models import Study, StudyLook
from trials.studies import is_closed, note_look


@needs(Deed.SEE_FINDINGS)
@require_safe
@never_cache
def index(request: HttpRequest) -> HttpResponse:
    """Registered studies, with where their findings and editions stand."""
    return render(request, "reports/desk/index.html", {"rows": queries.desk_rows()})


@needs(Deed.SEE_FINDINGS)
@require_safe
@never_cache
def across(request: HttpRequest) -> HttpResponse:
    """What all studies together say of the loss over service."""
    return render(request, "reports/desk/across.html", {"lines": pooled_lines()})


@needs(Deed.SEE_FINDINGS, post=Deed.DRAFT_EDITIONS)
@require_http_methods(["GET", "HEAD", "POST"])
@never_cache
def study(request: HttpRequest, slug: str) -> HttpResponse:
    """A study's findings and the form for the next edition's words."""
    found = get_object_or_404(Study.objects.registered(), slug=slug)
    draft = EditionDraft.objects.filter(study=found).first()
    form = DraftForm(request.POST or None, instance=draft)
    if request.method == "POST":
        if form.is_valid():
            save_draft(by=person(request), study=found, fields=form.cleaned_data)
            messages.success(request, "Words kept.")
            return redirect("desk-study", slug=slug)
        return render(request, "reports/desk/study.html", _page(request, found, form), status=400)
    return render(request, "reports/desk/study.html", _page(request, found, form))


@needs(Deed.PUBLISH_EDITIONS)
@require_POST
def publish(request: HttpRequest, slug: str) -> HttpResponse:
    """Freeze and publish the next edition; the words on the form are kept first."""
    found = get_object_or_404(Study.objects.registered(), slug=slug)
    draft = EditionDraft.objects.filter(study=found).first()
    form = DraftForm(request.POST, instance=draft)
    if not form.is_valid():
        return render(request, "reports/desk/study.html", _page(request, found, form), status=400)
    save_draft(by=person(request), study=found, fields=form.cleaned_data)
    try:
        edition = publish_edition(by=person(request), study=found)
    except Refused as refused:
        for field, sentences in refused.problems.items():
            for sentence in sentences:
                form.add_error(field or None, sentence)
        return render(request, "reports/desk/study.html", _page(request, found, form), status=400)
    messages.success(request, f"Edition {edition.number} is published.")
    return HttpResponseRedirect(reverse("edition", args=[slug, edition.number]))


@needs(Deed.SEE_FINDINGS)
@require_safe
@never_cache
def preview(request: HttpRequest, slug: str) -> HttpResponse:
    """The next edition as readers would see it; nothing is frozen."""
    found = get_object_or_404(Study.objects.registered(), slug=slug)
    content = None if is_closed(found) else preview_content(found, by=person(request).display_name)
    if content is not None:
        note_look(by=person(request), study=found)
    if content is None:
        return redirect("desk-study", slug=slug)
    return render(
        request,
        "reports/public/scorecard.html",
        {
            "card": with_method_urls(content),
            "invented": content["invented"],
            "is_latest": True,
            "is_preview": True,
            "urls": {"this_edition": request.path},
            "editions": [],
            "plot": plots(content),
        },
    )


@needs(Deed.SEE_FINDINGS)
@require_safe
@never_cache
def state(request: HttpRequest, slug: str) -> HttpResponse:
    """Whether the findings are up to date, for the page that waits for them."""
    found = get_object_or_404(Study.objects.registered(), slug=slug)
    where = queries.standing(found)
    return JsonResponse({"is_current": where.is_current, "words": where.words})


def _page(request: HttpRequest, study: Study, form: DraftForm) -> dict[str, Any]:
    where = queries.standing(study)
    closed = is_closed(study)
    findings = queries.findings_for_page(where.summary) if where.summary and not closed else []
    if findings:
        note_look(by=person(request), study=study)
    return {
        "is_closed": closed,
        "looks": study.looks.filter(kind=StudyLook.Kind.FINDINGS).count(),
        "study": study,
        "form": form,
        "may_draft": may(request.user, Deed.DRAFT_EDITIONS),
        "may_publish": may(request.user, Deed.PUBLISH_EDITIONS),
        "standing": where,
        "findings": [finding_content(f) for f in findings],
        "trends": trends_content(where.summary) if where.summary and findings else [],
        "left_out": left_out(study, where.summary, left_out_now(study))
        if where.summary and findings
        else [],
        "correction": correction_draft(study),
        "conflict_count": queries.waiting_conflicts(study),
        "editions": study.editions.defer("content").order_by("-number"),
    }
