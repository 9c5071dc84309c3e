"""Addresses of the bench."""

from django.urls import path

from trials.views import bench, offline, paper, rating, safety

urlpatterns = [
    path("", bench.index, name="bench"),
    # before the studies: a study cannot be called safety here
    path("safety/", safety.rules, name="bench-safety"),
    path("tablet/waiting/", offline.waiting, name="bench-waiting"),
    path("<slug:slug>/", bench.sheet, name="bench-sheet"),
    path("<slug:slug>/paper/", paper.enter, name="bench-paper"),
    path("<slug:slug>/rate/", rating.index, name="bench-rate"),
    path("<slug:slug>/rate/<slug:key>/", rating.grade, name="bench-rate-method"),
    path("<slug:slug>/added/<slug:key>/", bench.added_run, name="bench-added-run"),
    path("<slug:slug>/runs/<int:run_id>/", bench.run, name="bench-run"),
    path("<slug:slug>/runs/<int:run_id>/equipment/", bench.equipment, name="bench-equipment"),
    path("<slug:slug>/runs/<int:run_id>/settle/", bench.settle, name="bench-settle"),
    path(
        "<slug:slug>/runs/<int:run_id>/photos/<uuid:photo_id>/strike-out/",
        bench.strike_out,
        name="bench-photo-strike-out",
    ),
]
