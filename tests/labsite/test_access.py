"""Coming in: invitations, wrong passwords, the second factor, PINs on tablets, tokens."""

import base64
import re
import time
from datetime import timedelta

import pytest
from django.test import Client
from django.utils import timezone
from django_otp.oath import TOTP
from django_otp.plugins.otp_totp.models import TOTPDevice

from labsite import access
from labsite.access_models import ApiToken, Invitation, Pin, Tablet
from labsite.errors import NotAllowed, Refused
from labsite.models import AuditEntry, User
from labsite.roles import Deed, Role, give_role

pytestmark = pytest.mark.django_db

PASSWORD = "belt over drum 61"


def one(name: str, *roles: Role) -> User:
    user = User.objects.create_user(name, password=PASSWORD, first_name=name.title())
    for role in roles:
        give_role(user=user, role=role, by=None)
    return User.objects.get(pk=user.pk)


@pytest.fixture
def administrator() -> User:
    return one("ada", Role.ADMINISTRATOR)


@pytest.fixture
def technician() -> User:
    return one("tess", Role.TECHNICIAN)


@pytest.fixture
def lead() -> User:
    return one("lee", Role.LEAD)


def signed_in(user: User) -> Client:
    client = Client()
    client.force_login(user)
    return client


def text_of(answer) -> str:
    return answer.content.decode()


def secrets_of(answer) -> list[str]:
    return re.findall(r'class="once-secret">([^<]+)<', text_of(answer))


# --- invitations -------------------------------------------------------------------------------


@pytest.fixture
def link(administrator) -> str:
    form = {"username": "mo", "first_name": "Mo", "roles": ["technician", "editor"]}
    return secrets_of(signed_in(administrator).post("/people/invite/", form))[0]


def test_an_invited_person_makes_their_account_once(link, administrator):
    newcomer = Client()
    assert "You will sign in as mo." in text_of(newcomer.get(link))
    good = {"password": PASSWORD, "again": PASSWORD}
    assert newcomer.post(link, good).headers["Location"] == "/account/"
    made = User.objects.get(username="mo")
    assert access.roles_of_any(made) == {Role.TECHNICIAN, Role.EDITOR}
    assert made.check_password(PASSWORD)
    assert not made.is_staff
    assert newcomer.get("/bench/").status_code == 200
    again = Client().post(link, good)
    assert again.status_code == 410
    verbs = set(AuditEntry.objects.values_list("verb", flat=True))
    assert {"invited", "accepted invitation"} <= verbs
    assert PASSWORD not in str(list(AuditEntry.objects.values()))
    assert link.rsplit("/", 2)[1] not in str(list(Invitation.objects.values()))


@pytest.mark.parametrize(
    ("password", "again", "told"),
    [
        ("short1", "short1", "at least 10"),
        ("0192837465665", "0192837465665", "entirely numeric"),
        ("password12345", "password12345", "too common"),
        (PASSWORD, PASSWORD + "x", "The two differ."),
        ("", "", "required"),
    ],
)
def test_a_weak_password_is_told_beside_the_field_and_the_link_stays_open(
    link, password, again, told
):
    answer = Client().post(link, {"password": password, "again": again})
    assert answer.status_code == 400
    assert told in text_of(answer)
    assert not User.objects.filter(username="mo").exists()
    assert Client().get(link).status_code == 200


def test_a_link_ends_after_its_days(link):
    Invitation.objects.update(expires_at=timezone.now() - timedelta(seconds=1))
    assert Client().get(link).status_code == 410


def test_a_withdrawn_link_opens_nothing(link, administrator):
    invitation = Invitation.objects.get()
    signed_in(administrator).post(f"/people/invitations/{invitation.pk}/withdraw/")
    assert Client().get(link).status_code == 410


@pytest.mark.parametrize(
    ("form", "told"),
    [
        ({"username": "ADA", "roles": ["lead"]}, "Somebody has this name already."),
        ({"username": "a b", "roles": ["lead"]}, "Use letters, digits"),
        ({"username": "new"}, "This field is required."),
        ({"username": "new", "roles": ["king"]}, "Select a valid choice"),
    ],
)
def test_a_wrong_invitation_is_told(administrator, form, told):
    answer = signed_in(administrator).post("/people/invite/", form)
    assert answer.status_code == 400
    assert told in text_of(answer)
    assert not Invitation.objects.exists()


# --- changing people ---------------------------------------------------------------------------


def test_changing_roles_is_on_the_trail_from_what_to_what(administrator, technician):
    form = {"roles": ["lead"], "is_active": "on", "reason": "Promoted."}
    signed_in(administrator).post(f"/people/{technician.pk}/", form)
    entry = AuditEntry.objects.get(verb="changed person")
    assert entry.detail == {
        "changed": {"roles": {"from": ["technician"], "to": ["lead"]}},
        "reason": "Promoted.",
    }


def test_closing_an_account_ends_sessions_tokens_and_pin(administrator, technician):
    theirs = signed_in(technician)
    access.set_pin(by=technician, pin="8302")
    _, secret = access.make_token(by=technician, name="x", deeds=[Deed.SEE_LAB], days=5)
    assert theirs.get("/bench/").status_code == 200
    form = {"roles": ["technician"], "reason": "Left the lab."}
    signed_in(administrator).post(f"/people/{technician.pk}/", form)
    assert theirs.get("/bench/").status_code == 302
    assert access.bearer_of(secret) is None
    assert not Pin.objects.exists()


def test_the_last_administrator_stays(administrator):
    form = {"roles": ["lead"], "is_active": "on", "reason": "Tired."}
    answer = signed_in(administrator).post(f"/people/{administrator.pk}/", form)
    assert "This is the last administrator." in text_of(answer)
    assert User.objects.get(pk=administrator.pk).is_superuser


# --- wrong passwords ---------------------------------------------------------------------------


def try_password(name: str, password: str, address: str = "198.51.100.7") -> int:
    form = {"username": name, "password": password}
    return Client().post("/sign-in/", form, REMOTE_ADDR=address).status_code


def test_guessing_is_held_back_by_name_and_address(technician, settings):
    tried = [try_password("tess", f"guess {n}") for n in range(settings.AXES_FAILURE_LIMIT)]
    assert set(tried[:-1]) == {200}
    assert try_password("tess", PASSWORD) == 429, "even the right one waits now"
    assert try_password("tess", PASSWORD, "198.51.100.8") == 302, "elsewhere she still comes in"


def test_the_page_says_how_long(technician, settings):
    for n in range(settings.AXES_FAILURE_LIMIT):
        try_password("tess", f"guess {n}")
    answer = Client().post(
        "/sign-in/", {"username": "tess", "password": PASSWORD}, REMOTE_ADDR="198.51.100.7"
    )
    assert "quarter of an hour" in text_of(answer)


def test_a_right_password_clears_the_count(technician, settings):
    for _ in range(3):
        for n in range(settings.AXES_FAILURE_LIMIT - 1):
            try_password("tess", f"guess {n}")
        assert try_password("tess", PASSWORD) == 302


# --- the second factor -------------------------------------------------------------------------


def code_of(device: TOTPDevice, *, steps: int = 0) -> str:
    totp = TOTP(device.bin_key, step=device.step, digits=device.digits, drift=device.drift)
    totp.time = time.time() + steps * device.step
    return f"{totp.token():06d}"


@pytest.fixture
def with_phone(lead) -> tuple[User, TOTPDevice, list[str]]:
    client = signed_in(lead)
    page = text_of(client.get("/account/second-factor/"))
    assert 'src="data:image/svg+xml;base64,' in page
    device = TOTPDevice.objects.get(user=lead)
    assert base64.b32encode(device.bin_key).decode() in page
    recovery = secrets_of(client.post("/account/second-factor/", {"code": code_of(device)}))
    assert len(recovery) == 8
    # the same code a second time would be a replay; go on as if a step had passed
    TOTPDevice.objects.update(last_t=-1)
    return lead, TOTPDevice.objects.get(user=lead), recovery


def half_way(name: str) -> Client:
    client = Client()
    answer = client.post("/sign-in/?next=/lab/studies/", {"username": name, "password": PASSWORD})
    assert answer.headers["Location"] == "/sign-in/code/"
    return client


def test_signing_in_asks_for_the_code(with_phone):
    _, device, _ = with_phone
    client = half_way("lee")
    assert client.get("/lab/").status_code == 302, "the password alone opens nothing"
    wrong = client.post(
        "/sign-in/code/", {"code": "000000" if code_of(device) != "000000" else "1"}
    )
    assert "not a code that counts now" in text_of(wrong)
    TOTPDevice.objects.update(throttling_failure_count=0, throttling_failure_timestamp=None)
    answer = client.post("/sign-in/code/", {"code": code_of(device)})
    assert answer.headers["Location"] == "/lab/studies/"
    assert client.get("/lab/").status_code == 200


def test_a_code_counts_once(with_phone):
    _, device, _ = with_phone
    code = code_of(device)
    half_way("lee").post("/sign-in/code/", {"code": code})
    second = half_way("lee").post("/sign-in/code/", {"code": code})
    assert "not a code that counts now" in text_of(second)


def test_a_recovery_code_lets_in_once(with_phone):
    _, _, recovery = with_phone
    first = half_way("lee").post("/sign-in/code/", {"code": recovery[3].upper()})
    assert first.status_code == 302
    again = half_way("lee").post("/sign-in/code/", {"code": recovery[3]})
    assert again.status_code == 400


def test_wrong_codes_are_slowed_down(with_phone):
    _, device, _ = with_phone
    client = half_way("lee")
    client.post("/sign-in/code/", {"code": "nothing"})
    answer = client.post("/sign-in/code/", {"code": code_of(device)})
    assert answer.status_code == 400, "right, but too soon after a wrong one"


def test_the_half_way_point_ends(with_phone):
    client = half_way("lee")
    session = client.session
    session["half_signed_in"] |= {"at": time.time() - 301}
    session.save()
    assert client.get("/sign-in/code/").headers["Location"] == "/sign-in/"


def test_the_administration_has_no_way_round(with_phone):
    answer = Client().get("/admin/login/?next=/admin/")
    assert answer.headers["Location"] == "/sign-in/?next=/admin/"


def test_a_lost_phone_is_put_right_by_an_administrator_with_a_reason(with_phone, administrator):
    user, _, _ = with_phone
    client = signed_in(administrator)
    address = f"/people/{user.pk}/second-factor/"
    assert client.post(address, {"lost-reason": ""}).status_code == 400
    client.post(address, {"lost-reason": "Phone fell into the tank."})
    assert try_password("lee", PASSWORD) == 302
    assert AuditEntry.objects.get(verb="removed second factor").detail["reason"]


# --- tablets and PINs --------------------------------------------------------------------------


@pytest.fixture
def tablet(lead) -> Client:
    client = signed_in(lead)
    client.post("/account/tablet/", {"name": "Water bench"})
    client.post("/sign-out/")
    return client


@pytest.fixture
def tess(technician) -> User:
    client = signed_in(technician)
    client.post("/account/pin/", {"pin": "8302", "password": PASSWORD})
    return technician


def test_people_change_over_by_pin_on_a_tablet_of_the_lab(tablet, tess):
    page = text_of(tablet.get("/switch/?next=/bench/x/"))
    assert f"/switch/{tess.pk}/?next=/bench/x/" in page
    answer = tablet.post(f"/switch/{tess.pk}/", {"pin": "8302", "next": "/bench/"})
    assert answer.headers["Location"] == "/bench/"
    assert tablet.get("/bench/").status_code == 200
    assert tablet.get("/api/v1/session/").json()["username"] == "tess"


def test_a_pin_opens_the_bench_and_nothing_else(tablet, lead):
    access.set_pin(by=lead, pin="5071")
    tablet.post(f"/switch/{lead.pk}/", {"pin": "5071"})
    assert tablet.get("/bench/").status_code == 200
    for address in ("/desk/", "/account/", "/lab/studies/add/", "/account/tokens/add/", "/audit/"):
        answer = tablet.get(address)
        assert answer.status_code == 403, address
        assert "your password" in text_of(answer)


def test_elsewhere_a_pin_is_worth_nothing(tess):
    assert Client().get("/switch/").headers["Location"] == "/sign-in/"
    answer = Client().post(f"/switch/{tess.pk}/", {"pin": "8302"})
    assert answer.headers["Location"] == "/sign-in/"


def test_a_tablet_taken_off_asks_for_passwords(tablet, tess, lead):
    access.revoke_tablet(by=lead, tablet=Tablet.objects.get())
    assert tablet.get("/switch/").headers["Location"] == "/sign-in/"


def test_five_wrong_pins_lock_it_for_a_while(tablet, tess):
    address = f"/switch/{tess.pk}/"
    told = [text_of(tablet.post(address, {"pin": f"111{n}"})) for n in range(5)]
    assert "Tries left: 4." in told[0]
    assert "Tries left: 0." in told[4]
    assert "Too many wrong tries" in text_of(tablet.post(address, {"pin": "8302"}))
    Pin.objects.update(locked_until=timezone.now() - timedelta(seconds=1))
    tablet.post(address, {"pin": "8302"})  # the first one after the pause lifts the lock
    assert tablet.post(address, {"pin": "8302"}).status_code == 302


@pytest.mark.parametrize("pin", ["123", "1234", "9876", "0000", "12a4", "١٢٣٤", "123456789"])
def test_a_poor_pin_is_refused(technician, pin):
    with pytest.raises(Refused):
        access.set_pin(by=technician, pin=pin)


def test_setting_a_pin_needs_the_password(technician):
    answer = signed_in(technician).post("/account/pin/", {"pin": "8302", "password": "guess"})
    assert "That is not your password." in text_of(answer)
    assert not Pin.objects.exists()


def test_an_address_elsewhere_is_not_followed(tablet, tess):
    form = {"pin": "8302", "next": "https://elsewhere.example/"}
    assert tablet.post(f"/switch/{tess.pk}/", form).headers["Location"] == "/bench/"


# --- tokens ------------------------------------------------------------------------------------


def bearer(secret: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {secret}"}


@pytest.fixture
def secret(lead) -> str:
    form = {"name": "Plot script", "deeds": ["SEE_LAB"], "days": "30"}
    return secrets_of(signed_in(lead).post("/account/tokens/add/", form))[0]


def test_a_token_does_what_it_was_made_for_and_no_more(secret):
    assert Client().get("/api/v1/studies/", headers=bearer(secret)).status_code == 200
    refused = Client().get("/api/v1/studies/x/findings/", headers=bearer(secret))
    assert refused.status_code == 403
    assert Client().get("/lab/", headers=bearer(secret)).status_code == 302, "pages want a person"


def test_a_token_writes_without_a_cookie_only_where_it_may(lead, secret):
    body = {"reason": "x"}
    answer = Client(enforce_csrf_checks=True).post(
        "/api/v1/runs/1/void/", body, content_type="application/json", headers=bearer(secret)
    )
    assert answer.status_code == 403
    _, stronger = access.make_token(by=lead, name="void", deeds=[Deed.VOID_RUNS], days=1)
    answer = Client(enforce_csrf_checks=True).post(
        "/api/v1/runs/1/void/", body, content_type="application/json", headers=bearer(stronger)
    )
    assert answer.status_code == 404


@pytest.mark.parametrize("wrong", ["nonsense", "", "wornproof_ä", "wornproof_" + "x" * 43])
def test_a_wrong_token_is_told(wrong):
    answer = Client().get("/api/v1/studies/", headers=bearer(wrong))
    assert answer.status_code == 401
    assert answer.json()["status"] == 401


def test_a_token_ends_and_can_be_revoked(lead, secret):
    ApiToken.objects.update(expires_at=timezone.now() - timedelta(seconds=1))
    assert Client().get("/api/v1/studies/", headers=bearer(secret)).status_code == 401
    ApiToken.objects.update(expires_at=timezone.now() + timedelta(days=1))
    assert Client().get("/api/v1/studies/", headers=bearer(secret)).status_code == 200
    signed_in(lead).post(f"/account/tokens/{ApiToken.objects.get().pk}/revoke/")
    assert Client().get("/api/v1/studies/", headers=bearer(secret)).status_code == 401


def test_nobody_revokes_another_ones_token(secret, technician):
    pk = ApiToken.objects.get().pk
    assert signed_in(technician).post(f"/account/tokens/{pk}/revoke/").status_code == 403


def test_a_token_loses_what_its_person_loses(lead, secret):
    lead.groups.clear()
    assert Client().get("/api/v1/studies/", headers=bearer(secret)).status_code == 403


def test_a_token_is_kept_as_a_digest(secret):
    assert secret.removeprefix("wornproof_") not in str(list(ApiToken.objects.values()))


@pytest.mark.parametrize(
    ("name", "deeds", "days", "field"),
    [
        ("", [Deed.SEE_LAB], 5, "name"),
        ("x", [], 5, "deeds"),
        ("x", [Deed.ADMINISTER], 5, "deeds"),
        ("x", [Deed.SEE_LAB], 0, "days"),
        ("x", [Deed.SEE_LAB], 9999, "days"),
    ],
)
def test_a_token_beyond_its_person_is_refused(technician, name, deeds, days, field):
    with pytest.raises(Refused) as refused:
        access.make_token(by=technician, name=name, deeds=deeds, days=days)
    assert set(refused.value.problems) == {field}


# --- passwords ---------------------------------------------------------------------------------


def test_changing_the_password_signs_other_devices_out(technician):
    here, there = signed_in(technician), signed_in(technician)
    form = {"old": PASSWORD, "password": "drum under belt 16", "again": "drum under belt 16"}
    assert here.post("/account/password/", form).status_code == 302
    assert here.get("/bench/").status_code == 200
    assert there.get("/bench/").status_code == 302


def test_only_administrators_invite(lead):
    with pytest.raises(NotAllowed):
        access.invite(by=lead, username="x", first_name="", last_name="", roles=[Role.LEAD])
