"""Addresses of the API."""

from django.urls import path

from trials import (
    api,
    equipment_api,
    leaving_out_api,
    offline_api,
    photo_api,
    records_api,
    watch_api,
    witness_api,
)

urlpatterns = [
    path("session/", api.SessionView.as_view(), name="api-session"),
    path("products/", records_api.ProductsView.as_view(), name="api-products"),
    path("specimens/", records_api.SpecimensView.as_view(), name="api-specimens"),
    path("service/", records_api.ServiceView.as_view(), name="api-service"),
    path("methods/", records_api.MethodsView.as_view(), name="api-methods"),
    path("instruments/", records_api.InstrumentsView.as_view(), name="api-instruments"),
    path("readings/", records_api.ReadingsView.as_view(), name="api-readings"),
    # not a uuid converter: a wrong id is told as a problem, not as a missing page
    path("readings/<str:reading_id>/", api.ReadingView.as_view(), name="api-reading"),
    path("photos/<str:photo_id>/", photo_api.PhotoView.as_view(), name="api-photo"),
    path(
        "photo-originals/<str:original_id>/",
        photo_api.PhotoOriginalView.as_view(),
        name="api-photo-original",
    ),
    path("photos/<str:photo_id>/void/", photo_api.PhotoVoidView.as_view(), name="api-photo-void"),
    path("video-marks/<str:mark_id>/", photo_api.MarkView.as_view(), name="api-mark"),
    path(
        "specimen-checks/<str:check_id>/",
        witness_api.SpecimenCheckView.as_view(),
        name="api-specimen-check",
    ),
    path(
        "readings/<str:reading_id>/confirm/",
        witness_api.ConfirmView.as_view(),
        name="api-confirm",
    ),
    path("equipment/<str:choice_id>/", equipment_api.EquipmentView.as_view(), name="api-equipment"),
    path("watches/<str:watch_id>/", watch_api.WatchView.as_view(), name="api-watch"),
    path("held/<str:entry_id>/", offline_api.HeldView.as_view(), name="api-held"),
    path("studies/", api.StudiesView.as_view(), name="api-studies"),
    path("studies/<slug:slug>/", api.StudyView.as_view(), name="api-study"),
    path("studies/<slug:slug>/runs/", api.RunsView.as_view(), name="api-runs"),
    path("runs/<int:run_id>/", api.RunView.as_view(), name="api-run"),
    path(
        "studies/<slug:slug>/left-out/",
        leaving_out_api.LeftOutView.as_view(),
        name="api-left-out",
    ),
    path(
        "studies/<slug:slug>/left-out/<int:left_out_id>/take-in/",
        leaving_out_api.TakeInView.as_view(),
        name="api-take-in",
    ),
    path("runs/<int:run_id>/void/", api.VoidView.as_view(), name="api-void"),
    path("methods/<slug:key>/<int:number>/checks/", api.ChecksView.as_view(), name="api-checks"),
]
