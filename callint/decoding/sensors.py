"""Computes the readings of resistive sensors with a pull-up, and the effect of faults in their wiring.

The control unit feeds the sensor through a pull-up resistor and measures the voltage between the two, so a
sensor of R ohms gives U = supply * R / (R + pull-up). A curve in the image turns that voltage into the
signal. A resistor in series adds to R; a resistor Rp in parallel gives R Rp / (R + Rp); a broken wire leaves
the full supply voltage, and a short circuit leaves 0 V (Ohm's law and the voltage divider).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from callint.decoding.surfaces import Surface, is_readable
from callint.model.change import Numbers
from callint.model.definition import Sensor

#: Volts per unit, for the units of a sensor's voltage.
VOLTS = {"V": 1.0, "mV": 1e-3}


class UnusableSensorError(ValueError):
    """A sensor whose curve does not give one voltage for each quantity; the text says why."""


@dataclass(frozen=True, slots=True)
class Wiring:
    """The faults in the wiring of a sensor: ohms in series and in parallel, or a broken or shorted wire."""

    series: float = 0.0
    parallel: float = np.inf
    is_open: bool = False
    is_shorted: bool = False

    def seen(self, resistance: Numbers) -> Numbers:
        """The resistance that the control unit sees, in ohms, any shape; infinite for a broken wire.

        The parallel resistor is across the sensor alone; the series resistor is in the line to both.
        """
        if self.is_open:
            return np.full(np.shape(resistance), np.inf)
        if self.is_shorted:
            return np.zeros(np.shape(resistance))
        with np.errstate(divide="ignore", invalid="ignore"):
            # By conductances, so that a missing parallel resistor is an infinite one.
            together = 1.0 / (1.0 / resistance + 1.0 / self.parallel)
        return together + self.series


@dataclass(frozen=True, slots=True)
class SensorMeasurement:
    """The measurement of a quantity through a wiring; all arrays have the shape of the quantity.

    ``volts`` and ``ohms`` are those of the sensor alone, ``seen_ohms`` and ``seen_volts`` those that the
    control unit sees, and ``reading`` is the quantity that it derives from them.
    """

    volts: Numbers
    ohms: Numbers
    seen_ohms: Numbers
    seen_volts: Numbers
    reading: Numbers


@dataclass(frozen=True)
class Circuit:
    """A sensor with its curve over volts from the image; ``scale`` is volts per unit of the curve's axis."""

    sensor: Sensor
    curve: Surface
    scale: float

    @property
    def range(self) -> tuple[float, float]:
        """The lowest and the highest quantity of the curve."""
        values = self.curve.grid.physical
        return float(values.min()), float(values.max())

    def voltage_of(self, quantity: Numbers) -> Numbers:
        """The voltage at which the curve gives a quantity, held at the ends of the curve; any shape."""
        (volts,) = self.curve.breakpoints.values()
        values = self.curve.grid.physical[0]
        order = np.argsort(values)
        voltage: Numbers = np.interp(quantity, values[order], volts[order] * self.scale)
        return voltage

    def resistance_at(self, voltage: Numbers) -> Numbers:
        """The resistance of the sensor at a voltage; infinite at the supply voltage."""
        with np.errstate(divide="ignore"):
            return self.sensor.pull_up * voltage / (self.sensor.supply - voltage)

    def voltage_at(self, resistance: Numbers) -> Numbers:
        """The voltage at a resistance; the supply voltage for an infinite one."""
        with np.errstate(invalid="ignore"):
            share = resistance / (resistance + self.sensor.pull_up)
        return self.sensor.supply * np.where(np.isinf(resistance), 1.0, share)

    def is_beyond(self, voltage: float) -> bool:
        """Whether a voltage is outside the breakpoints of the curve, where the reading is that of the end."""
        (volts,) = self.curve.breakpoints.values()
        return not volts.min() * self.scale <= voltage <= volts.max() * self.scale

    def reading_at(self, voltage: Numbers) -> Numbers:
        """The reading of the control unit at a voltage."""
        (signal,) = self.curve.signals
        return self.curve.at({signal: voltage / self.scale})

    def measured(self, quantity: Numbers, wiring: Wiring) -> SensorMeasurement:
        """The measurement of a quantity through a wiring."""
        volts = self.voltage_of(quantity)
        ohms = self.resistance_at(volts)
        seen_ohms = wiring.seen(ohms)
        seen_volts = self.voltage_at(seen_ohms)
        return SensorMeasurement(volts, ohms, seen_ohms, seen_volts, self.reading_at(seen_volts))


def circuit(sensor: Sensor, curve: Surface, unit: str) -> Circuit:
    """A sensor's circuit; ``unit`` is that of the curve's axis. Raises UnusableSensorError."""
    if unit not in VOLTS or len(curve.signals) != 1:
        raise UnusableSensorError(f"its curve {sensor.curve} is not over V or mV")
    scale = VOLTS[unit]
    values = curve.grid.physical[0]
    if not np.isfinite(values).all():
        raise UnusableSensorError(f"its curve {sensor.curve} has cells without a number")
    if len(values) < 2 or not is_readable(values):
        raise UnusableSensorError(f"its curve {sensor.curve} does not rise or fall throughout")
    (volts,) = curve.breakpoints.values()
    if not (volts.min() * scale >= 0 and volts.max() * scale <= sensor.supply):
        raise UnusableSensorError(
            f"its curve {sensor.curve} leaves the range from 0 V to the supply of {sensor.supply:g} V"
        )
    return Circuit(sensor, curve, scale)
