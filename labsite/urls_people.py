"""Addresses of the people of the lab, for administrators."""

from django.urls import path

from labsite import access_views

urlpatterns = [
    path("", access_views.people, name="people"),
    path("invite/", access_views.invite, name="people-invite"),
    path(
        "invitations/<int:pk>/withdraw/",
        access_views.withdraw_invitation,
        name="people-invitation-withdraw",
    ),
    path("<int:pk>/", access_views.one_person, name="person"),
    path("<int:pk>/second-factor/", access_views.lost_second_factor, name="person-second-factor"),
]
