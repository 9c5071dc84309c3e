"""The record of a method: repeatability, between sessions, specimen to specimen."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, special

from reports.degradation.compare import compare
from reports.degradation.intervals import CannotCompare, Interval
from reports.degradation.record import (
    ControlReading,
    VarianceComponent,
    interlaboratory_precision,
    method_record,
)


def exact(*logs):
    return [Interval(math.exp(x), math.exp(x)) for x in logs]


def steps(logs, width, offset=0.0):
    """Readings seen only as the step of a ladder of log width `width` they fall in."""
    lows = [math.floor((x - offset) / width) * width + offset for x in logs]
    return [Interval(math.exp(low), math.exp(low + width)) for low in lows]


UNBALANCED = {
    "mon": (0.0, 0.3),
    "tue": (0.9, 1.1, 1.6),
    "wed": (0.2,),
    "thu": (-0.4, 0.1, 0.3, 0.0),
}


def test_unbalanced_analysis_of_variance_written_out():
    record = method_record({name: exact(*logs) for name, logs in UNBALANCED.items()})
    everything = [x for logs in UNBALANCED.values() for x in logs]
    grand = sum(everything) / len(everything)
    mean = {name: sum(logs) / len(logs) for name, logs in UNBALANCED.items()}
    within = sum((x - mean[name]) ** 2 for name, logs in UNBALANCED.items() for x in logs) / 6
    between = sum(len(logs) * (mean[name] - grand) ** 2 for name, logs in UNBALANCED.items()) / 3
    n0 = (10 - (4 + 9 + 1 + 16) / 10) / 3
    assert record.repeatability.variance == pytest.approx(within)
    assert record.repeatability.degrees_of_freedom == 6
    assert record.between_sessions.variance == pytest.approx((between - within) / n0)
    assert record.intermediate.variance == pytest.approx(within + (between - within) / n0)
    # Satterthwaite for the sum MSB / n0 + (1 - 1 / n0) MSW.
    parts = (between / n0) ** 2 / 3 + ((1 - 1 / n0) * within) ** 2 / 6
    assert record.intermediate.degrees_of_freedom == pytest.approx(
        (between / n0 + (1 - 1 / n0) * within) ** 2 / parts
    )
    assert (record.reading_count, record.session_count) == (10, 4)


def test_components_are_unbiased_in_unbalanced_sessions():
    rng = np.random.default_rng(4)
    found = []
    for _ in range(1500):
        record = method_record(
            {
                str(at): exact(*(rng.normal(0, 0.3) + rng.normal(0, 0.1, size)))
                for at, size in enumerate((2, 3, 5, 2, 4, 6))
            }
        )
        found.append((record.repeatability.variance, record.intermediate.variance))
    within, single = np.mean(found, axis=0)
    assert within == pytest.approx(0.01, rel=0.03)
    # Truncation at 0 is rare here, so the sum is all but unbiased.
    assert single == pytest.approx(0.10, rel=0.05)


def test_units_do_not_matter():
    in_newtons = {"a": [Interval(41, 42), Interval(44, 45)], "b": [Interval(39, 40)]}
    in_kilonewtons = {
        name: [Interval(one.low / 1000, one.high / 1000) for one in readings]
        for name, readings in in_newtons.items()
    }
    one, other = method_record(in_newtons), method_record(in_kilonewtons)
    assert one.repeatability.variance == pytest.approx(other.repeatability.variance, rel=1e-9)
    assert one.intermediate.variance == pytest.approx(other.intermediate.variance, rel=1e-9)


def test_fine_steps_give_the_exact_answer():
    rng = np.random.default_rng(11)
    logs = {str(at): rng.normal(0, 0.1, 4) for at in range(6)}
    sharp = method_record({name: exact(*x) for name, x in logs.items()})
    fine = method_record({name: steps(x, 1e-5) for name, x in logs.items()})
    assert fine.repeatability.variance == pytest.approx(sharp.repeatability.variance, rel=1e-3)
    assert fine.intermediate.variance == pytest.approx(sharp.intermediate.variance, rel=1e-3)


@pytest.mark.parametrize("width", [0.05, 0.1, 0.2, 0.4, 0.8])
@pytest.mark.parametrize("session_deviation", [0.0, 0.1])
def test_coarse_steps_never_make_the_scatter_look_smaller(width, session_deviation):
    # True scatter 0.1; steps from half of it to eight times it, anywhere against the steps.
    rng = np.random.default_rng(12)
    found = []
    for _ in range(250):
        offset = rng.uniform(0, width)
        record = method_record(
            {
                str(at): steps(
                    rng.normal(0, session_deviation) + rng.normal(0, 0.1, 3), width, offset
                )
                for at in range(8)
            }
        )
        found.append((record.repeatability.variance, record.intermediate.variance))
    within, single = np.mean(found, axis=0)
    assert within > 0.97 * 0.01
    assert single > 0.95 * (0.01 + session_deviation**2)


def likelihood_of_boxes(deviation, boxes):
    """Likelihood of one session's boxes with its mean integrated out, by quadrature."""

    def of_mean(mean):
        parts = [
            special.ndtr((b - mean) / deviation) - special.ndtr((a - mean) / deviation)
            for a, b in boxes
        ]
        return math.prod(parts)

    edges = [edge for box in boxes for edge in box]
    reach = 9 * deviation
    return integrate.quad(
        of_mean, min(edges) - reach, max(edges) + reach, points=sorted(set(edges)), limit=500
    )[0]


@pytest.mark.parametrize(
    "boxes",
    [
        [(0.0, 0.4), (0.0, 0.4), (0.0, 0.4)],
        [(0.0, 0.4), (0.4, 0.8), (0.0, 0.4)],
        [(0.0, 0.1), (0.4, 0.5), (0.2, 0.9), (0.1, 0.2)],
    ],
)
def test_record_dominates_the_likelihood_of_the_intervals(boxes):
    # The ratio of what the boxes say to what the record says falls with the scatter throughout.
    record = method_record({"s": [Interval(math.exp(a), math.exp(b)) for a, b in boxes]})
    part = record.repeatability
    assert part.degrees_of_freedom == len(boxes) - 1
    deviations = np.geomspace(0.03, 3, 25)
    log_ratio = [
        math.log(likelihood_of_boxes(s, boxes))
        - (-part.degrees_of_freedom * math.log(s))
        + part.degrees_of_freedom * part.variance / (2 * s**2)
        for s in deviations
    ]
    assert np.all(np.diff(log_ratio) < 1e-6)
    # At great scatter the two agree: the record loses nothing of the long tail.
    assert log_ratio[-1] == pytest.approx(log_ratio[-2], abs=2e-3)


def test_all_readings_in_one_step_leave_the_scatter_of_the_step():
    record = method_record({"a": steps([0.1, 0.2], 0.5), "b": steps([0.3, 0.1], 0.5)})
    assert record.repeatability.variance == pytest.approx(0.5**2 / 12)
    assert record.between_sessions.variance == pytest.approx(0.5**2 / 12)
    assert any("what the reading steps can hide" in note for note in record.notes)


def test_identical_exact_readings_give_no_record():
    record = method_record({"a": exact(1.0, 1.0), "b": exact(1.0, 1.0)})
    assert record.repeatability.variance == 0
    assert record.for_these_items() is None
    assert any("without a resolution" in note for note in record.notes)


def test_single_readings_a_session_give_the_whole_scatter_only():
    record = method_record({"a": exact(0.1), "b": exact(0.5), "c": exact(0.2)})
    assert record.repeatability is None
    assert record.between_sessions is None
    assert record.intermediate.variance == pytest.approx(np.var([0.1, 0.5, 0.2], ddof=1))
    assert record.intermediate.degrees_of_freedom == 2
    assert any("No session has two control readings" in note for note in record.notes)


def test_one_session_cannot_tell_sessions_apart():
    record = method_record({"a": exact(0.1, 0.5, 0.2)})
    assert record.between_sessions is None
    assert record.intermediate is None
    assert any("too few sessions" in note for note in record.notes)


def test_materials_are_never_compared():
    readings = [
        ControlReading(session, Interval(math.exp(x), math.exp(x)), material)
        for material, shift in (("felt", 0.0), ("foam", 5.0))
        for session, logs in (("a", (0.0, 0.2)), ("b", (0.5, 0.4)))
        for x in np.add(logs, shift)
    ]
    both = method_record(readings)
    one = method_record([one for one in readings if one.material == "felt"])
    assert both.repeatability.variance == pytest.approx(one.repeatability.variance)
    assert both.repeatability.degrees_of_freedom == 4
    assert both.intermediate.variance == pytest.approx(one.intermediate.variance)


def test_nothing_known_yet_is_said():
    record = method_record({})
    assert record.repeatability is None
    assert record.for_these_items() is None
    assert record.for_this_model() is None
    assert any("nothing is known yet" in note for note in record.notes)


def open_at(logs, ceiling):
    return [
        Interval(math.exp(ceiling), math.inf) if x > ceiling else Interval(math.exp(x), math.exp(x))
        for x in logs
    ]


@pytest.mark.parametrize(("sessions", "size"), [(1, 6), (8, 3), (4, 10)])
def test_readings_stopped_early_do_not_shrink_the_scatter(sessions, size):
    rng = np.random.default_rng(21)
    found = []
    for _ in range(200):
        record = method_record(
            {str(at): open_at(rng.normal(0, 0.1, size), 0.044) for at in range(sessions)}
        )
        if record.repeatability is not None:
            found.append(record.repeatability.variance)
    # A third of the readings have no upper end; the true variance is 0.01.
    assert len(found) > 150
    assert np.mean(found) > 0.0098


def test_missing_lower_ends_mirror_missing_upper_ends():
    logs = [0.3, -0.2, 0.1, 0.5, 0.0]
    above = [Interval(math.exp(0.25), math.inf), *exact(*logs)]
    below = [Interval(0, math.exp(-0.25)), *exact(*[-x for x in logs])]
    one, other = method_record({"a": above}), method_record({"a": below})
    assert one.repeatability.variance == pytest.approx(other.repeatability.variance, rel=1e-8)
    assert one.repeatability.degrees_of_freedom == 4


def test_an_open_reading_that_says_little_changes_little():
    closed = exact(0.3, -0.2, 0.1, 0.5, 0.0)
    alone = method_record({"a": closed})
    beside = method_record({"a": [*closed, Interval(math.exp(-8), math.inf)]})
    assert beside.repeatability.variance == pytest.approx(alone.repeatability.variance, rel=1e-6)


def test_mostly_open_readings_are_refused_in_words():
    readings = [*exact(0.1, 0.2), *[Interval(1.2, math.inf)] * 3]
    record = method_record({"a": readings})
    assert record.repeatability is None
    assert any("one end only" in note and "3 of 5" in note for note in record.notes)


def test_open_readings_withhold_the_scatter_between_sessions():
    record = method_record(
        {"a": exact(0.1, 0.2), "b": [Interval(1.2, math.inf)], "c": exact(0.0, 0.3)}
    )
    assert record.repeatability.degrees_of_freedom == 2
    assert record.between_sessions is None
    assert any("without open readings" in note for note in record.notes)
    assert "Left out, as all readings have one end only: 1 session." in record.notes


def test_readings_that_say_nothing_are_left_out_and_counted():
    record = method_record({"a": [*exact(0.1, 0.2), Interval(0, math.inf)], "b": exact(0.3)})
    assert record.reading_count == 3
    assert "Left out, as they say nothing: 1 control reading." in record.notes


def test_a_wild_session_is_named():
    quiet = {name: exact(0.0, 0.01, -0.01) for name in "abcde"}
    record = method_record(quiet | {"wild": exact(-0.5, 0.5, 0.4)})
    assert any("session wild scatter more" in note for note in record.notes)


ARMS = {
    "new": {"A": exact(1.0, 1.1), "B": exact(1.4, 1.6), "C": exact(0.8, 0.9)},
    "worn": {"D": exact(0.1, 0.2), "E": exact(0.5, 0.4), "F": exact(0.0, -0.2)},
}


def test_earlier_arms_give_specimen_scatter_and_never_the_wear():
    record = method_record({}, arms=ARMS)
    shifted = method_record(
        {},
        arms=ARMS
        | {
            "worn": {
                name: [Interval(one.low * 9, one.high * 9) for one in readings]
                for name, readings in ARMS["worn"].items()
            }
        },
    )
    assert record.specimen_to_specimen.variance == pytest.approx(
        shifted.specimen_to_specimen.variance
    )
    # Balanced pairs: the variance of specimen means, pooled over arms, less half the within.
    means = [[np.mean([one.log_low for one in r]) for r in arm.values()] for arm in ARMS.values()]
    of_means = np.mean([np.var(arm, ddof=1) for arm in means])
    assert record.for_this_model(readings_per_specimen=2).variance == pytest.approx(of_means)
    assert record.within_specimen.degrees_of_freedom == 6
    assert record.specimen_count == 6


def test_record_for_single_items_pools_control_and_replicates():
    control = {"a": exact(0.0, 0.1), "b": exact(0.2, 0.1)}
    record = method_record(control, arms=ARMS)
    within, repeat = record.within_specimen, record.repeatability
    pooled = (6 * within.variance + 2 * repeat.variance) / 8
    assert record.for_these_items().variance == pytest.approx(pooled)
    assert record.for_these_items().degrees_of_freedom == 8
    assert record.for_these_items(readings_per_specimen=4).variance == pytest.approx(pooled / 4)
    apart = record.for_these_items(same_session=False)
    assert apart.variance == pytest.approx(pooled + record.between_sessions.variance)


def test_record_carries_a_comparison_of_single_items():
    # One new and one worn item: the half width is t times the root of twice the variance.
    record = method_record({"a": exact(0.0, 0.1, 0.05), "b": exact(0.2, 0.1, 0.12)})
    prior = record.for_these_items()
    assert prior.degrees_of_freedom == 4
    found = compare(exact(2.0), exact(1.5), record=prior)
    half_width = 2.776445105198 * math.sqrt(2 * prior.variance)  # t of 4, two-sided 95 %, tables
    assert math.log(found.low) == pytest.approx(-0.5 - half_width, abs=1e-4)
    assert math.log(found.high) == pytest.approx(-0.5 + half_width, abs=1e-4)


def test_larger_scatter_wins_where_control_and_replicates_differ():
    control = {name: exact(0.0, 0.001, -0.001) for name in "abcdef"}
    record = method_record(control, arms=ARMS)
    assert record.for_these_items().variance == pytest.approx(record.within_specimen.variance)
    assert any("the larger scatter is used" in note for note in record.notes)


def test_record_needs_a_reading_per_specimen():
    record = method_record({}, arms=ARMS)
    with pytest.raises(CannotCompare, match="at least one reading"):
        record.for_these_items(readings_per_specimen=0)


def test_relative_scatter_is_in_words_of_the_reading():
    assert VarianceComponent(0.01, 5).relative_scatter_share == pytest.approx(math.exp(0.1) - 1)


@pytest.mark.parametrize(
    "laboratories", [{"a": [1.0, 2.0]}, {"a": [1.0], "b": [2.0]}, {"a": [1.0, math.nan], "b": [2]}]
)
def test_precision_needs_enough_finite_readings(laboratories):
    with pytest.raises(CannotCompare, match=r"two laboratories|finite number"):
        interlaboratory_precision(laboratories)


ends = st.one_of(st.sampled_from([0.0, 1e-300, 1.0, 1e300, math.inf]), st.floats(1e-9, 1e9))


@st.composite
def any_interval(draw):
    low, high = sorted((draw(ends), draw(ends)))
    if high == 0 or math.isinf(low):
        low, high = 0.5, 2.0
    return Interval(low, high)


@given(
    st.dictionaries(st.sampled_from("abcde"), st.lists(any_interval(), max_size=5), max_size=5),
    st.dictionaries(
        st.sampled_from(["new", "worn"]),
        st.dictionaries(st.sampled_from("xyz"), st.lists(any_interval(), max_size=3), max_size=3),
        max_size=2,
    ),
)
@settings(max_examples=300, deadline=1000)
def test_any_readings_give_finite_components_or_a_sentence(sessions, arms):
    record = method_record(sessions, arms=arms)
    parts = (
        record.repeatability,
        record.between_sessions,
        record.intermediate,
        record.within_specimen,
        record.specimen_to_specimen,
    )
    for part in parts:
        if part is not None:
            assert math.isfinite(part.variance)
            assert part.variance >= 0
            assert math.isfinite(part.degrees_of_freedom)
            assert part.degrees_of_freedom > 0
    if record.repeatability is None and record.within_specimen is None:
        assert record.notes
    for prior in (record.for_these_items(), record.for_this_model(readings_per_specimen=2)):
        assert prior is None or prior.variance > 0
