"""Addresses of what is looked at before it goes out. Included before a study's own at the desk."""

from django.urls import path

from reports.views import pictures, review

urlpatterns = [
    path("preview/<str:token>/", review.preview, name="preview"),
    path("desk/interests/", review.interests, name="desk-interests"),
    path("desk/interests/<int:pk>/end/", review.end_interest, name="desk-interest-end"),
    path("small-lab/", review.exemption, name="small-lab"),
    path("desk/<slug:slug>/review/", review.show, {"kind": "study"}, name="review"),
    path("desk/<slug:slug>/review/stand/", review.stand, {"kind": "study"}, name="review-stand"),
    path(
        "desk/<slug:slug>/review/release/", review.release, {"kind": "study"}, name="review-release"
    ),
    path(
        "desk/<slug:slug>/review/release/<int:pk>/cancel/",
        review.cancel,
        {"kind": "study"},
        name="review-cancel",
    ),
    path(
        "desk/<slug:slug>/review/embargo/", review.embargo, {"kind": "study"}, name="review-embargo"
    ),
    path(
        "desk/<slug:slug>/review/previews/",
        review.make_preview,
        {"kind": "study"},
        name="review-previews",
    ),
    path(
        "desk/<slug:slug>/review/previews/<int:pk>/end/",
        review.end_preview,
        {"kind": "study"},
        name="review-preview-end",
    ),
    path("desk/<slug:slug>/pictures/", pictures.index, name="desk-pictures"),
    path("desk/<slug:slug>/pictures.zip", pictures.all_pictures, name="desk-pictures-all"),
    path("desk/<slug:slug>/pictures/<slug:name>.<str:kind>", pictures.picture, name="desk-picture"),
    path("desk/<slug:slug>/makers/", review.makers, name="desk-makers"),
    path("desk/<slug:slug>/makers/<int:pk>/", review.maker, name="desk-maker"),
]
