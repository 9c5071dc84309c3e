"""A study's arms chosen by filters, and a study changed before it is registered."""

import html
import re
from datetime import date

import pytest
from django.test import Client
from django.urls import reverse

from labsite.models import AuditEntry
from labsite.roles import Role
from specimens.models import Product, ServiceEntry, Specimen
from tests.trials.bench_lab import person_with
from tests.trials.study_lab import WANTS, build_study_lab, made_specimen
from trials import planning, studies
from trials.actions import registration_content
from trials.models import ArmSpecimen, Study
from trials.specimen_finder import Wanted, find_specimens

pytestmark = pytest.mark.django_db
TODAY = date(2026, 3, 1)


@pytest.fixture
def lead() -> Client:
    client = Client()
    client.force_login(person_with(Role.LEAD))
    return client


@pytest.fixture
def product() -> Product:
    return Product.objects.create(maker="Invented", name="Fell jacket", kind="jacket")


def worn(product: Product, body: str, km: float | None, **fields: str) -> Specimen:
    specimen = made_specimen(product, body, **fields)
    ServiceEntry.objects.create(
        specimen=specimen,
        started_on=date(2024, 1, 1),
        ended_on=date(2024, 12, 30),
        distance_km_low=km,
        distance_km_best=km,
        distance_km_high=km,
        evidence="diary",
    )
    return specimen


@pytest.fixture
def gear(product) -> dict[str, Specimen]:
    other = Product.objects.create(maker="Invented", name="Tarn trousers", kind="trousers")
    return {
        "new M": made_specimen(product, "AAQX", size="M", lot="A1"),
        "new L": made_specimen(product, "BBQX", size="L", lot="A2"),
        "6000": worn(product, "CCQX", 6000, size="M", lot="A1", owner_alias="carrier 07"),
        "15000": worn(product, "GGQX", 15000, size="M", lot="A1", owner_alias="carrier 09"),
        "unknown": worn(product, "EEQX", None, size="M"),
        "other": made_specimen(other, "FFQX", size="M", lot="A1"),
    }


@pytest.mark.parametrize(
    ("wanted", "names"),
    [
        ({}, {"new M", "new L", "6000", "15000", "unknown", "other"}),
        ({"size": "m"}, {"new M", "6000", "15000", "unknown", "other"}),
        ({"lot": "A2"}, {"new L"}),
        ({"owner": "Carrier 07"}, {"6000"}),
        ({"wear": "never"}, {"new M", "new L", "other"}),
        ({"wear": "worn"}, {"6000", "15000", "unknown"}),
        ({"km_from": 6000, "km_to": 6000}, {"6000"}),
        ({"km_from": 1}, {"6000", "15000"}),  # an unknown distance is in no range
        ({"km_to": 100}, {"new M", "new L", "other"}),
        ({"months_from": 11.9, "months_to": 12.1}, {"6000", "15000", "unknown"}),
        ({"months_from": 13}, set()),
    ],
)
def test_each_filter_finds_what_fits(gear, wanted, names):
    found = find_specimens(Wanted(**wanted), TODAY)
    assert {one.specimen.pk for one in found.found} == {gear[name].pk for name in names}
    assert found.count == len(names)


def test_products_used_up_and_taken_specimens_are_told_apart(gear, product):
    Specimen.objects.filter(pk=gear["new L"].pk).update(retired_on=date(2026, 2, 1))
    lab = build_study_lab()
    ArmSpecimen.objects.create(study=lab.study, arm=lab.study.arms.first(), specimen=gear["new M"])
    of_product = find_specimens(Wanted(product=product), TODAY)
    codes = {one.specimen.code: one.studies for one in of_product.found}
    assert gear["new L"].code not in codes
    assert codes[gear["new M"].code] == ("Three ages",)
    free = find_specimens(Wanted(product=product, is_free=True), TODAY)
    assert gear["new M"].code not in {one.specimen.code for one in free.found}


def test_what_was_found_is_cautioned_as_a_group(gear, product):
    one_owner = find_specimens(Wanted(owner="carrier 07"), TODAY)
    assert not any("one owner" in caution for caution in one_owner.cautions)
    Specimen.objects.filter(owner_alias="carrier 09").update(owner_alias="carrier 07")
    told = " ".join(find_specimens(Wanted(owner="carrier 07"), TODAY).cautions)
    assert "came from one owner" in told
    assert "thrown away earlier" in told
    told = " ".join(find_specimens(Wanted(product=product), TODAY).cautions)
    assert "not recorded" in told
    assert "Sizes differ." in told


def boxes(**changes: str) -> dict[str, str]:
    return {
        "title": "Two lengths of service",
        "question": "What does a year cost?",
        "kind": "ages",
        "level": "0.95",
        "margin": "12,5",
        "scope": "auto",
        "baseline": "1",
        "is_blind": "on",
        "arm_1_label": "Unworn",
        "arm_2_label": "Worn",
        **changes,
    }


def test_looking_and_putting_lose_nothing_that_was_typed(lead, gear, product):
    address = reverse("lab-study-add")
    looked = lead.post(
        address, boxes(look="yes", **{"find-product": str(product.pk), "find-wear": "worn"})
    )
    page = looked.content.decode()
    assert looked.status_code == 200
    assert "3 specimens fit." in page
    for kept in ("Two lengths of service", "What does a year cost?", 'value="12,5"'):
        assert kept in page
    # an unfinished form is not told off while somebody looks
    assert "Choose at least one method." not in page
    assert not Study.objects.exists()
    put = lead.post(
        address,
        boxes(
            put="yes",
            arm_2_codes=gear["6000"].code,
            ticked=[gear["6000"].code, gear["15000"].code],
            **{"find-product": str(product.pk), "find-arm": "2"},
        ),
    )
    form = put.context["form"]
    assert form["arm_2_codes"].value().split() == [gear["6000"].code, gear["15000"].code]
    assert form["is_blind"].value() is True
    assert "1 put in arm 2." in put.content.decode()


def test_a_range_that_runs_down_is_told_beside_its_box(lead):
    page = lead.post(
        reverse("lab-study-add"), boxes(look="yes", **{"find-km_from": "9", "find-km_to": "3"})
    )
    assert page.status_code == 400
    assert "below the start of the range" in page.content.decode()


def changed(lead: Client, study: Study, **changes: str):
    address = reverse("lab-study-change", args=[study.slug])
    form = lead.get(address).context["form"]
    sent = {
        name: "on" if value is True else value
        for name in form.fields
        if (value := form[name].value()) not in (None, False, "")
    }
    return lead.post(address, sent | changes)


def test_an_open_study_can_be_changed_and_the_trail_says_from_what_to_what(lead):
    lab = build_study_lab(is_registered=False)
    same = changed(lead, lab.study)
    assert same.status_code == 302
    assert AuditEntry.objects.filter(verb="changed study").latest("pk").detail == {"changed": {}}
    answer = changed(
        lead, lab.study, title="Three ages of jacket", arm_3_codes=f"{lab.spare.code}=left"
    )
    assert answer.status_code == 302
    lab.study.refresh_from_db()
    assert lab.study.title == "Three ages of jacket"
    (member,) = ArmSpecimen.objects.filter(study=lab.study, arm__label="Two years")
    assert (member.specimen, member.pair) == (lab.spare, "left")
    told = AuditEntry.objects.filter(verb="changed study").latest("pk").detail["changed"]
    assert told["title"] == {"from": "Three ages", "to": "Three ages of jacket"}
    assert set(told) == {"title", "arms"}


def test_arms_stand_once_runs_are_on_the_sheet_and_words_may_change(lead):
    lab = build_study_lab(is_registered=False)
    plan = planning.draw_plan(by=lab.lead, study=lab.study, wants=WANTS)
    planning.accept_plan(by=lab.lead, plan=plan)
    refused = changed(lead, lab.study, arm_3_codes=lab.spare.code)
    assert refused.status_code == 400
    assert "its arms and methods stand" in refused.content.decode()
    assert ArmSpecimen.objects.filter(study=lab.study).count() == 9
    assert changed(lead, lab.study, question="What is lost in a year?").status_code == 302
    lab.study.refresh_from_db()
    assert lab.study.question == "What is lost in a year?"
    assert lab.study.runs.count() == 45


def test_a_registered_study_is_not_changed_but_amended(lead):
    lab = build_study_lab()
    answer = changed(lead, lab.study, title="Another title")
    assert answer.status_code == 400
    assert "is registered" in answer.content.decode()
    lab.study.refresh_from_db()
    assert lab.study.title == "Three ages"
    assert studies.registration_problems(lab.study) == []


def test_the_property_that_the_answer_turns_on_stands_first_and_is_one_at_most(lead):
    lab = build_study_lab(is_registered=False)
    first, *_, last = lab.study.study_methods.all()
    assert changed(lead, lab.study, primary=str(last.revision_id)).status_code == 302
    used = list(lab.study.study_methods.all())
    assert [one.is_primary for one in used] == [True] + [False] * (len(used) - 1)
    assert used[0].revision == last.revision
    told = registration_content(lab.study)["methods"]
    assert [one.get("is_primary") for one in told] == [True] + [None] * (len(used) - 1)
    page = lead.get(reverse("lab-study", args=[lab.study.slug])).content.decode()
    assert page.count("the answer turns on this one") == 1

    # once runs are on the sheet another may still be named, until the study is registered
    plan = planning.draw_plan(by=lab.lead, study=lab.study, wants=WANTS)
    planning.accept_plan(by=lab.lead, plan=plan)
    assert changed(lead, lab.study, primary=str(first.revision_id)).status_code == 302
    assert lab.study.study_methods.get(is_primary=True).revision == first.revision


def test_a_method_that_the_study_does_not_use_cannot_be_what_it_turns_on(lead):
    lab = build_study_lab(is_registered=False)
    used = lab.study.study_methods.first()
    refused = changed(
        lead, lab.study, primary=str(used.revision_id), **{f"method_{used.revision_id}": ""}
    )
    assert refused.status_code == 400
    assert "does not use this method" in refused.context["form"].errors["primary"][0]
    assert not lab.study.study_methods.filter(is_primary=True).exists()


def test_whom_it_is_asked_about_and_what_is_not_claimed_are_fixed_with_the_rest(lead):
    lab = build_study_lab(is_registered=False)
    words = {"population": "Jackets of letter rounds.", "not_claimed": "Nothing about a fall."}
    assert changed(lead, lab.study, **words).status_code == 302
    lab.study.refresh_from_db()
    content = registration_content(lab.study)
    assert {name: content[name] for name in words} == words
    page = lead.get(reverse("lab-study", args=[lab.study.slug])).content.decode()
    assert all(text in page for text in words.values())


def test_only_the_lead_changes_a_study():
    lab = build_study_lab(is_registered=False)
    technician = Client()
    technician.force_login(lab.technician)
    assert technician.get(reverse("lab-study-change", args=["three-ages"])).status_code == 403


def test_matched_specimens_come_into_a_new_study_as_pairs(lead, gear, product):
    page = lead.get(reverse("lab-pairs"), {"product": product.pk}).content.decode()
    address = re.search(r'href="([^"]*studies/add/[?]unworn=[^"]*)"', page)
    form = lead.get(html.unescape(address[1])).context["form"]
    unworn, worn_ones = (form[f"arm_{n}_codes"].value().split() for n in (1, 2))
    # two unworn ones for three worn: two pairs, each label once in each arm
    assert {one.partition("=")[2] for one in unworn} == {one.partition("=")[2] for one in worn_ones}
    assert len(unworn) == 2
    assert gear["new M"].code in {one.partition("=")[0] for one in unworn}
