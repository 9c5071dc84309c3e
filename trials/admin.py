"""A read-only look at the record of trials; changes go through the lab, the bench and the API."""

from django.contrib import admin

from labsite.admin import ReadOnlyAdmin
from trials.models import (
    ControlRun,
    Method,
    MethodRevision,
    Reading,
    ReadingConflict,
    ReadingUpload,
    Run,
    RunVoid,
    SafetyAcknowledgement,
    Study,
)


@admin.register(Method)
class MethodAdmin(ReadOnlyAdmin):
    list_display = ["name", "key", "property"]


@admin.register(MethodRevision)
class MethodRevisionAdmin(ReadOnlyAdmin):
    list_display = ["method", "number", "state", "outcome_kind", "unit"]
    list_filter = ["state"]
    list_select_related = ["method"]


@admin.register(ControlRun)
class ControlRunAdmin(ReadOnlyAdmin):
    list_display = ["revision", "material", "session_label", "ran_at", "low", "high"]
    list_select_related = ["revision__method"]


@admin.register(Study)
class StudyAdmin(ReadOnlyAdmin):
    list_display = ["title", "kind", "registered_at", "registered_by"]
    list_select_related = ["registered_by"]


@admin.register(Run)
class RunAdmin(ReadOnlyAdmin):
    list_display = ["study", "position", "specimen", "zone", "revision", "site"]
    list_filter = ["study"]
    list_select_related = ["study", "specimen", "zone", "revision__method"]


@admin.register(RunVoid)
class RunVoidAdmin(ReadOnlyAdmin):
    list_display = ["run_id", "reason", "value_was_known", "by", "at"]
    list_filter = ["reason"]
    list_select_related = ["by"]


@admin.register(Reading)
class ReadingAdmin(ReadOnlyAdmin):
    list_display = ["uuid", "run_id", "words", "rater", "by", "measured_at", "entered_at"]
    list_filter = ["kind"]
    list_select_related = ["by"]


@admin.register(ReadingConflict)
class ReadingConflictAdmin(ReadOnlyAdmin):
    list_display = ["reading_uuid", "run_id", "by", "received_at", "settled_at", "settled_by"]
    list_select_related = ["by", "settled_by"]


@admin.register(SafetyAcknowledgement)
class SafetyAcknowledgementAdmin(ReadOnlyAdmin):
    list_display = ["revision", "by", "at"]
    list_select_related = ["revision__method", "by"]


@admin.register(ReadingUpload)
class ReadingUploadAdmin(ReadOnlyAdmin):
    list_display = ["file_name", "study", "by", "received_at", "stored_at", "row_count"]
    list_select_related = ["study", "by"]
    exclude = ["content"]
