"""Addresses of the record of specimens."""

from django.urls import path

from specimens import service_views, views

urlpatterns = [
    path("lab/products/", views.products, name="lab-products"),
    path("lab/products/add/", views.add_product, name="lab-product-add"),
    path("lab/products/<int:pk>/", views.product, name="lab-product"),
    path("lab/pairs/", service_views.pairs, name="lab-pairs"),
    path("lab/service/file/", service_views.service_file, name="lab-service-file"),
    path("lab/service/template.csv", service_views.service_template, name="lab-service-template"),
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
