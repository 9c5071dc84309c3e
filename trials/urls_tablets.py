"""Addresses of the lab office for what tablets could not send."""

from django.urls import path

from trials.views import tablets

urlpatterns = [
    path("tablets/files/", tablets.entries_files, name="entries-file"),
    path("tablets/files/<int:pk>/", tablets.entries_file, name="entries-file-look"),
    path("tablets/handed-over/", tablets.held_entries, name="lab-held"),
    path("tablets/handed-over/<uuid:pk>/", tablets.settle_held_entry, name="lab-held-settle"),
]
