"""Looking at what goes out: checklist, reasons, sign-off, times, previews, makers, interests."""

from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.db.models import F
from django.forms import Form
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from labsite.errors import Refused
from labsite.roles import Deed, may, needs, person
from reports import episode_corrections, errata_forms, replies, review
from reports.actions import publish_edition
from reports.checklist import makers_of
from reports.embargoes import set_embargo
from reports.episodes import release_episode, sign_off_episode
from reports.errata_queries import DRAFT_FIELDS, correction_draft
from reports.going_out import GoingOut, episode_going_out, study_going_out
from reports.models import (
    Episode,
    Interest,
    PreviewLink,
    ReplyRequest,
    SmallLabExemption,
)
from reports.review_forms import (
    AnswerForm,
    AskForm,
    CorrectionForm,
    EmbargoForm,
    ExemptionForm,
    InterestForm,
    LiftForm,
    PreviewForm,
    ReleaseForm,
    SignOffForm,
    StandForm,
)
from reports.views.public_episodes import preview_page
from trials.models import Study

WHERE = {"study": "desk-study", "episode": "desk-episode"}


def _subject(kind: str, slug: str) -> Study | Episode:
    if kind == "episode":
        return get_object_or_404(Episode, slug=slug)
    return get_object_or_404(Study.objects.registered(), slug=slug)


def _going_out(subject: Study | Episode) -> GoingOut:
    return episode_going_out(subject) if isinstance(subject, Episode) else study_going_out(subject)


def _add(form: Form, refused: Refused) -> None:
    form.is_valid()  # a form takes what is wrong only after it has looked by itself
    for field, sentences in refused.problems.items():
        for sentence in sentences:
            form.add_error(field if field in form.fields else None, sentence)


def _page(
    request: HttpRequest, subject: Study | Episode, *, status: int = 200, **forms: Form
) -> HttpResponse:
    going = _going_out(subject)
    kind = going.kind
    is_later = isinstance(subject, Episode) and subject.editions.exists()
    written = _written(subject)
    sign_form = forms.get("sign_form") or SignOffForm()
    sign_form.fields["note"].required = True  # its box is there only where a reason is wanted
    previews = [
        {
            "link": link,
            "url": request.build_absolute_uri(
                reverse("preview", args=[review.preview_token(link)])
            ),
        }
        for link in going.previews
    ]
    return render(
        request,
        "reports/desk/review.html",
        {
            "going": going,
            "kind": kind,
            "subject": subject,
            "embargo_address": "review-embargo" if kind == "study" else "episode-embargo",
            "back_url": reverse(WHERE[kind], args=[subject.slug]),
            "is_author": person(request).pk in going.authors,
            "may_sign": may(request.user, Deed.SIGN_OFF),
            "may_publish": may(request.user, Deed.PUBLISH_EDITIONS),
            "previews": previews,
            "now": timezone.localtime(),
            "correction_words": _correction_words(subject, written),
            "sign_form": sign_form,
            "release_form": forms.get("release_form") or ReleaseForm(),
            "embargo_form": forms.get("embargo_form") or EmbargoForm(),
            "lift_form": forms.get("lift_form") or LiftForm(),
            "preview_form": forms.get("preview_form") or PreviewForm(),
            "now_form": forms.get("now_form"),
            "correction_form": forms.get("correction_form") or CorrectionForm(initial=written),
            "may_correct": is_later and may(request.user, Deed.DRAFT_EDITIONS),
            "stand_form": forms.get("stand_form"),
        },
        status=status,
    )


def _written(subject: Study | Episode) -> dict[str, str]:
    if isinstance(subject, Episode):
        return episode_corrections.correction_words(subject)
    return {}


def _correction_words(subject: Study | Episode, written: dict[str, str]) -> list[tuple[str, Any]]:
    """What the draft of a correction says, under the names of its form."""
    if isinstance(subject, Episode):
        form = CorrectionForm()
        return [(str(form[name].label), said) for name, said in written.items()]
    draft = correction_draft(subject)
    if draft is None:
        return []
    study_form = errata_forms.CorrectionForm(instance=draft, editions=subject.editions.all())
    told = [(str(study_form[name].label), getattr(draft, name)) for name in DRAFT_FIELDS]
    return [(label, value) for label, value in told if value]


@needs(Deed.SEE_FINDINGS, post=Deed.SIGN_OFF)
@require_http_methods(["GET", "HEAD", "POST"])
@never_cache
def show(request: HttpRequest, kind: str, slug: str) -> HttpResponse:
    """The checklist; a post signs off."""
    subject = _subject(kind, slug)
    if request.method != "POST":
        return _page(request, subject)
    form = SignOffForm(request.POST)
    try:
        note = form.cleaned_data["note"] if form.is_valid() else ""
        if isinstance(subject, Episode):
            sign_off_episode(by=person(request), episode=subject, note=note)
        else:
            review.sign_off_study(by=person(request), study=subject, note=note)
    except Refused as refused:
        _add(form, refused)
        return _page(request, subject, status=400, sign_form=form)
    if _going_out(subject).signed:
        told = "Signed off. It can be released now or at a time you set."
    else:
        told = "Kept. You wrote a part of it, so another person has to sign it off too."
    messages.success(request, told)
    return redirect(request.path)


@needs(Deed.DRAFT_EDITIONS)
@require_POST
def correction(request: HttpRequest, slug: str) -> HttpResponse:
    """What the next edition of a released episode puts right: kept before it is signed off."""
    episode = get_object_or_404(Episode, slug=slug)
    form = CorrectionForm(request.POST)
    if form.is_valid():
        try:
            episode_corrections.keep_correction(
                by=person(request), episode=episode, said=form.cleaned_data
            )
        except Refused as refused:
            _add(form, refused)
    if form.errors:
        return _page(request, episode, status=400, correction_form=form)
    messages.success(request, "Kept. Another person reads it before it goes out.")
    return redirect(_review_url("episode", slug) + "#correction")


@needs(Deed.DRAFT_EDITIONS)
@require_POST
def stand(request: HttpRequest, kind: str, slug: str) -> HttpResponse:
    """Let a flag stand for a reason."""
    subject = _subject(kind, slug)
    form = StandForm(request.POST)
    is_script = "application/json" in request.headers.get("Accept", "")
    if not form.is_valid():
        if is_script:
            return JsonResponse({"fields": form.errors}, status=400)
        return _page(request, subject, status=400, stand_form=form)
    review.let_stand(by=person(request), subject=subject, **form.cleaned_data)
    if is_script:
        return HttpResponse(status=204)  # the board asks for its own state next
    messages.success(request, "It stands, with your name and reason.")
    return redirect(_review_url(kind, slug))


def _review_url(kind: str, slug: str) -> str:
    return reverse("review" if kind == "study" else "episode-review", args=[slug])


@needs(Deed.PUBLISH_EDITIONS)
@require_POST
def release(request: HttpRequest, kind: str, slug: str) -> HttpResponse:
    """Release now, or at a time."""
    subject = _subject(kind, slug)
    if "now" in request.POST:
        return _release_now(request, subject)
    form = ReleaseForm(request.POST)
    if form.is_valid():
        try:
            review.plan_release(
                by=person(request),
                subject=subject,
                signed=_going_out(subject).signed,
                **form.cleaned_data,
            )
        except Refused as refused:
            _add(form, refused)
    if form.errors:
        return _page(request, subject, status=400, release_form=form)
    messages.success(request, "The time is set. It goes out by itself.")
    return redirect(_review_url(kind, slug))


def _release_now(request: HttpRequest, subject: Study | Episode) -> HttpResponse:
    try:
        if isinstance(subject, Study):
            edition = publish_edition(by=person(request), study=subject)
            messages.success(request, f"Edition {edition.number} is published.")
            return redirect("edition", subject.slug, edition.number)
        released = release_episode(by=person(request), episode=subject)
    except Refused as refused:
        form = Form(request.POST)  # one button and no field
        _add(form, refused)
        return _page(request, subject, status=400, now_form=form)
    messages.success(request, f"Edition {released.number} is released.")
    return redirect("episode-edition", subject.slug, released.number)


@needs(Deed.PUBLISH_EDITIONS)
@require_POST
def cancel(request: HttpRequest, kind: str, slug: str, pk: int) -> HttpResponse:
    """Take a time back."""
    subject = _subject(kind, slug)
    review.cancel_release(by=person(request), plan=get_object_or_404(subject.releaseplans, pk=pk))
    messages.success(request, "The time is taken back.")
    return redirect(_review_url(kind, slug))


@needs(Deed.PUBLISH_EDITIONS)
@require_POST
def embargo(request: HttpRequest, kind: str, slug: str) -> HttpResponse:
    """Hold everything in until a minute, or lift what holds it."""
    subject = _subject(kind, slug)
    is_lifting = "lift" in request.POST
    form = LiftForm(request.POST) if is_lifting else EmbargoForm(request.POST)
    if form.is_valid():
        given = form.cleaned_data
        try:
            set_embargo(
                by=person(request),
                subject=subject,
                ends_at=given.get("ends_at"),
                agreed=given["reason" if is_lifting else "agreed"],
            )
        except Refused as refused:
            _add(form, refused)
    if form.errors:
        shown = {"lift_form" if is_lifting else "embargo_form": form}
        return _page(request, subject, status=400, **shown)
    messages.success(request, "The embargo is lifted." if is_lifting else "The embargo is set.")
    return redirect(_review_url(kind, slug) + "#embargo")


@needs(Deed.PUBLISH_EDITIONS)
@require_POST
def make_preview(request: HttpRequest, kind: str, slug: str) -> HttpResponse:
    """A preview link for one person."""
    subject = _subject(kind, slug)
    form = PreviewForm(request.POST)
    if not form.is_valid():
        return _page(request, subject, status=400, preview_form=form)
    review.make_preview(by=person(request), subject=subject, **form.cleaned_data)
    messages.success(request, "The link is made. Copy it from the list.")
    return redirect(_review_url(kind, slug) + "#previews")


@needs(Deed.PUBLISH_EDITIONS)
@require_POST
def end_preview(request: HttpRequest, kind: str, slug: str, pk: int) -> HttpResponse:
    """End a preview link now."""
    subject = _subject(kind, slug)
    review.revoke_preview(by=person(request), link=get_object_or_404(subject.previewlinks, pk=pk))
    messages.success(request, "The link shows nothing any more.")
    return redirect(_review_url(kind, slug) + "#previews")


@login_not_required
@require_safe
@never_cache
def preview(request: HttpRequest, token: str) -> HttpResponse:
    """What a preview link shows, to whoever has it, until it ends."""
    link = review.preview_of(token)
    if link is None:
        return render(request, "reports/public/preview_ended.html", status=404)
    PreviewLink.objects.filter(pk=link.pk).update(
        seen_count=F("seen_count") + 1, last_seen_at=timezone.now()
    )
    answer = preview_page(request, link)
    answer["X-Robots-Tag"] = "noindex, nofollow"
    return answer


# --- makers ----------------------------------------------------------------------------------


@needs(Deed.SEE_FINDINGS, post=Deed.DRAFT_EDITIONS)
@require_http_methods(["GET", "HEAD", "POST"])
@never_cache
def makers(request: HttpRequest, slug: str) -> HttpResponse:
    """Requests to the makers of a study's items; a post asks one."""
    study = get_object_or_404(Study.objects.registered(), slug=slug)
    names = makers_of(study)
    form = AskForm(request.POST or None, makers=names)
    if request.method == "POST" and form.is_valid():
        try:
            asked = replies.ask_maker(by=person(request), study=study, **form.cleaned_data)
        except Refused as refused:
            _add(form, refused)
        else:
            messages.success(request, "Kept as sent. Print or copy it, and send it.")
            return redirect("desk-maker", slug, asked.pk)
    return render(
        request,
        "reports/desk/makers.html",
        {
            "study": study,
            "form": form,
            "requests": study.reply_requests.select_related("by").prefetch_related("answers__by"),
            "may_draft": may(request.user, Deed.DRAFT_EDITIONS),
        },
        status=400 if form.errors else 200,
    )


@needs(Deed.SEE_FINDINGS, post=Deed.DRAFT_EDITIONS)
@require_http_methods(["GET", "HEAD", "POST"])
@never_cache
def maker(request: HttpRequest, slug: str, pk: int) -> HttpResponse:
    """What one maker was sent; a post writes down what came back."""
    asked = get_object_or_404(
        ReplyRequest.objects.select_related("study", "by"), study__slug=slug, pk=pk
    )
    form = AnswerForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            replies.record_answer(by=person(request), request=asked, **form.cleaned_data)
        except Refused as refused:
            _add(form, refused)
        else:
            messages.success(request, "Written down.")
            return redirect(request.path)
    return render(
        request,
        "reports/desk/maker.html",
        {
            "study": asked.study,
            "asked": asked,
            "answers": asked.answers.select_related("by"),
            "form": form,
            "may_draft": may(request.user, Deed.DRAFT_EDITIONS),
        },
        status=400 if form.errors else 200,
    )


# --- the lab's own interests -----------------------------------------------------------------


@needs(Deed.SEE_FINDINGS, post=Deed.DRAFT_EDITIONS)
@require_http_methods(["GET", "HEAD", "POST"])
@never_cache
def interests(request: HttpRequest) -> HttpResponse:
    """Money and ties beside the gear; a post records one."""
    form = InterestForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        review.record_interest(by=person(request), fields=form.cleaned_data)
        messages.success(request, "Recorded. It is told on everything that goes out from now on.")
        return redirect("desk-interests")
    return render(
        request,
        "reports/desk/interests.html",
        {
            "form": form,
            "interests": Interest.objects.select_related("by"),
            "may_draft": may(request.user, Deed.DRAFT_EDITIONS),
        },
        status=400 if form.errors else 200,
    )


@needs(Deed.DRAFT_EDITIONS)
@require_POST
def end_interest(request: HttpRequest, pk: int) -> HttpResponse:
    """Say that an interest is over from today."""
    review.end_interest(
        by=person(request), interest=get_object_or_404(Interest, pk=pk), on=timezone.localdate()
    )
    messages.success(request, "Ended today.")
    return redirect("desk-interests")


@needs(Deed.ADMINISTER)
@require_http_methods(["GET", "HEAD", "POST"])
@never_cache
def exemption(request: HttpRequest) -> HttpResponse:
    """The small-lab exemption from a second person; a post records one by name."""
    form = ExemptionForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            review.set_exemption(by=person(request), **form.cleaned_data)
        except Refused as refused:
            _add(form, refused)
        else:
            messages.success(request, "Recorded with your name.")
            return redirect("small-lab")
    context: dict[str, Any] = {
        "form": form,
        "now": review.exemption_now(),
        "rows": SmallLabExemption.objects.select_related("by"),
    }
    return render(
        request, "reports/desk/exemption.html", context, status=400 if form.errors else 200
    )
