"""Table shapes from published data and stated formulas, for ``python -m benchmarks slips``.

Formulas and constants are written from memory of the sources named beside them, unless they say
otherwise; ``tests/outside/test_sources.py`` compares those that a library carries.
Noise is added to a shape only where its name says "measured", and is stated there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Shape:
    """A table: values of shape (rows, columns) in its unit, and how they are stored.

    ``off`` is the raw value of cells that hold no number.
    """

    name: str
    x: Array
    y: Array | None
    values: Array
    type: str
    factor: float
    decimals: int
    offset: float = 0.0
    limits: tuple[float, float] | None = None
    off: int | None = None


def shapes(seed: int) -> list[Shape]:
    """All shapes; the seed is that of the noise in the measured ones."""
    return [make(np.random.default_rng([seed, number])) for number, make in enumerate(_SHAPES)]


def _curve(function: Callable[[Array], Array], x: Array) -> Array:
    return np.asarray(function(x))[None, :]


def _across(x: Array, y: Array) -> tuple[Array, Array]:
    """The axes as a row and a column, so that a formula of both gives a map."""
    return x[None, :], y[:, None]


def _atmosphere(_: np.random.Generator) -> Shape:
    # U.S. Standard Atmosphere 1976, troposphere: p = 1013.25 hPa (1 - 2.25577e-5 h)^5.25588.
    x = np.linspace(0, 7500, 16)
    values = _curve(lambda h: 1013.25 * (1 - 2.25577e-5 * h) ** 5.25588, x)
    return Shape("pressure by altitude", x, None, values, "uint16", 0.1, 1)


def _thermocouple(_: np.random.Generator) -> Shape:
    # NIST ITS-90 thermocouple tables, type K, reference junction at 0 °C; straight between these points.
    volts = np.array([0.0, 4.096, 8.138, 12.209, 16.397, 20.644, 24.905, 29.129, 33.275, 37.326, 41.276])
    x = np.linspace(0, 41, 22)
    return Shape(
        "thermocouple type K", x, None, _curve(lambda u: np.interp(u, volts, np.arange(0, 1001, 100.0)), x),
        "int16", 0.1, 1,
    )  # fmt: skip


def _platinum(_: np.random.Generator) -> Shape:
    # IEC 60751: R = 100 ohm (1 + 3.9083e-3 t - 5.775e-7 t²) from 0 to 850 °C.
    x = np.linspace(0, 620, 32)
    values = _curve(lambda t: 100 * (1 + 3.9083e-3 * t - 5.775e-7 * t**2), x)
    return Shape("platinum resistor", x, None, values, "float32", 1.0, 2)


def _thermistor(_: np.random.Generator) -> Shape:
    # Divider below a pull-up, and the beta equation 1/T = 1/298.15 K + ln(R/R25)/beta; signed, steep at its
    # ends. R25 2500 ohm, beta 3500 K and pull-up 1000 ohm are chosen.
    x = np.linspace(0.2, 4.8, 24)
    r = 1000 * x / (5 - x)
    values = 1 / (1 / 298.15 + np.log(r / 2500) / 3500) - 273.15
    return Shape("thermistor", x, None, values[None, :], "int16", 0.1, 1)


def _viscosity(_: np.random.Generator) -> Shape:
    # Sutherland's formula for air: mu = 1.458e-6 T^1.5 / (T + 110.4) Pa s, here in µPa s (U.S. Standard
    # Atmosphere 1976).
    x = np.array([-40.0, -20, 0, 20, 40, 70, 100, 150, 200, 300, 400, 500])
    values = _curve(lambda t: 1.458 * (t + 273.15) ** 1.5 / (t + 383.55), x)
    return Shape("viscosity of air", x, None, values, "uint16", 0.01, 2)


def _friction(_: np.random.Generator) -> Shape:
    # The form of Chen and Flynn (SAE 650733): fmep = A + B p_max + C c + D c², c the mean piston speed. The
    # coefficients 0.4 bar, 0.005, 0.09 and 0.0009 are usual ones, from memory.
    x, y = np.linspace(2, 14, 16), np.linspace(40, 180, 12)
    c, p = _across(x, y)
    values: Array = 0.4 + 0.005 * p + 0.09 * c + 0.0009 * c**2
    return Shape("friction pressure", x, y, values, "uint16", 0.001, 3)


def _burn(_: np.random.Generator) -> Shape:
    # Wiebe's function: burnt share 1 - exp(-6.908 z^(m + 1)) of the share z of the burn duration; it
    # saturates.
    x, y = np.linspace(0, 1.2, 16), np.linspace(0.5, 3, 8)
    z, m = _across(x, y)
    values: Array = 100 * (1 - np.exp(-6.908 * z ** (m + 1)))
    return Shape("burnt share", x, y, values, "uint8", 0.5, 1, limits=(0, 100))


def _fuel(_: np.random.Generator) -> Shape:
    # A Willans line turned round: fuel = (torque + friction) / (torque per fuel), friction by Heywood's form
    # 75 + 48 n/1000 + 0.4 c² kPa (Internal Combustion Engine Fundamentals), 2.8 litres, 6.4 Nm/mg.
    x, y = np.array([600.0, 800, 1000, 1200, 1500, 1800, 2100, 2500, 2900, 3300, 3700, 4000]), None
    y = np.linspace(0, 400, 16)
    kpa = 75 + 48 * x / 1000 + 0.4 * (0.2 * x / 60) ** 2
    friction = kpa * 2.8 / (4 * np.pi)
    values = (y[:, None] + friction[None, :]) / (6.4 - 0.2 * ((x[None, :] - 2000) / 1500) ** 2)
    return Shape("fuel by torque", x, y, values, "uint16", 0.01, 2)


def _orifice(_: np.random.Generator) -> Shape:
    # Isentropic flow of air (kappa 1.4) through an orifice by pressure ratio and temperature, kg/s per m² and
    # bar; choked, and so flat, below the critical ratio 0.528.
    x, y = (
        np.array([0.3, 0.4, 0.5, 0.55, 0.6, 0.65, 0.7, 0.75, 0.8, 0.85, 0.9, 0.93, 0.96, 0.98, 0.99, 1.0]),
        None,
    )
    y = np.linspace(-20, 100, 10)
    ratio = np.maximum(x, 0.528282)
    psi = np.sqrt(2 * 1.4 / 0.4 * (ratio ** (2 / 1.4) - ratio ** (2.4 / 1.4)))
    values = 1e5 * psi[None, :] / np.sqrt(287.05 * (y[:, None] + 273.15))
    return Shape("choked flow", x, y, values, "float32", 1.0, 1)


def _vapour(_: np.random.Generator) -> Shape:
    # Magnus' formula with the coefficients of the WMO guide no. 8: 6.112 hPa exp(17.62 t / (243.12 + t)).
    x, y = np.linspace(-30, 60, 19), np.linspace(10, 100, 10)
    t, h = _across(x, y)
    values: Array = h / 100 * 6.112 * np.exp(17.62 * t / (243.12 + t))
    return Shape("water vapour", x, y, values, "uint16", 0.01, 2)


def _chill(_: np.random.Generator) -> Shape:
    # Wind chill index of 2001 (Environment Canada and U.S. National Weather Service), °C and km/h; signed.
    x, y = np.linspace(5, 80, 16), np.linspace(-35, 10, 10)
    v, t = _across(x, y)
    values: Array = 13.12 + 0.6215 * t + (0.3965 * t - 11.37) * v**0.16
    return Shape("wind chill", x, y, values, "int8", 0.5, 1)


def _pipe(_: np.random.Generator) -> Shape:
    # Swamee and Jain's form of Colebrook's equation: f = 0.25 / log10(e/3.7 + 5.74/Re^0.9)².
    x, y = np.geomspace(5e3, 1e7, 12), np.geomspace(1e-5, 3e-2, 12)
    re, e = _across(x, y)
    values: Array = 0.25 / np.log10(e / 3.7 + 5.74 / re**0.9) ** 2
    return Shape("pipe friction factor", x, y, values, "float32", 1.0, 4)


def _gears(_: np.random.Generator) -> Shape:
    # Steps: the gear of a six-speed box by road speed and pedal, geometric ratios of 1.35, and in each gear
    # the share of a clutch pressure of 12.5 %; no published source, a stated formula.
    x, y = np.linspace(5, 160, 20), np.linspace(0, 100, 8)
    gear = np.floor(
        np.clip(np.log(np.maximum(x[None, :] / (12 + 0.10 * y[:, None]), 1)) / np.log(1.55), 0, 5)
    )
    return Shape("stepped by gear", x, y, 12.5 * (gear + 1), "uint8", 0.5, 1)


def _flat(_: np.random.Generator) -> Shape:
    # A correction that is 1 but for a dip of 6 %: 1 - 0.06 exp(-((x-1900)/700)² - ((y-40)/25)²).
    x, y = np.linspace(600, 4000, 12), np.linspace(0, 90, 10)
    n, q = _across(x, y)
    values: Array = 1 - 0.06 * np.exp(-(((n - 1900) / 700) ** 2) - ((q - 40) / 25) ** 2)
    return Shape("nearly flat", x, y, values, "uint16", 0.0005, 4)


def _constant(_: np.random.Generator) -> Shape:
    # Ramps to a plateau: 20 at the left, 80 from the middle on; no published source, a stated formula.
    x, y = np.linspace(-30, 120, 16), np.linspace(0, 5, 8)
    t, z = _across(x, y)
    values: Array = np.clip(20 + 0.8 * (t + 30) + 2 * z, 0, 80)
    return Shape("ramp to a plateau", x, y, values, "uint8", 1.0, 0)


def _filling(numbers: np.random.Generator) -> Shape:
    # Volumetric efficiency tuned for 1900 rpm and falling with load, with normal noise of 1 % of the
    # value, as a table measured on a brake has it.
    x, y = np.linspace(600, 4000, 16), np.linspace(20, 100, 16)
    n, p = _across(x, y)
    smooth: Array = 55 + 35 * np.exp(-(((n - 1900) / 1500) ** 2)) + 0.12 * p
    values = smooth * (1 + 0.01 * numbers.standard_normal(smooth.shape))
    return Shape("measured filling", x, y, values, "uint8", 0.5, 1)


def _rough(numbers: np.random.Generator) -> Shape:
    # A rail pressure of the form a + b n + c (1 - exp(-q/35)), with normal noise of 30 bar, 2.5 % of
    # its span.
    x, y = np.linspace(600, 4000, 24), np.linspace(0, 90, 18)
    n, q = _across(x, y)
    smooth: Array = 250 + 0.11 * n + 800 * (1 - np.exp(-q / 35))
    values = smooth + 30 * numbers.standard_normal(smooth.shape)
    return Shape("measured rail pressure", x, y, values, "uint16", 0.1, 1, limits=(0, 1800))


def _timing(_: np.random.Generator) -> Shape:
    # Start of injection, degrees before top dead centre: rises with speed, dips at half load, and
    # crosses zero; no published source, a stated formula.
    x, y = np.linspace(600, 4000, 16), np.linspace(0, 84, 12)
    s = (x[None, :] - 600) / 3400
    values = (
        -3 + 13 * s + 3 * s * y[:, None] / 84 - 2.5 * np.exp(-(((y[:, None] - 40) / 18) ** 2)) * (1 - s) ** 2
    )
    return Shape("timing", x, y, values, "int16", 0.01, 2)


def _dwell(_: np.random.Generator) -> Shape:
    # Energising time: 180 µs + fuel / (0.8 A sqrt(2 rho dp)), seven holes of 0.14 mm, 830 kg/m³ (Bernoulli).
    x, y = np.linspace(250, 1750, 16), np.array([0.5, 1, 2, 4, 6, 9, 13, 18, 24, 32, 42, 54, 68, 84])
    flow = 0.8 * 7 * np.pi / 4 * 0.14e-3**2 * np.sqrt(2 * 830 * (x - 80) * 1e5)
    return Shape("injection time", x, y, 180 + y[:, None] / flow[None, :], "uint16", 1.0, 0)


def _pilot(_: np.random.Generator) -> Shape:
    # 1 to 2.4 mg in two hills, and an off code above 3100 rpm or 60 mg; no published source.
    x, y = np.linspace(600, 4000, 12), np.linspace(0, 90, 12)
    n, q = _across(x, y)
    values: Array = 1.1 + 0.8 * np.exp(-(((q - 24) / 22) ** 2)) + 0.5 * np.exp(-(((n - 1400) / 900) ** 2))
    values = np.where((x[None, :] > 3100) | (y[:, None] > 60), np.nan, values)
    return Shape("pilot quantity", x, y, values, "uint8", 0.02, 2, off=255)


def _large(_: np.random.Generator) -> Shape:
    # Torque: 400 Nm (1 - 0.3 ((n-2200)/1800)²) times lever^1.2, stored with an offset, 32 by 32.
    x, y = np.linspace(600, 4000, 32), np.linspace(0, 1, 32)
    n, lever = _across(x, y)
    values: Array = 400 * (1 - 0.3 * ((n - 2200) / 1800) ** 2) * lever**1.2 - 30
    return Shape("torque demand", x, y, values, "uint16", 0.1, 1, offset=-200.0)


_SHAPES = (
    _atmosphere, _thermocouple, _platinum, _thermistor, _viscosity, _friction, _burn, _fuel, _orifice,
    _vapour, _chill, _pipe, _gears, _flat, _constant, _filling, _rough, _timing, _dwell, _pilot, _large,
)  # fmt: skip
