"""Levels, classes and letters of published tables, at and around their bounds.

None of the standards was read for this. Unless a comment says otherwise the bounds are those that
makers, suppliers and test laboratories print alike for their products.
"""

import math

import pytest

from trials.physics.errors import OutOfRange, UnknownTable
from trials.physics.published_tables import (
    TABLES,
    limited_burning_level,
    table_named,
    water_penetration_class,
)
from trials.physics.units import convert


@pytest.mark.parametrize(
    ("key", "value", "name"),
    [
        # EN 388 abrasion: 100, 500, 2000, 8000 cycles
        ("en-388-abrasion", 99, ""),
        ("en-388-abrasion", 100, "level 1"),
        ("en-388-abrasion", 499, "level 1"),
        ("en-388-abrasion", 500, "level 2"),
        ("en-388-abrasion", 7999, "level 3"),
        ("en-388-abrasion", 8000, "level 4"),
        ("en-388-abrasion", math.inf, "level 4"),
        # EN 388 puncture 20, 60, 100, 150 N; tear 10, 25, 50, 75 N
        ("en-388-puncture", 19.9, ""),
        ("en-388-puncture", 60, "level 2"),
        ("en-388-puncture", 149.9, "level 3"),
        ("en-388-puncture", 150, "level 4"),
        ("en-388-tear", 24.9, "level 1"),
        ("en-388-tear", 75, "level 4"),
        # ISO 13997 letters A to F: 2, 5, 10, 15, 22, 30 N
        ("iso-13997-cut", 1.99, ""),
        ("iso-13997-cut", 2.0, "letter A"),
        ("iso-13997-cut", 14.9, "letter C"),
        ("iso-13997-cut", 29.9, "letter E"),
        ("iso-13997-cut", 30, "letter F"),
        # EN 530 method 2: 10, 100, 500, 1000, 1500, 2000 cycles
        ("en-530-abrasion", 9, ""),
        ("en-530-abrasion", 1499, "class 4"),
        ("en-530-abrasion", 2000, "class 6"),
        # EN 863: 5, 10, 50, 100, 150, 250 N
        ("en-863-puncture", 49.9, "class 2"),
        ("en-863-puncture", 250, "class 6"),
        # EN 13034: tear 10, 20, 40, 60, 100, 150 N; pull 30, 60, 100, 150, 500, 1000 N
        ("en-13034-tear", 59.9, "class 3"),
        ("en-13034-pull", 499, "class 4"),
        ("en-13034-pull", 1000, "class 6"),
        # EN 13594:2015 (a test laboratory): main seams 6 and 10 N/mm, between the fingers 4 and 7
        ("en-13594-seam", 5.9, ""),
        ("en-13594-seam", 6, "level 1"),
        ("en-13594-seam", 10, "level 2"),
        ("en-13594-side-seam", 6.9, "level 1"),
        ("en-13594-side-seam", 7, "level 2"),
        # EN 407: after-flame at most 15, 10, 3, 2 s; convective 4, 7, 10, 18 s; radiant 7, 20, 50, 95 s
        ("en-407-flame", 15.1, ""),
        ("en-407-flame", 10, "level 2"),
        ("en-407-flame", 2.1, "level 3"),
        ("en-407-flame", 0, "level 4"),
        ("en-407-convective", 17.9, "level 3"),
        ("en-407-radiant", 95, "level 4"),
        # ISO 4920 grades 5, 4, 3, 2, 1, 0 are the figures 100, 90, 80, 70, 50, 0 (a supplier)
        ("iso-4920-spray", 5, "figure 100"),
        ("iso-4920-spray", 4, "figure 90"),
        ("iso-4920-spray", 3, "figure 80"),
        ("iso-4920-spray", 2, "figure 70"),
        ("iso-4920-spray", 1, "figure 50"),
        ("iso-4920-spray", 0, "figure 0"),
        # 16 CFR 1203.12 (d) (2), the law's text: shall not exceed 300 g
        ("cpsc-1203-peak", 300, "within the limit"),
        ("cpsc-1203-peak", 300.1, ""),
        # EN 1078: less than 250 g
        ("en-1078-peak", 249.9, "within the limit"),
        ("en-1078-peak", 250, ""),
        # 49 CFR 571.218 S5.1 and UN Regulation 22, 05 series: from memory, sure
        ("fmvss-218-peak", 400, "within the limit"),
        ("un-r22-05-criterion", 2401, ""),
    ],
)
def test_name_of_a_value(key, value, name):
    assert table_named(key).name_of(value) == name


@pytest.mark.parametrize(
    ("plate_degc", "time_s", "name"),
    # EN 407 contact heat: 15 s at 100, 250, 350 and 500 degC
    [
        (100, 15, "level 1"),
        (250, 14.9, ""),
        (250, 15, "level 2"),
        (350, 20, "level 3"),
        (500, 15, "level 4"),
        (150, 60, ""),
    ],
)
def test_contact_heat_depends_on_the_plate(plate_degc, time_s, name):
    settings = {"plate_temperature_degc": plate_degc}
    assert TABLES["en-407-contact"].name_of(time_s, settings=settings) == name


def test_lowest_of_four_and_not_their_mean():
    # EN 388: the level is that of the lowest of four specimens; here the mean is 2025
    four = [(2100.0, 2100.0), (2000.0, 2000.0), (1900.0, 1900.0), (2100.0, 2100.0)]
    assert TABLES["en-388-abrasion"].names_of(four) == ("level 2", "level 2")
    with pytest.raises(OutOfRange, match="asks for 4 specimens, but there are 3"):
        TABLES["en-388-abrasion"].names_of(four[:3])


def test_ends_that_leave_two_names_open():
    # looked at after 500 and 2000 cycles only: broken somewhere between
    between = [(500.0, 2000.0)] * 4
    assert TABLES["en-388-abrasion"].names_of(between) == ("level 2", "level 3")
    stopped = [(8000.0, math.inf)] * 4
    assert TABLES["en-388-abrasion"].names_of(stopped) == ("level 4", "level 4")
    # less is better: the upper end is the worse one
    assert TABLES["en-407-flame"].names_of([(2.0, 3.1)]) == ("level 2", "level 4")


@pytest.mark.parametrize(
    ("forces_kn", "name"),
    # EN 1621-1:2012 (a test laboratory): mean below 35 kN and no single one above 50 kN
    [
        ([34.9] * 9, "lowest level"),
        ([35.0] * 9, ""),
        ([50.0] + [30.0] * 8, "lowest level"),
        ([50.1] + [30.0] * 8, ""),
    ],
)
def test_mean_and_single_blow(forces_kn, name):
    ends = [(force, force) for force in forces_kn]
    assert TABLES["en-1621-1"].names_of(ends) == (name, name)


@pytest.mark.parametrize(
    ("forces_kn", "name"),
    # EN 1621-2:2014 (a test laboratory): mean below 18 kN and single below 24 kN; level 2 mean 9 kN
    [
        ([17.9] * 3, "level 1"),
        ([18.0] * 3, ""),
        ([10.0, 10.0, 23.9], "level 1"),
        ([10.0, 10.0, 24.0], ""),
        ([8.9] * 3, "level 2"),
        ([9.0] * 3, "level 1"),
        ([1.0, 1.0, 24.0], ""),
    ],
)
def test_back_protectors_by_mean_and_single_blow(forces_kn, name):
    table = TABLES["en-1621-2"]
    assert table.names_of([(force, force) for force in forces_kn]) == (name, name)
    assert table.bound_words(table.steps[0]) == ("mean below 18 kN, no single one above 24 kN")


def test_a_mean_at_its_bound_passes_where_the_table_says_at_most():
    # EN 13594 knuckles: mean at most 7.0 kN and single at most 9.0 kN
    table = TABLES["en-13594-knuckle"]
    assert table.names_of([(5.0, 5.0), (9.0, 9.0)]) == ("level 1", "level 1")
    assert table.names_of([(5.1, 5.1), (9.0, 9.0)]) == ("", "")
    assert table.names_of([(4.0, 4.0), (9.1, 9.1)]) == ("", "")


@pytest.mark.parametrize(
    ("new_pa", "treated_pa", "name"),
    # EN 343:2019: 8000 Pa new; 8000, 13000 and 20000 Pa after each treatment
    [
        (7999, None, ""),
        (20000, None, "class 1"),
        (9000, 7999, "class 1"),
        (9000, 8000, "class 2"),
        (20000, 12999, "class 2"),
        (20000, 13000, "class 3"),
        (20000, 20000, "class 4"),
    ],
)
def test_water_needs_the_state_and_not_the_value_alone(new_pa, treated_pa, name):
    assert water_penetration_class(new_pa=new_pa, treated_pa=treated_pa) == name


@pytest.mark.parametrize(
    ("flame_s", "glow_s", "name"),
    # EN 407: after-glow none stated, at most 120, 25 and 5 s; the lower of the two levels
    [
        (1, 5, "level 4"),
        (1, 6, "level 3"),
        (1, 26, "level 2"),
        (1, 121, "level 1"),
        (12, 1, "level 1"),
        (16, 1, ""),
    ],
)
def test_burning_is_the_lower_of_flame_and_glow(flame_s, glow_s, name):
    assert limited_burning_level(after_flame_s=flame_s, after_glow_s=glow_s) == name


def test_values_of_a_method_in_the_unit_of_the_table():
    # 8000 Pa is 815.772970 mm of water (9.80665 Pa a millimetre, exactly); the 816 mm that makers
    # print is a rounded-up 815.77
    table = TABLES["en-343-water"]
    assert table.name_of(table.in_unit(815.772, "mm H2O")) == ""
    assert table.name_of(table.in_unit(815.774, "mm H2O")) == "class 1"
    # 6 N/mm in lbf/in, the factor of the pound-force
    assert convert(6.0, "N/mm", "lbf/in") == pytest.approx(6.0 / 0.17512683524647638, rel=1e-12)


def test_what_keeps_a_method_out_of_a_table():
    seam = TABLES["en-13594-seam"]
    good = {"jaw_speed_mm_min": 100.0, "seam_width_mm": 10.0}
    assert seam.differences(unit="lbf/in", higher_is_better=True, settings=good) == []
    # EN 13594: a piece may be narrowed, but not below 10 mm
    narrow = seam.differences(
        unit="N/mm", higher_is_better=True, settings=good | {"seam_width_mm": 9}
    )
    assert narrow == ["The table asks for seam width mm of at least 10."]
    turns = seam.differences(unit="turns", higher_is_better=True, settings=good)
    assert turns == ["The method reads in turns, the table is in N/mm."]
    assert seam.differences(unit="N/mm", higher_is_better=False, settings=good) != []
    heat = TABLES["en-407-contact"]
    settings = {"plate_temperature_degc": 150.0, "temperature_rise_degc": 10.0}
    assert (
        "100, 250, 350, 500"
        in heat.differences(unit="s", higher_is_better=True, settings=settings)[0]
    )


def test_settings_outside_are_told_with_both_ends():
    # EN 1078: 5.42 to 5.52 m/s on the flat anvil (an encyclopaedia)
    (told,) = TABLES["en-1078-peak"].differences(
        unit="g_n", higher_is_better=False, settings={"impact_speed_m_s": 6.0}
    )
    assert told == "The table asks for impact speed m s of 5.42 to 5.52."
    # a grade that is better the lower it is cannot be read in a table that rises
    spray = TABLES["iso-4920-spray"]
    (told,) = spray.differences(unit="grade", higher_is_better=False, settings={"water_ml": 250})
    assert "better end" in told
    assert spray.bound_words(spray.steps[4]) == "at least grade 4"


def test_every_table_names_its_edition_or_says_that_none_was_stated():
    assert TABLES["en-1621-2"].named == "EN 1621-2 (2014)"
    assert TABLES["en-388-tear"].named == "EN 388 (edition not stated)"
    for table in TABLES.values():
        assert table.edition_words.strip()


@pytest.mark.parametrize("value", [-1.0, math.nan, -math.inf])
def test_no_name_for_what_is_no_value(value):
    with pytest.raises(OutOfRange):
        TABLES["en-388-tear"].name_of(value)
    with pytest.raises(OutOfRange):
        TABLES["en-388-tear"].names_of([(value, 3.0)] * 4)


def test_no_table_of_that_name():
    with pytest.raises(UnknownTable):
        table_named("en-0")


@pytest.mark.parametrize("table", TABLES.values(), ids=lambda table: table.key)
def test_steps_get_harder(table):
    for earlier, later in zip(table.steps, table.steps[1:], strict=False):
        if table.setting:
            assert later.at > earlier.at
        else:
            assert (later.bound > earlier.bound) == table.higher_is_better
