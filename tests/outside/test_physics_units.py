"""Units against their definitions.

Source: BIPM, The International System of Units, 9th edition; international yard and pound
agreement of 1959 (inch, foot, pound); 3rd CGPM 1901 (standard gravity). All exact, so the
products below are exact too.
"""

import pytest

from trials.physics.units import convert


@pytest.mark.parametrize(
    ("value", "from_unit", "to_unit", "expected"),
    [
        (1, "g_n", "m/s2", 9.80665),
        (1, "in", "mm", 25.4),
        (1, "ft", "m", 0.3048),
        (1, "lb", "kg", 0.45359237),
        (1, "lbf", "N", 4.4482216152605),
        (1, "kgf", "N", 9.80665),
        (1, "mph", "m/s", 0.44704),
        (3.6, "km/h", "m/s", 1.0),
        (1, "psi", "Pa", 0.45359237 * 9.80665 / 0.0254**2),
        (1, "psi", "Pa", 6894.757293168361),
        (1, "ft lbf", "J", 1.3558179483314004),
        (1, "mm H2O", "Pa", 9.80665),
        (1, "cm H2O", "Pa", 98.0665),
        (1, "kgf/cm2", "Pa", 98066.5),
        (1, "lbf/in", "N/mm", 0.17512683524647638),
        (1, "oz/yd2", "g/m2", 33.9057474748823),
        (1, "g_n", "ft/s2", 32.17404855643044),
        (50, "J", "ft lbf", 50 / 1.3558179483314004),
        (30, "mph", "m/s", 13.4112),
        (20, "in/min", "mm/min", 508.0),
        (1000, "Pa", "mm H2O", 101.97162129779),
        # Belt speed of 8 m/s.
        (8, "m/s", "mph", 8 / 0.44704),
        # 275 standard gravities on a 5.6 kg headform as a force: F = m a.
        (275 * 5.6 * 9.80665, "N", "kN", 15.102241),
    ],
)
def test_unit_has_its_defined_size(value, from_unit, to_unit, expected):
    assert convert(value, from_unit, to_unit) == pytest.approx(expected, rel=1e-12)


def test_a_temperature_rise_has_no_offset():
    # 1 degC of difference is 1.8 degF of difference; 10 degC on the scale is 50 degF.
    assert convert(10, "degC rise", "degF rise") == pytest.approx(18.0, rel=1e-12)
    assert convert(10, "degC", "degF") == pytest.approx(50.0, rel=1e-9)
    assert convert(0, "degC", "K") == pytest.approx(273.15, rel=1e-12)


@pytest.mark.parametrize(
    ("pressure_pa", "head_mm", "printed_mm"),
    # Printed figures: two suppliers' tables of waterproof classes, which use 102 mm per kPa. Exact:
    # divide by 9.80665. The printed figures must not be what a conversion gives.
    [(8000, 815.772970, 816), (13000, 1325.631077, 1326), (20000, 2039.432426, 2040)],
)
def test_hydrostatic_head_is_converted_by_the_exact_factor(pressure_pa, head_mm, printed_mm):
    head = convert(pressure_pa, "Pa", "mm H2O")
    assert head == pytest.approx(head_mm, abs=5e-7)
    assert abs(head - printed_mm) < 1.0


def test_eight_kilopascal_in_psi():
    # Arithmetic; test houses print 1.16 psi.
    assert convert(8000, "Pa", "psi") == pytest.approx(1.160301902, abs=5e-10)


@pytest.mark.parametrize(
    ("pounds", "printed_kg"),
    # 49 CFR 571.218, Table 1: drop-assembly mass ranges for small, medium and large headforms.
    [(7.6, 3.4), (8.0, 3.6), (10.8, 4.9), (11.2, 5.1), (13.2, 6.0), (13.6, 6.2)],
)
def test_drop_assembly_masses_round_to_the_printed_kilograms(pounds, printed_kg):
    assert round(convert(pounds, "lb", "kg"), 1) == printed_kg


def test_drop_assembly_masses_in_full():
    # 7.6 and 13.6 times 0.45359237 exactly.
    assert convert(7.6, "lb", "kg") == pytest.approx(3.447302012, abs=1e-12)
    assert convert(13.6, "lb", "kg") == pytest.approx(6.168856232, abs=1e-12)
