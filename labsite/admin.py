"""Administration pages: people, and a read-only look at the trail and the jobs."""

from typing import Any

from django.contrib import admin
from django.contrib.auth.admin import UserAdmin
from django.http import HttpRequest

from labsite.models import AuditEntry, Job, Lab, User

admin.site.site_header = "Administration"
admin.site.site_title = "Wornproof"

admin.site.register(User, UserAdmin)


class ReadOnlyAdmin(admin.ModelAdmin):  # type: ignore[type-arg]
    """Rows that only the program writes."""

    def has_add_permission(self, request: HttpRequest) -> bool:
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False


@admin.register(AuditEntry)
class AuditEntryAdmin(ReadOnlyAdmin):
    list_display = ["at", "by", "verb", "subject_kind", "subject_words"]
    list_filter = ["verb", "subject_kind"]
    list_select_related = ["by"]
    date_hierarchy = "at"


@admin.register(Job)
class JobAdmin(ReadOnlyAdmin):
    list_display = ["pk", "kind", "state", "attempts", "requested_at", "ended_at", "error"]
    list_filter = ["state", "kind"]


@admin.register(Lab)
class LabAdmin(admin.ModelAdmin):  # type: ignore[type-arg]
    def has_add_permission(self, request: HttpRequest) -> bool:
        return not Lab.objects.exists()
