"""Pages beside the scorecards: comparisons, what goes first, products, methods, about, errors."""

from django.contrib.auth.decorators import login_not_required
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_safe

from labsite.errors import Refused
from labsite.kept_pages import kept
from labsite.roles import Deed, may, needs, person
from reports import reader_lists
from reports.error_reports import answer_error, sender_of, tell_error
from reports.forms import ErrorAnswerForm, ErrorReportForm
from reports.kept import lab_key, methods_key, site_key
from reports.models import ErrorReport
from specimens.models import Product
from trials.models import MethodRevision

REPORTS_SHOWN = 200


@login_not_required
@require_safe
@kept(site_key)
def compare(request: HttpRequest) -> HttpResponse:
    """One property over several scorecards."""
    context = reader_lists.compare_page(request.GET, request.GET.getlist("card"))
    return render(request, "reports/public/compare.html", context)


@login_not_required
@require_safe
@kept(site_key)
def goes_first(request: HttpRequest) -> HttpResponse:
    """Pooled loss by property and kind of gear, over everything published."""
    return render(request, "reports/public/goes_first.html", reader_lists.first_page())


@login_not_required
@require_safe
@kept(site_key)
def products(request: HttpRequest) -> HttpResponse:
    """Products that something is published on."""
    return render(
        request, "reports/public/products.html", {"products": reader_lists.products_list()}
    )


@login_not_required
@require_safe
@kept(lambda number: site_key())  # a product's own entry never changes
def product(request: HttpRequest, number: int) -> HttpResponse:
    """Everything published on one product; a product nothing is published on is nobody's business."""
    found = Product.objects.filter(pk=number, published_in__isnull=False).distinct().first()
    if found is None:
        raise Http404
    return render(
        request,
        "reports/public/product.html",
        reader_lists.product_page(found, request.GET.get("page", "")),
    )


@login_not_required
@require_safe
@kept(methods_key)
def methods(request: HttpRequest) -> HttpResponse:
    """Every method that is or was in force."""
    return render(request, "reports/public/methods.html", {"methods": reader_lists.methods_list()})


@login_not_required
@require_safe
def method_latest(request: HttpRequest, key: str) -> HttpResponse:
    """The newest revision of a method."""
    newest = (
        MethodRevision.objects.filter(method__key=key)
        .exclude(state=MethodRevision.State.DRAFT)
        .order_by("-number")
        .first()
    )
    if newest is None:
        raise Http404
    return HttpResponseRedirect(reverse("method", args=[key, newest.number]))


@login_not_required
@require_safe
@kept(lab_key)
def about(request: HttpRequest) -> HttpResponse:
    """How the lab works and how to read a card."""
    return render(request, "reports/public/about.html")


@login_not_required
@require_http_methods(["GET", "HEAD", "POST"])
@never_cache
def report_error(request: HttpRequest) -> HttpResponse:
    """A form for readers who found something wrong."""
    if request.method != "POST":
        page = request.GET.get("page", "").replace("\0", "")[:300]
        return render(
            request,
            "reports/public/report_error.html",
            {"form": ErrorReportForm(initial={"page": page})},
        )
    form = ErrorReportForm(request.POST)
    if form.is_valid():
        try:
            told = tell_error(sender=sender_of(request), **form.cleaned_data)
        except Refused as refused:
            for sentence in refused.sentences:
                form.add_error(None, sentence)
        else:
            return redirect("error-report", code=told.code)
    return render(request, "reports/public/report_error.html", {"form": form}, status=400)


@login_not_required
@require_safe
@never_cache
def error_report(request: HttpRequest, code: str) -> HttpResponse:
    """What became of a report, for whoever has its address."""
    found = get_object_or_404(ErrorReport, code=code)
    return render(request, "reports/public/error_report.html", {"report": found})


@needs(Deed.SEE_FINDINGS)
@require_safe
@never_cache
def desk_reports(request: HttpRequest) -> HttpResponse:
    """Errors that readers told us of, newest first."""
    return render(
        request,
        "reports/desk/error_reports.html",
        {
            "reports": ErrorReport.objects.all()[:REPORTS_SHOWN],
            "waiting": ErrorReport.objects.filter(state=ErrorReport.State.NEW).count(),
            "shown": REPORTS_SHOWN,
        },
    )


@needs(Deed.SEE_FINDINGS, post=Deed.DRAFT_EDITIONS)
@require_http_methods(["GET", "HEAD", "POST"])
@never_cache
def desk_report(request: HttpRequest, code: str) -> HttpResponse:
    """One report with the form for its answer."""
    found = get_object_or_404(ErrorReport.objects.select_related("answered_by"), code=code)
    may_answer = may(request.user, Deed.DRAFT_EDITIONS)
    form = ErrorAnswerForm(
        request.POST or None, initial={"state": found.state, "answer": found.answer}
    )
    status = 200
    if request.method == "POST":
        status = 400
        if form.is_valid():
            try:
                answer_error(by=person(request), report=found, **form.cleaned_data)
            except Refused as refused:
                for field, sentences in refused.problems.items():
                    for sentence in sentences:
                        form.add_error(field or None, sentence)
            else:
                return redirect("desk-error-reports")
    return render(
        request,
        "reports/desk/error_report.html",
        {"report": found, "form": form, "may_answer": may_answer},
        status=status,
    )
