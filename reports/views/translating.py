"""The desk's page for the words of an edition in another language."""

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from labsite.errors import Refused
from labsite.roles import Deed, needs, person
from reports.forms import TranslationForm
from reports.models import EditionDraft
from reports.translations import (
    english_of,
    other_languages,
    save_translation,
    standing_translations,
)
from trials.models import Study


@needs(Deed.DRAFT_EDITIONS)
@require_http_methods(["GET", "HEAD", "POST"])
@never_cache
def edit(request: HttpRequest, slug: str, language: str) -> HttpResponse:
    """English on one side, the other language in the boxes."""
    name = other_languages().get(language)
    if name is None:
        raise Http404
    study = get_object_or_404(Study.objects.registered(), slug=slug)
    draft = EditionDraft.objects.filter(study=study).first()
    known = draft.translations.get(language, {}) if draft else {}
    form = TranslationForm(request.POST or None, initial=known)
    status = 200
    if request.method == "POST":
        status = 400
        if form.is_valid():
            try:
                save_translation(
                    by=person(request), study=study, language=language, fields=form.cleaned_data
                )
            except Refused as refused:
                for field, sentences in refused.problems.items():
                    for sentence in sentences:
                        form.add_error(field or None, sentence)
            else:
                messages.success(request, f"{name} words kept.")
                return redirect("desk-study", slug=slug)
    english = english_of(study, draft or EditionDraft(study=study))
    is_behind = bool(draft and known and language not in standing_translations(study, draft))
    return render(
        request,
        "reports/desk/translation.html",
        {
            "study": study,
            "language": name,
            "code": language,
            "form": form,
            "is_behind": is_behind,
            "rows": [{"field": form[field], "english": text} for field, text in english.items()],
        },
        status=status,
    )
