"""Addresses that let the bench open without network; outside /bench/, because they are public."""

from django.urls import path

from trials.views import offline

urlpatterns = [
    path("worker.js", offline.worker, name="bench-worker"),
    path("files.json", offline.files, name="bench-files"),
    path("manifest.webmanifest", offline.manifest, name="bench-manifest"),
    path("no-network/", offline.no_network, name="bench-no-network"),
]
