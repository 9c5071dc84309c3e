"""The administration pages change nothing behind the trail."""

import pytest
from django.contrib import admin
from django.test import Client

from labsite.admin import ReadOnlyAdmin
from labsite.models import AuditEntry, Lab, User
from labsite.roles import Role, give_role

pytestmark = pytest.mark.django_db


@pytest.fixture
def administrator() -> Client:
    user = User.objects.create_user("nessa")
    give_role(user=user, role=Role.ADMINISTRATOR, by=None)
    client = Client()
    client.force_login(User.objects.get(pk=user.pk))
    return client


def test_only_the_lab_itself_can_be_changed_there():
    writable = {
        model
        for model, shown in admin.site._registry.items()
        if not isinstance(shown, ReadOnlyAdmin)
    }
    assert writable == {Lab}


def test_people_cannot_be_changed_there(administrator):
    person = User.objects.create_user("mo")
    address = f"/admin/labsite/user/{person.pk}/change/"
    assert administrator.get(address).status_code == 200
    assert administrator.post(address, {"username": "mo", "is_superuser": "on"}).status_code == 403
    assert administrator.get("/admin/auth/group/").status_code == 404
    person.refresh_from_db()
    assert not person.is_superuser


def test_a_change_of_the_lab_is_on_the_trail_from_what_to_what(administrator):
    lab = Lab.objects.create(name="Old name", note="same")
    address = f"/admin/labsite/lab/{lab.pk}/change/"
    form = administrator.get(address).context["adminform"].form
    sent = {name: form[name].value() or "" for name in form.fields if form[name].value()}
    answer = administrator.post(address, sent | {"name": "New name"})
    assert answer.status_code == 302
    told = AuditEntry.objects.get(verb="changed the lab's page")
    assert told.detail == {"changed": {"name": {"from": "Old name", "to": "New name"}}}
    assert told.by.username == "nessa"
