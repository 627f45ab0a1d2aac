"""Converts values between units of one quantity.

The units are those of NIST Special Publication 811, Guide for the Use of the International System of Units
(2008), appendix B.8, by the definitions on which its factors rest. ISO 80000-1 says that % is 0.01, and
ISO 80000-3 that r/min is 1/min. Units that only count, such as a stroke, are quantities of their own.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from math import lcm

from callint.model.change import Numbers

#: The pound-force in newtons: the avoirdupois pound times the standard acceleration of free fall.
_LBF = Fraction("0.45359237") * Fraction("9.80665")
#: The conventional density of mercury times the standard acceleration of free fall, in Pa/m.
_MERCURY = Fraction("13595.1") * Fraction("9.80665")

#: By quantity, the size of each unit in the SI unit of the quantity.
_SIZES: dict[str, dict[str, str | Fraction]] = {
    "time": {"s": "1", "ms": "1e-3", "us": "1e-6", "µs": "1e-6", "min": "60", "h": "3600"},
    "length": {
        "m": "1", "km": "1e3", "cm": "1e-2", "mm": "1e-3", "um": "1e-6", "µm": "1e-6",
        "in": "0.0254", "ft": "0.3048", "mi": "1609.344", "nmi": "1852",
    },
    "volume": {
        "m3": "1", "m³": "1", "l": "1e-3", "L": "1e-3", "ml": "1e-6", "mL": "1e-6",
        "cm3": "1e-6", "cm³": "1e-6", "mm3": "1e-9", "mm³": "1e-9",
    },
    "mass": {"kg": "1", "g": "1e-3", "mg": "1e-6", "ug": "1e-9", "µg": "1e-9", "lb": "0.45359237"},
    "pressure": {
        "Pa": "1", "hPa": "1e2", "kPa": "1e3", "MPa": "1e6", "mbar": "1e2", "bar": "1e5", "atm": "101325",
        "mmHg": _MERCURY / 1000, "inHg": _MERCURY * Fraction("0.0254"), "psi": _LBF / Fraction("0.0254") ** 2,
    },
    "torque": {
        "Nm": "1", "N·m": "1", "N.m": "1", "mNm": "1e-3", "kNm": "1e3", "lbf·ft": _LBF * Fraction("0.3048"),
    },
    "force": {"N": "1", "kN": "1e3", "kgf": "9.80665", "lbf": _LBF},
    "power": {"W": "1", "kW": "1e3", "MW": "1e6"},
    "energy": {"J": "1", "mJ": "1e-3", "kJ": "1e3", "MJ": "1e6", "Wh": "3600", "kWh": "3.6e6"},
    "voltage": {"V": "1", "mV": "1e-3", "kV": "1e3"},
    "current": {"A": "1", "mA": "1e-3"},
    "resistance": {"Ohm": "1", "ohm": "1", "Ω": "1", "kOhm": "1e3", "kohm": "1e3", "kΩ": "1e3"},
    "ratio": {"-": "1", "1": "1", "%": "0.01", "‰": "1e-3", "ppm": "1e-6"},
}  # fmt: skip
#: Temperatures: the size of the unit in kelvins, and the temperature at its zero in kelvins.
_TEMPERATURES = {
    "K": (Fraction(1), Fraction(0)),
    "degC": (Fraction(1), Fraction("273.15")),
    "degF": (Fraction(5, 9), Fraction("459.67") * Fraction(5, 9)),
}
#: Units that are written in another way here.
_SPELLINGS = {
    "°C": "degC", "°F": "degF", "rpm": "1/min", "r/min": "1/min", "Hz": "1/s", "mph": "mi/h", "kn": "nmi/h",
    "°": "deg", "degCA": "°CA", "degCRK": "°CA", "°CRK": "°CA", "CAD": "°CA",
}  # fmt: skip
_KNOWN = {
    unit: (quantity, Fraction(size)) for quantity, units in _SIZES.items() for unit, size in units.items()
}
#: Doubles hold all whole numbers below this.
_EXACT = 2**53


@dataclass(frozen=True, slots=True)
class UnitConversion:
    """A value in the new unit is the value in the old unit * ``factor`` + ``offset``."""

    factor: Fraction = Fraction(1)
    offset: Fraction = Fraction(0)

    @property
    def is_identity(self) -> bool:
        return self.factor == 1 and not self.offset

    def values(self, old: Numbers) -> Numbers:
        """Values in the new unit; any one shape."""
        if self.is_identity:
            return old
        divisor = lcm(self.factor.denominator, self.offset.denominator)
        factor, offset = self.factor * divisor, self.offset * divisor
        if abs(factor) >= _EXACT or abs(offset) >= _EXACT or divisor >= _EXACT:
            return old * float(self.factor) + float(self.offset)
        # In whole numbers, so that 250 hPa are 0.25 bar to the last digit.
        return (old * float(factor) + float(offset)) / float(divisor)

    def differences(self, old: Numbers) -> Numbers:
        """Differences of values in the new unit; any one shape."""
        return UnitConversion(self.factor).values(old)


@lru_cache(maxsize=1024)
def unit_conversion(old: str, new: str) -> UnitConversion | None:
    """The conversion from one unit to another; None if callint knows none.

    Equal units need not be known; none of "" and "-" is a unit. A temperature is converted as a temperature
    and not as a difference of two.
    """
    old, new = (_SPELLINGS.get(unit, unit) for unit in (old, new))
    if old == new or {old, new} <= {"", "-", "1"}:
        return UnitConversion()
    if old in _TEMPERATURES and new in _TEMPERATURES:
        (size, zero), (new_size, new_zero) = _TEMPERATURES[old], _TEMPERATURES[new]
        return UnitConversion(size / new_size, (zero - new_zero) / new_size)
    (quantity, factor), (new_quantity, divisor) = _measured(old), _measured(new)
    return UnitConversion(factor / divisor) if quantity == new_quantity else None


def _measured(unit: str) -> tuple[str, Fraction]:
    """The quantity that a unit measures, and the unit's size; an unknown unit is a quantity of its own.

    One unit divided by another, such as hPa/s, measures the quotient of the quantities.
    """
    if unit in _KNOWN:
        return _KNOWN[unit]
    if unit.count("/") != 1:
        return f"unknown {unit}", Fraction(1)
    above, below = unit.split("/")
    (quantity, size), (divisor, divisor_size) = _part(above), _part(below)
    return f"{quantity}/{divisor}", size / divisor_size


def _part(unit: str) -> tuple[str, Fraction]:
    """The quantity and the size of one part of a quotient, in which a temperature is a difference."""
    unit = _SPELLINGS.get(unit, unit)
    if unit in _TEMPERATURES:
        return "temperature difference", _TEMPERATURES[unit][0]
    return _measured(unit)
