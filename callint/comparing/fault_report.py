"""The result of a misread signal: readings, effects on tables, thresholds that are crossed."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from callint.comparing.sensor_faults import FaultEffect, Threshold
from callint.decoding.decode import Decoded
from callint.decoding.obstacles import NotDescribed, NotFed, Obstacle, obstacle
from callint.decoding.round_numbers import round_values
from callint.decoding.sensors import Circuit, SensorMeasurement, Wiring
from callint.decoding.signal_graph import ReachedTables, signals_of
from callint.model.change import Flags, Numbers
from callint.model.definition import PLAIN, Conversion, Definition, Purpose, Signal, Table

#: An effect below this share of the table's span is slight.
SLIGHT = 0.005


@dataclass(frozen=True)
class WiringReadings:
    """The readings behind a wiring fault: the quantities at the sensor and at the control unit.

    ``is_beyond_curve`` flags the voltages beyond the sensor's curve, shape (readings,).
    """

    circuit: Circuit
    wiring: Wiring
    measurement: SensorMeasurement
    is_beyond_curve: Flags


@dataclass(frozen=True)
class FaultReport:
    """A misread signal with all its effects: ``true`` values and ``false`` readings, shape (readings,).

    ``image`` is the image's name. ``given`` has the fixed values of other signals. ``unreadable`` gives, by
    table, what prevents its evaluation. ``rivals`` are tables that also put out a signal on the
    way and that callint does not follow. ``wiring`` and ``circuit`` are set if the readings are computed
    from a sensor. ``is_selection`` says that only some tables were asked for.
    """

    image: str
    definition: Definition
    signal: Signal
    true: Numbers
    false: Numbers
    effects: list[FaultEffect]
    thresholds: list[Threshold]
    given: Mapping[str, float]
    unreadable: Mapping[str, Obstacle]
    rivals: Mapping[str, tuple[Table, ...]]
    wiring: Wiring | None = None
    circuit: Circuit | None = None
    is_selection: bool = False

    def only(self, names: frozenset[str]) -> FaultReport:
        """The same report for some tables."""
        return replace(
            self,
            effects=[effect for effect in self.effects if effect.table.name in names],
            thresholds=[threshold for threshold in self.thresholds if threshold.table.name in names],
            unreadable={name: problem for name, problem in self.unreadable.items() if name in names},
            is_selection=True,
        )

    @cached_property
    def wiring_readings(self) -> WiringReadings | None:
        """The readings from the sensor to the control unit; None if the false reading was given."""
        if self.circuit is None or self.wiring is None:
            return None
        measurement = self.circuit.measured(self.true, self.wiring)
        is_beyond = [self.circuit.is_beyond(volts) for volts in measurement.seen_volts.tolist()]
        return WiringReadings(self.circuit, self.wiring, measurement, np.array(is_beyond, bool))

    @property
    def reading_conversion(self) -> Conversion:
        """The conversion that a computed reading is printed with: that of the sensor's curve."""
        curve = None if self.circuit is None else self.definition.tables.get(self.circuit.sensor.curve)
        return PLAIN if curve is None else self.definition.conversion_of(curve)

    @property
    def is_true_implausible(self) -> bool:
        """Whether a true value lies outside the signal's plausible range."""
        return self._is_implausible(self.true)

    @property
    def is_false_implausible(self) -> bool:
        """Whether a false reading lies outside the signal's plausible range."""
        return self._is_implausible(self.false)

    def _is_implausible(self, values: Numbers) -> bool:
        limits = self.signal.plausible
        return limits is not None and bool((values < limits.low).any() or (values > limits.high).any())

    @property
    def has_free_signals(self) -> bool:
        """Whether an effect depends on the value of a signal that is not given."""
        return any(set(effect.at) - set(self.given) for effect in self.effects)

    def effects_of(self, purpose: Purpose, with_slight: bool = True) -> list[FaultEffect]:
        """The effects on tables of one purpose, the largest first."""
        effects = [effect for effect in self.effects if effect.table.purpose is purpose]
        effects.sort(key=lambda effect: -effect.share)
        return [effect for effect in effects if with_slight or effect.share >= SLIGHT]

    @property
    def slight_count(self) -> int:
        """The number of slight effects."""
        return sum(effect.share < SLIGHT for effect in self.effects)

    @property
    def crossed(self) -> list[Threshold]:
        """The thresholds that the false reading crosses."""
        return [threshold for threshold in self.thresholds if threshold.is_crossed]

    @property
    def uncrossed(self) -> list[Threshold]:
        """The thresholds that the false reading does not cross."""
        return [threshold for threshold in self.thresholds if not threshold.is_crossed]

    def round_readings(self, steps: int) -> Iterator[int]:
        """The indexes of the readings whose true value is round: at most ``steps`` + 2, with both ends."""
        round_numbers = round_values(float(self.true[0]), float(self.true[-1]), steps)
        yield from np.flatnonzero(np.isin(self.true, round_numbers)).tolist()


def obstacles(decoded: Decoded, reached: ReachedTables, names: Collection[str]) -> dict[str, Obstacle]:
    """What prevents the evaluation of tables: a fault of their own, or of the tables that feed them.

    ``names`` are all tables that cannot be evaluated.
    """
    definition, problems = decoded.layout.definition, dict[str, Obstacle]()
    for name in names:
        table = definition.tables[name]
        if name not in decoded.layout.table_items:
            problems[name] = NotDescribed()
        elif problem := obstacle(decoded, table):
            problems[name] = problem
        else:
            producers = [
                reached.producers[signal].name
                for signal in signals_of(definition, table)
                if signal in reached.producers
            ]
            problems[name] = NotFed(tuple(producer for producer in producers if producer in names))
    return problems
