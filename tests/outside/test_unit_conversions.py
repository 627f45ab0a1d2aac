"""Conversions of units, against NIST SP 811 and the units of SciPy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import constants

from callint.decoding.unit_conversions import unit_conversion

#: Factors of NIST SP 811 (2008), appendix B.8, in its seven digits; quoted from memory.
NIST = [
    ("psi", "Pa", 6.894757e3),
    ("inHg", "Pa", 3.386389e3),
    ("mmHg", "Pa", 1.333224e2),
    ("atm", "Pa", 1.01325e5),
    ("bar", "Pa", 1e5),
    ("mbar", "hPa", 1.0),
    ("lbf", "N", 4.448222),
    ("kgf", "N", 9.80665),
    ("lbf·ft", "Nm", 1.355818),
    ("lb", "kg", 4.535924e-1),
    ("in", "m", 2.54e-2),
    ("ft", "m", 3.048e-1),
    ("mph", "km/h", 1.609344),
    ("kn", "m/s", 5.144444e-1),
    ("lb/h", "kg/s", 1.259979e-4),
    ("kWh", "J", 3.6e6),
    ("l", "m3", 1e-3),
    ("km/h", "m/s", 2.777778e-1),
]
#: The same units of another publisher.
SCIPY = [
    ("psi", "Pa", constants.psi),
    ("atm", "Pa", constants.atm),
    ("bar", "Pa", constants.bar),
    ("lbf", "N", constants.lbf),
    ("kgf", "N", constants.kgf),
    ("lb", "kg", constants.lb),
    ("in", "m", constants.inch),
    ("mi", "m", constants.mile),
    ("nmi", "m", constants.nautical_mile),
    ("mph", "m/s", constants.mph),
    ("kn", "m/s", constants.knot),
    ("L", "m³", constants.litre),
    ("h", "s", constants.hour),
]


def converted(value: float, old: str, new: str) -> float:
    conversion = unit_conversion(old, new)
    assert conversion is not None
    return float(conversion.values(np.array([value]))[0])


@pytest.mark.parametrize(("old", "new", "factor"), NIST)
def test_factors_are_those_of_nist(old: str, new: str, factor: float) -> None:
    assert f"{converted(1, old, new):.6e}" == f"{factor:.6e}"
    assert converted(1, new, old) == pytest.approx(1 / factor, rel=1e-6)


@pytest.mark.parametrize(("old", "new", "factor"), SCIPY)
def test_factors_are_those_of_scipy(old: str, new: str, factor: float) -> None:
    assert converted(1, old, new) == pytest.approx(factor, rel=1e-9)


@pytest.mark.parametrize("value", [-40.0, 0.0, 37.5, 212.0, 451.0])
def test_temperatures_are_those_of_scipy(value: float) -> None:
    names = {"degC": "Celsius", "degF": "Fahrenheit", "K": "Kelvin"}
    for old, old_scale in names.items():
        for new, new_scale in names.items():
            expected = float(constants.convert_temperature(value, old_scale, new_scale))
            assert converted(value, old, new) == pytest.approx(expected, abs=1e-9)


def test_rotational_frequency_is_a_number_of_turns_by_time() -> None:
    # ISO 80000-3: the unit of rotational frequency is 1/s, and r/min is 1/min.
    assert converted(600, "rpm", "1/s") == 10
    assert converted(600, "r/min", "rpm") == 600
    assert converted(10, "Hz", "1/min") == 600


def test_percent_is_a_hundredth() -> None:
    # ISO 80000-1: % is 0.01.
    assert converted(85, "%", "-") == 0.85
    assert converted(0.85, "-", "%") == 85
    assert unit_conversion("%", "") is None  # a table without a unit may hold anything


def test_quotients_of_units_are_converted_part_by_part() -> None:
    assert converted(36, "km/h", "m/s") == 10
    assert converted(1, "bar/s", "hPa/s") == 1000
    assert converted(2, "mg/stroke", "g/stroke") == 0.002
    # In a quotient a temperature is a difference: one degree Fahrenheit is 5/9 K.
    assert converted(9, "Pa/K", "Pa/degF") == 5
    assert converted(1, "Nm/rpm", "Nm/rpm") == 1


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("mg", "mm3"),
        ("mg/stroke", "mm3/stroke"),
        ("mg/stroke", "mg"),
        ("mass", "kg"),
        ("notches", "steps"),
        ("Nm", "J"),
        ("bar", ""),
        ("°CA", "deg"),
        ("a/b/c", "a/b/d"),
        ("1/min", "rad/s"),
    ],
)
def test_units_of_different_or_unknown_quantities_are_not_converted(old: str, new: str) -> None:
    assert unit_conversion(old, new) is None
    assert unit_conversion(new, old) is None


@pytest.mark.parametrize("unit", ["notches", "", "rpm", "furlong/fortnight", "°CA"])
def test_a_unit_is_itself_whether_known_or_not(unit: str) -> None:
    conversion = unit_conversion(unit, unit)
    assert conversion is not None and conversion.is_identity


@pytest.mark.parametrize(("first", "second"), [("degCA", "°CA"), ("°C", "degC"), ("-", ""), ("rpm", "1/min")])
def test_a_unit_has_several_spellings(first: str, second: str) -> None:
    conversion = unit_conversion(first, second)
    assert conversion is not None and conversion.is_identity


def test_decimal_numbers_stay_decimal() -> None:
    assert [converted(value, "hPa", "bar") for value in range(5000)] == [n / 1000 for n in range(5000)]
    assert converted(0.1, "bar", "hPa") == 100
    assert converted(20.5, "degC", "K") == 293.65
