"""Administration pages: people, and a read-only look at the trail and the jobs."""

from typing import Any

from django.contrib import admin
from django.contrib.auth.models import Group
from django.forms import ModelForm
from django.http import HttpRequest
from django_otp.plugins.otp_static.models import StaticDevice
from django_otp.plugins.otp_totp.models import TOTPDevice

from labsite import audit
from labsite.models import AuditEntry, Job, Lab, User
from labsite.roles import person

admin.site.site_header = "Administration"
admin.site.site_title = "Wornproof"

# People, their roles and second factors change on the site's own pages, which ask why and keep a
# trail; here they would change behind it.
for behind_the_trail in (Group, StaticDevice, TOTPDevice):
    if admin.site.is_registered(behind_the_trail):
        admin.site.unregister(behind_the_trail)


class ReadOnlyAdmin(admin.ModelAdmin):  # type: ignore[type-arg]
    """Rows that only the program writes."""

    def has_add_permission(self, request: HttpRequest) -> bool:
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False


@admin.register(User)
class UserAdmin(ReadOnlyAdmin):
    list_display = ["username", "first_name", "last_name", "is_active", "last_login"]
    exclude = ["password"]


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

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def save_model(self, request: HttpRequest, obj: Lab, form: ModelForm, change: bool) -> None:  # type: ignore[type-arg]
        super().save_model(request, obj, form, change)
        names = form.changed_data
        before = {name: form.initial.get(name) for name in names}
        after = {name: form.cleaned_data[name] for name in names}
        audit.record(
            by=person(request),
            verb="changed the lab's page" if change else "named the lab",
            subject=obj,
            detail=audit.changes(before, after),
        )
