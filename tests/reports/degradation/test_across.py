"""Pooling across studies."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reports.degradation.across import (
    CannotPool,
    StudyLoss,
    pool_losses,
    pool_losses_by_group,
    study_loss,
)
from reports.degradation.compare import compare
from reports.degradation.intervals import Interval


def losses(*pairs):
    return [StudyLoss(f"study {at}", y, se) for at, (y, se) in enumerate(pairs, 1)]


def restricted_likelihood(t, y, v):
    """Slow twin: the restricted likelihood by integrating the mean out numerically."""
    mean = np.linspace(min(y) - 60, max(y) + 60, 400001)
    density = np.zeros_like(mean)
    for one, error in zip(y, v, strict=True):
        density += -0.5 * np.log(error + t) - 0.5 * (one - mean) ** 2 / (error + t)
    peak = density.max()
    return peak + math.log(np.exp(density - peak).sum())


def test_variance_between_has_the_highest_restricted_likelihood():
    y, se = [0.1, 0.9, 0.4, 1.8, 0.2], [0.2, 0.3, 0.1, 0.4, 0.25]
    found = pool_losses(losses(*zip(y, se, strict=True)))
    v = np.square(se)
    best = restricted_likelihood(found.variance_between, y, v)
    assert found.variance_between > 0
    for factor in (0.5, 0.9, 0.97, 1.03, 1.1, 2):
        assert restricted_likelihood(factor * found.variance_between, y, v) < best


def test_equal_errors_reduce_to_students_t():
    # With equal errors and spread beyond them, the interval is the one-sample t of the losses.
    y = np.array([0.1, 0.5, 0.9, 0.2])
    found = pool_losses(losses(*[(one, 0.05) for one in y]))
    assert found.log_loss == pytest.approx(y.mean())
    assert found.standard_error == pytest.approx(y.std(ddof=1) / 2)
    assert found.variance_between == pytest.approx(y.var(ddof=1) - 0.05**2)
    assert found.hartung_knapp_factor == pytest.approx(1)


def test_studies_that_agree_too_well_do_not_shrink_the_interval():
    studies = losses((0.2, 0.1), (0.2, 0.1), (0.2, 0.1))
    guarded, bare = pool_losses(studies), pool_losses(studies, guard=False)
    assert bare.low == pytest.approx(0.2)
    assert bare.high == pytest.approx(0.2)
    assert guarded.standard_error == pytest.approx(0.1 / math.sqrt(3))
    assert guarded.variance_between == 0
    assert guarded.inconsistency_share == 0


def test_two_studies_pool_without_a_prediction():
    found = pool_losses(losses((0.1, 0.05), (0.3, 0.05)))
    assert found.prediction_low is None
    assert found.low < 0.2 < found.high
    assert "too few to say where a further one would fall" in found.notes[0]


@pytest.mark.parametrize(("count", "start"), [(0, "No study"), (1, "Only one study")])
def test_fewer_than_two_studies_are_refused(count, start):
    found = pool_losses(losses((0.1, 0.05))[:count])
    assert found.refusal.startswith(start)
    assert found.retention is None
    assert found.retention_low is None
    assert found.retention_high is None


def test_retention_turns_the_ends_round():
    found = pool_losses(losses((0.1, 0.05), (0.2, 0.05), (0.15, 0.05)))
    assert found.retention_low < found.retention < found.retention_high < 1
    assert found.retention == pytest.approx(math.exp(-found.log_loss))
    assert sum(found.weights) == pytest.approx(1)
    assert found.study_count == 3


def test_words_name_studies_service_and_interval():
    # Losses of ln(2) with an error of 0.1 each: half is kept.
    found = pool_losses(losses((math.log(2), 0.1), (math.log(2), 0.1), (math.log(2), 0.1)))
    # exp(-ln 2 -+ 4.303 x 0.1 / sqrt 3) is 0.39 to 0.64.
    assert found.words(per="10,000 km") == (
        "Over 3 studies about 50 % was kept per 10,000 km; 95 % interval 39 % to 64 %."
    )
    assert pool_losses([]).words(per="12 months").startswith("No study")


def test_a_comparison_can_be_pooled_as_it_comes():
    new = [Interval(x, x) for x in (10.0, 10.4, 9.7, 10.1)]
    worn = [Interval(x, x) for x in (8.1, 8.6, 7.7, 8.3)]
    found = compare(new, worn)
    loss = study_loss(
        "gloves",
        retention=(found.retention, found.low, found.high),
        level=found.level,
        service=18_000,
        per=10_000,
    )
    kept = math.prod((8.1, 8.6, 7.7, 8.3)) ** 0.25 / math.prod((10.0, 10.4, 9.7, 10.1)) ** 0.25
    assert loss.log_loss == pytest.approx(-math.log(kept) / 1.8, rel=1e-3)
    assert loss.standard_error > 0


def test_study_loss_is_scaled_to_the_stated_service():
    # Half kept over 20,000 km is ln(2) / 2 per 10,000 km; a 95 % interval of a factor 1.5 each way.
    found = study_loss(
        "a", retention=(0.5, 0.5 / 1.5, 0.5 * 1.5), level=0.95, service=20_000, per=10_000
    )
    assert found.log_loss == pytest.approx(math.log(2) / 2)
    assert found.standard_error == pytest.approx(math.log(1.5) / 1.959963984540054 / 2)
    vague = study_loss(
        "a",
        retention=(0.5, 0.5 / 1.5, 0.5 * 1.5),
        level=0.95,
        service=20_000,
        per=10_000,
        service_uncertainty=4_000,
    )
    assert vague.standard_error == pytest.approx(
        math.hypot(found.standard_error, 0.2 * found.log_loss)
    )


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"retention": (0.5, 0.0, 0.9)}, "open at one end"),
        ({"retention": (0.5, 0.2, math.inf)}, "open at one end"),
        ({"retention": (None, 0.2, 0.9)}, "open at one end"),
        ({"retention": (math.nan, 0.2, 0.9)}, "does not lie between"),
        ({"service": 0}, "service of the used items is not known"),
        ({"service_uncertainty": -1}, "0 or more"),
    ],
)
def test_findings_that_cannot_be_pooled_say_why(changed, words):
    given_values = {"retention": (0.5, 0.4, 0.6), "level": 0.95, "service": 100, "per": 10}
    with pytest.raises(CannotPool, match=words):
        study_loss("boots", **(given_values | changed))


def test_unreal_numbers_are_refused():
    with pytest.raises(CannotPool, match="cannot be pooled"):
        StudyLoss("a", math.nan, 0.1)
    with pytest.raises(CannotPool, match="standard error"):
        StudyLoss("a", 0.1, 0.0)
    with pytest.raises(ValueError, match="stated service"):
        study_loss("a", retention=(0.5, 0.4, 0.6), level=0.95, service=1, per=0)
    with pytest.raises(ValueError, match="between 0 and 1"):
        pool_losses([], level=95)


def test_groups_are_pooled_apart():
    one, two, three = losses((0.1, 0.05), (0.2, 0.05), (0.9, 0.05))
    found = pool_losses_by_group(
        [(("water", "jacket"), one), (("seams", "jacket"), three), (("water", "jacket"), two)]
    )
    assert list(found) == [("seams", "jacket"), ("water", "jacket")]
    assert found["water", "jacket"].log_loss == pytest.approx(0.15)
    assert found["seams", "jacket"].refusal


numbers = st.tuples(
    st.floats(-500, 500), st.floats(-9, 4).map(lambda power: min(1e4, max(1e-9, 10.0**power)))
)


@given(st.lists(numbers, min_size=2, max_size=12))
@settings(max_examples=200, deadline=1000)
def test_any_losses_give_finite_numbers(pairs):
    found = pool_losses(losses(*pairs))
    assert found.low <= found.log_loss <= found.high
    assert math.isfinite(found.high - found.low)
    assert found.variance_between >= 0
    assert 0 <= found.q_p_value <= 1
    assert 0 <= found.inconsistency_share <= 1
    if found.prediction_low is not None:
        assert found.prediction_low <= found.log_loss <= found.prediction_high
    assert min(y for y, _ in pairs) - 1e-6 <= found.log_loss <= max(y for y, _ in pairs) + 1e-6
