"""Worked stories from a file of readings to the words of the published page.

The stories' figures were worked out beforehand with ordinary methods (bounds by hand, t on
logarithms, exact permutation by counting). Where the program's estimator is a different one that
covers better, the substance is held: what must be said, and what must never be said.
"""

import itertools
import json

import pytest
from django.test import Client

from reports.content import finding_content
from reports.models import Edition, Finding
from tests.reports.demo_site import (
    amend,
    finding_of,
    publish,
    run_waiting_jobs,
    visible_text,
)
from tests.reports.story_lab import Story, build_story, upload
from trials.models import Reading

pytestmark = pytest.mark.django_db


def page_of(story: Story) -> tuple[Edition, str]:
    edition = publish(story.study, by=story.lead)
    answer = Client().get(f"/scorecards/{story.study.slug}/")
    assert answer.status_code == 200
    return edition, visible_text(answer.content.decode())


def words_of(edition: Edition) -> dict:
    (finding,) = edition.content["findings"]
    return finding


# --- both arms fail at the same level --------------------------------------------------------


@pytest.fixture
def same_step() -> Story:
    story = build_story(
        method="padding-drop",
        arms={"New": 3, "Used": 3},
        change={"unit": "J", "levels": [2.5, 5.0, 10.0], "range_high": 12.5},
    )
    rows = [
        {"specimen": s.code, "held_at": "2.5", "failed_at": "5"}
        for arm in story.arms.values()
        for s in arm
    ]
    assert upload(story, rows) == 6
    return story


def test_arms_in_one_bracket_bound_the_ratio_by_the_steps(same_step: Story) -> None:
    finding = finding_of(same_step.study, "padding-drop", "used")
    # by hand: both strengths lie in 2.5 to 5 J, so the ratio lies in 2.5/5 to 5/2.5
    assert finding.low == pytest.approx(0.5, rel=1e-6)
    assert finding.high == pytest.approx(2.0, rel=1e-6)
    assert finding.verdict == "not resolved"
    assert finding.smallest_visible_loss == pytest.approx(0.5, abs=0.01)
    assert (finding.n_baseline, finding.n_other) == (3, 3)


def test_page_says_the_steps_are_too_coarse_and_not_that_nothing_was_lost(same_step: Story) -> None:
    edition, text = page_of(same_step)
    finding = words_of(edition)
    assert finding["interval_words"] == "50 to 200\u00a0%"
    assert "kept between 50 and 200\u00a0% of" in finding["sentence"]
    assert "steps between readings are too coarse" in text
    assert "A loss smaller than about 50 % could not have been seen." in text
    assert "cannot tell loss from no loss" in text
    assert text.count("held at 2.5 J, failed at 5 J") == 6
    for never in (
        "no degradation",
        "no loss was",
        "retained 100",
        "about 100 %",
        "100 % of the impact padding",
        "3.75",
    ):
        assert never not in text
    assert "10 J" not in text, "a level that was not run must not look like a failure"


def test_a_point_that_only_the_steps_place_is_not_published(same_step: Story) -> None:
    edition, _ = page_of(same_step)
    finding = words_of(edition)
    assert finding["retention"] is None
    assert finding["retention_words"] == ""
    assert finding["chart"]["x_point"] is None
    assert finding["chart"]["x_width"] > 50
    assert {v["words"] for v in finding["arm_values"]} == {"2.5 to 5\u00a0J"}


def test_challenges_that_bound_one_side_only_claim_nothing() -> None:
    """Held at one level on one zone, failed at a higher one on another."""
    story = build_story(method="point-challenge", arms={"New": 3, "Used": 3})
    rows = [
        {"specimen": s.code, "zone": zone, "level": level, "outcome": outcome}
        for arm in story.arms.values()
        for s in arm
        for zone, level, outcome in (("left", "2.5", "held"), ("right", "5", "failed"))
    ]
    upload(story, rows)
    finding = finding_of(story.study, "point-challenge", "used")
    edition, text = page_of(story)
    assert finding.verdict == "not resolved"
    assert finding.retention is None
    assert finding.refusal or finding.cautions
    for never in ("no degradation", "100 % of the", "3.75"):
        assert never not in text
    # the page explains every verdict; what it says of this finding is another matter
    told = str(words_of(edition))
    assert "Clear loss" not in told
    assert "Held." not in told
    # who says nothing, why, and what would help
    assert "say nothing here: some of their sites held and others failed" in text
    assert "rising steps on every site" in text
    assert "held at 2.5 J" in text
    assert "failed at 5 J" in text
    assert edition.content["findings"][0]["verdict"] == "not resolved"


# --- below the detection limit ---------------------------------------------------------------

NEW_UPTAKE_G = ("0.1", "0.2", "0.4", "0", "0.3", "0.5")  # those below 0.3 g count as '< 0.3'
USED_UPTAKE_G = ("2.1", "3.4", "2.8", "2.6", "3.1", "2.5")


@pytest.fixture
def below_limit() -> Story:
    story = build_story(
        method="water-uptake", arms={"New": 6, "Used": 6}, gear="Gale jacket", kind="jacket"
    )
    rows = [
        {
            "specimen": specimen.code,
            "mass_before": "812.1",
            "mass_after": f"{812.1 + float(gain):.1f}",
        }
        for label, gains in (("New", NEW_UPTAKE_G), ("Used", USED_UPTAKE_G))
        for specimen, gain in zip(story.arms[label], gains, strict=True)
    ]
    upload(story, rows)
    return story


def test_readings_below_the_limit_are_bounds_and_never_zero(below_limit: Story) -> None:
    lows = Reading.objects.filter(
        run__study=below_limit.study, run__specimen__in=below_limit.arms["New"]
    )
    below = [(r.low, r.high) for r in lows if r.low == 0]
    # the three '< 0.3 g', and 0.3 g itself, which is not above the limit either
    assert len(below) == 4
    assert [high for _, high in below] == pytest.approx([0.3] * 4)


def test_uptake_is_said_as_at_least_about_six_times(below_limit: Story) -> None:
    finding = finding_of(below_limit.study, "water-uptake", "used")
    assert finding.verdict == "clear loss"
    # story: lower confidence limit over the new arm's upper bound is 6.5; ours spans a little more
    assert finding.high is not None
    assert 5.0 < 1 / finding.high < 7.5
    edition, text = page_of(below_limit)
    words = words_of(edition)
    assert "less is better" in text
    assert "times the water uptake of New" in text
    assert words["interval_words"]
    assert "At least, or less than." in text  # the caution about limits
    new_arm = next(v for v in words["arm_values"] if v["arm"] == "New")
    assert new_arm["words"].startswith("at most ")


def test_uptake_page_gives_a_range_and_no_middle_where_most_items_gave_limits(
    below_limit: Story,
) -> None:
    edition, text = page_of(below_limit)
    finding = words_of(edition)
    assert finding["retention"] is None
    assert finding["retention_words"] == ""
    assert "about" not in finding["sentence"] + finding["times_sentence"]
    assert "only a limit" in text
    # the story's 'at least six times'
    times = finding["times_sentence"].replace("\u00a0", " ")
    assert 6 <= float(times.removeprefix("That is ").split(" to ")[0]) < 8


def test_uptake_page_shows_neither_the_half_limit_nor_the_zero_ratio(below_limit: Story) -> None:
    edition, text = page_of(below_limit)
    # 10.0 and 13.8 come from putting half the limit, or nothing, in place of a bound
    for never in ("10.0 times", "10 times", "13.8", "14 times", "took up nothing", "took up 0 g"):
        assert never not in text.replace("\u00a0", " ")
    finding = words_of(edition)
    assert finding["chart"]["x_high"] > 0
    assert "on water uptake, where less is better" in finding["sentence"].lower()


# --- three raters, blind ----------------------------------------------------------------------

FIRST_ROUND = {
    "New": [(1, 1, 2), (2, 1, 2), (1, 1, 1), (2, 2, 2)],
    "Used": [(3, 3, 4), (4, 3, 4), (2, 2, 5), (4, 4, 5)],
}
RATERS = ("Wenna Dale", "Jory Penn", "Tamsin Rook")


def exact_two_sided_p(baseline: list[float], other: list[float]) -> float:
    """Permutation p of the rank sum by counting every deal: slow and obvious."""
    both = baseline + other
    ranks = [sum(b < v for b in both) + (sum(b == v for b in both) + 1) / 2 for v in both]
    centre = len(other) * (len(both) + 1) / 2
    seen = abs(sum(ranks[len(baseline) :]) - centre)
    deals = list(itertools.combinations(range(len(both)), len(other)))
    as_far = sum(abs(sum(ranks[i] for i in deal) - centre) >= seen - 1e-9 for deal in deals)
    return as_far / len(deals)


@pytest.fixture
def three_raters() -> Story:
    story = build_story(
        method="flame-grade", arms={"New": 4, "Used": 4}, gear="Kiln mitts", kind="gloves"
    )
    rows = [
        {"specimen": specimen.code, "rater": rater, "grade": grade}
        for label, graded in FIRST_ROUND.items()
        for specimen, grades in zip(story.arms[label], graded, strict=True)
        for rater, grade in zip(RATERS, grades, strict=True)
    ]
    assert upload(story, rows) == 24
    return story


def test_grades_first_round_has_the_storys_figures(three_raters: Story) -> None:
    finding = finding_of(three_raters.study, "flame-grade", "used")
    assert finding.kind == Finding.Kind.GRADES
    # story: exact permutation p = 0.086, alpha (ordinal) 0.72, medians 1-2 new and 2-4 used
    assert finding.details["p_value"] == pytest.approx(0.0857, abs=5e-4)
    assert finding.details["p_value"] == pytest.approx(
        exact_two_sided_p([1, 2, 1, 2], [3, 4, 2, 4]), abs=1e-12
    )
    assert "0.72" in finding.details["agreement"]
    assert finding.details["smallest_possible_p"] == pytest.approx(2 / 70, abs=1e-12)
    assert finding.verdict == "not resolved"
    assert finding.retention is None
    assert finding.low is None


def test_grades_second_round_by_amendment_has_the_storys_figures(three_raters: Story) -> None:
    mitt_g = three_raters.arms["Used"][2]
    for rater, grade in zip(RATERS, (3, 3, 4), strict=True):
        reading = Reading.objects.current().get(run__specimen=mitt_g, rater=rater)
        amend(
            reading,
            {"grade": grade},
            by=three_raters.lead,
            reason="Raters differed by two grades or more: graded again from recoded pictures.",
        )
    three_raters.study.refresh_from_db()
    run_waiting_jobs()
    finding = finding_of(three_raters.study, "flame-grade", "used")
    # story: alpha 0.85 and p = 0.029, the smallest possible with four against four
    assert finding.details["p_value"] == pytest.approx(2 / 70, abs=1e-12)
    assert "0.85" in finding.details["agreement"]
    assert finding.verdict == "graded worse"
    edition, text = page_of(three_raters)
    states = [r["state"] for r in edition.content["readings"]]
    assert states.count("superseded") == 3
    assert states.count("used") == 24
    assert "graded again from recoded pictures" in text
    assert "Readings amended." in text


def test_grades_page_has_medians_and_counts_and_no_means(three_raters: Story) -> None:
    edition, text = page_of(three_raters)
    finding = words_of(edition)
    new, used = finding["grades"]["arms"]
    # counted by hand from the first round
    assert {c["grade"].split(",")[0]: c["count"] for c in new["counts"] if c["count"]} == {
        "1": 6,
        "2": 6,
    }
    assert {c["grade"].split(",")[0]: c["count"] for c in used["counts"] if c["count"]} == {
        "2": 2,
        "3": 3,
        "4": 5,
        "5": 2,
    }
    assert "3 raters" in text
    for never in ("3.0", "damage doubled", "mean grade", "average grade"):
        assert never not in text
    assert finding["retention_words"] == ""


def test_grades_page_and_files_never_name_a_rater(three_raters: Story) -> None:
    edition, _ = page_of(three_raters)
    slug = three_raters.study.slug
    everything = [json.dumps(edition.content)]
    for path in ("", "1/", "1/readings.csv", "1/card.json"):
        everything.append(Client().get(f"/scorecards/{slug}/{path}").content.decode())
    everything.append(Client().get(f"/api/v1/scorecards/{slug}/1/").content.decode())
    for text in everything:
        for name in RATERS:
            assert name not in text
            assert name.split()[0] not in text
    assert {r["rater"] for r in edition.content["readings"]} == {"rater A", "rater B", "rater C"}


def test_chance_of_worse_grades_is_never_given_alone(three_raters: Story) -> None:
    finding = finding_content(finding_of(three_raters.study, "flame-grade", "used"))
    worse = finding["grades"]["worse_words"]
    # by hand, new 1, 2, 1, 2 and used 3, 4, 2, 4: three are worse than all four (12), the 2 is
    # worse than two and ties two (3), so 15 of 16 pairs
    assert "0.94" in worse
    assert "no range" in worse or " to " in worse.split("0.94")[1]
