"""The API of what a tablet hands over when an entry cannot be taken as it is."""

import json
from typing import Any, ClassVar

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers, status
from rest_framework.request import Request
from rest_framework.response import Response

from labsite.roles import Deed, person
from trials.api import BenchView
from trials.held import Handed, hold_entry
from trials.queries import LONGEST_NOTE
from trials.serializers import ClockOffset, ClockTime, Given, parse_reading_id
from trials.tablets import by_server_clock

LARGEST_CONTENT = 20_000  # characters; an entry without bytes is under 4,000


@extend_schema_field(OpenApiTypes.OBJECT)
class AnyContent(serializers.Field[Any, Any, Any, Any]):
    """What was meant for another address: kept as it came, within bounds."""

    default_error_messages = {
        "shape": "Send the entry's content as an object.",
        "size": "That is far more than an entry.",
    }

    def to_internal_value(self, data: Any) -> dict[str, Any]:
        if not isinstance(data, dict):
            self.fail("shape")
        text = json.dumps(data)
        if len(text) > LARGEST_CONTENT:
            self.fail("size")
        # no database stores these; the rest of the entry matters more than they do
        clean: dict[str, Any] = json.loads(text.replace("\\u0000", "\\ufffd"))
        return clean

    def to_representation(self, value: Any) -> Any:
        return value


class GivenHeld(Given):
    """An entry handed over."""

    kind = serializers.CharField(max_length=20)
    words = serializers.CharField(max_length=200)
    address = serializers.CharField(max_length=300)
    content = AnyContent()
    why = serializers.CharField(max_length=LONGEST_NOTE, allow_blank=True, default="")
    made_at = ClockTime()
    clock_offset_s = ClockOffset()


class HeldAnswer(serializers.Serializer[Any]):
    """An entry as it was handed over."""

    id = serializers.UUIDField(source="uuid")
    kind = serializers.CharField()
    words = serializers.CharField(source="label")
    received_at = serializers.DateTimeField()


class HeldView(BenchView):
    """One entry for the lab lead, under the id that the bench made for it."""

    deeds: ClassVar = {"PUT": Deed.ENTER_READINGS}
    takes: ClassVar = {"PUT": GivenHeld}
    gives: ClassVar = {"PUT": HeldAnswer}

    def put(self, request: Request, entry_id: str) -> Response:
        uuid = parse_reading_id(entry_id)
        given = GivenHeld(data=request.data)
        given.is_valid(raise_exception=True)
        content = given.validated_data
        offset = content.pop("clock_offset_s")
        content["label"] = content.pop("words")
        content["made_at"] = by_server_clock(content["made_at"], offset, field="made_at")
        held = hold_entry(by=person(request), handed=Handed(uuid=uuid, **content))
        return Response(HeldAnswer(held).data, status=status.HTTP_201_CREATED)
