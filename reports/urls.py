"""Addresses of this app. Public addresses stay for ever; pages for readers are in urls_public."""

from django.urls import include, path

from reports import api
from reports.views import desk, how_many, public, readers, translating

urlpatterns = [
    path(
        "scorecards/<slug:slug>/<int:number>/readings.csv",
        public.edition_csv,
        name="edition-csv",
    ),
    path("scorecards/<slug:slug>/<int:number>/card.json", public.edition_json, name="edition-json"),
    path(
        "scorecards/<slug:slug>/<int:number>/photos/<slug:digest>.jpg",
        public.edition_photo,
        name="edition-photo",
    ),
    path("", include("reports.urls_data")),
    path("lab/", include("reports.urls_quality")),
    path("lab/studies/<slug:slug>/how-many/", how_many.show, name="lab-how-many"),
    path("across/", desk.across, name="across"),
    path("desk/", desk.index, name="desk"),
    path("desk/error-reports/", readers.desk_reports, name="desk-error-reports"),
    path("desk/error-reports/<slug:code>/", readers.desk_report, name="desk-error-report"),
    path("", include("reports.urls_episodes")),
    path("", include("reports.urls_review")),
    path("desk/<slug:slug>/", desk.study, name="desk-study"),
    path("desk/<slug:slug>/words/<str:language>/", translating.edit, name="desk-translation"),
    path("desk/<slug:slug>/publish/", desk.publish, name="desk-publish"),
    path("desk/<slug:slug>/preview/", desk.preview, name="desk-preview"),
    path("desk/<slug:slug>/state.json", desk.state, name="desk-state"),
    path("api/v1/studies/<slug:slug>/findings/", api.FindingsView.as_view(), name="api-findings"),
    path("api/v1/scorecards/", api.ScorecardsView.as_view(), name="api-scorecards"),
    path(
        "api/v1/scorecards/<slug:slug>/<int:number>/",
        api.ScorecardView.as_view(),
        name="api-scorecard",
    ),
]
