import math
from itertools import pairwise

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from trials.physics.errors import OutOfRange
from trials.physics.impact import (
    Window,
    arithmetic_levels,
    drop_heights_for_energies,
    energy_from_height,
    energy_from_velocity,
    friction_loss_share,
    geometric_levels,
    height_from_energy,
    height_from_velocity,
    velocity_from_energy,
    velocity_from_height,
)

HEIGHTS = st.floats(1e-6, 1e6)
MASSES = st.floats(1e-6, 1e6)


@given(HEIGHTS, MASSES)
def test_every_way_round_comes_back(height_m, mass_kg):
    assert height_from_velocity(velocity_from_height(height_m)) == pytest.approx(height_m)
    energy_j = energy_from_height(height_m, mass_kg=mass_kg)
    assert height_from_energy(energy_j, mass_kg=mass_kg) == pytest.approx(height_m)
    # The fall turns all of m g h into m v^2/2.
    velocity_m_s = velocity_from_height(height_m)
    assert energy_from_velocity(velocity_m_s, mass_kg=mass_kg) == pytest.approx(energy_j)
    assert velocity_from_energy(energy_j, mass_kg=mass_kg) == pytest.approx(velocity_m_s)


@given(HEIGHTS, HEIGHTS, MASSES)
def test_a_higher_drop_is_faster_and_carries_more(first, second, mass_kg):
    assume(first < second * (1 - 1e-9))
    assert velocity_from_height(first) < velocity_from_height(second)
    assert energy_from_height(first, mass_kg=mass_kg) < energy_from_height(second, mass_kg=mass_kg)


def test_no_drop_no_energy():
    assert velocity_from_height(0) == 0
    assert energy_from_height(0, mass_kg=5) == 0
    assert height_from_energy(0, mass_kg=5) == 0


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (
            lambda: velocity_from_height(-0.1),
            r"Drop height \(m\) must be zero or more, but got -0.1",
        ),
        (lambda: velocity_from_height(math.nan), "finite number"),
        (lambda: velocity_from_height(math.inf), "finite number"),
        (lambda: velocity_from_height("tall"), "must be a number, but got 'tall'"),
        (lambda: velocity_from_height(None), "must be a number"),
        (lambda: velocity_from_height(True), "yes/no"),
        (lambda: velocity_from_height(1e308), "too large to be real"),
        (lambda: energy_from_height(1, mass_kg=0), r"Falling mass \(kg\) must be more than zero"),
        (lambda: energy_from_height(1e200, mass_kg=1e200), "too large to be real"),
        (lambda: height_from_velocity(-1), "Impact velocity"),
        (lambda: height_from_velocity(1e200), "too large"),
        (lambda: energy_from_velocity(1, mass_kg=-5), "Moving mass"),
        (lambda: velocity_from_energy(1e308, mass_kg=1e-9), "too large"),
        (lambda: friction_loss_share(0, measured_velocity_m_s=1), "Drop height"),
        (lambda: drop_heights_for_energies([5, -1], mass_kg=5), "Impact energy"),
    ],
)
def test_what_cannot_be_is_refused_in_words(call, words):
    with pytest.raises(OutOfRange, match=words):
        call()


def test_friction_share_below_zero_shows_a_wrong_height():
    assert friction_loss_share(
        1.0, measured_velocity_m_s=velocity_from_height(1.0)
    ) == pytest.approx(0.0, abs=1e-12)
    assert friction_loss_share(1.0, measured_velocity_m_s=5.0) < 0


def test_arithmetic_levels():
    assert arithmetic_levels(0.1, step=0.1, count=5, resolution=0.01) == (0.1, 0.2, 0.3, 0.4, 0.5)
    assert arithmetic_levels(24, step=3, count=3) == (24, 27, 30)
    assert arithmetic_levels(7, step=1, count=1) == (7,)


def test_geometric_levels_follow_the_ten_steps_to_ten():
    levels = geometric_levels(0.2, count=11)
    assert levels[0] == 0.2
    # 1.26 is the rounded tenth root of 10, so ten steps give ten times, to 1 %.
    assert levels[10] == pytest.approx(2.0, rel=0.01)
    # Three steps double (1.26^3 = 2.000376).
    assert levels[3] == pytest.approx(0.4, rel=2e-4)


def test_geometric_levels_rounded_for_a_scale():
    assert geometric_levels(0.2, count=6, resolution=0.01) == (0.2, 0.25, 0.32, 0.4, 0.5, 0.64)


@given(st.floats(1e-3, 1e3), st.integers(1, 30), st.floats(1.01, 3))
def test_geometric_levels_rise_by_the_ratio(first, count, ratio):
    levels = geometric_levels(first, count=count, ratio=ratio)
    assert len(levels) == count
    for low, high in pairwise(levels):
        assert high / low == pytest.approx(ratio)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: geometric_levels(0.2, count=3, ratio=1.0), "more than 1"),
        (lambda: geometric_levels(0, count=3), "First level"),
        (lambda: geometric_levels(1, count=0), "whole number of 1 or more"),
        (lambda: geometric_levels(1, count=2.5), "whole number"),
        (lambda: geometric_levels(1, count=10**6), "too large to be real"),
        (lambda: geometric_levels(0.1, count=5, resolution=0.1), "same level"),
        (lambda: geometric_levels(0.1, count=5, resolution=0), "Resolution"),
        (lambda: arithmetic_levels(0.1, step=0, count=3), "Step"),
        (lambda: arithmetic_levels(0.1, step=0.001, count=3, resolution=0.1), "same level"),
        (lambda: arithmetic_levels(0.1, step=1, count=3, resolution=-1), "Resolution"),
        (lambda: geometric_levels(0.01, count=3, resolution=1.0), "falls to zero"),
    ],
)
def test_levels_that_cannot_be_are_refused(call, words):
    with pytest.raises(OutOfRange, match=words):
        call()


def test_a_window_includes_its_ends_to_the_last_binary_digit():
    window = Window(0.1 + 0.2, 0.7 + 0.1)
    assert window.accepts(0.3)
    assert window.accepts(0.8)
    assert not window.accepts(0.2999)


def test_a_window_must_not_be_inside_out():
    with pytest.raises(OutOfRange, match="must not be above"):
        Window(2.0, 1.0)
    with pytest.raises(OutOfRange, match="Lower end"):
        Window(math.nan, 1.0)
    with pytest.raises(OutOfRange, match="not a number"):
        Window(1.0, 2.0).accepts(math.nan)
    with pytest.raises(OutOfRange, match="Tolerance"):
        Window.around(5.0, tolerance_share=-0.1)
