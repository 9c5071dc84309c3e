"""Addresses of the lab office that show studies, methods, runs and files."""

from django.urls import include, path

from trials.views import lab, labels, safety

urlpatterns = [
    path("", lab.start, name="lab"),
    path("labels/", labels.show, name="lab-labels"),
    path("emergency/", safety.emergency, name="lab-emergency"),
    path("specimens/", lab.specimens, name="lab-specimens"),
    path("specimens/<str:code>/", lab.specimen, name="lab-specimen"),
    path("products/<int:pk>/zones/add/", lab.add_zone, name="lab-zone-add"),
    path("methods/", lab.methods, name="lab-methods"),
    path("methods/<slug:key>/<int:number>/", lab.method_revision, name="lab-method"),
    path("", include("trials.urls_quality")),
    path("", include("trials.urls_tablets")),
    path("studies/", lab.studies, name="lab-studies"),
    path("studies/add/", lab.add_study, name="lab-study-add"),
    path("studies/<slug:slug>/", lab.study, name="lab-study"),
    path("studies/<slug:slug>/change/", lab.change_study, name="lab-study-change"),
    path("studies/<slug:slug>/register/", lab.register_study, name="lab-study-register"),
    path("studies/<slug:slug>/", include("trials.urls_plans")),
    path("studies/<slug:slug>/plan/", lab.plan, name="lab-plan"),
    path("studies/<slug:slug>/to-fill-in.<str:ending>", lab.template_file, name="lab-template"),
    path("studies/<slug:slug>/readings.<str:ending>", lab.readings_file, name="lab-readings-file"),
    path("studies/<slug:slug>/files/add/", lab.add_file, name="lab-file-add"),
    path("studies/<slug:slug>/files/<int:pk>/", lab.file, name="lab-file"),
    path("studies/<slug:slug>/files/<int:pk>/columns/", lab.file_columns, name="lab-file-columns"),
    path("studies/<slug:slug>/files/<int:pk>/store/", lab.store_file, name="lab-file-store"),
    path("studies/<slug:slug>/files/<int:pk>/problems.csv", lab.problems_csv, name="lab-problems"),
    path("conflicts/", lab.conflicts, name="lab-conflicts"),
    path("conflicts/<int:pk>/", lab.settle_conflict, name="lab-conflict"),
]
