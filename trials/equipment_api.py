"""The API of what a run is made with, so that it can be chosen without network too."""

from collections.abc import Mapping
from typing import Any, ClassVar

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from labsite.errors import Refused
from labsite.roles import Deed, person
from trials.api import BenchView, run_named
from trials.equipment import EquipmentChoice, choose_equipment
from trials.models import ConsumableUnit, Instrument
from trials.quality_queries import run_equipment
from trials.serializers import (
    ClockOffset,
    ClockTime,
    Given,
    RunName,
    TrueOrFalse,
    parse_reading_id,
)
from trials.tablets import Sent, by_server_clock


class GivenEquipment(Given):
    """An instrument, a consumable, or both, by their numbers."""

    run = RunName()
    instrument = serializers.IntegerField(
        min_value=1, max_value=2**31, allow_null=True, default=None
    )
    consumable = serializers.IntegerField(
        min_value=1, max_value=2**31, allow_null=True, default=None
    )
    reason = serializers.CharField(max_length=500, allow_blank=True, default="")
    for_the_rest = TrueOrFalse(default=False)
    chosen_at = ClockTime()
    clock_offset_s = ClockOffset()


class EquipmentAnswer(serializers.Serializer[Any]):
    """What the run is made with now, in words. `id` is the entry that this answers."""

    id = serializers.UUIDField()
    run = serializers.IntegerField()
    instruments = serializers.ListField(child=serializers.CharField())
    consumables = serializers.ListField(child=serializers.CharField())
    others_named = serializers.IntegerField()


class EquipmentView(BenchView):
    """A choice under the id the bench made for it; the same choice again changes nothing."""

    deeds: ClassVar[Mapping[str, Deed]] = {"PUT": Deed.ENTER_READINGS}
    takes: ClassVar = {"PUT": GivenEquipment}
    gives: ClassVar = {"PUT": EquipmentAnswer}

    def put(self, request: Request, choice_id: str) -> Response:
        uuid = parse_reading_id(choice_id)
        given = GivenEquipment(data=request.data)
        given.is_valid(raise_exception=True)
        content = given.validated_data
        offset = content["clock_offset_s"]
        at = by_server_clock(content["chosen_at"], offset, field="chosen_at")
        run = run_named(content["run"])
        choice = EquipmentChoice(
            chosen_at=Sent(uuid, at, offset).at_most_now(field="chosen_at"),
            instrument=_found(Instrument, content["instrument"], "instrument"),
            consumable=_found(ConsumableUnit, content["consumable"], "consumable"),
            reason=content["reason"],
            for_the_rest=content["for_the_rest"],
        )
        named = choose_equipment(by=person(request), run=run, choice=choice)
        made_with = run_equipment(run)
        return Response(
            EquipmentAnswer(
                {
                    "id": uuid,
                    "run": run.pk,
                    "instruments": made_with.instruments,
                    "consumables": made_with.consumables,
                    "others_named": named,
                }
            ).data
        )


def _found(model: Any, number: int | None, field: str) -> Any:
    if number is None:
        return None
    found = model.objects.filter(pk=number).first()
    if found is None:
        raise Refused({field: [f"There is no {field} {number} any more. Choose another."]})
    return found
