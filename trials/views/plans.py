"""Pages of a study's plans: draw, look, change by hand, put on the sheet, print."""

from typing import TYPE_CHECKING

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_POST

from labsite.errors import Refused
from labsite.roles import Deed, may, needs, person
from specimens.trails import lab_trail
from trials import plan_queries, planning, studies
from trials.models import Plan, Study, StudyLook
from trials.plan_forms import DrawForm, PinForm, draw_initial

if TYPE_CHECKING:
    pass


@needs(Deed.MANAGE_STUDIES)
def draw(request: HttpRequest, slug: str) -> HttpResponse:
    study = get_object_or_404(Study, slug=slug)
    standing = study.plans.exclude(state=Plan.State.REPLACED).last()
    initial = draw_initial(planning.wants_of(standing)) if standing else {}
    form = DrawForm(request.POST or None, study=study, initial=initial)
    if form.is_valid():
        try:
            plan = planning.draw_plan(by=person(request), study=study, **form.cleaned_data)
        except Refused as refused:
            form.refuse(refused)
        else:
            return redirect("lab-plan-show", slug=slug, number=plan.number)
    context = {
        "form": form,
        "study": study,
        "standing": study.plans.filter(state=Plan.State.IN_FORCE).first(),
        "trail": _trail(study, "Draw a plan"),
    }
    return render(request, "trials/plans/draw.html", context, status=form.status)


@needs(Deed.SEE_LAB)
def show(request: HttpRequest, slug: str, number: int) -> HttpResponse:
    return _plan_page(request, _plan(slug, number), {})


@require_POST
@needs(Deed.MANAGE_STUDIES)
def pin(request: HttpRequest, slug: str, number: int) -> HttpResponse:
    plan = _plan(slug, number)
    form = PinForm(request.POST)
    problems: dict[str, list[str]] = {}
    if form.is_valid():
        try:
            planning.pin_slot(by=person(request), plan=plan, **form.cleaned_data)
        except Refused as refused:
            problems = refused.problems
    else:
        problems = {"session": ["A session is a whole number from 1 to 200."]}
    if problems:
        return _plan_page(request, plan, problems)
    address = reverse("lab-plan-show", args=[slug, number])
    return redirect(f"{address}#{form.cleaned_data['slot'].replace(':', '-')}")


@require_POST
@needs(Deed.MANAGE_STUDIES)
def accept(request: HttpRequest, slug: str, number: int) -> HttpResponse:
    plan = _plan(slug, number)
    try:
        planning.accept_plan(by=person(request), plan=plan)
    except Refused as refused:
        return _plan_page(request, plan, refused.problems)
    messages.success(request, f"Plan {number} is on the sheet: {len(plan.slots)} runs.")
    return redirect("lab-progress", slug=slug)


@needs(Deed.SEE_LAB)
def sheet(request: HttpRequest, slug: str, session: int) -> HttpResponse:
    study = get_object_or_404(Study, slug=slug)
    printed = plan_queries.printed_sheet(study, session)
    if printed is None:
        raise Http404("This session has no run.")
    context = {
        "sheet": printed,
        "study": study,
        "trail": _trail(study, f"Run sheet, session {session}"),
    }
    return render(request, "trials/plans/sheet.html", context)


@needs(Deed.MANAGE_STUDIES)
def codes(request: HttpRequest, slug: str) -> HttpResponse:
    """The key to the blind codes. Opening it is written down."""
    study = get_object_or_404(Study, slug=slug, is_blind=True)
    if request.method == "POST":
        studies.note_look(by=person(request), study=study, kind=StudyLook.Kind.CODES)
    context = {
        "study": study,
        "rows": plan_queries.code_key(study) if request.method == "POST" else None,
        "trail": _trail(study, "Key to the codes"),
    }
    return render(request, "trials/plans/codes.html", context)


def _plan(slug: str, number: int) -> Plan:
    found = Plan.objects.select_related("study", "made_by")
    return get_object_or_404(found, study__slug=slug, number=number)


def _plan_page(request: HttpRequest, plan: Plan, problems: dict[str, list[str]]) -> HttpResponse:
    context = {
        "shown": plan_queries.plan_page(plan),
        "plan": plan,
        "study": plan.study,
        "problems": problems,
        "may_change": plan.state == Plan.State.DRAFT and may(request.user, Deed.MANAGE_STUDIES),
        "trail": _trail(plan.study, f"Plan {plan.number}"),
    }
    return render(request, "trials/plans/plan.html", context, status=409 if problems else 200)


def _trail(study: Study, here: str) -> list[dict[str, str]]:
    return lab_trail(
        ("Studies", reverse("lab-studies")),
        (study.title, reverse("lab-study", args=[study.slug])),
        here,
    )
