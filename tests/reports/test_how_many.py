"""How many specimens a study needs, and blind studies that stay closed until they are done.

The expected numbers are those of a table of independent items per arm for an 80 % chance to see a
loss, two-sided 5 %, on the log scale, worked out apart from this program with ordinary methods.
"""

from decimal import Decimal
from uuid import uuid4

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from labsite.roles import Role
from reports.how_many import arm_prices, how_many, scatter_of
from specimens.models import Specimen
from tests.reports.demo_site import run_waiting_jobs
from tests.trials.bench_lab import person_with
from tests.trials.study_lab import WANTS, StudyLab, build_study_lab
from trials import actions, planning
from trials.models import StudyLook, StudyMethod

pytestmark = pytest.mark.django_db


@pytest.fixture
def lab() -> StudyLab:
    return build_study_lab(is_registered=False)


@pytest.fixture
def lead(db) -> Client:
    client = Client()
    client.force_login(person_with(Role.LEAD))
    return client


@pytest.mark.parametrize(
    ("cv", "margin", "needed"),
    [
        (0.1, 0.1, 16),
        (0.1, 0.2, 5),
        (0.2, 0.2, 14),
        (0.2, 0.1, 57),
        (0.3, 0.5, 5),
        (0.05, 0.05, 16),
    ],
)
def test_numbers_of_the_table(lab, cv, margin, needed):
    StudyMethod.objects.filter(study=lab.study).update(margin=margin)
    shown = how_many(lab.study, wanted=0.8, guessed_cv=cv)
    assert {one.needed for one in shown.methods} == {needed}
    assert shown.largest == needed


def test_fewer_specimens_see_only_a_larger_loss_and_cost_less(lab):
    Specimen.objects.update(price_paid=Decimal(100), currency="GBP")
    (one, *_) = how_many(lab.study, wanted=0.8, guessed_cv=0.1).methods
    # three arms of specimens at 100
    assert [row.cost_words for row in one.rows[:2]] == ["£600", "£900"]
    chances = [float(row.chance_words.split("\u00a0")[0]) for row in one.rows]
    assert chances == sorted(chances)
    losses = [float(row.smallest_words.split("\u00a0")[0]) for row in one.rows]
    assert losses == sorted(losses, reverse=True)


def test_mixed_currencies_give_no_budget(lab):
    Specimen.objects.update(price_paid=Decimal(100), currency="GBP")
    Specimen.objects.filter(pk=lab.specimens[0].pk).update(currency="EUR")
    assert len(arm_prices(lab.study)) == 2
    Specimen.objects.filter(memberships__arm__key="arm-0").update(currency="EUR")
    shown = how_many(lab.study, wanted=0.8, guessed_cv=0.1)
    assert shown.price_words.startswith("Prices are in several currencies")
    assert {one.cost_words for one in shown.methods} == {""}


def test_scatter_comes_from_earlier_arms_of_the_method():
    lab = build_study_lab()
    planning.accept_plan(
        by=lab.lead, plan=planning.draw_plan(by=lab.lead, study=lab.study, wants=WANTS)
    )
    revision = lab.study.study_methods.get(revision__method__key="belt-abrasion").revision
    assert scatter_of(revision) is None
    seconds = dict(zip([s.pk for s in lab.specimens], (8, 10, 12.5) * 3, strict=True))
    for run in lab.study.runs.filter(revision=revision):
        actions.record_reading(
            by=lab.technician,
            entry=actions.ReadingEntry(
                uuid=uuid4(),
                run=run,
                raw={"seconds": seconds[run.specimen_id], "ended": "failed"},
                measured_at=timezone.now(),
            ),
        )
    found = scatter_of(revision)
    # ln 8, ln 10, ln 12.5 are 0.22314 apart: the standard deviation in every arm is 0.22314;
    # the steps of a stopwatch that reads tenths add less than 1 %
    assert found.log_sd == pytest.approx(0.22314, rel=0.01)
    assert found.source == "from 9 specimens in 3 earlier arms"


def test_the_page_shows_and_refuses_what_makes_no_sense(lab, lead):
    address = reverse("lab-how-many", args=[lab.study.slug])
    page = lead.get(address, {"wanted": "0.8", "guess": "10"})
    assert page.status_code == 200
    assert "16 a side" in page.content.decode()
    wrong = lead.get(address, {"wanted": "0.8", "guess": "0"})
    assert wrong.status_code == 400
    assert "Between 0.5 and 100" in wrong.content.decode()
    technician = Client()
    technician.force_login(person_with(Role.TECHNICIAN))
    assert technician.get(address).status_code == 403


def read_all_but_one(lab: StudyLab) -> None:
    plan = planning.draw_plan(by=lab.lead, study=lab.study, wants=WANTS)
    planning.accept_plan(by=lab.lead, plan=plan)
    for run in list(lab.study.runs.all())[:-1]:
        lab.read(run)


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("is_blind", [True, False])
def test_a_blind_study_stays_closed_and_looks_at_an_open_one_are_counted(is_blind):
    lab = build_study_lab(is_blind=is_blind)
    read_all_but_one(lab)
    run_waiting_jobs()
    client = Client()
    client.force_login(lab.lead)
    desk = client.get(reverse("desk-study", args=["three-ages"])).content.decode()
    answer = client.get(reverse("api-findings", args=["three-ages"])).json()
    preview = client.get(reverse("desk-preview", args=["three-ages"]))
    assert ("stay closed until the last run" in desk) is is_blind
    assert (answer["findings"] == []) is is_blind
    assert (preview.status_code == 302) is is_blind
    assert StudyLook.objects.filter(kind="findings").count() == (0 if is_blind else 1)
    (last,) = planning.waiting_runs(lab.study)
    lab.read(last)
    run_waiting_jobs()
    desk = client.get(reverse("desk-study", args=["three-ages"])).content.decode()
    assert "stay closed" not in desk
