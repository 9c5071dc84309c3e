"""Leaving a valid run out of a named analysis, and taking it in again.

Void, left out and amended are three different things. A void run did not measure the thing. A run
that is left out did, and stays in the analysis as registered; a second analysis with a name of its
own is made without it, and both are shown.
"""

from django.db import IntegrityError, transaction
from django.utils import timezone

from labsite import audit
from labsite.errors import Refused
from labsite.models import User
from trials.actions import mark_changed
from trials.models import Reading, Run, RunExclusion, RunVoid, Study, StudyLook

MOST_NAME = 80


def left_out_now(study: Study) -> list[RunExclusion]:
    """What is left out at present, by analysis and run. One query."""
    newest: dict[tuple[str, int], RunExclusion] = {}
    rows = RunExclusion.objects.filter(run__study=study, run__void__isnull=True).select_related(
        "by", "run__specimen", "run__zone", "run__revision__method"
    )
    for row in rows.order_by("analysis", "run__position", "run", "number"):
        newest[row.analysis, row.run_id] = row
    return [row for row in newest.values() if row.leaves_out]


def may_be_left_out(study: Study) -> list[Run]:
    """Runs with a reading that are not void, in the order of the sheet."""
    read = Reading.objects.filter(run__study=study).values("run")
    return list(
        study.runs.filter(pk__in=read, void__isnull=True)
        .select_related("specimen", "zone", "revision__method")
        .order_by("revision__method__property", "position", "pk")
    )


@transaction.atomic
def leave_out(
    *, by: User, run: Run, analysis: str, reason: str, value_was_known: bool
) -> RunExclusion:
    """Leave a valid run out of the analysis of this name; the registered one keeps it."""
    name = " ".join(analysis.split())
    problems: dict[str, list[str]] = {}
    if not name:
        problems["analysis"] = ["Give the analysis a name."]
    elif len(name) > MOST_NAME:
        problems["analysis"] = [f"At most {MOST_NAME} letters."]
    if not reason.strip():
        problems["reason"] = ["Say why it is left out."]
    if RunVoid.objects.filter(run=run).exists():
        problems["run"] = ["This run is void: it is in no analysis."]
    elif not Reading.objects.filter(run=run).exists():
        problems["run"] = ["Nothing was read in this run: there is nothing to leave out."]
    elif not value_was_known and (why := _why_known(by, run)):
        problems["value_was_known"] = [why]
    if problems:
        raise Refused(problems)
    return _follow(
        by=by,
        run=run,
        analysis=_spelt_as_before(run.study, name),
        leaves_out=True,
        reason=reason.strip(),
        value_was_known=value_was_known,
    )


@transaction.atomic
def take_in_again(*, by: User, run: Run, analysis: str, reason: str) -> RunExclusion:
    """Take a run that was left out into the named analysis again; the record keeps both."""
    if not reason.strip():
        raise Refused({"reason": ["Say why it is taken in again."]})
    return _follow(
        by=by,
        run=run,
        analysis=analysis,
        leaves_out=False,
        reason=reason.strip(),
        value_was_known=True,
    )


def _follow(
    *, by: User, run: Run, analysis: str, leaves_out: bool, reason: str, value_was_known: bool
) -> RunExclusion:
    last = RunExclusion.objects.filter(run=run, analysis=analysis).order_by("-number").first()
    standing = last is not None and last.leaves_out
    already = {
        "run": [
            "This run is left out of this analysis already."
            if leaves_out
            else "This run is not left out of this analysis."
        ]
    }
    if standing == leaves_out:
        raise Refused(already)
    try:
        with transaction.atomic():
            row = RunExclusion.objects.create(
                run=run,
                analysis=analysis,
                number=last.number + 1 if last else 1,
                leaves_out=leaves_out,
                reason=reason,
                value_was_known=value_was_known,
                at=timezone.now(),
                by=by,
            )
    except IntegrityError:
        # somebody else wrote the next row between our look and our write
        raise Refused(already) from None
    audit.record(
        by=by,
        verb="left out run" if leaves_out else "took run in again",
        subject=run,
        detail={"analysis": analysis, "reason": reason, "value_was_known": value_was_known},
    )
    mark_changed(run.study)
    return row


def _spelt_as_before(study: Study, name: str) -> str:
    """The name as an analysis of this study has it already, whatever its capitals."""
    known = RunExclusion.objects.filter(run__study=study).values_list("analysis", flat=True)
    return next((one for one in known.distinct() if one.casefold() == name.casefold()), name)


def _why_known(by: User, run: Run) -> str:
    if Reading.objects.filter(run=run, by=by).exists():
        return "You entered this reading, so its value was known to you."
    if StudyLook.objects.filter(study=run.study, by=by, kind=StudyLook.Kind.FINDINGS).exists():
        return "You have seen findings of this study, so what it showed was known to you."
    return ""
