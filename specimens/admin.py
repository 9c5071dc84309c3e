"""A read-only look at the record of specimens; changes go through the lab's pages."""

from django.contrib import admin

from labsite.admin import ReadOnlyAdmin
from specimens.models import CustodyEvent, Product, RecordFile, ServiceEntry, Specimen, Zone


@admin.register(Product)
class ProductAdmin(ReadOnlyAdmin):
    list_display = ["maker", "name", "kind", "list_price", "currency"]
    list_filter = ["kind"]
    search_fields = ["maker", "name"]


@admin.register(Zone)
class ZoneAdmin(ReadOnlyAdmin):
    list_display = ["product", "code", "name", "side"]
    list_select_related = ["product"]


@admin.register(Specimen)
class SpecimenAdmin(ReadOnlyAdmin):
    list_display = ["code", "product", "size", "acquired", "acquired_on", "retired_on"]
    list_filter = ["acquired"]
    list_select_related = ["product"]
    search_fields = ["code", "lot"]


@admin.register(ServiceEntry)
class ServiceEntryAdmin(ReadOnlyAdmin):
    list_display = ["specimen", "started_on", "ended_on", "distance_km_best", "evidence"]
    list_filter = ["evidence"]
    list_select_related = ["specimen"]


@admin.register(CustodyEvent)
class CustodyEventAdmin(ReadOnlyAdmin):
    list_display = ["specimen", "at", "from_place", "to_place", "by_name"]
    list_select_related = ["specimen"]


@admin.register(RecordFile)
class RecordFileAdmin(ReadOnlyAdmin):
    list_display = ["file_name", "kind", "by", "received_at", "stored_at", "row_count"]
    exclude = ["content"]
