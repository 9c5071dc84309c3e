"""The API of fire watches and cool-downs: the bench makes the id, so sending twice is harmless."""

from collections.abc import Mapping
from typing import Any, ClassVar

from rest_framework import serializers, status
from rest_framework.request import Request
from rest_framework.response import Response

from labsite.errors import Refused
from labsite.roles import Deed, person
from trials.api import BenchView
from trials.models import MethodRevision, Study
from trials.queries import LONGEST_NOTE
from trials.serializers import ClockOffset, ClockTime, Given, parse_reading_id
from trials.tablets import by_server_clock
from trials.watches import WatchEntry, keep_watch


class GivenWatch(Given):
    """Which method of which study was watched, from when to when, and by whom."""

    study = serializers.SlugField(max_length=60)
    method = serializers.SlugField(max_length=60)
    number = serializers.IntegerField(min_value=1, max_value=32767)
    kind = serializers.CharField(max_length=7)
    started_at = ClockTime()
    ended_at = ClockTime()
    watcher = serializers.CharField(max_length=80, allow_blank=True)
    note = serializers.CharField(max_length=LONGEST_NOTE, allow_blank=True, default="")
    clock_offset_s = ClockOffset()


class WatchAnswer(serializers.Serializer[Any]):
    """A watch as kept."""

    id = serializers.UUIDField(source="uuid")
    kind = serializers.CharField()
    minutes = serializers.IntegerField()
    started_at = serializers.DateTimeField()
    ended_at = serializers.DateTimeField()
    watcher = serializers.CharField()
    note = serializers.CharField()


class WatchView(BenchView):
    """One watch, under the id that the bench made for it."""

    deeds: ClassVar[Mapping[str, Deed]] = {"PUT": Deed.ENTER_READINGS}
    takes: ClassVar = {"PUT": GivenWatch}
    gives: ClassVar = {"PUT": WatchAnswer}

    def put(self, request: Request, watch_id: str) -> Response:
        uuid = parse_reading_id(watch_id)
        given = GivenWatch(data=request.data)
        given.is_valid(raise_exception=True)
        content = given.validated_data
        study = Study.objects.registered().filter(slug=content["study"]).first()
        revision = MethodRevision.objects.filter(
            method__key=content["method"], number=content["number"]
        ).first()
        if study is None or revision is None:
            raise Refused("There is no such study or method here.")
        offset = content["clock_offset_s"]
        # the start is the last run's own time and was put right with it
        entry = WatchEntry(
            uuid=uuid,
            study=study,
            revision=revision,
            kind=content["kind"],
            started_at=content["started_at"],
            ended_at=by_server_clock(content["ended_at"], offset, field="ended_at"),
            watcher=content["watcher"],
            note=content["note"],
            clock_offset_s=offset,
        )
        watch, is_new = keep_watch(by=person(request), entry=entry)
        return Response(
            WatchAnswer(watch).data,
            status=status.HTTP_201_CREATED if is_new else status.HTTP_200_OK,
        )
