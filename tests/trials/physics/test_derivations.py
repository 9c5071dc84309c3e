import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trials.physics.derivations import (
    DERIVATIONS,
    check_settings,
    derivation,
    derivation_names,
    derive,
    power_law,
)
from trials.physics.errors import (
    BadSettings,
    OutOfRange,
    PhysicsError,
    UnitMismatch,
    UnknownDerivation,
    UnknownUnit,
)
from trials.physics.units import unit_of

BY_HAND = [
    # By hand, from the definitions.
    ("impact.velocity_from_height", 1.0, {}, 4.428691, "m/s"),
    ("impact.height_from_velocity", 6.2, {}, 1.959895, "m"),
    ("impact.energy_from_height", 1.0, {"mass_kg": 5.0}, 49.03325, "J"),
    ("impact.height_from_energy", 50, {"mass_kg": 5}, 1.019716, "m"),
    ("impact.energy_from_velocity", 6.2, {"mass_kg": 5}, 96.1, "J"),
    ("impact.velocity_from_energy", 90, {"mass_kg": 5}, 6.0, "m/s"),
    ("puncture.projectile_energy", 100, {"mass_g": 0.2}, 1.0, "J"),
    ("puncture.projectile_velocity", 1, {"mass_g": 0.2}, 100.0, "m/s"),
    ("puncture.energy_per_area", 1, {"diameter_mm": 6}, 3.536777, "J/cm2"),
    (
        "puncture.energy_per_area_from_velocity",
        100,
        {"mass_g": 0.2, "diameter_mm": 6},
        3.536777,
        "J/cm2",
    ),
    ("abrasion.distance_from_time", 4.0, {"belt_speed_m_s": 8}, 32.0, "m"),
    ("abrasion.time_from_distance", 32.0, {"belt_speed_m_s": 8}, 4.0, "s"),
    ("abrasion.speed_from_rpm", 707.4, {"radius_m": 0.45}, 33.3354, "m/s"),
    (
        "abrasion.normalised_time",
        4.0,
        {"reference_nominal_s": 1.0, "reference_measured_s": 0.8},
        5.0,
        "s",
    ),
    ("abrasion.wear_index_from_loss", 50, {"cycle_count": 500}, 100.0, "mg/1000 cycles"),
    ("seam.opening_from_turns", 7, {"pitch_mm": 1.5}, 10.5, "mm"),
    ("seam.turns_from_opening", 10.5, {"pitch_mm": 1.5}, 7.0, "turns"),
    ("seam.force_per_width", 300, {"seam_width_mm": 25}, 12.0, "N/mm"),
    ("water.uptake_share", 50, {"dry_mass_g": 800}, 0.0625, "1"),
    ("water.uptake_per_area", 5, {"area_cm2": 250}, 200.0, "g/m2"),
    ("water.uptake_rate", 5, {"spray_minutes": 10}, 0.5, "g/min"),
    (
        "water.uptake_per_area_and_time",
        5,
        {"area_cm2": 250, "spray_minutes": 10},
        1200.0,
        "g/m2/h",
    ),
    ("water.head_from_pressure", 8000, {}, 815.772970, "mm"),
    ("water.pressure_from_head", 1000, {}, 9806.65, "Pa"),
    ("heat.mean_rise_rate", 12.5, {"rise_k": 10}, 0.8, "degC/s"),
]


@pytest.mark.parametrize(("name", "value", "fixed", "expected", "unit"), BY_HAND)
def test_each_derivation_by_hand(name, value, fixed, expected, unit):
    found, found_unit = derive(name, value, fixed)
    assert found == pytest.approx(expected, rel=2e-6)
    assert found_unit == unit


def test_the_table_above_leaves_none_out():
    assert [case[0] for case in BY_HAND] == list(derivation_names())


@pytest.mark.parametrize(("name", "value", "fixed", "expected", "unit"), BY_HAND)
def test_factor_and_power_give_the_same_figure(name, value, fixed, expected, unit):
    law = power_law(name, fixed)
    assert law.factor * value**law.power == pytest.approx(expected, rel=2e-6)
    assert law.unit == unit


def test_factor_and_power_start_from_the_unit_that_is_typed():
    law = power_law("impact.energy_from_height", {"mass_kg": 5}, unit="cm")
    assert law.factor * 100**law.power == pytest.approx(49.03325)


@pytest.mark.parametrize("name", derivation_names())
def test_units_and_words_are_complete(name):
    found = derivation(name)
    for written in (found.input_unit, found.output_unit, *(s.unit for s in found.settings)):
        assert unit_of(written).name == written
    assert found.words == f"{found.output_words} from {found.input_words}"
    assert found.function.__module__.endswith(name.partition(".")[0])
    assert found.function.__name__ == name.partition(".")[2]


def test_a_value_in_another_unit_is_converted_first():
    energy, unit = derive("impact.energy_from_height", 100, {"mass_kg": 5}, unit="cm")
    assert (energy, unit) == (pytest.approx(49.03325), "J")
    feet, _ = derive("impact.velocity_from_height", 72, unit="in")
    assert feet == pytest.approx(5.989057, abs=1e-6)


@given(
    st.sampled_from([n for n in DERIVATIONS if n != "heat.mean_rise_rate"]),
    st.floats(0, 1e6),
    st.floats(0, 1e6),
)
def test_more_in_is_more_out(name, first, second):
    twos = {setting.key: 2.0 for setting in derivation(name).settings}
    low, high = sorted((first, second))
    assert derive(name, low, twos)[0] <= derive(name, high, twos)[0]


def figure_or_sentence(name, value, chosen):
    try:
        return derive(name, value, chosen)[0]
    except PhysicsError as error:
        return str(error)


EXTREMES = st.sampled_from([0.0, 5e-324, 1e-308, 1e-155, 1e155, 1e200, 1.7e308])


@settings(max_examples=600)
@given(st.sampled_from(sorted(DERIVATIONS)), st.floats() | EXTREMES, st.floats() | EXTREMES)
def test_any_number_gives_a_finite_figure_or_a_sentence(name, value, setting):
    chosen = {s.key: setting for s in derivation(name).settings}
    outcome = figure_or_sentence(name, value, chosen)
    assert outcome.endswith(".") if isinstance(outcome, str) else abs(outcome) < float("inf")


@pytest.mark.parametrize(
    ("call", "kind", "words"),
    [
        (
            lambda: derive("impact.wishes", 1),
            UnknownDerivation,
            "no derivation called 'impact.wishes'",
        ),
        (lambda: derive("", 1), UnknownDerivation, "Choose one of"),
        (
            lambda: derive("impact.energy_from_height", 1),
            BadSettings,
            r"needs a setting for falling mass \(mass_kg, in kg\)",
        ),
        (
            lambda: derive("impact.energy_from_height", 1, {"mass_kg": 5, "colour": 1}),
            BadSettings,
            "no setting called 'colour'",
        ),
        (
            lambda: derive("impact.energy_from_height", 1, {"mass_kg": "heavy"}),
            BadSettings,
            r"Falling mass \(kg\) must be a number",
        ),
        (
            lambda: derive("impact.energy_from_height", 1, {"mass_kg": None}),
            BadSettings,
            "must be a number",
        ),
        (
            lambda: derive("impact.energy_from_height", 1, {"mass_kg": 0}),
            OutOfRange,
            "more than zero",
        ),
        (
            lambda: derive("impact.energy_from_height", float("nan"), {"mass_kg": 5}),
            OutOfRange,
            r"Drop height \(m\) must be a finite number",
        ),
        (
            lambda: derive("impact.energy_from_height", 1, {"mass_kg": 5}, unit="kg"),
            UnitMismatch,
            "cannot be turned",
        ),
        (
            lambda: derive("impact.energy_from_height", 1, {"mass_kg": 5}, unit="cubit"),
            UnknownUnit,
            "cubit",
        ),
    ],
)
def test_refusals_say_what_is_wrong(call, kind, words):
    with pytest.raises(kind, match=words):
        call()


def test_settings_come_back_as_numbers():
    assert check_settings("impact.energy_from_height", {"mass_kg": "5.0"}) == {"mass_kg": 5.0}
    assert check_settings("water.head_from_pressure", {}) == {}
