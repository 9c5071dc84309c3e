"""The bench: choose a study, see its runs, enter one."""

import uuid as uuids
from dataclasses import asdict
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_POST, require_safe

from labsite.errors import Refused
from labsite.roles import Deed, may, needs, person
from specimens.codes import BadCode, clean_code
from trials import actions, queries
from trials.bench_queries import BenchAids, added_run_aids, bench_aids, for_aids, today
from trials.equipment import EquipmentChoice, choose_equipment
from trials.models import Photo, ReadingConflict, Run, RunVoid, Study
from trials.photos import strike_out_photo
from trials.quality_forms import EquipmentForm
from trials.quality_queries import run_equipment
from trials.rating import is_graded
from trials.serializers import run_from_form
from trials.watches import WatchDue, watches_due


@require_safe
@needs(Deed.ENTER_READINGS)
def index(request: HttpRequest) -> HttpResponse:
    """The studies whose question is fixed."""
    studies = queries.studies_with_counts(Study.objects.registered())
    return render(request, "trials/bench/index.html", {"studies": studies})


@never_cache
@needs(Deed.ENTER_READINGS)
def sheet(request: HttpRequest, slug: str) -> HttpResponse:
    """A study's runs by method, and adding one."""
    study = get_object_or_404(Study.objects.registered(), slug=slug)
    typed: dict[str, str] = {}
    problems: dict[str, list[str]] = {}
    if request.method == "POST" and not study.is_blind:
        typed = {
            name: request.POST.get(name, "") for name in ("specimen", "method", "zone", "site")
        }
        try:
            run = actions.plan_run_by_codes(by=person(request), study=study, **run_from_form(typed))
        except Refused as refused:
            problems = refused.problems
        else:
            messages.success(
                request, f"Added: {run.specimen.code}, {run.zone.name}, site {run.site}."
            )
            return redirect("bench-run", slug=slug, run_id=run.pk)
    code, code_problem = _searched_code(request.GET.get("specimen", ""), study)
    now = today(study)
    revisions = [used.revision for used in study.study_methods.select_related("revision__method")]
    watches = watches_due(study, revisions)
    context = {
        "sheet": queries.sheet(study, specimen=code),
        "today": now,
        "watches": watches,
        "watch_data": _watch_data(study, watches),
        "is_blind": study.is_blind,
        "graded": is_graded(study),
        "for_script": {
            "is_blind": study.is_blind,
            "runs": [
                {
                    "code": line.specimen,
                    "words": f"{line.zone_name}, {line.method_name.lower()}",
                    "address": reverse("bench-run", args=[slug, line.id]),
                }
                for line in now.runs
            ],
        },
        "detail": queries.study_detail(study),
        "zones": queries.zone_choices(study),
        "typed": typed,
        "problems": problems,
        "searched": request.GET.get("specimen", "")[:40],
        "code_problem": code_problem,
        "may_add": not study.is_blind,
        "trail": _trail(study),
    }
    return render(request, "trials/bench/sheet.html", context, status=400 if problems else 200)


@never_cache
@require_GET
@needs(Deed.ENTER_READINGS)
def run(request: HttpRequest, slug: str, run_id: int) -> HttpResponse:
    """The entry page. It shows no reading of any other specimen, which would be an anchor."""
    return _run_page(request, slug, run_id)


@never_cache
@require_GET
@needs(Deed.ENTER_READINGS)
def added_run(request: HttpRequest, slug: str, key: str) -> HttpResponse:
    """The entry page of a method for runs added on a tablet without network.

    A tablet keeps it, and names the specimen itself; the run is known here once it has arrived.
    """
    study = get_object_or_404(Study.objects.registered(), slug=slug, is_blind=False)
    used = get_object_or_404(
        study.study_methods.select_related("revision__method"), revision__method__key=key
    )
    user = person(request)
    shown = queries.added_run(study, used.revision, user)
    aids = added_run_aids(study, used.revision, user)
    context = {
        "aids": aids,
        "photo_shows": Photo.Shows.choices,
        "first_photo": _first_photo(shown),
        "run": shown,
        "for_script": _for_script(request, shown, aids),
        "trail": _trail(study, "Added on this tablet"),
    }
    return render(request, "trials/bench/added_run.html", context)


def _run_page(
    request: HttpRequest, slug: str, run_id: int, form: EquipmentForm | None = None
) -> HttpResponse:
    try:
        shown = queries.bench_run(run_id, slug=slug, user=person(request))
    except Run.DoesNotExist:
        raise Http404 from None
    study = get_object_or_404(Study.objects.registered(), slug=slug)
    row = for_aids(run_id, slug)
    aids = bench_aids(row, person(request))
    context = {
        "aids": aids,
        "photo_shows": Photo.Shows.choices,
        "first_photo": _first_photo(shown),
        "run": shown,
        "equipment": run_equipment(row),
        "equipment_form": form or EquipmentForm(run=row),
        "for_script": _for_script(request, shown, aids),
        "void_reasons": RunVoid.Reason.choices,
        "may_void": may(request.user, Deed.VOID_RUNS),
        "may_settle": may(request.user, Deed.SETTLE_READINGS),
        "trail": _trail(study, f"{shown.line.specimen}, site {shown.line.site}"),
    }
    return render(request, "trials/bench/run.html", context, status=form.status if form else 200)


@require_POST
@needs(Deed.ENTER_READINGS)
def equipment(request: HttpRequest, slug: str, run_id: int) -> HttpResponse:
    """What the run is made with, chosen before the reading."""
    row = get_object_or_404(
        Run.objects.select_related("revision", "study"), pk=run_id, study__slug=slug
    )
    form = EquipmentForm(request.POST, run=row)
    if not form.is_valid():
        return _run_page(request, slug, run_id, form)
    try:
        named = choose_equipment(
            by=person(request), run=row, choice=EquipmentChoice(**form.cleaned_data)
        )
    except Refused as refused:
        form.refuse(refused)
        return _run_page(request, slug, run_id, form)
    also = f" {named} other runs name the same instrument." if named else ""
    messages.success(request, f"Kept: what this run is made with.{also}")
    return redirect("bench-run", slug=slug, run_id=run_id)


@require_POST
@needs(Deed.SETTLE_READINGS)
def settle(request: HttpRequest, slug: str, run_id: int) -> HttpResponse:
    """A person looked at both entries: say how it was settled."""
    wanted = request.POST.get("conflict", "")
    conflict = get_object_or_404(
        ReadingConflict.objects.select_related("run"),
        pk=wanted if wanted.isascii() and wanted.isdigit() and len(wanted) < 19 else 0,
        run=run_id,
        run__study__slug=slug,
    )
    note = request.POST.get("note", "")[: queries.LONGEST_NOTE].replace("\0", "")
    try:
        actions.settle_conflict(by=person(request), conflict=conflict, note=note)
    except Refused as refused:
        messages.error(request, " ".join(refused.sentences))
    else:
        messages.success(request, "Settled. Both entries stay on record.")
    return redirect("bench-run", slug=slug, run_id=run_id)


@require_POST
@needs(Deed.VOID_RUNS)
def strike_out(request: HttpRequest, slug: str, run_id: int, photo_id: uuids.UUID) -> HttpResponse:
    """A photo that shows the wrong thing."""
    photo = get_object_or_404(
        Photo.objects.select_related("run"), pk=photo_id, run=run_id, run__study__slug=slug
    )
    reason = request.POST.get("reason", "")[:500].replace("\0", "")
    try:
        strike_out_photo(by=person(request), photo=photo, reason=reason)
    except Refused as refused:
        messages.error(request, " ".join(refused.sentences))
    else:
        messages.success(request, "Struck out. The photo stays readable with your reason.")
    return redirect("bench-run", slug=slug, run_id=run_id)


def _watch_data(study: Study, watches: tuple[WatchDue, ...]) -> list[dict[str, Any]]:
    """What the sheet's script counts down, in the order of the page."""
    return [
        {
            "study": study.slug,
            "method": watch.key,
            "number": watch.number,
            "kind": watch.kind,
            "minutes": watch.minutes,
            "last_at": watch.last_run_at and watch.last_run_at.isoformat(),
            "kept_from": watch.kept and watch.kept.started_at.isoformat(),
            "runs": watch.runs,
            "words": f"{watch.kind_words} after {watch.method.lower()}",
            "address": reverse("api-watch", args=["UUID"]),
        }
        for watch in watches
    ]


def _searched_code(text: str, study: Study) -> tuple[str, str]:
    if not text.strip():
        return "", ""
    if study.is_blind:
        number = text.strip().lower().removeprefix("item").strip()[:6]
        if number.isascii() and number.isdigit():
            return number, ""
        return "", "This study is blind: find runs by the number on the tag, such as 37."
    try:
        return clean_code(text[:40]), ""
    except BadCode as why:
        return "", str(why)


def _first_photo(shown: queries.BenchRun) -> str:
    """What the next photo most likely shows: a shot's end point, a grade's damage, else before."""
    if shown.kind == "grade":
        return Photo.Shows.GRADING
    if shown.kind == "challenge" or shown.line.readings:
        return Photo.Shows.EVENT if shown.kind == "challenge" else Photo.Shows.AFTER
    return Photo.Shows.BEFORE


def _for_script(request: HttpRequest, shown: queries.BenchRun, aids: BenchAids) -> dict[str, Any]:
    line = shown.line
    method = {"key": line.method_key, "number": line.method_number}
    return {
        "run": line.id,
        "kind": shown.kind,
        "unit": shown.unit,
        "user": person(request).pk,
        "decimals": shown.decimals,
        "derived": shown.derived_law and shown.derived_law._asdict(),
        "levels": [
            {"value": level.value, "words": level.words, "derived": level.derived_words}
            for level in shown.levels
        ],
        "readings": {
            str(reading.id): {"raw": reading.raw, "rater": reading.rater, "words": reading.words}
            for reading in line.current
        },
        "addresses": {
            "session": reverse("api-session"),
            "readings": reverse("api-reading", args=["UUID"]),
            # a run that only its tablet knows has no number yet
            "void": line.id and reverse("api-void", args=[line.id]),
            "checks": reverse("api-checks", kwargs=method),
            "photos": reverse("api-photo", args=["UUID"]),
            "equipment": reverse("api-equipment", args=["UUID"]),
            "photo_originals": reverse("api-photo-original", args=["UUID"]),
            "marks": reverse("api-mark", args=["UUID"]),
            "specimen_checks": reverse("api-specimen-check", args=["UUID"]),
        },
        "usual": aids.usual,
        "range": aids.reads,
        "step_rule": aids.step_rule,
        "shots": aids.shots and asdict(aids.shots),
        "specimen": {
            "code": aids.wanted_code,
            "is_blind": aids.is_blind,
            "zone": aids.zone,
            "zones": {zone.code: zone.words for zone in aids.zones},
        },
    }


def _trail(study: Study, here: str = "") -> list[dict[str, str]]:
    trail = [{"label": "Bench", "url": reverse("bench")}]
    trail.append({"label": study.title, "url": reverse("bench-sheet", args=[study.slug])})
    return [*trail, {"label": here, "url": ""}] if here else trail
