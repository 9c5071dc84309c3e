"""Addresses of the bench."""

from django.urls import path

from trials.views import bench

urlpatterns = [
    path("", bench.index, name="bench"),
    path("<slug:slug>/", bench.sheet, name="bench-sheet"),
    path("<slug:slug>/runs/<int:run_id>/", bench.run, name="bench-run"),
    path("<slug:slug>/runs/<int:run_id>/equipment/", bench.equipment, name="bench-equipment"),
    path("<slug:slug>/runs/<int:run_id>/settle/", bench.settle, name="bench-settle"),
]
