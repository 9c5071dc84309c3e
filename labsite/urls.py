"""Addresses of the site. Each app brings its own; a missing page is a 404 of ours."""

from django.conf.urls.i18n import i18n_patterns
from django.contrib import admin
from django.urls import include, path

from labsite import audit_views, gallery, views

urlpatterns = [
    path("sign-in/", views.SignIn.as_view(), name="sign-in"),
    path("sign-out/", views.SignOut.as_view(), name="sign-out"),
    path("healthz", views.healthz, name="healthz"),
    path("readyz", views.readyz, name="readyz"),
    path("audit/", audit_views.index, name="audit"),
    path("gallery/", gallery.gallery, name="gallery"),
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
