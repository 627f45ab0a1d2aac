"""What a resistor in a sensor's line does to the reading, against arithmetic by hand and published equations.

The beta equation: 1/T = 1/T0 + ln(R / R0) / beta, with T0 = 298.15 K; see IEC 60539-1, "Directly heated
negative temperature coefficient thermistors". The other: 1/T = A + B ln R + C (ln R)^3, of Steinhart, J. S.
and Hart, S. R., "Calibration curves for thermistors", Deep-Sea Research 15 (1968), 497-503. Every coefficient
in this file is invented.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from callint.decoding.sensors import Circuit, UnusableSensorError, Wiring, circuit
from callint.decoding.surfaces import surface
from callint.model.definition import Sensor
from tests.building import decoded, definition_xml
from tests.running import REPOSITORY, call, valid

Numbers = NDArray[np.float64]
KELVIN = 273.15
SIGNALS = """
    <signal name="volts" unit="{unit}">Voltage</signal><signal name="temp" unit="degC">Temperature</signal>
"""


def built(
    volts: Numbers | list[float],
    values: Numbers | list[float],
    pull_up: float,
    unit: str = "V",
    supply: float = 5.0,
) -> Circuit:
    """The circuit of a sensor whose curve lies in an image of doubles."""
    data = struct.pack(f">{2 * len(volts)}d", *volts, *values)
    xml = definition_xml(
        f'<curve name="c" title="C" purpose="correction" at="{8 * len(volts)}" type="float64"><x>'
        f'<axis signal="volts" at="0" type="float64" count="{len(volts)}"/></x></curve>',
        signals=SIGNALS.format(unit=unit),
        size=len(data),
    )
    image = decoded(xml, data)
    result = surface(image, image.layout.definition.tables["c"])
    assert result is not None
    return circuit(Sensor("temp", "c", supply, pull_up, 1), result, unit)


def read(item: Circuit, wiring: Wiring, true: Numbers | float) -> Numbers:
    """What is read for true values: from the value to volts, to ohms, through the wiring, and back."""
    ohms = item.resistance_at(item.voltage_of(np.asarray(true, np.float64)))
    return item.reading_at(item.voltage_at(wiring.seen(ohms)))


# By hand. The sensor's curve reads 90 degrees at 1 V, 60 at 2 V, 40 at 3 V and 0 at 4 V; 1000 ohms pull it up
# to 5 V. At 60 degrees it gives 2 V, so that 3 V lie across the pull-up: 3 mA. 2 V / 3 mA = 666.67 ohms.


@pytest.fixture
def hand() -> Circuit:
    return built([1, 2, 3, 4], [90, 60, 40, 0], 1000)


def test_the_sensor_has_two_thirds_of_the_pull_up_at_two_fifths_of_the_supply(hand: Circuit) -> None:
    assert hand.voltage_of(np.array([60.0])) == 2.0
    assert hand.resistance_at(np.array([2.0])) == pytest.approx(666.6667, abs=1e-4)


@pytest.mark.parametrize(
    ("wiring", "ohms", "volts", "reading"),
    [
        # 666.67 + 1000 = 1666.67; 5 V * 1666.67 / 2666.67 = 3.125 V; an eighth of the way from 40 to 0: 35.
        (Wiring(series=1000), 1666.6667, 3.125, 35.0),
        # 666.67 * 2000 / 2666.67 = 500; 5 V * 500 / 1500 = 1.6667 V; two thirds from 90 to 60: 70.
        (Wiring(parallel=2000), 500.0, 1.66667, 70.0),
        # 500 as before, and 1000 in the line to both: 1500; 5 V * 1500 / 2500 = 3 V: 40.
        (Wiring(series=1000, parallel=2000), 1500.0, 3.0, 40.0),
        # No current, so that nothing drops across the pull-up: 5 V, beyond the curve, which ends at 0.
        (Wiring(is_open=True), np.inf, 5.0, 0.0),
        # All of it drops there: 0 V, below the curve, which begins at 90.
        (Wiring(is_shorted=True), 0.0, 0.0, 90.0),
        (Wiring(), 666.6667, 2.0, 60.0),
    ],
)
def test_a_divider_worked_by_hand(
    hand: Circuit, wiring: Wiring, ohms: float, volts: float, reading: float
) -> None:
    seen = wiring.seen(hand.resistance_at(hand.voltage_of(np.array([60.0]))))
    assert seen == pytest.approx(ohms, abs=1e-4)
    assert hand.voltage_at(seen) == pytest.approx(volts, abs=1e-5)
    assert read(hand, wiring, 60.0) == pytest.approx(reading, abs=1e-9)


def test_the_same_circuit_in_millivolts_or_with_a_rising_sensor_reads_the_same(hand: Circuit) -> None:
    true = np.linspace(0, 90, 91)
    wiring = Wiring(series=300, parallel=5000)
    in_millivolts = built([1000, 2000, 3000, 4000], [90, 60, 40, 0], 1000, "mV")
    falling = built([4, 3, 2, 1], [0, 40, 60, 90], 1000)
    assert read(in_millivolts, wiring, true) == pytest.approx(read(hand, wiring, true), abs=1e-9)
    assert read(falling, wiring, true) == pytest.approx(read(hand, wiring, true), abs=1e-9)
    # A sensor whose resistance rises with the temperature, upside down: what was hot is cold.
    rising = built([1, 2, 3, 4], [0, 30, 50, 90], 1000)
    assert read(rising, wiring, 90 - true) == pytest.approx(90 - read(hand, wiring, true), abs=1e-9)


def test_a_curve_that_ends_at_the_supply_has_an_open_sensor_there() -> None:
    whole = built([0, 2.5, 5], [100, 50, 0], 1000)
    assert whole.resistance_at(whole.voltage_of(np.array([0.0, 100.0]))).tolist() == [np.inf, 0.0]
    assert read(whole, Wiring(series=100), 0.0) == 0.0
    # 1000 ohms across an open sensor: half the supply.
    assert read(whole, Wiring(parallel=1000), 0.0) == pytest.approx(50.0)


@pytest.mark.parametrize(
    ("volts", "values", "unit", "message"),
    [
        ([1, 2, 3], [90, 60, 40], "rpm", "not over V or mV"),
        ([1, 2, 3], [90, 60, 70], "V", "does not rise or fall"),
        ([1, 2, 3], [90, 90, 70], "V", "does not rise or fall"),
        ([1, 2, 3], [90, np.nan, 70], "V", "without a number"),
        ([1, 2, 5.5], [90, 60, 40], "V", "to the supply of 5 V"),
        ([-1, 2, 3], [90, 60, 40], "V", "from 0 V"),
    ],
)
def test_a_curve_without_a_unique_voltage_is_refused(
    volts: list[float], values: list[float], unit: str, message: str
) -> None:
    with pytest.raises(UnusableSensorError, match=message):
        built(volts, values, 1000, unit)


# Thermistors by their equations. Between its breakpoints a curve is a chord of the equation, so that callint
# takes the sensor for one that is some hundredths of a degree warmer or colder, and reads as much beside. The
# closed form for temperatures so far to both sides, and as much added, bounds what may come out.


@dataclass(frozen=True)
class Thermistor:
    """An equation both ways, degrees from ohms and ohms from degrees, and its pull-up at 5 V."""

    degrees: Callable[[Numbers], Numbers]
    ohms: Callable[[Numbers], Numbers]
    pull_up: float

    def at(self, volts: Numbers) -> Numbers:
        """The temperature at a voltage."""
        return self.degrees(self.pull_up * volts / (5.0 - volts))

    def read(self, true: Numbers, wiring: Wiring, ends: tuple[float, float]) -> Numbers:
        """The closed form: what an exact curve between two voltages reads."""
        own = self.ohms(true)
        if wiring.is_open:
            volts = np.full(true.shape, 5.0)
        elif wiring.is_shorted:
            volts = np.zeros(true.shape)
        else:
            if np.isfinite(wiring.parallel):
                own = own * wiring.parallel / (own + wiring.parallel)
            own = own + wiring.series
            volts = 5.0 * own / (own + self.pull_up)
        return self.at(np.clip(volts, *ends))


def by_beta(nominal: float, beta: float, pull_up: float) -> Thermistor:
    return Thermistor(
        lambda ohms: 1 / (1 / 298.15 + np.log(ohms / nominal) / beta) - KELVIN,
        lambda degrees: nominal * np.exp(beta * (1 / (degrees + KELVIN) - 1 / 298.15)),
        pull_up,
    )


def by_steinhart_and_hart(a: float, b: float, c: float, pull_up: float) -> Thermistor:
    def ohms(degrees: Numbers) -> Numbers:
        """The one real root of the cubic in ln R, by Cardano's formula."""
        x = (a - 1 / (degrees + KELVIN)) / c
        y = np.sqrt((b / (3 * c)) ** 3 + x * x / 4)
        result: Numbers = np.exp(np.cbrt(y - x / 2) - np.cbrt(y + x / 2))
        return result

    return Thermistor(lambda ohms: 1 / (a + b * np.log(ohms) + c * np.log(ohms) ** 3) - KELVIN, ohms, pull_up)


#: Invented: some 2 and 10 kilohms at 25 degrees.
THERMISTORS = {
    "beta": by_beta(2200, 3600, 1500),
    "steinhart and hart": by_steinhart_and_hart(1.12e-3, 2.35e-4, 0.9e-7, 4700),
}
WIRINGS = [
    Wiring(),
    Wiring(series=150),
    Wiring(series=2200),
    Wiring(series=47000),
    Wiring(parallel=470),
    Wiring(parallel=10000),
    Wiring(series=680, parallel=3300),
    Wiring(is_open=True),
    Wiring(is_shorted=True),
]


def chord_error(exact: Thermistor, volts: Numbers, values: Numbers) -> float:
    """How far a curve lies from its equation anywhere, in degrees; cells that were rounded count too."""
    parts = np.arange(33) / 32
    dense = (volts[:-1, None] + np.diff(volts)[:, None] * parts).ravel()
    order = np.argsort(volts)
    apart = np.abs(exact.at(dense) - np.interp(dense, volts[order], values[order]))
    # Between two of the places tried a parabola rises above both by at most 1/32**2 of its height.
    return float(apart.max()) * (1 + 1 / 32**2) + 1e-9


def assert_close(
    result: Numbers, exact: Thermistor, true: Numbers, wiring: Wiring, ends: tuple[float, float], error: float
) -> None:
    lowest = exact.read(true - error, wiring, ends) - error
    highest = exact.read(true + error, wiring, ends) + error
    assert (lowest <= result).all() and (result <= highest).all(), (
        wiring,
        result - exact.read(true, wiring, ends),
    )


@pytest.mark.parametrize("name", THERMISTORS)
def test_both_directions_of_an_equation_agree(name: str) -> None:
    degrees = np.linspace(-40, 140, 50)
    exact = THERMISTORS[name]
    assert exact.degrees(exact.ohms(degrees)) == pytest.approx(degrees, abs=1e-6)


@pytest.mark.parametrize("wiring", WIRINGS, ids=str)
@pytest.mark.parametrize("name", THERMISTORS)
def test_false_readings_follow_the_equation_at_every_temperature(name: str, wiring: Wiring) -> None:
    exact = THERMISTORS[name]
    volts = np.linspace(0.1, 4.9, 2001)
    values = exact.at(volts)
    error = chord_error(exact, volts, values)
    assert error < 0.01, "a fine curve"
    true = np.linspace(values.min() + 1, values.max() - 1, 400)
    result = read(built(volts, values, exact.pull_up), wiring, true)
    assert_close(result, exact, true, wiring, (0.1, 4.9), error)


def test_a_resistor_in_series_reads_colder_and_one_in_parallel_warmer() -> None:
    exact = THERMISTORS["beta"]
    volts = np.linspace(0.1, 4.9, 2001)
    item = built(volts, exact.at(volts), exact.pull_up)
    true = np.linspace(-20, 100, 100)
    assert (read(item, Wiring(series=500), true) < true).all()
    assert (read(item, Wiring(parallel=500), true) > true).all()


# The demo's thermistors, whose curves have 16 cells of a tenth of a degree. The notes of the curves say what
# they were made from.

DEMO = REPOSITORY / "fixtures" / "demo" / "steps" / "01-factory"
_NOTE = re.compile(
    r'name="(\w+)_linearisation"(?:(?!</curve>).)*?'
    r"R25 ([\d.]+) ohms,\s+beta ([\d.]+) K,\s+pull-up\s+([\d.]+)\s+ohms",
    re.DOTALL,
)


def demo_thermistors() -> dict[str, Thermistor]:
    text = (DEMO / "definitions" / "skerry-28.xml").read_text("utf-8")
    return {
        f"{name}_temp".replace("_temp_temp", "_temp"): by_beta(*map(float, values))
        for name, *values in _NOTE.findall(text)
    }


def demo_curve(signal: str) -> tuple[Numbers, Numbers]:
    """Breakpoints and cells of a sensor's curve in the demo's base, read without callint."""
    text = (DEMO / "definitions" / "skerry-28.xml").read_text("utf-8")
    name = f"{signal.removesuffix('_temp')}_linearisation"
    if name not in text:
        name = f"{signal}_linearisation"
    (at, axis) = re.findall(
        rf'<curve name="{name}".*?at="(\w+)".*?<x><axis[^>]*?at="(\w+)"', text, re.DOTALL
    )[0]
    data = (DEMO / "factory" / "sk28-0412.bin").read_bytes()
    volts = np.frombuffer(data, ">u2", 16, int(axis, 16)).astype(np.float64)
    cells = np.frombuffer(data, ">i2", 16, int(at, 16)).astype(np.float64)
    return volts * factor(text, "volts"), cells * factor(text, "temp_fine")


def factor(text: str, conversion: str) -> float:
    (result,) = re.findall(rf'<linear name="{conversion}"[^>]*factor="([\d.]+)"', text)
    return float(result)


def test_the_demo_has_three_thermistors() -> None:
    assert sorted(demo_thermistors()) == ["coolant_temp", "fuel_temp", "intake_air_temp"]


@pytest.mark.parametrize(
    ("options", "wiring"),
    [
        (("--series-resistor", "100"), Wiring(series=100)),
        (("--series-resistor", "2200"), Wiring(series=2200)),
        (("--parallel-resistor", "1500"), Wiring(parallel=1500)),
        (("--series-resistor", "330", "--parallel-resistor", "4700"), Wiring(series=330, parallel=4700)),
        (("--open",), Wiring(is_open=True)),
        (("--short",), Wiring(is_shorted=True)),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
)
@pytest.mark.parametrize("signal", ["coolant_temp", "fuel_temp", "intake_air_temp"])
def test_the_demo_reads_what_the_equation_in_its_notes_says(
    signal: str, options: tuple[str, ...], wiring: Wiring
) -> None:
    exact = demo_thermistors()[signal]
    volts, cells = demo_curve(signal)
    error = chord_error(exact, volts, cells)
    assert error < 3, "a coarse curve, and still one of this sensor"
    arguments = (
        "whatif",
        "factory/sk28-0412.bin",
        "--definition",
        "definitions/skerry-28.xml",
        "--format",
        "json",
    )
    result = call(*arguments, "--signal", signal, *options, cwd=DEMO)
    assert (result.status, result.stderr) == (0, "")
    readings = valid(result.data, "whatif.schema.json")["readings"]
    assert len(readings) > 30
    true, actual = (np.array([item[name] for item in readings]) for name in ("true", "false"))
    assert_close(actual, exact, true, wiring, (float(volts.min()), float(volts.max())), error)
    seen = np.array([item["seen_volts"] for item in readings])
    if wiring.is_open or wiring.is_shorted:
        assert set(seen) == {5.0 if wiring.is_open else 0.0}
    else:
        ohms = np.array([item["seen_ohms"] for item in readings])
        assert seen == pytest.approx(5 * ohms / (ohms + exact.pull_up), rel=1e-12)
