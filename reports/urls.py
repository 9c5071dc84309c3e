"""Addresses of this app. Public addresses stay for ever."""

from django.urls import include, path

from reports import api
from reports.views import desk, how_many, public

urlpatterns = [
    path("", public.index, name="scorecards"),
    path("scorecards/<slug:slug>/", public.latest, name="scorecard"),
    path("scorecards/<slug:slug>/<int:number>/", public.edition, name="edition"),
    path(
        "scorecards/<slug:slug>/<int:number>/readings.csv",
        public.edition_csv,
        name="edition-csv",
    ),
    path("scorecards/<slug:slug>/<int:number>/card.json", public.edition_json, name="edition-json"),
    path("methods/<slug:key>/<int:number>/", public.method, name="method"),
    path("cautions/", public.cautions, name="cautions"),
    path("lab/", include("reports.urls_quality")),
    path("lab/studies/<slug:slug>/how-many/", how_many.show, name="lab-how-many"),
    path("across/", desk.across, name="across"),
    path("desk/", desk.index, name="desk"),
    path("desk/<slug:slug>/", desk.study, name="desk-study"),
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
