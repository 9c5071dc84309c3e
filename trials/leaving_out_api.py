"""The API for valid runs left out of a named analysis, and taken in again."""

from collections.abc import Mapping
from typing import Any, ClassVar

from django.shortcuts import get_object_or_404
from rest_framework import serializers, status
from rest_framework.request import Request
from rest_framework.response import Response

from labsite.errors import Refused
from labsite.roles import Deed, person
from trials.api import BenchView
from trials.leaving_out import MOST_NAME, leave_out, left_out_now, take_in_again
from trials.models import RunExclusion, Study
from trials.queries import LONGEST_NOTE
from trials.serializers import LARGEST_ID, Given, TrueOrFalse


class GivenLeftOut(Given):
    """A valid run of this study, and the analysis that is made without it beside the whole one."""

    run = serializers.IntegerField(min_value=1, max_value=LARGEST_ID)
    analysis = serializers.CharField(max_length=MOST_NAME)
    reason = serializers.CharField(max_length=LONGEST_NOTE)
    value_was_known = TrueOrFalse()


class GivenTakenIn(Given):
    """Why the run is in this analysis again."""

    reason = serializers.CharField(max_length=LONGEST_NOTE)


class ExclusionAnswer(serializers.Serializer[Any]):
    """One row of the record: a run left out of an analysis, or taken into it again."""

    id = serializers.IntegerField()
    run = serializers.IntegerField(source="run_id")
    analysis = serializers.CharField()
    number = serializers.IntegerField()
    leaves_out = serializers.BooleanField()
    reason = serializers.CharField()
    value_was_known = serializers.BooleanField()
    by = serializers.CharField(source="by.display_name")
    at = serializers.DateTimeField()


class LeftOutAnswer(serializers.Serializer[Any]):
    """What is left out now, and every row of the record, oldest first."""

    now = ExclusionAnswer(many=True)
    record = ExclusionAnswer(many=True)


class LeftOutView(BenchView):
    """Valid runs left out of a second analysis with a name. The registered one keeps them all."""

    deeds: ClassVar[Mapping[str, Deed]] = {"GET": Deed.SEE_LAB, "POST": Deed.MANAGE_STUDIES}
    takes: ClassVar = {"POST": GivenLeftOut}
    gives: ClassVar = {"GET": LeftOutAnswer, "POST": ExclusionAnswer}

    def get(self, request: Request, slug: str) -> Response:
        study = get_object_or_404(Study.objects.registered(), slug=slug)
        record = RunExclusion.objects.filter(run__study=study).select_related("by")
        answer = {"now": left_out_now(study), "record": record.order_by("at", "pk")}
        return Response(LeftOutAnswer(answer).data)

    def post(self, request: Request, slug: str) -> Response:
        study = get_object_or_404(Study.objects.registered(), slug=slug)
        given = GivenLeftOut(data=request.data)
        given.is_valid(raise_exception=True)
        content = given.validated_data
        run = study.runs.filter(pk=content["run"]).select_related("study").first()
        if run is None:
            raise Refused({"run": [f"This study has no run {content['run']}."]})
        row = leave_out(by=person(request), **{**content, "run": run})
        return Response(ExclusionAnswer(row).data, status=status.HTTP_201_CREATED)


class TakeInView(BenchView):
    """A run that was left out, taken into the same analysis again; the record keeps both."""

    deeds: ClassVar[Mapping[str, Deed]] = {"POST": Deed.MANAGE_STUDIES}
    takes: ClassVar = {"POST": GivenTakenIn}
    gives: ClassVar = {"POST": ExclusionAnswer}

    def post(self, request: Request, slug: str, left_out_id: int) -> Response:
        rows = RunExclusion.objects.filter(run__study__slug=slug).select_related("run__study")
        row = get_object_or_404(rows, pk=left_out_id)
        given = GivenTakenIn(data=request.data)
        given.is_valid(raise_exception=True)
        taken = take_in_again(
            by=person(request), run=row.run, analysis=row.analysis, **given.validated_data
        )
        return Response(ExclusionAnswer(taken).data, status=status.HTTP_201_CREATED)
