"""Pages for readers, in every language: English without a prefix, German under /de/. For ever."""

from django.urls import path

from reports.views import data, errata, public, readers

urlpatterns = [
    path("", public.index, name="scorecards"),
    path("scorecards/<slug:slug>/", public.latest, name="scorecard"),
    path("scorecards/<slug:slug>/<int:number>/", public.edition, name="edition"),
    path("scorecards/<slug:slug>/<int:number>/package/", data.folder, name="edition-folder"),
    path("corrections/", errata.log, name="corrections"),
    path("what-goes-first/", readers.goes_first, name="goes-first"),
    path("compare/", readers.compare, name="compare"),
    path("products/", readers.products, name="products"),
    path("products/<int:number>/", readers.product, name="product"),
    path("methods/", readers.methods, name="methods"),
    path("methods/<slug:key>/", readers.method_latest, name="method-latest"),
    path("methods/<slug:key>/<int:number>/", public.method, name="method"),
    path("cautions/", public.cautions, name="cautions"),
    path("about/", readers.about, name="about"),
    path("report-an-error/", readers.report_error, name="report-error"),
    path("report-an-error/<slug:code>/", readers.error_report, name="error-report"),
]
