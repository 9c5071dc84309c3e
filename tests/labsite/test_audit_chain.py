"""An edit made behind the site's back is found, and the trail can be read."""

import hashlib
import json
import re
from datetime import timedelta
from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.db import connection, transaction
from django.utils import timezone

from labsite import audit, triggers
from labsite.models import AuditEntry, AuditSeal, Lab, User
from labsite.roles import Role, give_role

pytestmark = pytest.mark.django_db


@pytest.fixture
def ann():
    return User.objects.create_user("ann", first_name="Ann", last_name="Smith")


@pytest.fixture
def chain(ann):
    """Six sealed entries, in three turns of the sweep."""
    for turn in range(3):
        for number in range(2):
            audit.record(
                by=ann, verb="weighed", subject=ann, detail={"mass_g": 10.5 + turn, "n": number}
            )
        assert audit.seal() == 2
    return list(AuditSeal.objects.order_by("sequence"))


def past_the_site(sql, *values):
    """Change a table as somebody at a database shell would who has lifted the triggers."""
    triggers.remove()
    with connection.constraint_checks_disabled(), connection.cursor() as cursor:
        cursor.execute(sql, values)
    triggers.install()


def verified(*anchors):
    return audit.verify([audit.Anchor.parsed(anchor) for anchor in anchors])


def test_a_seal_is_the_hash_of_the_seal_before_it_and_of_the_entry(chain):
    """Recomputed here from the rows with nothing of the program's but the field names."""
    before = "0" * 64
    for row in AuditSeal.objects.order_by("sequence").select_related("entry"):
        entry = row.entry
        detail = {
            name: int(value) if value == int(value) else value
            for name, value in entry.detail.items()
        }
        text = json.dumps(
            {
                "address": entry.address,
                "at": entry.at.strftime("%Y-%m-%dT%H:%M:%S.%f+00:00"),
                "by": entry.by_id,
                "detail": detail,
                "id": entry.pk,
                "origin": entry.origin,
                "subject": [entry.subject_kind, entry.subject_id, entry.subject_words],
                "verb": entry.verb,
            },
            sort_keys=True,
            separators=(",", ":"),
        )
        before = hashlib.sha256((before + "\n" + text).encode()).hexdigest()
        assert row.seal == before
    assert [row.sequence for row in chain] == [1, 2, 3, 4, 5, 6]
    assert str(audit.head()) == f"6:{before}"


def test_an_untouched_chain_is_whole(chain):
    found = verified(str(audit.head()))
    assert (found.is_whole, found.entry_count, found.sealed_count) == (True, 6, 6)
    assert found.anchor_count == 1


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("verb", "dropped"),
        ("subject_words", "Bob Jones"),
        ("subject_id", "999999"),
        ("detail", '{"mass_g": 12.5, "n": 1}'),
        ("origin", "another"),
        ("address", "192.0.2.9"),
        ("at", "2020-01-01 00:00:00+00:00"),
    ],
)
def test_a_changed_column_of_one_entry_is_found_and_only_there(chain, column, value):
    entry = chain[2].entry
    past_the_site(f"UPDATE labsite_auditentry SET {column} = %s WHERE id = %s", value, entry.pk)
    found = verified()
    assert len(found.faults) == 1
    assert f"Seal 3 does not fit entry {entry.pk}" in found.faults[0]


def test_a_changed_person_is_found(chain):
    bob = User.objects.create_user("bob")
    past_the_site("UPDATE labsite_auditentry SET by_id = %s WHERE id = %s", bob.pk, chain[0].pk)
    past_the_site(
        "UPDATE labsite_auditentry SET by_id = %s WHERE id = %s", bob.pk, chain[0].entry_id
    )
    assert len(verified().faults) == 1


def test_an_entry_removed_with_its_seal_is_found(chain):
    past_the_site("DELETE FROM labsite_auditseal WHERE sequence = 4")
    past_the_site("DELETE FROM labsite_auditentry WHERE id = %s", chain[3].entry_id)
    assert "Seals 4 to 4 are missing." in verified().faults


def test_a_removed_end_is_found_by_a_noted_head(chain):
    noted = str(audit.head())
    for row in chain[4:]:
        past_the_site("DELETE FROM labsite_auditseal WHERE sequence = %s", row.sequence)
        past_the_site("DELETE FROM labsite_auditentry WHERE id = %s", row.entry_id)
    assert verified().is_whole, "without a noted head nobody can tell"
    assert verified(noted).faults == (
        "The chain ends at 4, but the anchor noted seal 6: the chain's end is missing.",
    )


def test_a_chain_written_anew_is_found_by_a_noted_head(chain):
    noted = str(audit.head())
    past_the_site("UPDATE labsite_auditentry SET verb = 'dropped' WHERE id = %s", chain[0].entry_id)
    past_the_site("DELETE FROM labsite_auditseal")
    assert audit.seal() == 6
    assert verified().is_whole, "a skilled forger"
    assert verified(noted).faults == (
        "Seal 6 is not the one noted in the anchor: the chain was written anew.",
    )


def test_an_entry_slipped_in_with_an_old_date_is_found(chain, ann):
    AuditEntry.objects.create(
        by=ann, verb="signed", subject_kind="x", subject_id="1", subject_words="x",
        at=timezone.now() - timedelta(days=40),
    )  # fmt: skip
    assert "slipped in with an old date" in verified().faults[0]


def test_a_fresh_entry_waits_for_the_sweep_without_blame(chain, ann):
    audit.record(by=ann, verb="weighed", subject=ann)
    found = verified()
    assert (found.is_whole, found.waiting_count) == (True, 1)


def test_many_entries_are_sealed_in_pieces(ann, monkeypatch):
    monkeypatch.setattr(audit, "SEALS_AT_ONCE", 4)
    for _ in range(10):
        audit.record(by=ann, verb="weighed", subject=ann)
    assert audit.seal() == 10
    assert audit.seal() == 0
    assert verified().is_whole


@pytest.mark.parametrize("number", [1.0, 1e22, 0.1, 1e-300, 3, -0.0])
def test_a_number_seals_the_same_however_the_database_writes_it(ann, number):
    audit.record(by=ann, verb="weighed", subject=ann, detail={"x": [number, {"y": number}]})
    audit.seal()
    assert verified().is_whole


def test_a_transaction_rolled_back_leaves_no_gap(ann):
    with transaction.atomic():
        audit.record(by=ann, verb="weighed", subject=ann)
        transaction.set_rollback(True)
    audit.record(by=ann, verb="weighed", subject=ann)
    assert audit.seal() == 1
    assert verified().is_whole


def test_seals_cannot_be_changed_through_the_site(chain):
    from django.db import IntegrityError

    with pytest.raises(IntegrityError, match="Audit seals are never changed"), transaction.atomic():
        AuditSeal.objects.filter(sequence=1).update(seal="0" * 64)


def test_the_command_says_whole_and_prints_the_head(chain):
    out = StringIO()
    call_command("audit_verify", f"--anchor={audit.head()}", stdout=out)
    assert "6 entries, 6 sealed, 0 waiting" in out.getvalue()
    assert f"Head to note outside this machine: {audit.head()}" in out.getvalue()


def test_the_command_fails_and_names_what_was_changed(chain):
    past_the_site("UPDATE labsite_auditentry SET verb = 'x' WHERE id = %s", chain[1].entry_id)
    out = StringIO()
    with pytest.raises(CommandError, match="trail was changed"):
        call_command("audit_verify", stdout=out)
    assert f"Seal 2 does not fit entry {chain[1].entry_id}" in out.getvalue()


def test_the_command_refuses_what_is_no_anchor():
    with pytest.raises(CommandError, match="is not an anchor"):
        call_command("audit_verify", "--anchor=7:abc")


# --- the page ----------------------------------------------------------------------------------


@pytest.fixture
def auditor(client):
    cleo = User.objects.create_user("cleo", first_name="Cleo")
    give_role(user=cleo, role=Role.AUDITOR, by=None)
    client.force_login(cleo)
    return client


def test_the_page_shows_what_was_changed_from_what_to_what(auditor, ann):
    lab = Lab.objects.create(pk=1, name="Bench & Co")
    detail = audit.changes({"name": "Old <name>", "note": ""}, {"name": "Bench & Co", "note": ""})
    assert detail == {"changed": {"name": {"from": "Old <name>", "to": "Bench & Co"}}}
    audit.record(by=ann, verb="renamed lab", subject=lab, detail=detail)
    page = auditor.get("/audit/").content.decode()
    assert "Old &lt;name&gt;</del>" in page
    assert "Bench &amp; Co</ins>" in page
    assert "not sealed yet" in page


def test_the_page_goes_on_to_older_entries_without_a_gap(auditor, ann, monkeypatch):
    from labsite import audit_queries

    monkeypatch.setattr(audit_queries, "ROWS_A_PAGE", 3)
    made = [audit.record(by=ann, verb=f"did {i}", subject=ann).pk for i in range(8)]
    seen, address = [], f"/audit/?person={ann.pk}"
    while address:
        page = auditor.get(address).content.decode()
        seen += [int(number) for number in re.findall(r'id="entry-(\d+)"', page)]
        older = re.search(r'<a href="(\?[^"]*)">Older', page)
        address = "/audit/" + older[1].replace("&amp;", "&") if older else None
    assert seen == sorted(made, reverse=True)


@pytest.mark.parametrize(
    ("query", "fits"),
    [
        ("words=weigh", 2),
        ("words=WEIGHED", 2),
        ("words=100%25", 0),
        ("kind=labsite.lab", 0),
        ("since=2999-01-01", 0),
        ("until=2999-01-01", 2),
    ],
)
def test_filters(auditor, ann, query, fits):
    for _ in range(2):
        audit.record(by=ann, verb="weighed", subject=ann)
    page = auditor.get(f"/audit/?person={ann.pk}&{query}").content.decode()
    assert page.count('class="trail-row"') == fits


def test_a_wrong_filter_is_told_beside_its_field(auditor):
    answer = auditor.get("/audit/?since=2026-05-02&until=2026-05-01")
    assert answer.status_code == 400
    assert "This day is before the first one." in answer.content.decode()


def test_an_entry_says_which_request_and_from_where(client, ann):
    give_role(user=ann, role=Role.LEAD, by=None)
    client.force_login(ann)
    form = {"maker": "Osterfell", "name": "Keel", "kind": "back protector"}
    asked = {"X-Request-ID": "seen-at-the-door", "X-Forwarded-For": "203.0.113.5"}
    client.post("/lab/products/add/", form, headers=asked, REMOTE_ADDR="198.51.100.7")
    entry = AuditEntry.objects.get(verb="added product")
    assert (entry.by, entry.origin, entry.address) == (ann, "seen-at-the-door", "198.51.100.7")


@pytest.mark.parametrize(
    ("https", "header", "address"),
    [
        (False, "203.0.113.5", "198.51.100.7"),
        (True, "203.0.113.5, 192.0.2.4", "192.0.2.4"),
        (True, "", "198.51.100.7"),
    ],
)
def test_only_our_own_proxy_is_believed_about_addresses(rf, settings, https, header, address):
    from labsite.middleware import address_of

    settings.HTTPS = https
    request = rf.get("/", headers={"X-Forwarded-For": header}, REMOTE_ADDR="198.51.100.7")
    assert address_of(request) == address
