"""Addresses of this app, by who uses them."""

from django.urls import include, path

urlpatterns = [
    path("bench/", include("trials.urls_bench")),
    path("lab/", include("trials.urls_lab")),
    path("api/v1/", include("trials.urls_api")),
]
