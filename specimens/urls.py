"""Addresses of the record of specimens."""

from django.urls import path

from specimens import import_views, service_views, views

urlpatterns = [
    path("lab/products/", views.products, name="lab-products"),
    path("lab/products/add/", views.add_product, name="lab-product-add"),
    path("lab/products/<int:pk>/", views.product, name="lab-product"),
    path("lab/pairs/", service_views.pairs, name="lab-pairs"),
    path("lab/files/<slug:key>/", import_views.add, name="lab-record-add"),
    path("lab/files/<slug:key>/<int:pk>/", import_views.file, name="lab-record-file"),
    path("lab/files/<slug:key>/<int:pk>/columns/", import_views.columns, name="lab-record-columns"),
    path("lab/files/<slug:key>/<int:pk>/store/", import_views.store, name="lab-record-store"),
    path(
        "lab/files/<slug:key>/<int:pk>/problems.csv",
        import_views.problems,
        name="lab-record-problems",
    ),
    path(
        "lab/files/<slug:key>/to-fill-in.<str:ending>",
        import_views.template,
        name="lab-record-template",
    ),
    path("lab/files/<slug:key>/all.<str:ending>", import_views.export, name="lab-record-export"),
    path(
        "lab/specimens/<str:code>/service/picture/",
        service_views.service_picture,
        name="lab-service-picture",
    ),
    path("lab/specimens/add/", views.add_specimen, name="lab-specimen-add"),
    path("lab/specimens/<str:code>/custody/add/", views.add_custody_event, name="lab-custody-add"),
    path("lab/specimens/<str:code>/service/add/", views.add_service_entry, name="lab-service-add"),
    path("lab/specimens/<str:code>/retire/", views.retire_specimen, name="lab-specimen-retire"),
]
