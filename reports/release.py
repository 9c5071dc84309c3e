"""Lets signed scorecards and episodes out at their minute: a job that waits for its time."""

from typing import Any

from django.utils import timezone

from labsite import audit
from labsite.errors import Refused
from labsite.jobs import JobKind, ReportProgress
from reports.actions import publish_edition
from reports.episodes import episode_digest, release_episode
from reports.models import ReleasePlan
from reports.review import RELEASE, study_digest


def compute_release(payload: dict[str, Any], report_progress: ReportProgress) -> dict[str, Any]:
    """Nothing to compute ahead: what counts is the state at the moment it goes out."""
    return {"plan": payload["plan"]}


def store_release(payload: dict[str, Any], result: dict[str, Any]) -> None:
    """Release, or hold back and say why. Runs in the transaction that ends the job."""
    plan = ReleasePlan.objects.select_for_update().get(pk=payload["plan"])
    if plan.state != ReleasePlan.State.WAITING:
        return
    if plan.episode is not None:
        # its scorecards go first when their minute has come too
        due = ReleasePlan.objects.filter(
            study__in=plan.episode.studies.all(),
            state=ReleasePlan.State.WAITING,
            release_at__lte=timezone.now(),
        )
        for earlier in due:
            _let_out(earlier)
    _let_out(plan)


def _let_out(plan: ReleasePlan) -> None:
    subject = plan.study or plan.episode
    try:
        digest = study_digest(plan.study) if plan.study else episode_digest(plan.episode_of)
        if digest != plan.sign_off.digest:
            raise Refused("Words or findings changed after the sign-off.")
        if plan.study:
            told = f"Edition {publish_edition(by=plan.by, study=plan.study).number} went out."
        else:
            edition = release_episode(by=plan.by, episode=plan.episode_of)
            told = f"Edition {edition.number} went out."
        state = ReleasePlan.State.RELEASED
    except Refused as refused:
        state, told = ReleasePlan.State.HELD, " ".join(refused.sentences)
    plan.state = state
    plan.outcome = told
    plan.ended_at = timezone.now()
    plan.save(update_fields=["state", "outcome", "ended_at"])
    if subject is not None:
        audit.record(
            by=None, verb=f"release {state.label}", subject=subject, detail={"outcome": told}
        )


RELEASE_KIND = JobKind(name=RELEASE, compute=compute_release, store=store_release)
