"""Public pages made once: never stale, never one person's page for another, right by HTTP's rules."""

import gzip
from pathlib import Path

import pytest
from django.db import DatabaseError
from django.http import HttpResponse
from django.test import Client

from labsite import kept_pages
from labsite.kept_pages import KeptPage, Memory
from labsite.models import Lab
from labsite.roles import Role
from tests.reports.conftest import DemoCopy, demo, demo_copy, demo_tables  # noqa: F401
from tests.reports.demo_site import PAIR, person_with, publish
from trials import method_library
from trials.models import Method, MethodRevision, Study

ADDRESS = f"/scorecards/{PAIR}/1/"


@pytest.fixture
def reader(demo: None) -> Client:  # noqa: F811
    return Client()


def get(client: Client, address: str = ADDRESS, **headers: str) -> HttpResponse:
    answer: HttpResponse = client.get(address, headers=headers)  # type: ignore[assignment]
    return answer


def test_a_second_reader_costs_one_query_and_no_rendering(
    reader: Client, django_assert_num_queries
) -> None:
    first = get(reader)
    with django_assert_num_queries(1):
        second = get(Client())
    assert second.content == first.content
    assert second["ETag"] == first["ETag"]


def test_another_process_takes_it_from_disk(reader: Client, monkeypatch) -> None:
    first = get(reader)
    monkeypatch.setattr(kept_pages, "memory", Memory())
    from reports.views import public

    def never(*args: object, **kwargs: object) -> None:
        raise AssertionError("rendered again")

    monkeypatch.setattr(public, "render", never)
    assert get(Client()).content == first.content


def test_a_browser_that_has_it_is_told_so(reader: Client) -> None:
    for encoding in ("gzip", "identity"):
        first = get(reader, **{"accept-encoding": encoding})
        again = get(
            reader, **{"accept-encoding": encoding, "if-none-match": f'"x", W/{first["ETag"]}'}
        )
        assert again.status_code == 304
        assert again.content == b""
        assert again["ETag"] == first["ETag"]
        assert "Content-Type" not in again or again["Content-Type"] == ""
    assert get(reader, **{"if-none-match": '"something else"'}).status_code == 200


def test_both_forms_are_the_same_page(reader: Client) -> None:
    plain = get(reader, **{"accept-encoding": "identity"})
    packed = get(reader, **{"accept-encoding": "gzip, br"})
    refused = get(reader, **{"accept-encoding": "gzip;q=0"})
    assert packed["Content-Encoding"] == "gzip"
    assert "Content-Encoding" not in plain
    assert "Content-Encoding" not in refused
    assert gzip.decompress(packed.content) == plain.content == refused.content
    assert plain["ETag"] != packed["ETag"]
    assert plain["Vary"] == packed["Vary"] == "Accept-Encoding"
    assert int(packed["Content-Length"]) == len(packed.content) < len(plain.content)


def test_a_kept_page_has_every_header_of_a_fresh_one(reader: Client) -> None:
    get(reader)
    kept = get(reader)
    fresh = Client()
    fresh.force_login(person_with(Role.EDITOR))
    made = get(fresh)
    for name in (
        "Content-Type",
        "Content-Language",
        "X-Frame-Options",
        "X-Content-Type-Options",
        "Referrer-Policy",
        "Cross-Origin-Opener-Policy",
        "Permissions-Policy",
    ):
        assert kept[name] == made[name], name
    assert "script-src 'self'" in kept["Content-Security-Policy"]
    assert "X-Request-ID" in kept
    assert get(reader)["X-Request-ID"] != kept["X-Request-ID"]
    assert "Set-Cookie" not in kept
    assert not kept.cookies


def test_who_is_signed_in_gets_a_page_of_their_own_and_leaves_none_behind(reader: Client) -> None:
    editor = Client()
    editor.force_login(person_with(Role.EDITOR))
    assert "Sign out" in get(editor).content.decode()
    assert "Sign out" not in get(reader).content.decode()
    assert "Sign out" in get(editor).content.decode()
    assert "ETag" not in get(editor)


def test_a_question_is_never_answered_from_what_is_kept(reader: Client) -> None:
    get(reader, "/feed.atom")
    answer = get(reader, "/feed.atom?x=1")
    assert "ETag" not in answer


def test_a_new_edition_shows_at_once_everywhere(reader: Client) -> None:
    latest, first = f"/scorecards/{PAIR}/", ADDRESS
    before = {a: get(reader, a) for a in (latest, first, "/feed.atom", "/sitemap.xml")}
    assert "A newer edition exists" not in before[first].content.decode()
    publish(Study.objects.get(slug=PAIR), by=person_with(Role.EDITOR), note="Said better.")
    after = {a: get(reader, a) for a in before}
    assert "A newer edition exists" in after[first].content.decode()
    assert "Said better." in after[latest].content.decode()
    assert "edition 2" in after["/feed.atom"].content.decode()
    for address, answer in after.items():
        if address != "/sitemap.xml":
            assert answer["ETag"] != before[address]["ETag"], address
            tag = before[address]["ETag"]
            assert get(reader, address, **{"if-none-match": tag}).status_code == 200


def test_a_new_revision_of_a_method_and_a_published_limit_show_at_once(
    reader: Client, django_assert_num_queries
) -> None:
    page, everyone = "/methods/belt-abrasion/1/", "/methods/"
    for address in (page, everyone):
        get(reader, address)
        with django_assert_num_queries(1):
            get(Client(), address)
    lead = person_with(Role.LEAD)
    method = Method.objects.get(key="belt-abrasion")
    draft = method_library.draft_revision(by=lead, method=method)
    assert "/methods/belt-abrasion/2/" not in get(reader, page).content.decode()
    assert get(reader, "/methods/belt-abrasion/2/").status_code == 404
    method_library.put_in_force(by=lead, revision=draft, change_note="The belt is changed.")
    for address in (page, everyone):
        assert "/methods/belt-abrasion/2/" in get(reader, address).content.decode(), address
    fields = {
        "standard": "Our own rule",
        "edition": "2026",
        "clause": "1",
        "words": "Ten seconds at least.",
        "is_comparable": False,
    }
    method_library.add_limit(by=lead, method=method, fields=fields)
    assert "Ten seconds at least." in get(reader, page).content.decode()
    method_library.retire_revision(
        by=lead, revision=MethodRevision.objects.get(pk=draft.pk), reason="The belt broke."
    )
    assert get(reader, "/methods/belt-abrasion/2/").content.decode().count("retired") >= 1


@pytest.mark.parametrize("address", ["/cautions/", "/about/", "/products/", "/compare/"])
def test_a_page_of_standing_words_is_made_once_and_knows_the_lab(
    address: str, reader: Client, django_assert_num_queries
) -> None:
    first = get(reader, address)
    with django_assert_num_queries(1):
        assert get(Client(), address).content == first.content
    Lab.objects.update(name="Another Bench")
    assert "Another Bench" in get(reader, address).content.decode()


def test_another_lab_name_shows_at_once(reader: Client) -> None:
    get(reader)
    Lab.objects.update(name="Another Bench")
    assert "Another Bench" in get(reader).content.decode()


def test_other_code_or_templates_make_other_pages(reader: Client, monkeypatch) -> None:
    before = get(reader)["ETag"]
    monkeypatch.setattr(kept_pages, "memory", Memory())
    monkeypatch.setattr(kept_pages, "code_version", lambda: "another release")
    assert get(reader)["ETag"] != before


def test_each_language_is_kept_by_itself(reader: Client) -> None:
    english, german = get(reader), get(reader, f"/de{ADDRESS}")
    assert english["ETag"] != german["ETag"]
    assert 'lang="de"' in german.content.decode()
    assert get(reader, f"/de{ADDRESS}").content == german.content


def test_each_host_is_kept_by_itself(reader: Client) -> None:
    one = get(reader, host="localhost")
    other = get(reader, host="127.0.0.1")
    assert b"http://localhost/scorecards" in one.content
    assert b"http://127.0.0.1/scorecards" in other.content
    assert get(reader, host="evil.example").status_code == 400


def test_pages_stay_up_while_the_database_is_down(reader: Client, monkeypatch) -> None:
    first = get(reader)

    def down() -> tuple[object, ...]:
        raise DatabaseError("gone")

    monkeypatch.setattr(kept_pages, "stamp", down)
    assert get(Client()).content == first.content
    assert get(Client(), "/healthz").status_code == 200


def test_a_full_disk_takes_no_page_away(reader: Client, tmp_path: Path, settings) -> None:
    blocked = tmp_path / "var"
    blocked.mkdir()
    (blocked / "pages").write_text("a file where a folder should be")
    settings.VAR_DIR = blocked
    kept_pages.memory.__init__()
    assert get(reader).status_code == 200


def test_old_pages_of_an_address_leave_the_disk(reader: Client, settings, tmp_path: Path) -> None:
    settings.VAR_DIR = tmp_path
    kept_pages.memory.__init__()
    get(reader)
    (before,) = [p for p in (tmp_path / "pages").rglob("*") if p.is_file()]
    publish(Study.objects.get(slug=PAIR), by=person_with(Role.EDITOR), note="Said better.")
    get(reader)
    (after,) = [p for p in (tmp_path / "pages").rglob("*") if p.is_file()]
    assert after.parent == before.parent
    assert after.name != before.name


def test_what_is_not_there_is_not_kept(reader: Client) -> None:
    assert get(reader, "/scorecards/nothing-here/1/").status_code == 404
    assert get(reader, f"/scorecards/{PAIR}/99/").status_code == 404
    assert "ETag" not in get(reader, f"/scorecards/{PAIR}/99/")
    assert Client().post(ADDRESS).status_code == 405


def test_memory_has_a_limit_and_drops_what_was_asked_for_longest_ago() -> None:
    memory = Memory(most_bytes=40_000)

    def page(name: str) -> KeptPage:
        return KeptPage(name, (), b"x" * 6_000, is_gzip=False)

    for name in "abcdefgh":
        memory.put((name,), (1,), page(name))
        memory.get(("a",))
    assert len(memory) == 5
    assert memory.get(("a",)) is not None
    assert memory.get(("b",)) is None
    memory.put(("big",), (1,), KeptPage("big", (), b"x" * 20_000, is_gzip=False))
    assert memory.get(("big",)) is None


@pytest.mark.parametrize(
    ("accepted", "takes"),
    [  # RFC 9110, 12.5.3
        ("gzip", True),
        ("br, gzip;q=0.5", True),
        ("*", True),
        ("", False),
        ("br", False),
        ("gzip;q=0", False),
        ("gzip; q=0.0", False),
        ("identity", False),
    ],
)
def test_gzip_only_for_who_takes_it(accepted: str, takes: bool) -> None:
    assert kept_pages._takes_gzip(accepted) is takes
