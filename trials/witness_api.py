"""The API of second looks: the specimen's code before a run, a second person after a reading."""

from collections.abc import Mapping
from typing import Any, ClassVar

from django.contrib.auth import authenticate
from django.shortcuts import get_object_or_404
from rest_framework import serializers, status
from rest_framework.request import Request
from rest_framework.response import Response

from labsite.errors import Refused
from labsite.models import User
from labsite.problems import PROBLEM_TYPE, problem_body
from labsite.roles import Deed, person
from trials import witness
from trials.api import BenchView, run_named
from trials.models import Reading, ReadingConfirmation, SpecimenCheck
from trials.serializers import (
    ClockOffset,
    Given,
    GivenLook,
    RawEntry,
    RunName,
    parse_reading_id,
)
from trials.tablets import by_server_clock


class GivenCheck(GivenLook):
    """What was found on the rig, for which run."""

    run = RunName()
    clock_offset_s = ClockOffset()


class CheckAnswer(serializers.Serializer[Any]):
    """A check of a specimen's code, and whether it was the right one in the right zone."""

    id = serializers.UUIDField(source="uuid")
    run = serializers.IntegerField(source="run_id")
    code = serializers.CharField()
    zone = serializers.CharField()
    is_right = serializers.BooleanField()
    reason = serializers.CharField()
    checked_at = serializers.DateTimeField()


class GivenSecond(Given):
    """The second person's own name and password; both empty when they are signed in themselves.

    With `raw` they type the reading themselves, where the method has readings keyed twice.
    """

    username = serializers.CharField(max_length=150, allow_blank=True, default="")
    password = serializers.CharField(
        max_length=200, allow_blank=True, default="", trim_whitespace=False
    )
    raw = RawEntry(allow_null=True, default=None)


class ConfirmationAnswer(serializers.Serializer[Any]):
    """Who confirmed a reading."""

    id = serializers.UUIDField(source="reading_id")
    by = serializers.CharField(source="by.display_name")
    at = serializers.DateTimeField()
    how = serializers.CharField(source="get_how_display")


class SpecimenCheckView(BenchView):
    """A check before a run, under the id the bench made for it."""

    deeds: ClassVar[Mapping[str, Deed]] = {"GET": Deed.SEE_LAB, "PUT": Deed.ENTER_READINGS}
    takes: ClassVar = {"PUT": GivenCheck}
    gives: ClassVar = {"GET": CheckAnswer, "PUT": CheckAnswer}

    def get(self, request: Request, check_id: str) -> Response:
        check = get_object_or_404(SpecimenCheck, pk=parse_reading_id(check_id))
        return Response(CheckAnswer(check).data)

    def put(self, request: Request, check_id: str) -> Response:
        uuid = parse_reading_id(check_id)
        given = GivenCheck(data=request.data)
        given.is_valid(raise_exception=True)
        content = given.validated_data
        content["run"] = run_named(content["run"])
        content["checked_at"] = by_server_clock(
            content["checked_at"], content["clock_offset_s"], field="checked_at"
        )
        entry = witness.CheckEntry(uuid=uuid, **content)
        return Response(
            CheckAnswer(witness.keep_specimen_check(by=person(request), entry=entry)).data
        )


class ConfirmView(BenchView):
    """A second person says that they saw the same."""

    deeds: ClassVar[Mapping[str, Deed]] = {"POST": Deed.ENTER_READINGS}
    takes: ClassVar = {"POST": GivenSecond}
    gives: ClassVar = {"POST": ConfirmationAnswer}

    def post(self, request: Request, reading_id: str) -> Response:
        reading = get_object_or_404(
            Reading.objects.select_related("run__revision", "by"), pk=parse_reading_id(reading_id)
        )
        given = GivenSecond(data=request.data)
        given.is_valid(raise_exception=True)
        typed = given.validated_data
        how = ReadingConfirmation.How.SIGN_IN
        second = person(request)
        if typed["username"] or typed["password"]:
            how = ReadingConfirmation.How.PASSWORD
            second = self._second(request, reading, typed["username"].strip(), typed["password"])
        seen = witness.confirm_reading(by=second, reading=reading, how=how, raw=typed["raw"])
        if seen.confirmation is None:
            sentence = (
                f"Not the same. {seen.differs} Look at the rig, the film or the note again: amend "
                "the reading if it is wrong, or type it once more. Both stay on record."
            )
            body = problem_body(409, {"": [sentence]})
            return Response(body, status=409, content_type=PROBLEM_TYPE)
        return Response(ConfirmationAnswer(seen.confirmation).data, status=status.HTTP_201_CREATED)

    @staticmethod
    def _second(request: Request, reading: Reading, username: str, password: str) -> User:
        """Whoever belongs to the name and password; the tablet stays signed in as it was."""
        by = person(request)
        witness.check_may_try(by)
        if not username:
            raise Refused({"username": ["Type the second person's username."]})
        second = authenticate(request._request, username=username, password=password)
        if not isinstance(second, User):
            witness.refuse_password(by=by, reading=reading, username=username)
        return second
