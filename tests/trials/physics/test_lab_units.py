import json
import math
import subprocess
import sys
from itertools import permutations
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trials.physics import units
from trials.physics.errors import OutOfRange, UnitMismatch, UnknownUnit
from trials.physics.units import (
    UNITS,
    convert,
    convert_array,
    is_convertible,
    quantity_of,
    unit_names,
    unit_of,
)

QUANTITIES = sorted({unit.quantity for unit in UNITS})
PAIRS = [(a.name, b.name) for a, b in permutations(UNITS, 2) if a.quantity == b.quantity]
METHODS = Path(units.__file__).parents[1] / "methods"


@given(st.sampled_from(PAIRS), st.floats(-1e9, 1e9))
def test_there_and_back_is_the_same_value(pair, value):
    there, back = pair
    # Temperatures carry an offset of some hundreds, which costs the last digits of small values.
    assert convert(convert(value, there, back), back, there) == pytest.approx(
        value, rel=1e-9, abs=1e-9
    )


@given(st.sampled_from(PAIRS), st.floats(-1e9, 1e9), st.floats(-1e9, 1e9))
def test_conversion_keeps_order(pair, first, second):
    low, high = sorted((first, second))
    assert convert(low, *pair) <= convert(high, *pair)


@given(st.sampled_from([p for p in PAIRS if quantity_of(p[0]) != "temperature"]))
def test_nothing_stays_nothing_in_every_unit_without_offset(pair):
    assert convert(0.0, *pair) == 0.0


def test_units_of_one_quantity_have_one_dimension():
    registry = units._registry()
    for quantity in QUANTITIES:
        members = [unit for unit in UNITS if unit.quantity == quantity]
        first, *others = [registry.Quantity(1, u.definition).dimensionality for u in members]
        assert all(other == first for other in others), quantity


def test_every_unit_is_one_pint_understands():
    # A conversion within one unit never asks pint, so a lone unit of its quantity is asked here.
    registry = units._registry()
    assert all(registry.Quantity(2, u.definition).magnitude == 2 for u in UNITS)


def test_no_spelling_stands_for_two_units():
    spellings = [units._tidied(s) for unit in UNITS for s in {unit.name, *unit.aliases}]
    assert len(spellings) == len(set(spellings))


def test_every_name_means_itself():
    assert [unit_of(name).name for name in unit_names()] == list(unit_names())
    assert {"s", "turns", "grade", "mm H2O", "N/mm", "degC", "g", "J", "m"} <= set(unit_names())


@pytest.mark.parametrize(
    ("written", "name"),
    [
        ("°C", "degC"),
        ("  mm   H2O ", "mm H2O"),
        ("mmH₂O", "mm H2O"),
        ("m/s²", "m/s2"),
        ("m/s^2", "m/s2"),
        ("N / mm", "N/mm"),
        ("N·m", "N m"),
        ("\u03bcm", "um"),
        ("\u00b5m", "um"),
        ("seconds", "s"),
        ("turn", "turns"),
        ("g0", "g_n"),
        ("L/min", "l/min"),
        ("", "1"),
    ],
)
def test_spellings_of_the_bench(written, name):
    assert unit_of(written).name == name


@pytest.mark.parametrize(
    ("written", "hint"),
    [("KN", "kN"), ("newtonn", "N"), ("MM", "mm"), ("secnds", "s"), ("n/mm", "N/mm")],
)
def test_an_unknown_unit_is_refused_by_name_with_the_likely_one(written, hint):
    with pytest.raises(UnknownUnit, match=rf"{written}.*Did you mean {hint}\?"):
        unit_of(written)


def test_an_unknown_unit_without_a_likely_one_is_only_named():
    with pytest.raises(
        UnknownUnit, match=r"^The unit 'furlongs per fortnight' is not known here\.$"
    ):
        convert(1, "furlongs per fortnight", "m/s")


@pytest.mark.parametrize("expression", ["10**10**10", "m*m", "__import__('os')", "kg m", "2 m"])
def test_a_unit_is_looked_up_and_never_evaluated(expression):
    with pytest.raises(UnknownUnit):
        convert(1, expression, "m")


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("N", "mm"),
        ("turns", "cycles"),
        ("turns", "rad"),
        ("turns", "1"),
        ("grade", "1"),
        ("count", "%"),
        ("J", "N m"),
        ("degC", "degC rise"),
        ("K", "K rise"),
        ("Hz", "rpm"),
        ("N/mm", "J/m2"),
    ],
)
def test_different_things_do_not_convert(first, second):
    assert not is_convertible(first, second)
    with pytest.raises(UnitMismatch, match="cannot be turned into the other"):
        convert(1.0, first, second)


def test_gram_is_not_taken_for_gravity():
    with pytest.raises(UnitMismatch, match="g means gram here; write g_n"):
        convert(100, "g", "m/s2")


def test_a_rise_is_asked_for_by_word():
    with pytest.raises(UnitMismatch, match="'rise' after the unit"):
        convert(10, "degC", "degF rise")


def test_an_open_end_stays_open():
    assert convert(math.inf, "m", "mm") == math.inf
    assert convert(-math.inf, "degC", "degF") == -math.inf


def test_not_a_number_is_refused():
    with pytest.raises(OutOfRange, match="not a number"):
        convert(math.nan, "m", "mm")
    with pytest.raises(OutOfRange, match="must be a number, but got 'tall'"):
        convert("tall", "m", "mm")


def test_overflow_is_refused():
    with pytest.raises(OutOfRange, match="too large"):
        convert(1e308, "km", "mm")


def test_arrays_convert_like_single_values():
    values = np.array([-40.0, 0.0, 37.0])
    fahrenheit = convert_array(values, "degC", "degF")
    assert fahrenheit == pytest.approx([-40.0, 32.0, 98.6])
    same = convert_array(values, "degC", "°C")
    same[0] = 99.0
    assert values[0] == -40.0


def test_every_unit_of_the_shipped_methods_is_known():
    shipped = sorted(METHODS.glob("*.json"))
    assert shipped
    for path in shipped:
        method = json.loads(path.read_text(encoding="utf-8"))
        for written in [method["unit"], *(s["unit"] for s in method["settings"])]:
            assert unit_of(written).quantity, path.name


def test_importing_the_units_does_not_load_pint():
    code = (
        "import sys; import trials.physics.units as u; u.unit_of('kN'); u.unit_names();"
        "u.convert(1, 'm', 'm'); sys.exit('pint' in sys.modules)"
    )
    root = Path(units.__file__).parents[2]
    assert subprocess.run([sys.executable, "-c", code], check=False, cwd=root).returncode == 0
