"""Addresses of one's own account."""

from django.urls import path

from labsite import access_views

urlpatterns = [
    path("", access_views.account, name="account"),
    path("password/", access_views.own_password, name="account-password"),
    path("second-factor/", access_views.second_factor, name="account-second-factor"),
    path(
        "second-factor/remove/",
        access_views.remove_second_factor,
        name="account-second-factor-remove",
    ),
    path("pin/", access_views.pin, name="account-pin"),
    path("tokens/add/", access_views.make_token, name="account-token-add"),
    path("tokens/<int:pk>/revoke/", access_views.revoke_token, name="account-token-revoke"),
    path("tablet/", access_views.enrol_tablet, name="account-tablet"),
    path("tablets/<int:pk>/revoke/", access_views.revoke_tablet, name="account-tablet-revoke"),
]
