"""The API of photos and of marks in films: the bench makes the id, so sending twice is harmless."""

from collections.abc import Mapping
from typing import Any, ClassVar

from django.http import Http404
from django.shortcuts import get_object_or_404
from drf_spectacular.types import OpenApiTypes
from rest_framework import serializers, status
from rest_framework.parsers import BaseParser
from rest_framework.request import Request
from rest_framework.response import Response

from labsite.images import LARGEST_BYTES
from labsite.problems import PROBLEM_TYPE, problem_body
from labsite.roles import Deed, person
from trials import photos
from trials.api import BenchView, run_named
from trials.models import Photo, VideoMark
from trials.serializers import (
    ClockOffset,
    ClockTime,
    Given,
    RunName,
    TrueOrFalse,
    parse_reading_id,
)
from trials.tablets import by_server_clock


class PhotoBytes(BaseParser):
    """The body is the photo itself, whatever type its header claims; one byte over is enough."""

    media_type = "*/*"

    def parse(
        self,
        stream: Any,
        media_type: str | None = None,
        parser_context: Mapping[str, Any] | None = None,
    ) -> Mapping[str, Any]:
        return {"content": stream.read(LARGEST_BYTES + 1)}


class YesOrNo(TrueOrFalse):
    """In an address there are only words: yes or no."""

    default_error_messages = {"invalid": "Say yes or no."}

    def to_internal_value(self, data: Any) -> bool:
        return super().to_internal_value({"yes": True, "no": False}.get(str(data), data))


class GivenPhoto(Given):
    """What the address says about the photo in the body."""

    run = RunName()
    taken_at = ClockTime()
    shows = serializers.CharField(max_length=10, default=Photo.Shows.OTHER)
    caption = serializers.CharField(max_length=200, allow_blank=True, default="")
    zone = serializers.CharField(max_length=40, allow_blank=True, default="")
    is_original = YesOrNo(default=True)
    clock_offset_s = ClockOffset()


class GivenOriginal(Given):
    """Which photo the original in the body is of."""

    photo = serializers.UUIDField()


class GivenMark(Given):
    """A moment of a film."""

    run = RunName()
    video = serializers.CharField(max_length=120, allow_blank=True)
    seconds = serializers.FloatField(min_value=0, max_value=86_400)
    caption = serializers.CharField(max_length=200, allow_blank=True)
    marked_at = ClockTime()
    clock_offset_s = ClockOffset()


class GivenReason(Given):
    """Why a photo does not count."""

    reason = serializers.CharField(max_length=500, allow_blank=True)


class PhotoAnswer(serializers.Serializer[Any]):
    """A photo as kept. `digest` is the SHA-256 of the picture at `full_url`."""

    id = serializers.UUIDField()
    run = serializers.IntegerField()
    shows = serializers.CharField()
    caption = serializers.CharField()
    zone = serializers.CharField()
    width_px = serializers.IntegerField()
    height_px = serializers.IntegerField()
    is_original = serializers.BooleanField()
    taken_at = serializers.DateTimeField()
    received_at = serializers.DateTimeField()
    by = serializers.CharField()
    display_url = serializers.CharField()
    full_url = serializers.CharField()
    digest = serializers.CharField()
    state = serializers.CharField()
    void_reason = serializers.CharField()


class PhotoOriginalAnswer(serializers.Serializer[Any]):
    """The original as kept. `digest` is the SHA-256 of the picture at the photo's `full_url`."""

    id = serializers.UUIDField(source="uuid")
    photo = serializers.UUIDField(source="photo_id")
    width_px = serializers.IntegerField()
    height_px = serializers.IntegerField()
    digest = serializers.CharField(source="full_digest")


class MarkAnswer(serializers.Serializer[Any]):
    """A mark in a film as kept."""

    id = serializers.UUIDField(source="uuid")
    run = serializers.IntegerField(source="run_id")
    video = serializers.CharField()
    seconds = serializers.FloatField()
    caption = serializers.CharField()
    marked_at = serializers.DateTimeField()
    by = serializers.CharField(source="by.display_name")


class PhotoView(BenchView):
    """One photo. PUT sends the picture as the body; what it is stands in the address."""

    parser_classes = [PhotoBytes]
    deeds: ClassVar[Mapping[str, Deed]] = {"GET": Deed.SEE_LAB, "PUT": Deed.ENTER_READINGS}
    takes: ClassVar = {"PUT": OpenApiTypes.BINARY}
    gives: ClassVar = {"GET": PhotoAnswer, "PUT": PhotoAnswer}

    def get(self, request: Request, photo_id: str) -> Response:
        return Response(PhotoAnswer(photos.photo_line(photo_by_id(photo_id))).data)

    def put(self, request: Request, photo_id: str) -> Response:
        uuid = parse_reading_id(photo_id)
        # an address cannot say null: what is empty was not known
        said: dict[str, Any] = {
            name: text for name, text in request.query_params.dict().items() if text
        }
        run = str(said.get("run", ""))
        if run.isascii() and run.isdigit():
            said["run"] = int(run)
        given = GivenPhoto(data=said)
        given.is_valid(raise_exception=True)
        content = _put_right(given.validated_data, "taken_at")
        entry = photos.PhotoEntry(uuid=uuid, content=_body_of(request), **content)
        kept = photos.keep_photo(by=person(request), entry=entry)
        if kept.state == "other content":
            return _taken(uuid, "photo")
        is_new = kept.state == "stored"
        return Response(
            PhotoAnswer(photos.photo_line(kept.photo)).data,
            status=status.HTTP_201_CREATED if is_new else status.HTTP_200_OK,
        )


class PhotoOriginalView(BenchView):
    """All pixels of a photo that came smaller first; the address names the photo."""

    parser_classes = [PhotoBytes]
    deeds: ClassVar[Mapping[str, Deed]] = {"PUT": Deed.ENTER_READINGS}
    takes: ClassVar = {"PUT": OpenApiTypes.BINARY}
    gives: ClassVar = {"PUT": PhotoOriginalAnswer}

    def put(self, request: Request, original_id: str) -> Response:
        uuid = parse_reading_id(original_id)
        given = GivenOriginal(data=request.query_params.dict())
        given.is_valid(raise_exception=True)
        original, is_new = photos.keep_original(
            by=person(request),
            uuid=uuid,
            photo_uuid=given.validated_data["photo"],
            content=_body_of(request),
        )
        return Response(
            PhotoOriginalAnswer(original).data,
            status=status.HTTP_201_CREATED if is_new else status.HTTP_200_OK,
        )


class PhotoVoidView(BenchView):
    """Strike a photo out, with the reason; it stays readable."""

    deeds: ClassVar[Mapping[str, Deed]] = {"POST": Deed.VOID_RUNS}
    takes: ClassVar = {"POST": GivenReason}
    gives: ClassVar = {"POST": PhotoAnswer}

    def post(self, request: Request, photo_id: str) -> Response:
        photo = photo_by_id(photo_id)
        given = GivenReason(data=request.data)
        given.is_valid(raise_exception=True)
        photos.strike_out_photo(by=person(request), photo=photo, **given.validated_data)
        return Response(PhotoAnswer(photos.photo_line(photo_by_id(photo_id))).data)


class MarkView(BenchView):
    """One mark in a film."""

    deeds: ClassVar[Mapping[str, Deed]] = {"GET": Deed.SEE_LAB, "PUT": Deed.ENTER_READINGS}
    takes: ClassVar = {"PUT": GivenMark}
    gives: ClassVar = {"GET": MarkAnswer, "PUT": MarkAnswer}

    def get(self, request: Request, mark_id: str) -> Response:
        mark = get_object_or_404(
            VideoMark.objects.select_related("by"), pk=parse_reading_id(mark_id)
        )
        return Response(MarkAnswer(mark).data)

    def put(self, request: Request, mark_id: str) -> Response:
        uuid = parse_reading_id(mark_id)
        given = GivenMark(data=request.data)
        given.is_valid(raise_exception=True)
        content = _put_right(given.validated_data, "marked_at")
        entry = photos.MarkEntry(uuid=uuid, **content)
        mark, is_new, is_same = photos.keep_mark(by=person(request), entry=entry)
        if not is_same:
            return _taken(uuid, "mark")
        return Response(
            MarkAnswer(mark).data,
            status=status.HTTP_201_CREATED if is_new else status.HTTP_200_OK,
        )


def _body_of(request: Request) -> bytes:
    parsed = request.data
    # an empty body never reaches the parser
    return parsed.get("content", b"") if isinstance(parsed, dict) else b""


def photo_by_id(photo_id: str) -> Photo:
    """The photo of an address, with what its line reads; 404 without one."""
    found = (
        Photo.objects.select_related("by", "zone", "void", "original", "run__study")
        .filter(pk=parse_reading_id(photo_id))
        .first()
    )
    if found is None:
        raise Http404
    return found


def _put_right(content: dict[str, Any], field: str) -> dict[str, Any]:
    """The run that is meant, and the tablet's time by the server's clock."""
    at = by_server_clock(content[field], content["clock_offset_s"], field=field)
    return content | {"run": run_named(content["run"]), field: at}


def _taken(uuid: Any, what: str) -> Response:
    sentence = (
        f"A {what} with other content stands under this id. That one stays; yours was not kept."
    )
    body = problem_body(409, {"": [sentence]}) | {"id": str(uuid), "both_kept": False}
    return Response(body, status=status.HTTP_409_CONFLICT, content_type=PROBLEM_TYPE)
