"""What the API takes and gives. What comes in is bounded here; actions decide what it means."""

import math
import uuid as uuids
from collections.abc import Mapping
from contextlib import suppress
from typing import Any

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from labsite.errors import Refused
from specimens.codes import BadCode, clean_code
from trials.queries import LONGEST_NOTE
from trials.tablets import Sent, by_server_clock

LONGEST_TYPED = 40  # characters of one field of a raw entry
MOST_RAW_FIELDS = 10
LARGEST_ID = 2**63 - 1  # of a row in the database


def parse_reading_id(text: str) -> uuids.UUID:
    """The id of an address, written the usual way with dashes.

    Raises
    ------
    serializers.ValidationError
        When it is not one.
    """
    try:
        uuid = uuids.UUID(text)
    except ValueError:
        uuid = None
    if uuid is None or str(uuid) != text.lower():
        raise serializers.ValidationError(
            {"id": ["The address must end in a reading's id, a UUID with dashes."]}
        )
    return uuid


@extend_schema_field(OpenApiTypes.OBJECT)
class RawEntry(serializers.Field[dict[str, Any], Any, dict[str, Any], Any]):
    """A raw entry as typed: a flat object of numbers, short texts, true or false, or nothing.

    It is kept even when it cannot become a reading, beside one that stands, so it must be
    something that every database stores.
    """

    default_error_messages = {
        "shape": 'Send an object, such as {{"value": 12.3}}.',
        "many": "A reading has at most {most} fields.",
        "field": "'{field}' must be a number, a short text, true, false or null.",
        "text": "'{field}' holds characters that cannot be stored, or more than {most} of them.",
        "number": "'{field}' is no number a bench can read.",
    }

    def to_internal_value(self, data: Any) -> dict[str, Any]:
        if not isinstance(data, dict):
            self.fail("shape")
        if len(data) > MOST_RAW_FIELDS:
            self.fail("many", most=MOST_RAW_FIELDS)
        for field, typed in data.items():
            self._check(field[:LONGEST_TYPED].encode("ascii", "replace").decode(), field)
            self._check(field, typed)
        return data

    def to_representation(self, value: dict[str, Any]) -> dict[str, Any]:
        return value

    def _check(self, field: str, typed: Any) -> None:
        if isinstance(typed, str):
            if len(typed) > LONGEST_TYPED or "\0" in typed or not _can_be_stored(typed):
                self.fail("text", field=field, most=LONGEST_TYPED)
        elif isinstance(typed, int | float):
            # written so that NaN fails too; an integer of 400 digits never becomes a float
            if not abs(typed) <= LARGEST_ID:
                self.fail("number", field=field)
        elif typed is not None:
            self.fail("field", field=field)


def _can_be_stored(text: str) -> bool:
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True


@extend_schema_field(OpenApiTypes.BOOL)
class TrueOrFalse(serializers.Field[bool, Any, bool, Any]):
    """JSON's own true or false. 'yes', 1 and "false" are refused: an answer is not a guess."""

    default_error_messages = {"invalid": "Say true or false."}

    def to_internal_value(self, data: Any) -> bool:
        if not isinstance(data, bool):
            self.fail("invalid")
        return data

    def to_representation(self, value: bool) -> bool:
        return value


class ClockTime(serializers.DateTimeField):
    """A time with its zone. Without one it would mean another moment on another machine."""

    default_error_messages = {
        "zone": "Say the time zone, as in 2026-03-02T10:15:00Z.",
    }

    def enforce_timezone(self, value: Any) -> Any:
        if value.tzinfo is None:
            self.fail("zone")
        return super().enforce_timezone(value)


class Given(serializers.Serializer[Any]):
    """An object that came in; a field that nobody reads is refused, not passed over."""

    default_error_messages = {"invalid": "Send an object with named fields."}

    def to_internal_value(self, data: Any) -> Any:
        if isinstance(data, dict):
            unknown = [field for field in data if field not in self.fields]
            if unknown:
                name = unknown[0][:LONGEST_TYPED].encode("ascii", "replace").decode()
                raise serializers.ValidationError({name: ["There is no such field."]})
        return super().to_internal_value(data)


@extend_schema_field({"oneOf": [{"type": "integer"}, {"type": "string", "format": "uuid"}]})
class RunName(serializers.Field[Any, Any, Any, Any]):
    """A run by its number, or by the id of the entry that adds it, which may come later."""

    default_error_messages = {"invalid": "Name the run by its number or its entry's id."}

    def to_internal_value(self, data: Any) -> int | uuids.UUID:
        if isinstance(data, int) and not isinstance(data, bool) and 1 <= data <= LARGEST_ID:
            return data
        if isinstance(data, str):
            with suppress(ValueError):
                return uuids.UUID(data)
        raise serializers.ValidationError(self.error_messages["invalid"])

    def to_representation(self, value: Any) -> Any:
        return value


class ClockOffset(serializers.FloatField):
    """What has to be added to a tablet's time, in seconds; up to ten years."""

    def __init__(self, **options: Any) -> None:
        super().__init__(
            min_value=-3.2e8, max_value=3.2e8, allow_null=True, default=None, **options
        )

    def to_internal_value(self, data: Any) -> float:
        offset = super().to_internal_value(data)
        if not math.isfinite(offset):
            self.fail("invalid")
        return offset


class GivenLook(Given):
    """What was found on the rig before a run."""

    code = serializers.CharField(max_length=20)
    zone = serializers.CharField(max_length=40, allow_blank=True, default="")
    how = serializers.CharField(max_length=7)
    reason = serializers.CharField(max_length=LONGEST_NOTE, allow_blank=True, default="")
    checked_at = ClockTime()


class CarriedLook(GivenLook):
    """The same, carried by the reading it was for."""

    id = serializers.UUIDField()


class GivenReading(Given):
    """A reading from the bench. One of a destructive method carries the look at the rig."""

    run = RunName()
    raw = RawEntry()
    measured_at = ClockTime()
    rater = serializers.CharField(max_length=40, allow_blank=True, default="")
    note = serializers.CharField(max_length=LONGEST_NOTE, allow_blank=True, default="")
    supersedes = serializers.UUIDField(allow_null=True, default=None)
    reason = serializers.CharField(max_length=LONGEST_NOTE, allow_blank=True, default="")
    specimen_check = CarriedLook(allow_null=True, default=None)
    clock_offset_s = ClockOffset()


class GivenRun(Given):
    """A run to add to the sheet. Without a site it takes the first free one.

    With an `entry` it is added once, however often it is sent.
    """

    entry = serializers.UUIDField(allow_null=True, default=None)

    specimen = serializers.CharField(
        max_length=20, error_messages={"required": "Type the code on the specimen's label."}
    )
    method = serializers.CharField(max_length=60, error_messages={"required": "Choose a method."})
    zone = serializers.CharField(max_length=40, error_messages={"required": "Choose a zone."})
    site = serializers.IntegerField(min_value=1, max_value=32767, allow_null=True, default=None)

    def validate_specimen(self, text: str) -> str:
        try:
            return clean_code(text)
        except BadCode as why:
            raise serializers.ValidationError(str(why)) from why


def run_from_form(typed: Mapping[str, str]) -> dict[str, Any]:
    """The run to add from a page's form, by the same rules; raises `Refused`."""
    given = GivenRun(data={name: text.strip() for name, text in typed.items() if text.strip()})
    if not given.is_valid():
        problems = given.errors
        raise Refused({field: [str(s) for s in problems[field]] for field in problems})
    clean: dict[str, Any] = given.validated_data
    clean.pop("entry")
    return clean


class GivenVoid(Given):
    """Why a run did not measure the thing."""

    reason = serializers.CharField(max_length=20)
    note = serializers.CharField(max_length=LONGEST_NOTE, allow_blank=True)
    value_was_known = TrueOrFalse()
    entry = serializers.UUIDField(allow_null=True, default=None)
    voided_at = ClockTime(allow_null=True, default=None)
    clock_offset_s = ClockOffset()


class GivenAnswers(Given):
    """The answers to a method's safety checks, by the key of each."""

    answers = serializers.DictField(child=TrueOrFalse())
    watcher = serializers.CharField(max_length=80, allow_blank=True, default="")
    entry = serializers.UUIDField(allow_null=True, default=None)
    passed_at = ClockTime(allow_null=True, default=None)
    clock_offset_s = ClockOffset()


def sent_of(content: dict[str, Any], *, field: str) -> Sent | None:
    """Take what a tablet tells of its entry out of the content; None when no tablet speaks."""
    entry, at = content.pop("entry"), content.pop(field)
    offset = content.pop("clock_offset_s")
    if entry is None:
        return None
    if at is None:
        raise serializers.ValidationError({field: ["Say when, for an entry with an id."]})
    return Sent(entry, by_server_clock(at, offset, field=field), offset)


class SessionAnswer(serializers.Serializer[Any]):
    """Who is signed in, and the server's time, by which a tablet finds its clock wrong."""

    user = serializers.IntegerField()
    username = serializers.CharField()
    display_name = serializers.CharField()
    csrf_token = serializers.CharField()
    now = serializers.DateTimeField()


class ReadingAnswer(serializers.Serializer[Any]):
    """A reading. `high` null means no upper end; both ends are null for a grade."""

    id = serializers.UUIDField()
    run = serializers.IntegerField()
    kind = serializers.CharField()
    raw = serializers.JSONField()
    words = serializers.CharField()
    interval_words = serializers.CharField()
    low = serializers.FloatField(allow_null=True)
    high = serializers.FloatField(allow_null=True)
    grade = serializers.IntegerField(allow_null=True)
    unit = serializers.CharField()
    rater = serializers.CharField()
    note = serializers.CharField()
    measured_at = serializers.DateTimeField()
    entered_at = serializers.DateTimeField()
    by = serializers.CharField()
    supersedes = serializers.UUIDField(allow_null=True)
    reason = serializers.CharField()
    state = serializers.CharField()


class VoidAnswer(serializers.Serializer[Any]):
    """Why a run is void."""

    reason = serializers.CharField()
    reason_words = serializers.CharField()
    note = serializers.CharField()
    value_was_known = serializers.BooleanField()
    by = serializers.CharField()
    at = serializers.DateTimeField()


class RunAnswer(serializers.Serializer[Any]):
    """A run with its readings, the superseded ones among them."""

    id = serializers.IntegerField()
    study = serializers.CharField()
    method = serializers.CharField(source="method_key")
    method_number = serializers.IntegerField()
    specimen = serializers.CharField()
    zone = serializers.CharField()
    site = serializers.IntegerField()
    position = serializers.IntegerField()
    state = serializers.CharField()
    to_settle = serializers.BooleanField()
    readings = ReadingAnswer(many=True)
    void = VoidAnswer(allow_null=True)


class RunNamedAnswer(RunAnswer):
    """A run, and which entry of a tablet this answers."""

    entry = serializers.UUIDField(allow_null=True)


class RunPageAnswer(serializers.Serializer[Any]):
    """A stretch of a study's runs; ask again with ?start=next_start until it is null."""

    count = serializers.IntegerField()
    start = serializers.IntegerField()
    next_start = serializers.IntegerField(allow_null=True)
    runs = RunAnswer(many=True)


class RunCountsAnswer(serializers.Serializer[Any]):
    """How a study's runs stand."""

    to_do = serializers.IntegerField()
    done = serializers.IntegerField()
    void = serializers.IntegerField()
    to_settle = serializers.IntegerField()


class StudyAnswer(serializers.Serializer[Any]):
    """A study in short."""

    slug = serializers.CharField()
    title = serializers.CharField()
    question = serializers.CharField()
    kind = serializers.CharField(source="kind_words")
    registered_at = serializers.DateTimeField(allow_null=True)
    is_invented = serializers.BooleanField()
    runs = RunCountsAnswer(source="counts")


class StudiesAnswer(serializers.Serializer[Any]):
    """All studies in short."""

    studies = StudyAnswer(many=True)


class StudyMethodAnswer(serializers.Serializer[Any]):
    """A method of a study."""

    key = serializers.CharField()
    number = serializers.IntegerField()
    name = serializers.CharField()
    property = serializers.CharField()
    kind = serializers.CharField()
    unit = serializers.CharField()


class StudyDetailAnswer(serializers.Serializer[Any]):
    """A study with its methods and specimens."""

    study = StudyAnswer()
    methods = StudyMethodAnswer(many=True)
    specimens = serializers.ListField(child=serializers.CharField())


class AcknowledgedAnswer(serializers.Serializer[Any]):
    """When a method's checks were passed and until when that counts."""

    at = serializers.DateTimeField()
    until = serializers.DateTimeField()
    entry = serializers.UUIDField(allow_null=True, required=False)
