"""Addresses of the site. Each app brings its own; a missing page is a 404 of ours."""

from django.conf.urls.i18n import i18n_patterns
from django.contrib import admin
from django.contrib.auth.decorators import login_not_required
from django.urls import include, path
from django.views.generic import RedirectView

from labsite import access_views, api_pages, audit_views, gallery, operations, views

to_sign_in = RedirectView.as_view(pattern_name="sign-in", query_string=True)

urlpatterns = [
    path("sign-in/", views.SignIn.as_view(), name="sign-in"),
    path("sign-in/code/", access_views.code, name="sign-in-code"),
    path("sign-out/", views.SignOut.as_view(), name="sign-out"),
    path("healthz", views.healthz, name="healthz"),
    path("readyz", views.readyz, name="readyz"),
    path("account/", include("labsite.urls_account")),
    path("people/", include("labsite.urls_people")),
    path("welcome/<str:token>/", access_views.welcome, name="welcome"),
    path("switch/", access_views.switch, name="switch"),
    path("switch/<int:pk>/", access_views.switch_to, name="switch-to"),
    path("jobs/", operations.jobs_page, name="jobs"),
    path("jobs/<int:pk>/again/", operations.try_again, name="job-again"),
    path("metrics", operations.MetricsView.as_view(), name="metrics"),
    path("api/v1/", api_pages.page, name="api"),
    path("api/v1/schema.json", api_pages.SchemaView.as_view(), name="api-schema"),
    path("audit/", audit_views.index, name="audit"),
    path("gallery/", gallery.gallery, name="gallery"),
    # The administration's own form knows nothing of the second factor.
    path("admin/login/", login_not_required(to_sign_in)),
    path("admin/", admin.site.urls),
    path("", include("specimens.urls")),
    path("", include("trials.urls")),
    path("", include("reports.urls")),
    # what readers see, in every language; English without a prefix
    *i18n_patterns(path("", include("reports.urls_public")), prefix_default_language=False),
]

handler400 = "labsite.views.bad_request"
handler403 = "labsite.views.permission_denied"
handler404 = "labsite.views.not_found"
handler500 = "labsite.views.server_error"
