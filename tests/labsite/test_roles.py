"""Who may do what, as a table."""

import pytest
from django.contrib.auth.models import AnonymousUser, Group
from django.http import HttpResponse

from labsite.errors import NotAllowed
from labsite.models import AuditEntry, User
from labsite.roles import Deed, Role, check_may, give_role, may, needs, roles_of

pytestmark = pytest.mark.django_db

# One row a deed: technician, lead, editor, administrator, auditor. Written by hand from how a
# lab works, not read from the program's own table.
TABLE = {
    "ENTER_READINGS": (True, True, False, False, False),
    "VOID_RUNS": (True, True, False, False, False),
    "SETTLE_READINGS": (False, True, False, False, False),
    "UPLOAD_READINGS": (True, True, False, False, False),
    "SEE_LAB": (True, True, True, False, True),
    "MANAGE_RECORDS": (False, True, False, False, False),
    "MANAGE_STUDIES": (False, True, False, False, False),
    "SEE_FINDINGS": (False, True, True, False, True),
    "DRAFT_EDITIONS": (False, True, True, False, False),
    "PUBLISH_EDITIONS": (False, True, True, False, False),
    "READ_AUDIT": (False, True, False, True, True),
    "SIGN_OFF": (False, True, True, False, False),
    "MANAGE_TABLETS": (False, True, False, True, False),
    "ADMINISTER": (False, False, False, True, False),
}


def person(*roles: Role, **marks: bool) -> User:
    user = User.objects.create_user(f"person{User.objects.count()}", **marks)
    for role in roles:
        give_role(user=user, role=role, by=None)
    return User.objects.get(pk=user.pk)


def test_the_table_covers_every_deed():
    assert set(TABLE) == {deed.name for deed in Deed}


@pytest.mark.parametrize("name", TABLE)
def test_each_role_may_exactly_what_the_table_says(name):
    allowed = tuple(may(person(role), Deed[name]) for role in Role)
    assert allowed == TABLE[name]


@pytest.mark.parametrize("deed", Deed)
def test_without_a_role_nothing_is_allowed(deed):
    assert not may(AnonymousUser(), deed)
    assert not may(person(), deed)
    assert not may(person(Role.LEAD, is_active=False), deed)


def test_a_superuser_is_an_administrator_and_nothing_more():
    assert roles_of(person(is_superuser=True)) == {Role.ADMINISTRATOR}


def test_roles_add_up():
    both = person(Role.TECHNICIAN, Role.EDITOR)
    assert may(both, Deed.ENTER_READINGS)
    assert may(both, Deed.PUBLISH_EDITIONS)


def test_a_refusal_says_who_may():
    with pytest.raises(NotAllowed, match=r"You may not publish scorecards\..* lead or editor"):
        check_may(person(Role.TECHNICIAN), Deed.PUBLISH_EDITIONS)


def test_the_groups_are_there_after_migrating():
    assert set(Group.objects.values_list("name", flat=True)) == {role.value for role in Role}


def test_giving_a_role_is_on_the_trail():
    lead = person(Role.LEAD)
    new = person()
    give_role(user=new, role=Role.TECHNICIAN, by=lead)
    entry = AuditEntry.objects.first()
    assert (entry.by, entry.verb, entry.detail) == (lead, "gave role", {"role": "technician"})
    assert may(new, Deed.ENTER_READINGS)


def test_an_administrator_can_open_the_administration_pages():
    administrator = person(Role.ADMINISTRATOR)
    assert administrator.is_staff
    assert administrator.is_superuser


def test_roles_cost_one_query_however_often_they_are_asked(django_assert_num_queries):
    lead = person(Role.LEAD)
    with django_assert_num_queries(1):
        assert [may(lead, deed) for deed in Deed].count(True) == 13


def test_a_guarded_view_refuses_before_it_runs(rf):
    ran = []

    @needs(Deed.MANAGE_STUDIES)
    def view(request):
        ran.append(request)
        return HttpResponse("seen")

    request = rf.get("/lab/")
    request.user = person(Role.EDITOR)
    with pytest.raises(NotAllowed):
        view(request)
    assert ran == []
    request.user = person(Role.LEAD)
    assert view(request).content == b"seen"
