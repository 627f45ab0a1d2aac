"""Tables of published engineering libraries, for ``python -m benchmarks slips``.

They are real: printed tables as their authors rounded them, and formulas of standards for water and steam,
refrigerants, sea water, humid air, the atmosphere and thermocouples. Only the breakpoints and the storage are
chosen here. The constants of the slip detector may be chosen by the TUNED tables and never by the UNTUNED
ones: whoever changes a constant looks at no single case of the latter, only at their figures.
"""

from __future__ import annotations

from collections.abc import Callable

import gsw
import numpy as np
import psychrolib
import thermocouples
from ambiance import Atmosphere
from fluids import fittings, safety_valve
from fluids.friction import Colebrook
from ht import F_LMTD_Fakheri, blackbody_spectral_radiance, effectiveness_from_NTU, turbulent_Gnielinski
from iapws import IAPWS97

from benchmarks.shapes import Array, Shape

#: Pascals in a bar, and 0 °C in K.
_BAR, _ZERO = 1e5, 273.15
_ATMOSPHERE = 101_325.0
#: The function of ht, which has no types.
_effectiveness: Callable[..., float] = effectiveness_from_NTU


def tuned(seed: int) -> list[Shape]:
    """The tables by which constants may be chosen; the seed is that of the noise in the measured one."""
    return [make(np.random.default_rng([seed, number])) for number, make in enumerate(_TUNED)]


def untuned(seed: int) -> list[Shape]:
    """The tables by which constants are never chosen."""
    return [make(np.random.default_rng([seed, number])) for number, make in enumerate(_UNTUNED)]


def _property(name: str, first: str, one: float, second: str, other: float, fluid: str) -> float:
    """A property of a fluid by two others, by CoolProp, whose import takes most of a second."""
    from CoolProp import CoolProp

    return CoolProp.PropsSI(name, first, one, second, other, fluid)


def _map(function: Callable[[float, float], float], x: Array, y: Array) -> Array:
    return np.array([[function(left, down) for left in x.tolist()] for down in y.tolist()])


def _curve(function: Callable[[float], float], x: Array) -> Array:
    return np.array([[function(value) for value in x.tolist()]])


# Tuned: fluids and iapws


def _diffuser(_: np.random.Generator) -> Shape:
    values = np.array(fittings.diffuser_conical_Idelchik_data)
    x, y = np.array(fittings.diffuser_conical_Idelchik_angles), np.arange(float(len(values)))
    return Shape("loss of a diffuser, printed", x, y, values, "uint16", 0.01, 2)


def _superheat(_: np.random.Generator) -> Shape:
    values = np.array(safety_valve._KSH_factors_10E)[::6, ::2]
    x, y = (np.arange(float(size)) for size in values.shape[::-1])
    return Shape("superheat of a safety valve, printed", x, y, values, "float32", 1.0, 3)


def _rough_pipe(_: np.random.Generator) -> Shape:
    x, y = np.geomspace(4e3, 1e8, 16), np.geomspace(1e-6, 5e-2, 10)
    values = _map(Colebrook, x, y)
    return Shape("friction by Colebrook", x, y, values, "uint16", 0.0001, 4)


def _steam_volume(_: np.random.Generator) -> Shape:
    x, y = np.linspace(200, 600, 17), np.array([1.0, 2, 3, 4, 5, 6, 8, 10, 12, 15])
    values = _map(lambda t, p: 1e3 * IAPWS97(T=t + _ZERO, P=p / 10).v, x, y)
    return Shape("volume of steam", x, y, values, "uint16", 0.1, 1)


def _steam_enthalpy(_: np.random.Generator) -> Shape:
    x, y = np.linspace(20, 300, 15), np.array([5.0, 10, 20, 40, 60, 100, 150, 200])
    values = _map(lambda t, p: IAPWS97(T=t + _ZERO, P=p / 10).h, x, y)
    return Shape("enthalpy across boiling", x, y, values, "uint16", 1.0, 0)


def _boiling(_: np.random.Generator) -> Shape:
    x = np.geomspace(0.05, 100, 20)
    values = _curve(lambda p: IAPWS97(P=p / 10, x=0).T - _ZERO, x)
    return Shape("boiling point of water", x, None, values, "int16", 0.1, 1)


def _water_viscosity(_: np.random.Generator) -> Shape:
    x = np.array([1.0, 5, 10, 15, 20, 25, 30, 40, 50, 60, 70, 80, 90, 98])
    values = _curve(lambda t: 1e6 * IAPWS97(T=t + _ZERO, P=0.101325).mu, x)
    return Shape("viscosity of water", x, None, values, "uint16", 1.0, 0)


def _measured_capacity(numbers: np.random.Generator) -> Shape:
    # With normal noise of 0.5 % of the value.
    x, y = np.linspace(200, 500, 16), np.linspace(5, 15, 12)
    values = _map(lambda t, p: IAPWS97(T=t + _ZERO, P=p / 10).cp, x, y)
    values = values * (1 + 0.005 * numbers.standard_normal(values.shape))
    return Shape("measured heat of steam", x, y, values, "uint16", 0.001, 3)


# Untuned: CoolProp, gsw, psychrolib, ambiance, thermocouples, ht, and other printed tables of fluids


def _entrance(_: np.random.Generator) -> Shape:
    values = np.array(fittings.entrance_distance_Idelchik_dat)[:9]
    x, y = (np.arange(float(size)) for size in values.shape[::-1])
    return Shape("loss of an entrance, printed", x, y, values, "uint8", 0.01, 2)


def _bevelled(_: np.random.Generator) -> Shape:
    values = np.array(fittings.entrance_beveled_Idelchik_dat)
    x, y = (np.arange(float(size)) for size in values.shape[::-1])
    return Shape("loss of a bevelled entrance, printed", x, y, values, "uint16", 0.01, 2)


def _superheat_low(_: np.random.Generator) -> Shape:
    values = np.array(safety_valve._KSH_factors_7E)
    x, y = (np.arange(float(size)) for size in values.shape[::-1])
    return Shape("superheat at low pressure, printed", x, y, values, "float32", 1.0, 3)


def _refrigerant(_: np.random.Generator) -> Shape:
    x, y = np.linspace(20, 140, 13), np.array([0.5, 1, 1.5, 2, 2.5, 3, 3.5, 4, 5])
    values = _map(lambda t, p: _property("D", "T", t + _ZERO, "P", p * _BAR, "R134a"), x, y)
    return Shape("density of a refrigerant", x, y, values, "uint16", 0.01, 2)


def _carbon_dioxide(_: np.random.Generator) -> Shape:
    x, y = np.linspace(20, 120, 21), np.linspace(75, 150, 12)
    values = _map(lambda t, p: _property("D", "T", t + _ZERO, "P", p * _BAR, "CO2"), x, y)
    return Shape("dense carbon dioxide", x, y, values, "uint16", 0.1, 1)


def _propane(_: np.random.Generator) -> Shape:
    x = np.linspace(-42, 90, 23)
    values = _curve(lambda t: _property("P", "T", t + _ZERO, "Q", 0, "R290") / _BAR, x)
    return Shape("vapour pressure of propane", x, None, values, "uint16", 0.01, 2)


def _measured_viscosity(numbers: np.random.Generator) -> Shape:
    # With normal noise of 1 % of the value.
    x, y = np.linspace(-20, 120, 15), np.linspace(10, 200, 10)
    values = _map(lambda t, p: 1e6 * _property("V", "T", t + _ZERO, "P", p * _BAR, "N2"), x, y)
    values = values * (1 + 0.01 * numbers.standard_normal(values.shape))
    return Shape("measured viscosity of nitrogen", x, y, values, "uint16", 0.01, 2)


def _sound(_: np.random.Generator) -> Shape:
    x, y = np.linspace(0, 30, 16), np.linspace(5, 40, 8)
    return Shape(
        "sound in sea water", x, y, gsw.sound_speed_t_exact(y[:, None], x[None, :], 0.0), "uint16", 0.1, 1
    )  # fmt: skip


def _sea(_: np.random.Generator) -> Shape:
    x, y = np.linspace(-1, 30, 16), np.linspace(0, 40, 11)
    return Shape("density of sea water", x, y, gsw.sigma0(y[:, None], x[None, :]), "int16", 0.01, 2)


def _freezing(_: np.random.Generator) -> Shape:
    x, y = np.linspace(0, 40, 12), np.linspace(0, 2000, 6)
    values = gsw.CT_freezing(x[None, :], y[:, None], 0.0)
    return Shape("freezing of sea water", x, y, values, "int16", 0.01, 2)


def _humidity(_: np.random.Generator) -> Shape:
    psychrolib.SetUnitSystem(psychrolib.SI)
    x, y = np.linspace(-10, 50, 16), np.linspace(10, 100, 10)
    values = _map(lambda t, h: 1e3 * psychrolib.GetHumRatioFromRelHum(t, h / 100, _ATMOSPHERE), x, y)
    return Shape("water in air", x, y, values, "uint16", 0.01, 2)


def _dew(_: np.random.Generator) -> Shape:
    psychrolib.SetUnitSystem(psychrolib.SI)
    x, y = np.linspace(-5, 45, 11), np.linspace(10, 100, 10)
    values = _map(lambda t, h: psychrolib.GetTDewPointFromRelHum(t, h / 100), x, y)
    return Shape("dew point", x, y, values, "int16", 0.1, 1)


def _air(_: np.random.Generator) -> Shape:
    x = np.linspace(0, 20_000, 21)
    return Shape("density by altitude", x, None, Atmosphere(x).density[None, :], "uint16", 0.001, 3)


def _air_temperature(_: np.random.Generator) -> Shape:
    x = np.linspace(0, 32_000, 17)
    return Shape(
        "temperature by altitude", x, None, Atmosphere(x).temperature[None, :] - _ZERO, "int16", 0.1, 1
    )  # fmt: skip


def _couple(_: np.random.Generator) -> Shape:
    x = np.linspace(-40, 1000, 24)
    values = _curve(lambda t: 1e3 * thermocouples.get_thermocouple("S").temp_to_volt(t), x)
    return Shape("thermocouple type S", x, None, values, "int16", 0.001, 3)


def _exchanger(_: np.random.Generator) -> Shape:
    x, y = np.array([0.2, 0.4, 0.6, 0.8, 1, 1.25, 1.5, 2, 2.5, 3, 4, 5]), np.linspace(0.1, 1, 10)
    values = _map(lambda n, c: 100 * _effectiveness(n, c, subtype="crossflow"), x, y)
    return Shape("effectiveness of a heat exchanger", x, y, values, "uint8", 0.5, 1)


def _correction(_: np.random.Generator) -> Shape:
    x, y = np.linspace(50, 80, 13), np.linspace(90, 110, 9)
    values = _map(lambda out, hot: F_LMTD_Fakheri(Tci=15, Tco=out, Thi=130, Tho=hot), x, y)
    return Shape("correction of a heat exchanger", x, y, values, "uint16", 0.0001, 4)


def _radiance(_: np.random.Generator) -> Shape:
    x, y = np.linspace(0.8, 8, 19), np.linspace(900, 1600, 8)
    values = _map(lambda um, t: 1e-9 * blackbody_spectral_radiance(t, um * 1e-6), x, y)
    return Shape("radiance of a black body", x, y, values, "float32", 1.0, 2)


def _convection(_: np.random.Generator) -> Shape:
    x, y = np.geomspace(4e3, 1e6, 14), np.array([0.7, 1, 2, 3, 5, 7, 10, 13])
    values = _map(lambda re, pr: turbulent_Gnielinski(Re=re, Pr=pr, fd=0.02), x, y)
    return Shape("heat transfer in a pipe", x, y, values, "uint16", 0.1, 1)


_TUNED = (
    _diffuser, _superheat, _rough_pipe, _steam_volume, _steam_enthalpy, _boiling, _water_viscosity,
    _measured_capacity,
)  # fmt: skip
_UNTUNED = (
    _entrance, _bevelled, _superheat_low, _refrigerant, _carbon_dioxide, _propane, _measured_viscosity,
    _sound, _sea, _freezing, _humidity, _dew, _air, _air_temperature, _couple,
    _exchanger, _correction, _radiance, _convection,
)  # fmt: skip
