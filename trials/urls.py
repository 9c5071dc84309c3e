"""Addresses of this app, by who uses them."""

from django.urls import include, path

from trials.views import photos

urlpatterns = [
    path("offline/", include("trials.urls_offline")),
    path("bench/", include("trials.urls_bench")),
    path("lab/", include("trials.urls_lab")),
    path("photos/<uuid:photo_id>/<str:size>/", photos.photo_file, name="photo-file"),
    path("api/v1/", include("trials.urls_api")),
]
