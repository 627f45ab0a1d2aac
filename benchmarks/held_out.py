"""Tables that no constant of the slip detector was chosen by, for ``python -m benchmarks slips``.

The tables are of published engineering libraries, as in ``benchmarks.engineering``, but of other substances
and formulas. Whoever changes a constant looks at no case of theirs, and at the figures only once, at the end.
"""

from __future__ import annotations

from collections.abc import Callable

import gsw
import numpy as np
import psychrolib
import thermocouples
from CoolProp import CoolProp
from fluids.fittings import bend_rounded, contraction_sharp, diffuser_conical
from fluids.flow_meter import C_Reader_Harris_Gallagher
from ht import Nu_cylinder_Churchill_Bernstein, fin_efficiency_Kern_Kraus
from iapws import IAPWS97

from benchmarks.shapes import Array, Shape

_BAR, _ZERO, _ATMOSPHERE = 1e5, 273.15, 101_325.0


def held_out(seed: int) -> list[Shape]:
    """The tables; the seed is that of the noise in the measured one."""
    return [make(np.random.default_rng([seed, number])) for number, make in enumerate(_TABLES)]


def _map(function: Callable[[float, float], float], x: Array, y: Array) -> Array:
    return np.array([[function(left, down) for left in x.tolist()] for down in y.tolist()])


def _curve(function: Callable[[float], float], x: Array) -> Array:
    return np.array([[function(value) for value in x.tolist()]])


def _ammonia(_: np.random.Generator) -> Shape:
    x, y = np.linspace(60, 180, 13), np.array([1.0, 2, 3, 5, 7, 10, 14, 18, 22])
    values = _map(lambda t, p: CoolProp.PropsSI("D", "T", t + _ZERO, "P", p * _BAR, "Ammonia"), x, y)
    return Shape("density of ammonia", x, y, values, "uint16", 0.01, 2)


def _methane(_: np.random.Generator) -> Shape:
    x, y = np.linspace(-50, 100, 16), np.linspace(10, 250, 13)
    values = _map(lambda t, p: CoolProp.PropsSI("Z", "T", t + _ZERO, "P", p * _BAR, "Methane"), x, y)
    return Shape("compressibility of methane", x, y, values, "uint16", 0.0005, 4)


def _hydrogen(_: np.random.Generator) -> Shape:
    x, y = np.linspace(-40, 85, 14), np.array([10.0, 50, 100, 200, 300, 400, 500, 600, 700])
    values = _map(lambda t, p: CoolProp.PropsSI("D", "T", t + _ZERO, "P", p * _BAR, "Hydrogen"), x, y)
    return Shape("density of hydrogen", x, y, values, "uint8", 0.2, 1)


def _ethanol(_: np.random.Generator) -> Shape:
    x = np.linspace(0, 150, 16)
    values = _curve(lambda t: CoolProp.PropsSI("P", "T", t + _ZERO, "Q", 0, "Ethanol") / 1e3, x)
    return Shape("vapour pressure of ethanol", x, None, values, "uint16", 0.1, 1)


def _air_conductivity(numbers: np.random.Generator) -> Shape:
    # With normal noise of 1 % of the value.
    x, y = np.linspace(-40, 200, 13), np.linspace(1, 100, 10)
    values = _map(lambda t, p: 1e3 * CoolProp.PropsSI("L", "T", t + _ZERO, "P", p * _BAR, "Air"), x, y)
    values = values * (1 + 0.01 * numbers.standard_normal(values.shape))
    return Shape("measured conductivity of air", x, y, values, "uint16", 0.01, 2)


def _expansion(_: np.random.Generator) -> Shape:
    x, y = np.linspace(-1, 30, 15), np.linspace(0, 3000, 9)
    values = 1e4 * gsw.alpha(35.0, x[None, :], y[:, None])
    return Shape("thermal expansion of sea water", x, y, values, "int16", 0.005, 3)


def _wet_bulb(_: np.random.Generator) -> Shape:
    psychrolib.SetUnitSystem(psychrolib.SI)
    x, y = np.linspace(-5, 45, 11), np.linspace(10, 100, 10)
    values = _map(lambda t, h: psychrolib.GetTWetBulbFromRelHum(t, h / 100, _ATMOSPHERE), x, y)
    return Shape("wet bulb", x, y, values, "int8", 0.5, 1)


def _moist_enthalpy(_: np.random.Generator) -> Shape:
    psychrolib.SetUnitSystem(psychrolib.SI)
    x, y = np.linspace(-10, 45, 12), np.linspace(0, 100, 8)
    ratio = psychrolib.GetHumRatioFromRelHum
    values = _map(lambda t, h: 1e-3 * psychrolib.GetMoistAirEnthalpy(t, ratio(t, h / 100, _ATMOSPHERE)), x, y)
    return Shape("enthalpy of moist air", x, y, values, "float32", 1.0, 1)


def _couple(_: np.random.Generator) -> Shape:
    x = np.linspace(-200, 400, 19)
    values = _curve(lambda t: 1e3 * thermocouples.get_thermocouple("T").temp_to_volt(t), x)
    return Shape("thermocouple type T", x, None, values, "int16", 0.001, 3)


def _hot_couple(_: np.random.Generator) -> Shape:
    x = np.linspace(-100, 800, 19)
    values = _curve(lambda t: 1e3 * thermocouples.get_thermocouple("E").temp_to_volt(t), x)
    return Shape("thermocouple type E", x, None, values, "int16", 0.01, 2)


def _steam_conductivity(_: np.random.Generator) -> Shape:
    x, y = np.linspace(20, 340, 17), np.array([1.0, 10, 50, 100, 150, 200, 250])
    values = _map(lambda t, p: 1e3 * IAPWS97(T=t + _ZERO, P=p / 10).k, x, y)
    return Shape("conductivity of water", x, y, values, "uint16", 1.0, 0)


def _steam_sound(_: np.random.Generator) -> Shape:
    x, y = np.linspace(250, 600, 15), np.linspace(2, 30, 8)
    values = _map(lambda t, p: IAPWS97(T=t + _ZERO, P=p / 10).w, x, y)
    return Shape("sound in steam", x, y, values, "uint16", 0.1, 1)


def _cone(_: np.random.Generator) -> Shape:
    x, y = np.linspace(5, 60, 12), np.linspace(0.2, 0.9, 8)
    values = _map(lambda a, d: diffuser_conical(Di1=d, Di2=1.0, angle=a, fd=0.01, method="Crane"), x, y)
    return Shape("loss of a cone", x, y, values, "uint16", 0.001, 3)


def _bend(_: np.random.Generator) -> Shape:
    x, y = np.linspace(15, 180, 12), np.array([1.0, 1.5, 2, 3, 4, 6, 8, 10])
    values = _map(lambda a, r: bend_rounded(Di=0.1, angle=a, fd=0.02, bend_diameters=r), x, y)
    return Shape("loss of a bend", x, y, values, "uint16", 0.001, 3)


def _contraction(_: np.random.Generator) -> Shape:
    x = np.linspace(0.1, 0.95, 18)
    values = _curve(lambda d: contraction_sharp(Di1=1.0, Di2=d), x)
    return Shape("loss of a contraction", x, None, values, "uint8", 0.005, 3)


def _orifice(_: np.random.Generator) -> Shape:
    x, y = np.geomspace(1e4, 1e7, 13), np.linspace(0.2, 0.75, 10)
    values = _map(
        lambda re, b: C_Reader_Harris_Gallagher(
            D=0.1, Do=0.1 * b, rho=1.2, mu=1.8e-5, m=re * np.pi * 0.1 * 1.8e-5 / 4, taps="corner"
        ),
        x,
        y,
    )
    return Shape("discharge of an orifice", x, y, values, "uint16", 0.0001, 4)


def _fin(_: np.random.Generator) -> Shape:
    x, y = np.linspace(20, 400, 14), np.linspace(0.5, 3, 6)
    values = _map(
        lambda h, t: 100 * fin_efficiency_Kern_Kraus(Do=0.025, D_fin=0.06, t_fin=t / 1e3, k_fin=200, h=h),
        x,
        y,
    )
    return Shape("efficiency of a fin", x, y, values, "uint16", 0.1, 1)


def _cylinder(_: np.random.Generator) -> Shape:
    x, y = np.geomspace(1e2, 1e6, 13), np.array([0.7, 1, 2, 4, 7, 10])
    values = _map(lambda re, pr: Nu_cylinder_Churchill_Bernstein(Re=re, Pr=pr), x, y)
    return Shape("heat transfer of a cylinder", x, y, values, "float32", 1.0, 1)


_TABLES = (
    _ammonia, _methane, _hydrogen, _ethanol, _air_conductivity, _expansion, _wet_bulb, _moist_enthalpy,
    _couple, _hot_couple, _steam_conductivity, _steam_sound, _cone, _bend, _contraction, _orifice, _fin,
    _cylinder,
)  # fmt: skip
