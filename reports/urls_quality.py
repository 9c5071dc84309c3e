"""Addresses of the lab office that need the analysis."""

from django.urls import path

from reports.views import quality

urlpatterns = [
    path("controls/<slug:key>/<int:number>/", quality.control, name="lab-control"),
    path("methods/<slug:key>/<int:number>/budget/", quality.budget, name="lab-budget"),
    path("instruments/findings/<int:pk>/", quality.reach, name="lab-reach"),
    path("instruments/findings/<int:pk>/preview/", quality.preview, name="lab-reach-preview"),
    path("instruments/findings/<int:pk>/settle/", quality.settle_all, name="lab-reach-settle"),
    path("instruments/findings/<int:pk>/close/", quality.close, name="lab-reach-close"),
]
