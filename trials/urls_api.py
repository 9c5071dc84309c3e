"""Addresses of the API."""

from django.urls import path

from trials import api

urlpatterns = [
    path("session/", api.SessionView.as_view(), name="api-session"),
    # not a uuid converter: a wrong id is told as a problem, not as a missing page
    path("readings/<str:reading_id>/", api.ReadingView.as_view(), name="api-reading"),
    path("studies/", api.StudiesView.as_view(), name="api-studies"),
    path("studies/<slug:slug>/", api.StudyView.as_view(), name="api-study"),
    path("studies/<slug:slug>/runs/", api.RunsView.as_view(), name="api-runs"),
    path("runs/<int:run_id>/void/", api.VoidView.as_view(), name="api-void"),
    path("methods/<slug:key>/<int:number>/checks/", api.ChecksView.as_view(), name="api-checks"),
]
