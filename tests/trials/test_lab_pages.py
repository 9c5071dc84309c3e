"""The lab office through its pages.

Rules that are checked here, such as one baseline and one place for a specimen, are the record's
own; that a plan lets the arms take turns is common practice, no source.
"""

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from labsite.models import AuditEntry
from labsite.roles import Role
from specimens.actions import retire_specimen
from specimens.models import Zone, ZoneCapacity
from trials import actions, lab_actions, lab_queries
from trials.lab_queries import percent_words
from trials.models import MethodRevision, Reading, ReadingConflict, Run, Study

pytestmark = pytest.mark.django_db


@pytest.fixture
def lead(person):
    return person(Role.LEAD)


@pytest.fixture
def office(lead):
    client = Client()
    client.force_login(lead)
    return client


def words(response):
    return " ".join(response.content.decode().replace("&#x27;", "'").split())


def study_fields(bench_lab, **changes):
    belt = bench_lab.revisions["belt-abrasion"]
    fields = {
        "title": "Rain after two winters",
        "question": "What did two winters cost?",
        "kind": "worn-new",
        "level": "0.95",
        "margin": "12,5",
        "scope": "auto",
        "baseline": "1",
        "arm_1_label": "New",
        "arm_1_codes": bench_lab.specimens[0].code.lower(),
        "arm_2_label": "Worn",
        "arm_2_codes": bench_lab.specimens[1].code,
        f"method_{belt.pk}": "on",
        f"margin_{belt.pk}": "",
    }
    return fields | changes


# --- reading pages ----------------------------------------------------------------------------

PAGES = [
    ("lab", []),
    ("lab-specimens", []),
    ("lab-products", []),
    ("lab-methods", []),
    ("lab-method", ["flame-grade", 1]),
    ("lab-studies", []),
    ("lab-study", ["worn-against-new"]),
    ("lab-conflicts", []),
]


@pytest.mark.parametrize(("name", "args"), PAGES)
@pytest.mark.parametrize("role", [Role.TECHNICIAN, Role.LEAD, Role.EDITOR])
def test_people_of_the_lab_see_its_pages(person, bench_lab, name, args, role):
    client = Client()
    client.force_login(person(role))

    assert client.get(reverse(name, args=args)).status_code == 200


@pytest.mark.parametrize(("name", "args"), PAGES)
def test_an_administrator_does_not(person, bench_lab, name, args):
    client = Client()
    client.force_login(person(Role.ADMINISTRATOR))

    assert client.get(reverse(name, args=args)).status_code == 403


@pytest.mark.parametrize(("name", "args"), PAGES)
def test_a_stranger_is_asked_to_sign_in(client, bench_lab, name, args):
    response = client.get(reverse(name, args=args))

    assert response.status_code == 302
    assert response.url.startswith("/sign-in/")


WRITING = [
    ("lab-study-add", []),
    ("lab-study-register", ["worn-against-new"]),
    ("lab-plan", ["worn-against-new"]),
    ("lab-product-add", []),
    ("lab-specimen-add", []),
    ("lab-custody-add", ["ABCD-H"]),
    ("lab-service-add", ["ABCD-H"]),
    ("lab-specimen-retire", ["ABCD-H"]),
]


@pytest.mark.parametrize(("name", "args"), WRITING)
@pytest.mark.parametrize("role", [Role.TECHNICIAN, Role.EDITOR, Role.ADMINISTRATOR])
def test_only_the_lead_changes_records(person, bench_lab, name, args, role):
    client = Client()
    client.force_login(person(role))

    assert client.post(reverse(name, args=args), {"x": "1"}).status_code == 403


@pytest.mark.parametrize(("name", "args"), WRITING)
def test_the_lead_gets_each_form(office, bench_lab, name, args):
    assert office.get(reverse(name, args=args)).status_code == 200


def test_the_list_of_specimens_is_filtered(office, bench_lab):
    first, second = (specimen.code for specimen in bench_lab.specimens)
    arm = bench_lab.study.arms.get(key="worn")

    by_code = words(office.get(reverse("lab-specimens"), {"code": first.replace("-", "").lower()}))
    by_arm = words(office.get(reverse("lab-specimens"), {"arm": arm.pk}))

    assert "1 specimen " in by_code
    assert f">{first}</a>" in by_code
    assert f">{second}</a>" in by_arm
    assert f">{first}</a>" not in by_arm


def test_a_filter_that_makes_no_sense_is_told(office, bench_lab):
    response = office.get(reverse("lab-specimens"), {"product": "nonsense"})

    assert response.status_code == 200
    assert "Select a valid choice" in words(response)


def test_lists_do_not_ask_a_query_for_each_specimen(
    office, bench_lab, django_assert_max_num_queries
):
    # session, person, roles, lab name, two filters with their choices, count, list, memberships
    with django_assert_max_num_queries(12):
        office.get(reverse("lab-specimens"))
    with django_assert_max_num_queries(14):
        office.get(reverse("lab"))


# --- a study from question to registration ----------------------------------------------------


def test_a_study_is_kept_as_typed(office, bench_lab):
    response = office.post(reverse("lab-study-add"), study_fields(bench_lab), follow=True)

    study = Study.objects.get(slug="rain-after-two-winters")
    assert response.redirect_chain[-1][0] == reverse("lab-study", args=[study.slug])
    assert (study.level, study.margin, study.registered_at) == (0.95, 0.125, None)
    arms = {
        arm.label: (arm.is_baseline, [s.code for s in arm.specimens.all()])
        for arm in study.arms.all()
    }
    assert arms == {
        "New": (True, [bench_lab.specimens[0].code]),
        "Worn": (False, [bench_lab.specimens[1].code]),
    }
    # a margin left empty is the study's own
    assert study.study_methods.get().margin == 0.125
    assert AuditEntry.objects.filter(verb="created study", subject_id=str(study.pk)).exists()


def test_a_label_behind_the_codes_makes_a_pair(office, bench_lab):
    codes = [f"{specimen.code}=left" for specimen in bench_lab.specimens]
    fields = study_fields(bench_lab, arm_1_codes=codes[0], arm_2_codes=codes[1])

    office.post(reverse("lab-study-add"), fields)

    study = Study.objects.get(slug="rain-after-two-winters")
    assert [m.pair for arm in study.arms.all() for m in arm.members.all()] == ["left", "left"]


@pytest.mark.parametrize(
    ("changes", "field", "told"),
    [
        ({"title": ""}, "title", "required"),
        ({"question": ""}, "question", "required"),
        ({"margin": "0"}, "margin", "greater than or equal to 0.1"),
        ({"margin": "ten"}, "margin", "This is not a number."),
        ({"level": "0.5"}, "level", "Select a valid choice"),
        ({"slug": "Not An Address"}, "slug", "Use small letters"),
        ({"title": "二年", "slug": ""}, "slug", "The title gives no address"),
        ({"title": "Worn against new"}, "slug", "A study with this address exists."),
        ({"arm_2_label": "", "arm_2_codes": ""}, "arm_1_codes", "at least two arms"),
        ({"arm_2_label": ""}, "arm_2_label", "Name this arm."),
        ({"arm_2_label": "new"}, "arm_2_label", "Another arm has this name."),
        ({"arm_2_codes": ""}, "arm_2_codes", "Name the specimens of this arm."),
        ({"arm_2_codes": "ZZZZ"}, "arm_2_codes", "five characters"),
        ({"arm_2_codes": "K7M2-H"}, "arm_2_codes", "The lab has no specimen K7M2-H."),
        ({"arm_2_codes": "ABCD-H"}, "arm_1_codes", "ABCD-H is in New and in Worn."),
        ({"baseline": "3"}, "baseline", "This arm is empty"),
    ],
)
def test_a_study_that_makes_no_sense_is_told_beside_the_field(
    office, bench_lab, changes, field, told
):
    assert bench_lab.specimens[0].code == "ABCD-H"

    response = office.post(reverse("lab-study-add"), study_fields(bench_lab, **changes))

    assert response.status_code == 400
    errors = response.context["form"].errors
    assert told in " ".join(errors[field]), errors
    assert f'id="id_{field}_error"' in response.content.decode()
    assert Study.objects.count() == 1


def test_everything_missing_is_told_at_once(office, bench_lab):
    response = office.post(reverse("lab-study-add"), {"title": "Half a study"})

    errors = response.context["form"].errors
    assert {"question", "arm_1_codes", "__all__"} <= set(errors)


def test_a_study_without_a_method_is_told(office, bench_lab):
    fields = {k: v for k, v in study_fields(bench_lab).items() if not k.startswith("method_")}

    response = office.post(reverse("lab-study-add"), fields)

    assert response.status_code == 400
    assert "Choose at least one method." in words(response)


def test_a_specimen_that_is_used_up_joins_no_study(office, bench_lab, lead):
    retire_specimen(by=lead, specimen=bench_lab.specimens[1], on=timezone.localdate())

    response = office.post(reverse("lab-study-add"), study_fields(bench_lab))

    assert "is used up: retired on" in response.context["form"].errors["arm_2_codes"][0]


def test_registering_asks_first_and_then_fixes(office, bench_lab):
    office.post(reverse("lab-study-add"), study_fields(bench_lab))
    study = Study.objects.get(slug="rain-after-two-winters")
    address = reverse("lab-study-register", args=[study.slug])

    page = words(office.get(address))

    study.refresh_from_db()
    assert study.registered_at is None
    assert "It cannot be taken back." in page
    for told in (
        study.question,
        "12.5 %",
        "ABCD-H",
        "Belt abrasion, time to hole, revision 1",
    ):
        assert told in page

    response = office.post(address, follow=True)

    study.refresh_from_db()
    assert study.registered_at is not None
    assert study.registration_digest in words(response)

    again = office.post(address)
    assert again.status_code == 400
    assert "is registered: its question, arms and methods stand as they are." in words(again)


# --- planning ---------------------------------------------------------------------------------


def plan_fields(bench_lab, **changes):
    used = bench_lab.study.study_methods.get(revision=bench_lab.revisions["belt-abrasion"])
    return {"method": used.pk, "zone": "left-sleeve", "runs_each": "2"} | changes


def test_planning_shows_first_and_plans_on_the_second_press(office, bench_lab):
    address = reverse("lab-plan", args=[bench_lab.study.slug])
    audits = AuditEntry.objects.count()

    shown = words(office.post(address, plan_fields(bench_lab)))

    assert "Plan these 4 runs" in shown
    assert "Left sleeve, site 2" in shown
    assert Run.objects.count() == 0
    assert AuditEntry.objects.count() == audits

    office.post(address, plan_fields(bench_lab, plan="yes"))

    planned = [(run.specimen.code, run.site) for run in Run.objects.order_by("position")]
    first, second = (specimen.code for specimen in bench_lab.specimens)
    # the arms take turns
    assert planned == [(first, 1), (second, 1), (first, 2), (second, 2)]


def test_what_cannot_be_planned_keeps_all_off_the_sheet(office, bench_lab, lead):
    retire_specimen(by=lead, specimen=bench_lab.specimens[1], on=timezone.localdate())
    address = reverse("lab-plan", args=[bench_lab.study.slug])

    shown = words(office.post(address, plan_fields(bench_lab)))

    assert "none would be planned" in shown
    assert "is used up: it was retired on" in shown
    assert "Plan these" not in shown

    forced = office.post(address, plan_fields(bench_lab, plan="yes"))

    assert forced.status_code == 400
    assert Run.objects.count() == 0


def test_more_runs_than_sites_are_refused_whole(office, bench_lab):
    address = reverse("lab-plan", args=[bench_lab.study.slug])

    response = office.post(address, plan_fields(bench_lab, runs_each="13", plan="yes"))

    assert response.status_code == 400
    assert "no free site in Left sleeve" in words(response)
    assert Run.objects.count() == 0


def test_a_zone_that_does_not_carry_the_method_is_told(office, bench_lab):
    zone = Zone.objects.create(product=bench_lab.specimens[0].product, code="cuff", name="Cuff")
    ZoneCapacity.objects.create(zone=zone, method_key="flame-grade", site_count=1)
    address = reverse("lab-plan", args=[bench_lab.study.slug])

    shown = words(office.post(address, plan_fields(bench_lab, zone="cuff")))

    assert "Cuff does not carry belt abrasion" in shown


# --- counts -----------------------------------------------------------------------------------


def test_counts_keep_void_apart_from_read(bench_lab, checks_passed, technician, lead):
    runs = [bench_lab.run_of("belt-abrasion") for _ in range(3)]
    for run in runs[:2]:
        enter(technician, run, {"seconds": 4.2, "ended": "failed"})
    actions.void_run(by=lead, run=runs[0], reason="slipped", note="jaw", value_was_known=True)

    page = lab_queries.study_page(bench_lab.study)

    place = [str(m.revision.method.key) for m in page.methods].index("belt-abrasion")
    assert page.arms[0].cells[place].words == "1 read of 3, 1 void"
    assert page.arms[1].cells[place].words == "none"
    assert page.run_count == 3


@pytest.mark.parametrize(
    ("share", "told"), [(0.95, "95 %"), (0.125, "12.5 %"), (0.1, "10 %"), (0.07, "7 %")]
)
def test_shares_in_per_cent(share, told):
    assert percent_words(share).replace("\u00a0", " ") == told


# --- second readings --------------------------------------------------------------------------


def enter(by, run, raw, uuid=None, **changes):
    import uuid as uuids

    entry = actions.ReadingEntry(
        uuid=uuid or uuids.uuid4(),
        run=run,
        raw=raw,
        measured_at=timezone.now(),
        **changes,
    )
    return actions.record_reading(by=by, entry=entry)


@pytest.fixture
def conflict(bench_lab, checks_passed, technician):
    run = bench_lab.run_of("belt-abrasion")
    enter(technician, run, {"seconds": 4.2, "ended": "failed"})
    enter(technician, run, {"seconds": 5.0, "ended": "failed"})
    return ReadingConflict.objects.get()


def test_both_entries_are_shown_in_words(office, conflict):
    page = office.get(reverse("lab-conflicts")).content.decode()

    assert "failed at 4.2\u00a0s" in page
    assert "failed at 5\u00a0s" in page


def test_settling_for_the_standing_reading_changes_no_reading(office, conflict):
    office.post(
        reverse("lab-conflict", args=[conflict.pk]),
        {"takes_other": "no", "note": "The second press was by mistake."},
    )

    conflict.refresh_from_db()
    assert conflict.settled_note == "The second press was by mistake."
    assert Reading.objects.get().low == 4.15


def test_settling_for_the_later_entry_amends(office, conflict, lead):
    office.post(
        reverse("lab-conflict", args=[conflict.pk]),
        {"takes_other": "yes", "note": "The film shows 5.0 s."},
    )

    current = Reading.objects.current().get()
    assert (current.low, current.high) == (4.95, 5.05)
    assert current.reason == "The film shows 5.0 s."
    assert current.by == lead
    assert Reading.objects.count() == 2


def test_settling_needs_a_reason_and_happens_once(office, conflict, lead):
    address = reverse("lab-conflict", args=[conflict.pk])

    assert office.post(address, {"takes_other": "no", "note": " "}).status_code == 400
    conflict.refresh_from_db()
    assert conflict.settled_at is None

    lab_actions.settle_conflict(by=lead, conflict=conflict, note="Seen.", takes_other=False)
    again = office.post(address, {"takes_other": "yes", "note": "No, the other."})

    assert again.status_code == 400
    assert Reading.objects.count() == 1


def test_a_technician_sees_but_does_not_settle(at_bench, conflict):
    assert at_bench.get(reverse("lab-conflicts")).status_code == 200
    address = reverse("lab-conflict", args=[conflict.pk])
    assert at_bench.post(address, {"takes_other": "no", "note": "x"}).status_code == 403


# --- zones ------------------------------------------------------------------------------------


def test_a_zone_is_kept_with_its_sites(office, bench_lab):
    product = bench_lab.specimens[0].product
    address = reverse("lab-zone-add", args=[product.pk])

    office.post(
        address,
        {"name": "Right cuff", "code": "right-cuff", "side": "right", "belt-abrasion": "3"},
    )

    zone = product.zones.get(code="right-cuff")
    assert {c.method_key: c.site_count for c in zone.capacities.all()} == {"belt-abrasion": 3}


@pytest.mark.parametrize(
    ("fields", "field", "told"),
    [
        ({"code": "Right Cuff"}, "code", "Use small letters"),
        ({"code": "left-sleeve"}, "code", "has a zone 'left-sleeve' already"),
        ({"belt-abrasion": ""}, "__all__", "Say for at least one method"),
        ({"belt-abrasion": "-1"}, "belt-abrasion", "greater than or equal to 0"),
        ({"belt-abrasion": "1000"}, "belt-abrasion", "Between 1 and 999 sites."),
        ({"belt-abrasion": "two"}, "belt-abrasion", "Enter a whole number."),
    ],
)
def test_a_zone_that_makes_no_sense_is_told(office, bench_lab, fields, field, told):
    product = bench_lab.specimens[0].product
    base = {"name": "Right cuff", "code": "right-cuff", "side": "right", "belt-abrasion": "3"}

    response = office.post(reverse("lab-zone-add", args=[product.pk]), base | fields)

    assert response.status_code == 400
    assert told in " ".join(response.context["form"].errors[field])
    assert product.zones.count() == 1


# --- administration ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    [
        "specimens_product",
        "specimens_specimen",
        "specimens_serviceentry",
        "specimens_custodyevent",
        "specimens_zone",
        "trials_method",
        "trials_methodrevision",
        "trials_study",
        "trials_run",
        "trials_runvoid",
        "trials_reading",
        "trials_readingconflict",
        "trials_readingupload",
        "trials_controlrun",
        "trials_safetyacknowledgement",
    ],
)
def test_administration_only_looks_at_records(person, conflict, name):
    client = Client()
    client.force_login(person(Role.ADMINISTRATOR))

    assert client.get(reverse(f"admin:{name}_changelist")).status_code == 200
    assert client.get(reverse(f"admin:{name}_add")).status_code == 403


def test_administration_shows_a_reading_but_cannot_change_it(person, conflict):
    client = Client()
    client.force_login(person(Role.ADMINISTRATOR))
    reading = Reading.objects.get()
    address = reverse("admin:trials_reading_change", args=[reading.pk])

    assert client.get(address).status_code == 200
    assert client.post(address, {"low": "1"}).status_code == 403
    assert (
        client.post(
            reverse("admin:trials_reading_delete", args=[reading.pk]), {"post": "yes"}
        ).status_code
        == 403
    )


def test_methods_are_only_read_here(office, bench_lab):
    before = MethodRevision.objects.get(method__key="flame-grade").steps
    page = words(office.get(reverse("lab-method", args=["flame-grade", 1])))

    assert "<form method=" not in page.split("<main", 1)[1]
    assert before[0].split(".")[0][:30] in page
