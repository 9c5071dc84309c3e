"""Addresses of plans, run sheets, progress and amendments of a study."""

from django.urls import path

from trials.views import leaving_out, plans, studies

urlpatterns = [
    path("plans/draw/", plans.draw, name="lab-plan-draw"),
    path("plans/<int:number>/", plans.show, name="lab-plan-show"),
    path("plans/<int:number>/pin/", plans.pin, name="lab-plan-pin"),
    path("plans/<int:number>/accept/", plans.accept, name="lab-plan-accept"),
    path("sheets/<int:session>/", plans.sheet, name="lab-run-sheet"),
    path("codes/", plans.codes, name="lab-codes"),
    path("progress/", studies.progress, name="lab-progress"),
    path("amend/", studies.amend, name="lab-study-amend"),
    path("substitute/", studies.substitute, name="lab-study-substitute"),
    path("left-out/", leaving_out.left_out, name="lab-left-out"),
    path("left-out/<int:pk>/take-in/", leaving_out.take_in, name="lab-take-in"),
]
