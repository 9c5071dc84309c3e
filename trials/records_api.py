"""The record in lists: filtered by the query string, a page at a time by a cursor.

Answers carry an ETag, so asking again for what has not changed costs no body. Readings of a
blind study stay out until its last run is read, as everywhere else.
"""

from collections.abc import Mapping
from datetime import datetime
from typing import Any, ClassVar

from django.db import transaction
from django.db.models import QuerySet
from django.utils.dateparse import parse_datetime
from django.utils.decorators import method_decorator
from django.views.decorators.http import conditional_page
from rest_framework import generics, serializers, status
from rest_framework.pagination import CursorPagination
from rest_framework.request import Request
from rest_framework.response import Response

from labsite.api_policy import DeedView
from labsite.errors import Conflict, Refused
from labsite.roles import Deed, person
from specimens.models import Product, ServiceEntry, Specimen
from trials.api import BenchView, record_given
from trials.models import Instrument, MethodRevision, Reading
from trials.serializers import GivenReading, RawEntry
from trials.studies import closed_studies

MOST_READINGS_AT_ONCE = 500


class Pages(CursorPagination):
    """Pages that stay right while rows are added: the cursor names a row, not a number."""

    page_size = 100
    max_page_size = 1000
    page_size_query_param = "size"
    ordering = "pk"


@method_decorator(conditional_page, name="dispatch")
class RecordList(DeedView, generics.ListAPIView[Any]):
    """A list of records. `filters` maps a name of the query string to the field it narrows."""

    deeds: ClassVar[Mapping[str, Deed | None]] = {"GET": Deed.SEE_LAB}
    pagination_class = Pages
    filters: ClassVar[Mapping[str, str]] = {}
    # names whose value is a time with its zone
    times: ClassVar[frozenset[str]] = frozenset()

    def filter_queryset(self, queryset: QuerySet[Any]) -> QuerySet[Any]:
        given = self.request.query_params
        unknown = set(given) - set(self.filters) - {"cursor", "size"}
        if unknown:
            known = ", ".join(sorted({*self.filters, "cursor", "size"}))
            raise Refused({min(unknown)[:40]: [f"There is no such filter. There are: {known}."]})
        for name, field in self.filters.items():
            if name in given:
                queryset = queryset.filter(**{field: self._value(name, given[name])})
        return queryset

    def _value(self, name: str, text: str) -> str | datetime:
        if "\0" in text or len(text) > 200:
            raise Refused({name: ["This cannot be a value of a record."]})
        if name not in self.times:
            return text
        try:
            at = parse_datetime(text.replace(" ", "+"))
        except ValueError:
            at = None
        if at is None or at.tzinfo is None:
            raise Refused({name: ["Give a time with its zone, as in 2026-03-02T10:15:00Z."]})
        return at


class ProductRow(serializers.ModelSerializer[Product]):
    class Meta:
        model = Product
        fields = (
            "id", "maker", "name", "kind", "size_range", "colourway", "list_price", "currency",
            "certification_claims", "padded",
        )  # fmt: skip


class ProductsView(RecordList):
    """Products as bought, with the claims printed on them."""

    queryset = Product.objects.all()
    serializer_class = ProductRow
    filters = {"kind": "kind", "maker": "maker", "name": "name"}


class ServiceRow(serializers.ModelSerializer[ServiceEntry]):
    specimen = serializers.CharField(source="specimen.code")

    class Meta:
        model = ServiceEntry
        fields = (
            "id", "specimen", "started_on", "ended_on", "distance_km_low", "distance_km_best",
            "distance_km_high", "wash_count", "proofing_count", "conditions", "incidents",
            "evidence", "note",
        )  # fmt: skip


class ServiceView(RecordList):
    """Entries of the specimens' service, with how each is known."""

    queryset = ServiceEntry.objects.select_related("specimen")
    serializer_class = ServiceRow
    filters = {"specimen": "specimen__code", "evidence": "evidence"}


class SpecimenRow(serializers.ModelSerializer[Specimen]):
    class Meta:
        model = Specimen
        fields = (
            "code", "product", "size", "lot", "price_paid", "currency", "acquired", "paid_by",
            "acquired_on", "condition_at_intake", "owner_alias", "retired_on",
        )  # fmt: skip


class SpecimensView(RecordList):
    """Specimens: each one physical item."""

    queryset = Specimen.objects.all()
    serializer_class = SpecimenRow
    filters = {"code": "code", "lot": "lot", "owner": "owner_alias", "acquired": "acquired"}


class MethodRow(serializers.ModelSerializer[MethodRevision]):
    key = serializers.CharField(source="method.key")
    name = serializers.CharField(source="method.name")
    property = serializers.CharField(source="method.property")

    class Meta:
        model = MethodRevision
        fields = (
            "key", "number", "name", "property", "state", "outcome_kind", "quantity", "unit",
            "direction", "resolution", "detection_limit", "range_low", "range_high", "margin",
            "relation", "standard_note", "destructive",
        )  # fmt: skip


class MethodsView(RecordList):
    """Revisions of methods. One that was used never changes."""

    queryset = MethodRevision.objects.select_related("method")
    serializer_class = MethodRow
    filters = {"key": "method__key", "state": "state", "outcome_kind": "outcome_kind"}


class InstrumentRow(serializers.ModelSerializer[Instrument]):
    class Meta:
        model = Instrument
        fields = ("code", "name", "kind", "unit", "serial", "place", "state", "note")


class InstrumentsView(RecordList):
    """What readings are taken with."""

    queryset = Instrument.objects.all()
    serializer_class = InstrumentRow
    filters = {"code": "code", "kind": "kind", "state": "state"}


class ReadingRow(serializers.ModelSerializer[Reading]):
    id = serializers.UUIDField(source="uuid")
    study = serializers.CharField(source="run.study.slug")
    method = serializers.CharField(source="run.revision.method.key")
    method_number = serializers.IntegerField(source="run.revision.number")
    unit = serializers.CharField(source="run.revision.unit")
    specimen = serializers.CharField(source="run.specimen.code")
    zone = serializers.CharField(source="run.zone.code")
    site = serializers.IntegerField(source="run.site")
    raw = RawEntry()
    by = serializers.CharField(source="by.username")
    supersedes = serializers.UUIDField(source="supersedes_id", allow_null=True)

    class Meta:
        model = Reading
        fields = (
            "id", "study", "method", "method_number", "specimen", "zone", "site", "run", "kind",
            "raw", "low", "high", "grade", "unit", "words", "rater", "note", "measured_at",
            "entered_at", "by", "supersedes", "reason",
        )  # fmt: skip


class GivenReadingOfMany(GivenReading):
    """One of many readings, with the id that its maker gave it."""

    id = serializers.UUIDField()


class GivenReadings(serializers.Serializer[Any]):
    """Readings to store together."""

    readings = GivenReadingOfMany(many=True, allow_empty=False, max_length=MOST_READINGS_AT_ONCE)  # type: ignore[call-arg]


class StoredAnswer(serializers.Serializer[Any]):
    """What became of each: `stored`, or `stored before` for one that was sent again."""

    id = serializers.UUIDField()
    state = serializers.CharField()


class StoredAnswers(serializers.Serializer[Any]):
    """The answer to many readings, in the order in which they were sent."""

    readings = StoredAnswer(many=True)


class ReadingsView(RecordList, BenchView):
    """Readings, superseded ones among them; and storing many at once."""

    deeds = {"GET": Deed.SEE_LAB, "POST": Deed.UPLOAD_READINGS}
    queryset = Reading.objects.select_related(
        "run__study", "run__revision__method", "run__specimen", "run__zone", "by"
    )
    serializer_class = ReadingRow
    takes = {"POST": GivenReadings}
    gives = {"POST": StoredAnswers}
    filters = {
        "study": "run__study__slug",
        "method": "run__revision__method__key",
        "specimen": "run__specimen__code",
        "entered_since": "entered_at__gte",
        "entered_before": "entered_at__lt",
    }
    times = frozenset({"entered_since", "entered_before"})

    def get_queryset(self) -> QuerySet[Reading]:
        closed = closed_studies()
        return super().get_queryset().exclude(run__study__in=closed)

    def post(self, request: Request) -> Response:
        """Store all of them or none. Sending the same ones again changes nothing."""
        given = GivenReadings(data=request.data)
        given.is_valid(raise_exception=True)
        stored = []
        with transaction.atomic():
            for index, content in enumerate(given.validated_data["readings"]):
                try:
                    stored.append(_store(person(request), content))
                except Refused as refused:
                    raise type(refused)(
                        {
                            f"readings.{index}.{f}".rstrip("."): s
                            for f, s in refused.problems.items()
                        }
                    ) from refused
        return Response({"readings": stored}, status=status.HTTP_200_OK)


def _store(by: Any, content: dict[str, Any]) -> dict[str, str]:
    uuid = content.pop("id")
    recorded, _ = record_given(by, uuid, content)
    if recorded.state not in ("stored", "stored before"):
        # At the bench both are kept for a person; a program can read what stands and decide.
        raise Conflict("Another reading stands in this place. None of these was stored.")
    return {"id": str(uuid), "state": recorded.state}
