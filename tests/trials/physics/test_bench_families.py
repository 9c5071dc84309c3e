import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trials.physics import abrasion, flame, heat, puncture, seam, water
from trials.physics.errors import BadTrace, OutOfRange, UnitMismatch
from trials.physics.flame import DamageSigns, flame_times, suggested_grade
from trials.physics.trace import Trace


class TestAbrasion:
    def test_a_sharp_belt_is_corrected_upwards(self):
        # The reference lasted 0.8 s instead of 1.0 s: the belt wears 25 % faster than nominal.
        found = abrasion.normalised_time(4.0, reference_nominal_s=1.0, reference_measured_s=0.8)
        assert found == pytest.approx(5.0)

    def test_a_nominal_belt_changes_nothing(self):
        assert abrasion.reference_factor(nominal_s=1.2, measured_s=1.2) == 1.0

    def test_factor_between_two_reference_runs(self):
        def factor(at_s):
            return abrasion.reference_factor_at(at_s, before=(0, 1.0), after=(3600, 1.2))

        assert factor(0) == pytest.approx(1.0)
        assert factor(900) == pytest.approx(1.05)
        assert factor(3600) == pytest.approx(1.2)

    @pytest.mark.parametrize("at_s", [-1, 3601])
    def test_no_factor_is_made_up_outside_the_two_runs(self, at_s):
        with pytest.raises(OutOfRange, match="between the two reference runs"):
            abrasion.reference_factor_at(at_s, before=(0, 1.0), after=(3600, 1.2))

    def test_two_reference_runs_at_one_moment_are_refused(self):
        with pytest.raises(OutOfRange, match="same time"):
            abrasion.reference_factor_at(5, before=(5, 1.0), after=(5, 1.2))

    def test_mass_gain_shows_as_a_negative_index(self):
        index = abrasion.wear_index(mass_before_mg=100, mass_after_mg=101, cycle_count=500)
        assert index == pytest.approx(-2.0)

    @pytest.mark.parametrize(
        ("call", "words"),
        [
            (lambda: abrasion.distance_from_time(-1, belt_speed_m_s=3), "Time on the belt"),
            (lambda: abrasion.distance_from_time(1, belt_speed_m_s=0), "Belt speed"),
            (lambda: abrasion.reference_factor(nominal_s=1, measured_s=0), "Measured time"),
            (lambda: abrasion.speed_from_rpm(100, radius_m=0), "Radius"),
            (
                lambda: abrasion.wear_index(mass_before_mg=1, mass_after_mg=1, cycle_count=0),
                "Number of cycles",
            ),
        ],
    )
    def test_refusals(self, call, words):
        with pytest.raises(OutOfRange, match=words):
            call()


class TestSeam:
    @given(st.floats(0, 1e6), st.floats(1e-3, 1e3))
    def test_turns_and_opening_go_back_and_forth(self, turns, pitch_mm):
        opening_mm = seam.opening_from_turns(turns, pitch_mm=pitch_mm)
        assert seam.turns_from_opening(opening_mm, pitch_mm=pitch_mm) == pytest.approx(turns)

    def test_a_seam_of_no_width_is_refused(self):
        with pytest.raises(OutOfRange, match="Length of seam"):
            seam.force_per_width(300, seam_width_mm=0)


class TestPuncture:
    def test_twice_the_speed_is_four_times_the_energy(self):
        assert puncture.projectile_energy(80, mass_g=0.3) == pytest.approx(
            4 * puncture.projectile_energy(40, mass_g=0.3)
        )

    def test_half_the_diameter_is_four_times_the_density(self):
        assert puncture.energy_per_area(2, diameter_mm=3) == pytest.approx(
            4 * puncture.energy_per_area(2, diameter_mm=6)
        )

    @pytest.mark.parametrize("diameter_mm", [0, -1, math.nan])
    def test_a_point_without_area_is_refused(self, diameter_mm):
        with pytest.raises(OutOfRange, match="Diameter"):
            puncture.energy_per_area(1, diameter_mm=diameter_mm)

    def test_an_area_too_small_to_hold_is_refused(self):
        with pytest.raises(OutOfRange, match="Area"):
            puncture.energy_per_area(1, diameter_mm=1e-200)


class TestWater:
    def test_uptake_is_the_difference_even_when_it_dried(self):
        assert water.uptake(mass_before_g=812.1, mass_after_g=815.6) == pytest.approx(3.5)
        assert water.uptake(mass_before_g=815.6, mass_after_g=815.5) == pytest.approx(-0.1)

    @pytest.mark.parametrize("grade", [6, -1, 2.5, "5", True, None])
    def test_a_grade_off_the_scale_is_refused(self, grade):
        with pytest.raises(OutOfRange, match="A spray grade must be one of 5, 4, 3, 2, 1, 0"):
            water.spray_percentage_from_grade(grade)

    @pytest.mark.parametrize("figure", [60, 5, -10, False])
    def test_a_figure_off_the_scale_is_refused(self, figure):
        with pytest.raises(OutOfRange, match="100, 90, 80, 70, 50, 0"):
            water.spray_grade_from_percentage(figure)

    def test_a_weightless_specimen_is_refused(self):
        with pytest.raises(OutOfRange, match="Mass before"):
            water.uptake(mass_before_g=0, mass_after_g=1)


class TestHeat:
    def trace(self):
        return Trace(np.array([0.0, 2.0, 4.0, 6.0]), np.array([20.0, 20.0, 26.0, 34.0]), "degC")

    def test_the_crossing_is_on_the_line_between_two_samples(self):
        found = heat.time_to_rise(self.trace(), rise_k=10)
        # 26 degC at 4 s, 34 degC at 6 s: 30 degC half-way.
        assert found == heat.RiseTime(True, 5.0, 20.0, 14.0)

    def test_time_counts_from_contact(self):
        assert heat.time_to_rise(self.trace(), rise_k=10, contact_s=2.0).time_s == pytest.approx(
            3.0
        )
        assert heat.time_to_rise(self.trace(), rise_k=10, contact_s=1.0).time_s == pytest.approx(
            4.0
        )
        # Contact half-way up: 23 degC at 3 s, so the rise ends at 33 degC, at 5.75 s.
        later = heat.time_to_rise(self.trace(), rise_k=10, contact_s=3.0)
        assert (later.start_degc, later.time_s) == pytest.approx((23.0, 2.75))

    def test_a_sample_exactly_on_the_rise_counts(self):
        assert heat.time_to_rise(self.trace(), rise_k=6).time_s == pytest.approx(4.0)

    def test_a_rise_not_reached_is_at_least_as_long_as_the_log(self):
        found = heat.time_to_rise(self.trace(), rise_k=20, contact_s=1.0)
        assert not found.is_reached
        assert found.time_s == pytest.approx(5.0)
        assert found.highest_rise_k == pytest.approx(14.0)

    @given(st.floats(-1000, 1000), st.floats(-50, 50))
    def test_neither_the_clock_nor_the_room_matters(self, shift_s, warmer_k):
        base = self.trace()
        moved = Trace(base.time_s + shift_s, base.value + warmer_k, "degC")
        assert heat.time_to_rise(moved, rise_k=10).time_s == pytest.approx(5.0, abs=1e-9)

    @given(st.floats(0.1, 13.9), st.floats(0.1, 13.9))
    def test_a_larger_rise_takes_longer(self, first, second):
        low, high = sorted((first, second))
        assert (
            heat.time_to_rise(self.trace(), rise_k=low).time_s
            <= heat.time_to_rise(self.trace(), rise_k=high).time_s
        )

    @pytest.mark.parametrize("contact_s", [-0.1, 6.0, 99.0])
    def test_contact_outside_the_log_is_refused(self, contact_s):
        with pytest.raises(BadTrace, match="not within the trace"):
            heat.time_to_rise(self.trace(), rise_k=10, contact_s=contact_s)

    def test_other_refusals(self):
        with pytest.raises(OutOfRange, match="Stated temperature rise"):
            heat.time_to_rise(self.trace(), rise_k=0)
        with pytest.raises(UnitMismatch):
            heat.time_to_rise(Trace([0, 1], [1, 2], "N"), rise_k=1)
        with pytest.raises(OutOfRange, match="Time to the stated rise"):
            heat.mean_rise_rate(0, rise_k=10)


class TestFlame:
    def test_glow_counts_from_the_end_of_flaming(self):
        found = flame_times(flame_removed_at_s=10, flaming_ended_at_s=12.5, glowing_ended_at_s=20)
        assert (found.after_flame_s, found.after_glow_s) == (2.5, 7.5)

    def test_out_at_once(self):
        found = flame_times(flame_removed_at_s=10, flaming_ended_at_s=None, glowing_ended_at_s=None)
        assert (found.after_flame_s, found.after_glow_s) == (0.0, 0.0)

    def test_glow_without_flame(self):
        found = flame_times(flame_removed_at_s=10, flaming_ended_at_s=None, glowing_ended_at_s=13)
        assert (found.after_flame_s, found.after_glow_s) == (0.0, 3.0)

    @pytest.mark.parametrize(
        ("flaming", "glowing", "words"),
        [(9.0, None, "Flaming cannot end"), (12.0, 11.0, "Glowing cannot end")],
    )
    def test_moments_out_of_order_are_refused(self, flaming, glowing, words):
        with pytest.raises(OutOfRange, match=words):
            flame_times(
                flame_removed_at_s=10, flaming_ended_at_s=flaming, glowing_ended_at_s=glowing
            )

    @pytest.mark.parametrize("frame", [-1, 2.5])
    def test_frames_are_counted_in_whole_numbers(self, frame):
        with pytest.raises(OutOfRange, match="Frame number"):
            flame.time_from_frame(frame, frames_per_second=25)

    @pytest.mark.parametrize(
        ("signs", "grade"),
        [
            (DamageSigns(), 1),
            (DamageSigns(is_scorched=True), 2),
            (DamageSigns(is_scorched=True, is_charred_or_melted=True), 3),
            (DamageSigns(has_hole_in_outer_layer=True), 4),
            (DamageSigns(has_hole_in_outer_layer=True, has_hole_through_all_layers=True), 5),
            (DamageSigns(had_flaming_drips=True), 5),
            (DamageSigns(is_scorched=True, burned_on_after_removal=True), 5),
        ],
    )
    def test_the_worst_sign_decides_the_suggestion(self, signs, grade):
        assert suggested_grade(signs) == grade
