"""How many specimens a study needs, and blind studies that stay closed until they are done.

The expected numbers are those of a table of independent items per arm for an 80 % chance to see a
loss, two-sided 5 %, on the log scale, worked out apart from this program with ordinary methods.
"""

import math
from datetime import date, timedelta
from decimal import Decimal
from uuid import uuid4

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from labsite.roles import Role
from reports.how_many import (
    Asked,
    Exposures,
    arm_exposures,
    arm_prices,
    guessed_scatter,
    how_many,
    scatter_of,
)
from specimens.models import ServiceEntry, Specimen
from tests.reports.demo_site import run_waiting_jobs
from tests.trials.bench_lab import person_with
from tests.trials.study_lab import WANTS, StudyLab, build_study_lab
from trials import actions, planning
from trials.controls import take_over_control_run
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
    shown = how_many(lab.study, Asked(wanted=0.8, guessed_cv=cv))
    exact = [one for one in shown.methods if "exact readings" in one.resolution_words]
    assert len(exact) == 3
    assert {one.needed for one in exact} == {needed}
    # the drop reads in steps of a tenth of a decade, which asks for no fewer
    (stepped,) = [one for one in shown.methods if one not in exact]
    assert stepped.needed >= needed
    assert shown.largest == stepped.needed


def test_fewer_specimens_see_only_a_larger_loss_and_cost_less(lab):
    Specimen.objects.update(price_paid=Decimal(100), currency="GBP")
    (one, *_) = how_many(lab.study, Asked(wanted=0.8, guessed_cv=0.1)).methods
    # three arms of specimens at 100
    assert [row.cost_words for row in one.rows[:2]] == ["£600", "£900"]
    chances = [float(row.chance_words.split("\u00a0")[0]) for row in one.rows]
    assert chances == sorted(chances)
    losses = [float(row.smallest_words.split("\u00a0")[0]) for row in one.rows]
    assert losses == sorted(losses, reverse=True)


def test_a_budget_buys_so_many_of_each_arm_and_says_what_they_see(lab):
    Specimen.objects.update(price_paid=Decimal(100), currency="GBP")
    asked = Asked(wanted=0.8, guessed_cv=0.1, budget=Decimal(1150))
    shown = how_many(lab.study, asked)
    # three arms at 100 each: 1150 buys three of each, and 250 are left
    assert shown.budget_words.startswith("£1")
    assert "buys 3 of each arm" in shown.budget_words
    one = next(m for m in shown.methods if "exact readings" in m.resolution_words)
    (row,) = [row for row in one.rows if row.is_budget]
    assert row.specimens == 3
    # three against three with 10 % of scatter see 30 % with a chance of 80 %, and not 20 %: the
    # table of independent items per arm says 5 for 20 % and 3 for 30 %
    assert 20 < float(row.smallest_words.split("\u00a0")[0]) <= 30
    assert "3 a side see a loss of 10" in one.budget_words
    little = how_many(lab.study, Asked(wanted=0.8, guessed_cv=0.1, budget=Decimal(350)))
    assert "does not buy two" in little.budget_words
    Specimen.objects.filter(memberships__arm__key="arm-0").update(price_paid=None, currency="")
    untold = how_many(lab.study, asked)
    assert "do not tell" in untold.budget_words


def test_control_runs_of_the_method_are_added_to_a_guess(lab):
    revision = lab.study.study_methods.get(revision__method__key="belt-abrasion").revision
    when = timezone.now() - timedelta(days=30)
    for k, seconds in enumerate([10, 11, 12.1] * 3):
        take_over_control_run(
            by=lab.lead,
            revision=revision,
            material="Canvas",
            session_label=f"day {k // 3}",
            ran_at=when + timedelta(days=k // 3, hours=k),
            low=seconds - 0.05,
            high=seconds + 0.05,
        )
    found = guessed_scatter(revision, 0.1)
    # ln 1.1 = 0.09531 apart in each session: its standard deviation; ln-scatter of 10 % is 0.09975
    assert found.log_sd == pytest.approx(math.hypot(0.09531, 0.09975), rel=0.02)
    assert found.freedom is None
    assert found.log_width == pytest.approx(0.1 / 11, rel=0.02)


def test_steps_coarser_than_the_scatter_hide_a_loss_however_many_there_are(lab):
    shown = how_many(lab.study, Asked(wanted=0.8, guessed_cv=0.05))
    stepped = next(m for m in shown.methods if "steps of" in m.resolution_words)
    # preferred numbers of the R10 series (ISO 3), mostly 1.25 apart: 1 - 1 / 1.25 = 20 %
    assert "steps of 20" in stepped.resolution_words
    assert {row.smallest_words for row in stepped.rows[-3:]} == {"20\u00a0%"}


def test_the_number_needed_is_tried_through_the_analysis(lab):
    shown = how_many(lab.study, Asked(wanted=0.8, guessed_cv=0.05, tries=True))
    one = next(m for m in shown.methods if "exact readings" in m.resolution_words)
    assert one.tried_words.startswith("Tried 200 times")
    share = float(one.tried_words.split("resolved in ")[1].split("\u00a0")[0])
    assert 55 < share <= 100


def test_three_ages_on_record_are_planned_as_a_trend(lab):
    assert (
        "three service ages" in how_many(lab.study, Asked(wanted=0.8, guessed_cv=0.1)).trend_words
    )
    for k, specimen in enumerate(lab.specimens):
        if k < 3:
            continue
        km = 5000.0 if k < 6 else 10000.0
        ServiceEntry.objects.create(
            specimen=specimen,
            started_on=date(2024, 1, 1),
            ended_on=date(2024, 12, 30),
            distance_km_low=km,
            distance_km_best=km,
            distance_km_high=km,
            evidence="diary",
        )
    assert arm_exposures(lab.study) == Exposures((0.0, 5000.0, 10000.0), "km")
    shown = how_many(lab.study, Asked(wanted=0.8, guessed_cv=0.1))
    one = next(m for m in shown.methods if "exact readings" in m.resolution_words)
    for row in one.rows:
        chance, trend = (
            float(words.split("\u00a0")[0].split()[-1])
            for words in (row.chance_words, row.trend_words)
        )
        # the ends weigh the same, and the middle age adds degrees of freedom
        assert trend >= chance


def test_mixed_currencies_give_no_budget(lab):
    Specimen.objects.update(price_paid=Decimal(100), currency="GBP")
    Specimen.objects.filter(pk=lab.specimens[0].pk).update(currency="EUR")
    assert len(arm_prices(lab.study)) == 2
    Specimen.objects.filter(memberships__arm__key="arm-0").update(currency="EUR")
    shown = how_many(lab.study, Asked(wanted=0.8, guessed_cv=0.1))
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
    # three arms of three leave 3 x 2 degrees of freedom
    assert found.source == ("from 9 specimens in 3 earlier arms, known with 6 degrees of freedom")
    # a stopwatch that shows tenths: 10 s is known to within 0.1 s, a hundredth
    assert found.log_width == pytest.approx(0.01, rel=0.3)


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
