"""The API of findings and scorecards. Scorecards are public; findings are not, until published."""

from django.contrib.auth.decorators import login_not_required
from django.shortcuts import get_object_or_404
from django.utils.decorators import method_decorator
from drf_spectacular.types import OpenApiTypes
from rest_framework.permissions import AllowAny
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from labsite.api_policy import DeedView
from labsite.models import User
from labsite.roles import Deed
from reports import queries
from reports.content import finding_content, left_out, trends_content
from reports.models import Edition
from trials.leaving_out import left_out_now
from trials.models import Study
from trials.studies import is_closed, note_look

# The content of an edition grows with the program; its own files describe it (Data Package).
FREE = OpenApiTypes.OBJECT


class FindingsView(DeedView):
    """A study's findings as they stand, and whether they have seen every reading."""

    deeds = {"GET": Deed.SEE_FINDINGS}
    gives = {"GET": FREE}

    def get(self, request: Request, slug: str) -> Response:
        """Answer with the findings; `is_current` is false while newer ones are computed."""
        study = get_object_or_404(Study, slug=slug)
        where = queries.standing(study)
        summary = None if is_closed(study) else where.summary
        findings = queries.findings_for_page(summary) if summary else []
        if findings and isinstance(request.user, User):
            note_look(by=request.user, study=study)
        return Response(
            {
                "study": study.slug,
                "is_current": where.is_current,
                "inputs_digest": where.summary.inputs_digest if where.summary else None,
                "engine": where.summary.engine_version if where.summary else None,
                "findings": [finding_content(f) for f in findings],
                "trends": trends_content(summary) if summary else [],
                "left_out": left_out(study, summary, left_out_now(study)) if summary else [],
            }
        )


@method_decorator(login_not_required, name="dispatch")
class ScorecardsView(APIView):
    """Every published scorecard in its newest edition."""

    gives = {"GET": FREE}

    authentication_classes = ()
    permission_classes = (AllowAny,)

    def get(self, request: Request) -> Response:
        """Answer with one line a scorecard."""
        return Response(
            {
                "scorecards": [
                    {
                        "study": e.study.slug,
                        "edition": e.number,
                        "headline": e.headline,
                        "published_at": e.published_at.isoformat(),
                        "digest": e.digest,
                    }
                    for e in queries.latest_editions()
                ]
            }
        )


@method_decorator(login_not_required, name="dispatch")
class ScorecardView(APIView):
    """One edition as it was frozen."""

    gives = {"GET": FREE}

    authentication_classes = ()
    permission_classes = (AllowAny,)

    def get(self, request: Request, slug: str, number: int) -> Response:
        """Answer with the edition's content and its digest."""
        edition = get_object_or_404(Edition, study__slug=slug, number=number)
        return Response(edition.content | {"digest": edition.digest})
