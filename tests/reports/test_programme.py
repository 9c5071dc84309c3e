"""Losses pooled over studies, through the records of the demo lab."""

import math

import pytest
from django.utils import timezone

from reports.models import Finding, Summary, SummaryHead
from reports.programme import pooled_lines
from reports.queries import standing
from specimens.queries import exposure
from trials.actions import ArmPlan, MethodPlan, create_study, register_study
from trials.models import Study


@pytest.fixture
def ages(demo: None) -> Study:
    return Study.objects.get(slug="rainmile-jackets-three-ages")


@pytest.fixture
def pair(demo: None) -> Study:
    return Study.objects.get(slug="causeway-trousers-one-pair")


def same_findings(ages: Study, lead, slug: str, *, is_blind: bool = False) -> Study:
    """Another registered study with the same specimens and copies of the same findings."""
    twin = create_study(
        by=lead,
        fields={
            "slug": slug,
            "title": slug.title(),
            "question": "Again?",
            "kind": Study.Kind.AGES,
            "is_blind": is_blind,
        },
        arms=[
            ArmPlan(arm.key, arm.label, arm.is_baseline, list(arm.specimens.all()))
            for arm in ages.arms.all()
        ],
        methods=[MethodPlan(used.revision, used.margin) for used in ages.study_methods.all()],
    )
    register_study(by=lead, study=twin)
    arms = {arm.key: arm for arm in twin.arms.all()}
    summary = Summary.objects.create(
        study=twin, inputs_digest="0" * 64, engine_version="1.0", computed_at=timezone.now()
    )
    for finding in standing(ages).summary.findings.select_related("arm", "baseline"):
        arm, baseline = arms[finding.arm.key], arms[finding.baseline.key]
        finding.pk, finding.summary, finding.arm, finding.baseline = None, summary, arm, baseline
        finding.save(force_insert=True)
    SummaryHead.objects.create(study=twin, summary=summary, inputs_version=99)
    return twin


@pytest.fixture
def twin_of_ages(ages: Study, lead) -> Study:
    return same_findings(ages, lead, "twin")


def test_one_study_is_no_pool_and_single_items_are_left_out(ages: Study, pair: Study) -> None:
    lines = pooled_lines()
    assert lines
    assert all(line.kept_words == "" and line.refusal for line in lines)
    trousers = [line for line in lines if line.kind == "trousers"]
    assert any("its items only" in words for line in trousers for words in line.left_out)


def test_the_longest_service_of_a_study_enters(ages: Study) -> None:
    line = next(x for x in pooled_lines() if x.property == "water uptake" and x.kind == "jacket")
    assert line.studies == (ages.title,)
    assert line.refusal == "Only one study is there to pool; pooling needs at least two."


def test_two_studies_are_pooled_per_stated_service(ages: Study, twin_of_ages: Study) -> None:
    line = next(
        x
        for x in pooled_lines()
        if x.property == "water uptake" and x.kind == "jacket" and "km" in x.per_words
    )
    assert len(line.studies) == 2
    # both studies hold the same findings, so the mean is that of either: worked out here by hand
    # from the longest arm's retention and the mean of its owners' best figures
    summary = standing(ages).summary
    finding = Finding.objects.get(
        summary=summary, revision__method__key="water-uptake", arm__label__contains="28"
    )
    km = [
        exposure(member.specimen, member.specimen.acquired_on).distance_km.best
        for member in finding.arm.members.select_related("specimen")
    ]
    kept = math.exp(math.log(finding.retention) * 10_000 / (sum(km) / len(km)))
    assert line.kept_words == f"{kept * 100:.2g}\u00a0%"


def jackets():
    return next(
        line
        for line in pooled_lines()
        if line.property == "water uptake" and "km" in line.per_words and line.kind == "jacket"
    )


def test_a_blind_study_is_not_told_before_its_last_run(ages: Study, lead) -> None:
    same_findings(ages, lead, "open")
    same_findings(ages, lead, "shut", is_blind=True)
    assert sorted(jackets().studies) == sorted([ages.title, "Open"])
