"""Pages of the lab office: what there is, what waits, studies, plans and files of readings."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from labsite.errors import Refused
from labsite.roles import Deed, may, needs, person
from labsite.tables import BadFile, problem_rows, table_of
from specimens.actions import add_zone as add_zone_to_product
from specimens.import_views import as_file, columns_page
from specimens.imports import ColumnsForm, guessed
from specimens.models import Product, Specimen
from specimens.queries import exposure, exposure_words, service_lines
from specimens.trails import lab_trail
from specimens.words import count_words
from trials import actions, lab_actions, lab_queries, queries, uploads
from trials.forms import (
    MOST_ARMS,
    FinderForm,
    LabSpecimenFilter,
    PlanForm,
    SettleForm,
    StudyForm,
    UploadForm,
    ZoneForm,
    like_initial,
    matched_initial,
    own_initial,
    typed_so_far,
)
from trials.models import MethodRevision, ReadingConflict, ReadingUpload, Study
from trials.planning import spoils_words, stage_of
from trials.plans.design import STAGE_WORDS
from trials.readings_csv import COLUMNS, MOST_BYTES, NEEDED
from trials.specimen_finder import Finding, find_specimens
from trials.studies import check_is_open, is_closed

if TYPE_CHECKING:
    pass

PAGE_LENGTH = 100
PROBLEMS_SHOWN = 300
ROWS_SHOWN = 20
Trail = list[dict[str, str]]


@needs(Deed.SEE_LAB)
def start(request: HttpRequest) -> HttpResponse:
    context = {
        "start": lab_queries.lab_start(),
        "may_manage": may(request.user, Deed.MANAGE_STUDIES),
        "may_write_emergency": may(request.user, Deed.MANAGE_RECORDS),
        "may_upload": may(request.user, Deed.UPLOAD_READINGS),
        "trail": lab_trail()[:1],
    }
    return render(request, "trials/lab/start.html", context)


# --- specimens -------------------------------------------------------------------------------


@needs(Deed.SEE_LAB)
def specimens(request: HttpRequest) -> HttpResponse:
    form = LabSpecimenFilter(request.GET or None)
    wanted = form.cleaned_data if form.is_valid() else {}
    product, arm = wanted.get("product"), wanted.get("arm")
    chosen = lab_queries.chosen_specimens(
        code=wanted.get("code", ""),
        product=product.pk if product else None,
        arm=arm.pk if arm else None,
    )
    query = request.GET.copy()
    query.pop("page", None)
    context = {
        "form": form,
        "page": Paginator(chosen, PAGE_LENGTH).get_page(request.GET.get("page")),
        "query": f"{query.urlencode()}&" if query else "",
        "may_manage": may(request.user, Deed.MANAGE_RECORDS),
        "trail": lab_trail("Specimens"),
    }
    return render(request, "trials/lab/specimens.html", context)


@needs(Deed.SEE_LAB)
def specimen(request: HttpRequest, code: str) -> HttpResponse:
    shown = get_object_or_404(Specimen.objects.select_related("product"), code=code.upper())
    known = exposure(shown, timezone.localdate())
    context = {
        "specimen": shown,
        "exposure": known,
        "exposure_words": exposure_words(known),
        "service": service_lines(shown),
        "memberships": shown.memberships.select_related("arm", "study"),
        "runs": lab_queries.runs_of_specimen(shown),
        "may_manage": may(request.user, Deed.MANAGE_RECORDS),
        "trail": lab_trail(("Specimens", reverse("lab-specimens")), shown.code),
    }
    return render(request, "trials/lab/specimen.html", context)


@needs(Deed.MANAGE_RECORDS)
def add_zone(request: HttpRequest, pk: int) -> HttpResponse:
    product = get_object_or_404(Product, pk=pk)
    form = ZoneForm(request.POST or None)
    if form.is_valid():
        try:
            zone = add_zone_to_product(by=person(request), product=product, **form.cleaned_data)
        except Refused as refused:
            form.refuse(refused)
        else:
            messages.success(request, f"{zone.name} is in the record.")
            return redirect("lab-product", pk=pk)
    address = reverse("lab-product", args=[pk])
    trail = lab_trail(("Products", reverse("lab-products")), (str(product), address), "Add a zone")
    context = {"form": form, "product": product, "trail": trail}
    return render(request, "trials/lab/add_zone.html", context, status=form.status)


# --- methods ---------------------------------------------------------------------------------


@needs(Deed.SEE_LAB)
def methods(request: HttpRequest) -> HttpResponse:
    revisions = MethodRevision.objects.select_related("method").order_by("method__name", "-number")
    context = {
        "revisions": revisions,
        "may_manage": may(request.user, Deed.MANAGE_RECORDS),
        "trail": lab_trail("Methods"),
    }
    return render(request, "trials/lab/methods.html", context)


@needs(Deed.SEE_LAB)
def method_revision(request: HttpRequest, key: str, number: int) -> HttpResponse:
    revision = get_object_or_404(
        MethodRevision.objects.select_related("method"), method__key=key, number=number
    )
    trail = lab_trail(("Methods", reverse("lab-methods")), str(revision))
    context = {
        "revision": revision,
        "scale": revision.scale,
        "order_words": STAGE_WORDS[stage_of(revision)],
        "spoils_words": spoils_words(revision),
        "trail": trail,
    }
    return render(request, "trials/lab/method.html", context)


# --- studies ---------------------------------------------------------------------------------


@needs(Deed.SEE_LAB)
def studies(request: HttpRequest) -> HttpResponse:
    context = {
        "studies": queries.studies_with_counts(Study.objects.all()),
        "may_manage": may(request.user, Deed.MANAGE_STUDIES),
        "trail": lab_trail("Studies"),
    }
    return render(request, "trials/lab/studies.html", context)


@needs(Deed.SEE_LAB)
def study(request: HttpRequest, slug: str) -> HttpResponse:
    shown = get_object_or_404(Study.objects.select_related("registered_by"), slug=slug)
    context = {
        "shown": lab_queries.study_page(shown),
        "study": shown,
        "may_manage": may(request.user, Deed.MANAGE_STUDIES),
        "may_upload": may(request.user, Deed.UPLOAD_READINGS),
        "is_closed": is_closed(shown),
        "trail": lab_trail(("Studies", reverse("lab-studies")), shown.title),
    }
    return render(request, "trials/lab/study.html", context)


@needs(Deed.MANAGE_STUDIES)
def add_study(request: HttpRequest) -> HttpResponse:
    like = Study.objects.filter(slug=request.GET.get("like", "")[:60]).first()
    context = {
        "like": like,
        "trail": lab_trail(("Studies", reverse("lab-studies")), "Add a study"),
    }
    if _is_finding(request):
        return _finder_page(request, context)
    initial = like_initial(like) if like else matched_initial(request.GET)
    form = StudyForm(request.POST or None, initial=initial)
    if form.is_valid():
        try:
            added = actions.create_study(by=person(request), **form.cleaned_data)
        except Refused as refused:
            form.refuse(refused)
        else:
            messages.success(request, "The study is kept. It takes readings once it is registered.")
            return redirect("lab-study", slug=added.slug)
    return _study_form_page(request, form, context)


@needs(Deed.MANAGE_STUDIES)
def change_study(request: HttpRequest, slug: str) -> HttpResponse:
    shown = get_object_or_404(Study, slug=slug)
    context = {"study": shown, "trail": _trail_of(shown, "Change")}
    if _is_finding(request):
        return _finder_page(request, context)
    form = StudyForm(request.POST or None, initial=own_initial(shown))
    if form.is_valid():
        try:
            changed = actions.change_study(by=person(request), study=shown, **form.cleaned_data)
        except Refused as refused:
            form.refuse(refused)
        else:
            messages.success(request, "The study is changed.")
            return redirect("lab-study", slug=changed.slug)
    return _study_form_page(request, form, context)


def _is_finding(request: HttpRequest) -> bool:
    return request.method == "POST" and ("look" in request.POST or "put" in request.POST)


def _finder_page(request: HttpRequest, context: Mapping[str, Any]) -> HttpResponse:
    """The form as typed so far, with specimens that fit, or with the ticked ones put in an arm."""
    boxes = typed_so_far(request.POST)
    finder = FinderForm(request.POST, labels=_arm_labels(boxes))
    found = None
    if finder.is_valid():
        found = find_specimens(finder.wanted, timezone.localdate())
        if "put" in request.POST:
            put_in = finder.cleaned_data["arm"] or 1
            name = f"arm_{put_in}_codes"
            there = boxes[name].replace(",", " ").replace(";", " ").split()
            known = {code.partition("=")[0] for code in there}
            ticked = [code for code in request.POST.getlist("ticked") if code not in known]
            boxes[name] = " ".join([*there, *ticked])
            context = {**context, "put_count": len(ticked), "put_in": put_in}
    form = StudyForm(initial=boxes)
    return _study_form_page(request, form, context, finder=finder, found=found)


def _study_form_page(
    request: HttpRequest,
    form: StudyForm,
    context: Mapping[str, Any],
    *,
    finder: FinderForm | None = None,
    found: Finding | None = None,
) -> HttpResponse:
    given = typed_so_far(request.POST) if request.method == "POST" else form.initial
    context = {
        **context,
        "form": form,
        "finder": finder or FinderForm(labels=_arm_labels(given)),
        "found": found,
    }
    status = 400 if finder is not None and finder.errors else form.status
    return render(request, "trials/lab/add_study.html", context, status=status)


def _arm_labels(boxes: Mapping[str, Any]) -> dict[int, str]:
    return {n: str(boxes.get(f"arm_{n}_label", "")) for n in range(1, MOST_ARMS + 1)}


@needs(Deed.MANAGE_STUDIES)
def register_study(request: HttpRequest, slug: str) -> HttpResponse:
    shown = get_object_or_404(Study, slug=slug)
    problems: dict[str, list[str]] = {}
    if request.method == "POST":
        try:
            actions.register_study(by=person(request), study=shown)
        except Refused as refused:
            problems = refused.problems
        else:
            messages.success(request, f"{shown.title} is registered.")
            return redirect("lab-study", slug=slug)
    context = {
        "shown": lab_queries.study_page(shown),
        "study": shown,
        "problems": problems,
        "trail": _trail_of(shown, "Register"),
    }
    return render(request, "trials/lab/register.html", context, status=400 if problems else 200)


@needs(Deed.MANAGE_STUDIES)
def plan(request: HttpRequest, slug: str) -> HttpResponse:
    shown = get_object_or_404(Study, slug=slug)
    zones = [(zone.code, f"{zone.code}: {zone.words}") for zone in queries.zone_choices(shown)]
    form = PlanForm(request.POST or None, study=shown, zones=zones)
    tried: list[lab_actions.PlannedRun] = []
    if form.is_valid():
        try:
            tried = lab_actions.plan_runs(
                by=person(request),
                study=shown,
                revision=form.cleaned_data["method"].revision,
                zone_code=form.cleaned_data["zone"],
                runs_each=form.cleaned_data["runs_each"],
                only_try="plan" not in request.POST,
            )
        except Refused as refused:
            form.refuse(refused)
        else:
            if "plan" in request.POST:
                messages.success(request, f"{len(tried)} runs are on the sheet.")
                return redirect("lab-study", slug=slug)
    context = {
        "form": form,
        "study": shown,
        "tried": tried,
        "is_whole": bool(tried) and not any(one.problem for one in tried),
        "trail": _trail_of(shown, "Plan runs"),
    }
    return render(request, "trials/lab/plan.html", context, status=form.status)


# --- readings from a file --------------------------------------------------------------------


@needs(Deed.UPLOAD_READINGS)
def template_file(request: HttpRequest, slug: str, ending: str) -> HttpResponse:
    shown = get_object_or_404(Study, slug=slug)
    return as_file(lab_queries.template_of(shown), f"readings-{shown.slug}", ending)


@require_safe
@needs(Deed.SEE_LAB)
def readings_file(request: HttpRequest, slug: str, ending: str) -> HttpResponse:
    shown = get_object_or_404(Study, slug=slug)
    check_is_open(shown)
    return as_file(lab_queries.readings_of(shown), f"all-readings-{shown.slug}", ending)


@needs(Deed.UPLOAD_READINGS)
def add_file(request: HttpRequest, slug: str) -> HttpResponse:
    shown = get_object_or_404(Study, slug=slug)
    is_sent = request.method == "POST"
    form = UploadForm(request.POST, request.FILES) if is_sent else UploadForm()
    if form.is_valid():
        file = form.cleaned_data["file"]
        try:
            upload = uploads.receive_upload(
                by=person(request),
                study=shown,
                file_name=file.name,
                content=file.read(),
            )
        except Refused as refused:
            form.refuse(refused)
        else:
            return redirect("lab-file", slug=slug, pk=upload.pk)
    context = {"form": form, "study": shown, "trail": _trail_of(shown, "Readings from a file")}
    return render(request, "trials/lab/add_file.html", context, status=form.status)


@needs(Deed.UPLOAD_READINGS)
def file(request: HttpRequest, slug: str, pk: int) -> HttpResponse:
    return _file_page(request, _upload(slug, pk), {})


@require_POST
@needs(Deed.UPLOAD_READINGS)
def store_file(request: HttpRequest, slug: str, pk: int) -> HttpResponse:
    upload = _upload(slug, pk)
    try:
        count = uploads.store_upload(by=person(request), upload=upload)
    except Refused as refused:
        upload.refresh_from_db()
        return _file_page(request, upload, refused.problems)
    stored = count_words(count, "line", "lines")
    messages.success(request, f"Stored {stored} of {upload.file_name}.")
    return redirect("lab-study", slug=slug)


@needs(Deed.UPLOAD_READINGS)
def problems_csv(request: HttpRequest, slug: str, pk: int) -> HttpResponse:
    upload = _upload(slug, pk)
    name = f"problems-{upload.study.slug}-{upload.pk}"
    looked_at = uploads.preview(upload)
    return as_file(problem_rows(looked_at.file_problem, looked_at.problems), name, "csv")


@needs(Deed.UPLOAD_READINGS)
def file_columns(request: HttpRequest, slug: str, pk: int) -> HttpResponse:
    upload = _upload(slug, pk)
    address = reverse("lab-file", args=[slug, pk])
    problems: dict[str, list[str]] = {}
    try:
        header = table_of(bytes(upload.content), most_bytes=MOST_BYTES).header
    except BadFile:
        return redirect(address)  # the page of the file says why
    form = ColumnsForm(
        request.POST or None,
        header=header,
        columns=dict.fromkeys(COLUMNS, ""),
        needed=NEEDED,
        initial=upload.columns or guessed(COLUMNS, header),
    )
    if form.is_valid():
        try:
            uploads.choose_columns(by=person(request), upload=upload, columns=form.cleaned_data)
        except Refused as refused:
            problems = refused.problems
        else:
            return redirect(address)
    return columns_page(
        request,
        form,
        header,
        file_name=upload.file_name,
        problems=problems,
        trail=_trail_of(upload.study, "Columns"),
        back=reverse("lab-file-add", args=[slug]),
    )


def _upload(slug: str, pk: int) -> ReadingUpload:
    found = ReadingUpload.objects.select_related("study", "by")
    return get_object_or_404(found, study__slug=slug, pk=pk)


def _file_page(
    request: HttpRequest, upload: ReadingUpload, problems: dict[str, list[str]]
) -> HttpResponse:
    looked_at = None if upload.stored_at else uploads.preview(upload)
    context = {
        "upload": upload,
        "study": upload.study,
        "preview": looked_at,
        "problems": looked_at.problems[:PROBLEMS_SHOWN] if looked_at else [],
        "rows": looked_at.rows[:ROWS_SHOWN] if looked_at else [],
        "sound_words": count_words(len(looked_at.rows) if looked_at else 0, "line", "lines"),
        "problem_words": count_words(
            len(looked_at.problems) if looked_at else 0, "problem", "problems"
        ),
        "same_words": count_words(looked_at.same_count if looked_at else 0, "line", "lines"),
        "stored_words": count_words(upload.row_count, "line", "lines"),
        "refusal": problems,
        "trail": _trail_of(upload.study, upload.file_name),
    }
    return render(request, "trials/lab/file.html", context, status=409 if problems else 200)


# --- second readings -------------------------------------------------------------------------


@needs(Deed.SEE_LAB)
def conflicts(request: HttpRequest) -> HttpResponse:
    waiting = ReadingConflict.objects.filter(settled_at__isnull=True)
    settled = ReadingConflict.objects.filter(settled_at__isnull=False).order_by("-settled_at")
    context = {
        "waiting": lab_queries.conflict_rows(waiting, for_whom=person(request)),
        "settled": lab_queries.conflict_rows(settled, for_whom=person(request))[:PAGE_LENGTH],
        "may_settle": may(request.user, Deed.SETTLE_READINGS),
        "trail": lab_trail("Second readings"),
    }
    return render(request, "trials/lab/conflicts.html", context)


@needs(Deed.SETTLE_READINGS)
def settle_conflict(request: HttpRequest, pk: int) -> HttpResponse:
    conflict = get_object_or_404(ReadingConflict, pk=pk)
    form = SettleForm(request.POST or None)
    if form.is_valid():
        try:
            lab_actions.settle_conflict(by=person(request), conflict=conflict, **form.cleaned_data)
        except Refused as refused:
            form.refuse(refused)
        else:
            messages.success(request, "Settled. Both entries stay readable.")
            return redirect("lab-conflicts")
    context = {
        "form": form,
        "row": lab_queries.conflict_rows(
            ReadingConflict.objects.filter(pk=pk), for_whom=person(request)
        )[0],
        "trail": lab_trail(("Second readings", reverse("lab-conflicts")), "Settle"),
    }
    return render(request, "trials/lab/settle.html", context, status=form.status)


def _trail_of(shown: Study, here: str) -> Trail:
    return lab_trail(
        ("Studies", reverse("lab-studies")),
        (shown.title, reverse("lab-study", args=[shown.slug])),
        here,
    )
