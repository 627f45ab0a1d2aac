"""The demo's factory images, decoded by callint, against published tables and their own intended values.

The demo's files are packed by ``fixtures/make.py`` without callint.
"""

from __future__ import annotations

import functools
import math
import re
from dataclasses import dataclass
from pathlib import Path

import make
import numpy as np
import pytest
import skerry.newer
import skerry.tables
from skerry.boats import history
from skerry.plan import TYPES, Linear, Plan

from callint.decoding.decode import Decoded, decode
from callint.decoding.interpolation import lookup
from callint.decoding.layout import make_layout
from callint.model import definition
from callint.model.change import Grid
from callint.model.definition import StoredAxis
from callint.model.image import Image
from callint.reading.definition import read_definition
from callint.reading.tree import OverlayTree, WorkingTree
from tests.building import findings

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
STEPS = FIXTURES / "demo" / "steps"


@dataclass(frozen=True)
class Software:
    """A factory base of the demo, its definition, and what both were made from."""

    definition: bytes
    image: bytes
    plan: Plan


OLD, NEW = "SK28-0412", "SK28-0431"
SOFTWARE = {
    OLD: Software(
        (STEPS / "01-factory/definitions/skerry-28.xml").read_bytes(),
        (STEPS / "01-factory/factory/sk28-0412.bin").read_bytes(),
        skerry.tables.PLAN,
    ),
    NEW: Software(
        (STEPS / "09-newer-software/definitions/skerry-28-0431.xml").read_bytes(),
        (STEPS / "09-newer-software/factory/sk28-0431.bin").read_bytes(),
        skerry.newer.PLAN,
    ),
}
TABLES = {number: {table.name: table for table in item.plan.tables()} for number, item in SOFTWARE.items()}
EVERY_TABLE = [(number, name) for number, tables in TABLES.items() for name in tables]


@functools.cache
def factory(number: str = OLD) -> Decoded:
    """A factory base as callint decodes it."""
    parent = OverlayTree(WorkingTree(STEPS), {"skerry-28.xml": SOFTWARE[OLD].definition})
    file = read_definition(SOFTWARE[number].definition, f"{number}.xml", parent)
    assert file.definition is not None and not file.problems
    image = Image.raw(SOFTWARE[number].image, file.definition.memory.start)
    return decode(make_layout(file.definition), image)


@functools.cache
def intended(number: str) -> dict[str, np.ndarray[tuple[int, ...], np.dtype[np.float64]]]:
    return make.intended_values(SOFTWARE[number].plan)


def grid(table: str, number: str = OLD) -> Grid:
    return factory(number).grid(factory(number).layout.definition.tables[table])


def half_step(table: str, number: str = OLD) -> float:
    """Half of what one raw step is worth in a linear table, and a little for rounding."""
    result = factory(number).layout.definition
    conversion = result.conversion_of(result.tables[table])
    assert isinstance(conversion, definition.Linear)
    return abs(conversion.factor) / 2 * (1 + 1e-9)


# Type K thermocouple, reference junction at 0 °C: NIST ITS-90 thermocouple database (NIST Monograph 175),
# table and reference function. Each confirms the other below; test_sources.py compares both with a library.

TYPE_K = {0: 0.000, 50: 2.023, 100: 4.096, 150: 6.138, 200: 8.138, 250: 10.153, 300: 12.209, 350: 14.293}
TYPE_K |= {400: 16.397, 450: 18.516, 500: 20.644, 550: 22.776, 600: 24.905, 650: 27.025, 700: 29.129}
TYPE_K |= {750: 31.213, 800: 33.275, 850: 35.313, 900: 37.326, 950: 39.314, 1000: 41.276}

TYPE_K_POLYNOMIAL = (
    -0.176004136860e-1,
    0.389212049750e-1,
    0.185587700320e-4,
    -0.994575928740e-7,
    0.318409457190e-9,
    -0.560728448890e-12,
    0.560750590590e-15,
    -0.320207200030e-18,
    0.971511471520e-22,
    -0.121047212750e-25,
)


def type_k_millivolts(degrees: float) -> float:
    """The ITS-90 reference function of type K from 0 to 1372 °C."""
    polynomial = sum(factor * degrees**power for power, factor in enumerate(TYPE_K_POLYNOMIAL))
    return polynomial + 0.118597600000 * math.exp(-0.118343200000e-3 * (degrees - 126.9686) ** 2)


@pytest.mark.parametrize("degrees", TYPE_K)
def test_the_reference_table_and_the_reference_function_of_type_k_agree(degrees: int) -> None:
    assert type_k_millivolts(float(degrees)) == pytest.approx(TYPE_K[degrees], abs=0.00051)


@pytest.mark.parametrize("degrees", range(0, 1001, 100))
def test_the_thermocouple_curve_has_the_published_temperatures_at_its_breakpoints(degrees: int) -> None:
    curve = grid("exhaust_linearisation")
    assert curve.x is not None and TYPE_K[degrees] in curve.x.tolist()
    assert float(lookup(curve, TYPE_K[degrees])) == pytest.approx(
        degrees, abs=half_step("exhaust_linearisation")
    )


def test_the_thermocouple_curve_stays_within_one_kelvin_of_type_k() -> None:
    # Straight lines over 100 K cost most where type K bends most: 0.65 K at 39 °C.
    degrees = np.arange(0.0, 1001.0)
    millivolts = np.array([type_k_millivolts(item) for item in degrees.tolist()])
    assert np.abs(lookup(grid("exhaust_linearisation"), millivolts) - degrees).max() < 1


# U.S. Standard Atmosphere 1976: pressure in hPa by geopotential altitude in m, from the published
# table, which test_sources.py compares with a library, and computed from the constants of the standard.

STANDARD_ATMOSPHERE = {0: 1013.25, 1000: 898.75, 2000: 794.95, 3000: 701.09}


def standard_pressure(metres: float) -> float:
    """The hydrostatic formula of the standard: 288.15 K, -6.5 K/km, g0, R*, M0 as it has them."""
    exponent = 9.80665 * 28.9644 / (8314.32 * 0.0065)
    return float(1013.25 * ((288.15 - 0.0065 * metres) / 288.15) ** exponent)


@pytest.mark.parametrize("metres", STANDARD_ATMOSPHERE)
def test_the_published_pressures_follow_from_the_constants_of_the_standard(metres: int) -> None:
    assert standard_pressure(metres) == pytest.approx(STANDARD_ATMOSPHERE[metres], abs=0.0051)


def test_the_barometric_axis_has_the_pressures_of_the_standard_atmosphere() -> None:
    # At the altitudes that the definition names beside the axis; stored in tenths of a hPa.
    breakpoints = factory().breakpoints("baro_6").tolist()
    expected = [standard_pressure(metres) for metres in (3000, 2200, 1500, 900, 400, 0)]
    assert breakpoints == pytest.approx(expected, abs=0.0501)
    assert breakpoints[0] == pytest.approx(STANDARD_ATMOSPHERE[3000], abs=0.0501)
    assert breakpoints[-1] == pytest.approx(STANDARD_ATMOSPHERE[0], abs=0.0501)


@pytest.mark.parametrize("metres", STANDARD_ATMOSPHERE)
def test_the_altitude_shown_on_the_bridge_is_that_of_the_standard_atmosphere(metres: int) -> None:
    # 0 and 3000 m are breakpoints: a metre of storage, and half a metre for a twentieth of a hPa. Between
    # breakpoints up to 800 m apart a straight line in pressure lies up to 6 m too high.
    tolerance = 1.1 if metres in (0, 3000) else 6
    shown = float(lookup(grid("altitude_display"), STANDARD_ATMOSPHERE[metres]))
    assert shown == pytest.approx(metres, abs=tolerance)
    assert shown >= metres - 1.1


# Thermistors: 1/T = 1/298.15 K + ln(R / R25) / beta, behind a pull-up: V = supply R / (R + pull-up).


@pytest.mark.parametrize(
    ("signal", "nominal", "beta"),
    [("coolant_temp", 2200, 3550), ("intake_air_temp", 2500, 3450), ("fuel_temp", 2400, 3500)],
)
def test_a_thermistor_curve_follows_the_beta_equation_through_its_divider(
    signal: str, nominal: float, beta: float
) -> None:
    (sensor,) = (item for item in factory().layout.definition.sensors if item.signal == signal)
    table = factory().layout.definition.tables[sensor.curve]
    assert re.search(rf"R25 {nominal} ohms, beta {beta} K, pull-up {sensor.pull_up:g} ohms", table.notes[0])
    curve = grid(sensor.curve)
    assert curve.x is not None
    for volts, degrees in zip(curve.x.tolist(), curve.physical[0].tolist(), strict=True):
        resistance = sensor.pull_up / (sensor.supply / volts - 1)
        kelvin = 1 / (1 / 298.15 + math.log(resistance / nominal) / beta)
        assert degrees == pytest.approx(kelvin - 273.15, abs=half_step(sensor.curve))


@pytest.mark.parametrize(
    ("signal", "nominal"), [("coolant_temp", 2200), ("intake_air_temp", 2500), ("fuel_temp", 2400)]
)
def test_a_thermistor_reads_25_degrees_at_its_nominal_resistance(signal: str, nominal: float) -> None:
    (sensor,) = (item for item in factory().layout.definition.sensors if item.signal == signal)
    volts = sensor.supply * nominal / (nominal + sensor.pull_up)
    # Near a breakpoint; what is left is storage and the straight line to the next one.
    assert float(lookup(grid(sensor.curve), volts)) == pytest.approx(25, abs=0.1)


# The whole demo


@pytest.mark.parametrize(("number", "count"), [(OLD, 158), (NEW, 160)])
def test_every_table_of_the_demo_is_decoded(number: str, count: int) -> None:
    result = factory(number)
    assert set(intended(number)) == set(result.layout.definition.tables) == set(result.layout.table_items)
    assert len(intended(number)) == count
    assert result.present.all()


@pytest.mark.parametrize(("number", "name"), EVERY_TABLE)
def test_a_demo_table_holds_its_intended_values_within_half_a_raw_step(number: str, name: str) -> None:
    table, result = TABLES[number][name], grid(name, number)
    wanted = np.atleast_2d(intended(number)[name])
    conversion = SOFTWARE[number].plan.conversion[table.conversion]
    assert result.physical.shape == wanted.shape
    assert (result.off == np.isnan(wanted)).all()
    valued = ~result.off
    raw = result.raw.astype(np.float64)
    asked = conversion.raw(wanted)[valued]
    if table.type.startswith("float"):
        np.testing.assert_allclose(raw[valued], asked, rtol=2.0**-24)
    else:
        assert np.abs(raw[valued] - asked).max() <= 0.5 + 1e-9
    np.testing.assert_allclose(result.physical, conversion.physical(raw), rtol=1e-12, atol=1e-12)
    if isinstance(conversion, Linear) and not table.type.startswith("float"):
        assert np.abs(result.physical - wanted)[valued].max() <= half_step(name, number) + 1e-9


@pytest.mark.parametrize(("number", "name"), EVERY_TABLE)
def test_a_demo_table_has_its_intended_breakpoints(number: str, name: str) -> None:
    plan = SOFTWARE[number].plan
    table, result = TABLES[number][name], grid(name, number)
    for axis, breakpoints in ((table.x, result.x), (table.y, result.y)):
        wanted = plan.resolve(axis)
        assert (wanted is None) == (breakpoints is None)
        if wanted is None or breakpoints is None:
            continue
        step = 0.0
        if not wanted.is_fixed:
            conversion = plan.conversion[wanted.conversion]
            assert isinstance(conversion, Linear) and wanted.type in TYPES
            step = abs(conversion.factor)
        assert breakpoints.tolist() == pytest.approx(list(map(float, wanted.values)), abs=step / 2 + 1e-9)
    assert result.table.purpose == table.purpose


@pytest.mark.parametrize("number", SOFTWARE)
def test_the_stored_counts_of_the_demo_agree_with_the_definition(number: str) -> None:
    result = factory(number)
    axes = [value for value in result.layout.definition.axes.values() if isinstance(value, StoredAxis)]
    counts = {axis.name: result.stored_count(axis.stored_count) for axis in axes if axis.stored_count}
    assert counts == {axis.name: axis.count for axis in axes if axis.stored_count}
    assert len(counts) >= 4


@pytest.mark.parametrize("number", SOFTWARE)
def test_a_factory_base_is_without_findings(number: str) -> None:
    parent = {"skerry-28.xml": SOFTWARE[OLD].definition}
    assert findings(SOFTWARE[number].definition, SOFTWARE[number].image, beside=parent) == []


def test_the_script_writes_exactly_the_committed_demo() -> None:
    commits = history()
    written = {f"{commit.folder}/{name}": data for commit in commits for name, data in commit.files.items()}
    committed = {path.relative_to(STEPS).as_posix() for path in STEPS.rglob("*") if path.is_file()}
    assert set(written) == committed
    assert [name for name, data in written.items() if (STEPS / name).read_bytes() != data] == []
    timeline = (FIXTURES / "demo" / "timeline.toml").read_bytes()
    assert timeline == make.timeline_toml(commits).encode()
