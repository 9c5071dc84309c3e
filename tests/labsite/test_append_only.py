"""The database refuses to change what must stay, whoever asks."""

import pytest
from django.db import IntegrityError, connection, transaction

from labsite import audit, triggers
from labsite.models import AuditEntry, Lab, User

pytestmark = pytest.mark.django_db


@pytest.fixture
def entry():
    ann = User.objects.create_user("ann", first_name="Ann", last_name="Smith")
    return audit.record(by=ann, verb="signed", subject=ann, detail={"page": 3})


def refuse(change):
    with (
        pytest.raises(IntegrityError, match="Audit entries are never changed"),
        transaction.atomic(),
    ):
        change()


def test_an_entry_says_who_did_what(entry):
    assert (entry.subject_kind, entry.subject_words) == ("labsite.user", "Ann Smith")
    assert str(entry) == "Ann Smith signed Ann Smith"
    assert entry.detail == {"page": 3}


def test_every_way_to_change_an_entry_is_refused(entry):
    entry.verb = "forged"
    refuse(entry.save)
    refuse(entry.delete)
    refuse(lambda: AuditEntry.objects.update(verb="forged"))
    refuse(lambda: AuditEntry.objects.bulk_update([entry], ["verb"]))
    refuse(lambda: AuditEntry.objects.all().delete())

    def raw():
        with connection.cursor() as cursor:
            cursor.execute("UPDATE labsite_auditentry SET verb = 'forged'")

    refuse(raw)
    assert AuditEntry.objects.get(pk=entry.pk).verb == "signed"


def test_emptying_the_table_at_once_is_refused(entry):
    """Both databases have a quick way to empty a table that row triggers could miss."""
    statement = {
        "postgresql": "TRUNCATE labsite_auditentry CASCADE",
        "sqlite": "DELETE FROM labsite_auditentry",
    }[connection.vendor]

    def empty():
        with connection.cursor() as cursor:
            cursor.execute(statement)

    # Checks put off to the commit would stop TRUNCATE before the guard is asked.
    connection.check_constraints()
    refuse(empty)


def test_a_guard_may_hold_only_for_some_rows():
    guard = triggers.Guard(
        table="labsite_lab",
        message="An invented lab stays as it is",
        when="OLD.is_invented",
    )
    with connection.cursor() as cursor:
        for statement in triggers._creating(guard, connection):
            cursor.execute(statement)
        Lab.objects.create(pk=1, name="A")
        cursor.execute("UPDATE labsite_lab SET name = 'B', is_invented = true")
        with pytest.raises(IntegrityError, match="stays as it is"), transaction.atomic():
            cursor.execute("UPDATE labsite_lab SET name = 'C'")
        for statement in triggers._dropping(guard, connection):
            cursor.execute(statement)
        cursor.execute("UPDATE labsite_lab SET name = 'C'")


@pytest.mark.parametrize(("table", "message"), [("a; b", "words"), ("a", "it's")])
def test_a_guard_takes_plain_names_and_messages_only(table, message):
    with pytest.raises(ValueError, match="plain table name"):
        triggers.guard(triggers.Guard(table=table, message=message))


def test_installing_again_does_no_harm(entry):
    triggers.install()
    triggers.install()
    refuse(lambda: AuditEntry.objects.update(verb="forged"))


@pytest.mark.django_db(transaction=True)
class TestAfterEmptyingTheTables:
    """Transactional tests empty the tables; the guards must be back for the next test."""

    def test_first(self, entry):
        refuse(lambda: AuditEntry.objects.update(verb="forged"))

    def test_second(self, entry):
        assert AuditEntry.objects.count() == 1
        refuse(lambda: AuditEntry.objects.update(verb="forged"))
