"""Compares the output of every table for a false reading of a signal with its output for the true value.

Other signals vary over their operating ranges, on the breakpoints of all tables concerned, or have one value
each. A table that puts out a signal passes the effect of the false reading on. For a table that the false
signal feeds directly, the largest effect is exact: between breakpoints of the other signals the output is
linear. Through a chain of tables it is the largest at the points tried: breakpoints and some points between.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from callint.decoding.sensors import VOLTS
from callint.decoding.signal_graph import ReachedTables, signals_of
from callint.decoding.surfaces import Surface, grid_points
from callint.model.change import Numbers
from callint.model.definition import Definition, Kind, Table

#: The largest number of operating points tried for one table; wider ranges are tried at fewer points.
MOST_POINTS = 200_000
#: Through a chain, the interval between two breakpoints is tried in this number of steps.
_STEPS = 8
#: A table that more tables feed is computed at fewer points, so that all of their outputs fit in memory.
_MANY_FEEDERS = 8
#: The largest number of outputs that are kept for the next table.
_MOST_KEPT = 2 * _MANY_FEEDERS * MOST_POINTS


@dataclass(frozen=True, slots=True)
class FaultEffect:
    """The largest effect of a false reading on one table.

    ``true`` and ``false`` are its output for the true value and the false reading, NaN if it is off; ``at``
    has the other signals there, and ``reading`` is the index of the reading. ``share`` is the difference as a
    share of the table's span, from its smallest cell to its largest; 1 if it is switched on or off.
    ``switched`` counts the operating points at which only one of the two is off, ``points`` all of them.
    ``via`` are the tables between the signal and this one.
    """

    table: Table
    true: float
    false: float
    at: dict[str, float]
    reading: int
    share: float
    switched: int
    points: int
    via: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ComparedSignal:
    """A signal that scalars are compared with: true values and readings; any one shape, in ``unit``."""

    unit: str
    true: Numbers
    false: Numbers


@dataclass(frozen=True, slots=True)
class Threshold:
    """A scalar that is compared with a signal which the false reading affects.

    ``value`` is NaN if it is off. ``true`` and ``false`` are the lowest and the highest value of the compared
    signal, in the unit of the scalar; ``is_crossed`` if a reading lies on the other side than its true value.
    """

    table: Table
    value: float
    true: tuple[float, float]
    false: tuple[float, float]
    is_crossed: bool


@dataclass(frozen=True, slots=True)
class FalseReading:
    """True values of a signal, and what the control unit reads instead; shape (readings,) each."""

    signal: str
    true: Numbers
    false: Numbers


class _Grid:
    """A grid of operating points, and the signals that tables put out there.

    ``points`` are the values of each free signal. The dimensions are the readings, first the true values and
    then the false ones, and the free signals with several points, in order. ``values`` has all signals in
    shapes that broadcast to ``shape``.
    """

    def __init__(self, points: dict[str, Numbers], signal: str, readings: Numbers) -> None:
        self.points = points
        wide = [name for name, values in points.items() if len(values) > 1]
        self.shape = (len(readings), *(len(points[name]) for name in wide))
        self.values: dict[str, Numbers | float] = {
            name: float(values[0]) for name, values in points.items() if len(values) == 1
        }
        self.values |= {name: array[None] for name, array in grid_points(points, wide).items()}
        self.values[signal] = readings.reshape(-1, *(1 for _ in wide))
        self._count = 0

    def serves(self, points: dict[str, Numbers]) -> bool:
        """Whether these are the points, of the same signals in the same order, and there is room for more."""
        return (
            self._count < _MOST_KEPT
            and list(points) == list(self.points)
            and all(np.array_equal(values, self.points[name]) for name, values in points.items())
        )

    def keep(self, signal: str, output: Numbers) -> None:
        """Keep a signal that a table puts out, for the tables that it feeds."""
        self.values[signal] = output
        self._count += output.size


class SensorFault:
    """The effects of false readings of one signal on the tables that it reaches.

    ``surfaces`` are those of the reached tables, as far as they can be read, and of the scalars. ``given``
    has the values of other signals that do not vary.
    """

    def __init__(
        self,
        definition: Definition,
        surfaces: Mapping[str, Surface],
        reached: ReachedTables,
        reading: FalseReading,
        given: Mapping[str, float] | None = None,
    ) -> None:
        self._definition = definition
        self._surfaces = surfaces
        self._producers = reached.producers
        self._signal = reading.signal
        self._readings = np.concatenate([reading.true, reading.false])
        self._given = dict(given or {})
        self._points: dict[str, Numbers] = {}
        #: The grid of the last table: those of a chain mostly have the same, and each is then computed once.
        self._grid = _Grid({}, reading.signal, self._readings)
        #: The tables that can be read, each after those that feed it, and their places in this order.
        self._tables: list[Table] = []
        self._places: dict[str, int] = {}
        #: The signals that each of them takes from other tables.
        self._taken: dict[str, list[str]] = {}
        #: The table through which the signal reaches each table by the shortest path.
        self._feeder: dict[str, Table | None] = {}
        unread = []
        depths: dict[str, int] = {}
        for table in reached.tables:
            taken = [name for name in signals_of(definition, table) if name in self._producers]
            feeding = [self._producers[name] for name in taken]
            if table.name not in surfaces or any(producer.name not in depths for producer in feeding):
                unread.append(table)
                continue
            is_direct = self._signal in surfaces[table.name].signals
            nearest = None if is_direct else min(feeding, key=lambda producer: depths[producer.name])
            depths[table.name] = 0 if nearest is None else depths[nearest.name] + 1
            self._feeder[table.name] = nearest
            self._taken[table.name] = taken
            self._places[table.name] = len(self._tables)
            self._tables.append(table)
        #: Tables without a result, because they, or a table that feeds them, cannot be read.
        self.unread = tuple(table.name for table in sorted(unread, key=lambda table: table.line))

    def effects(self, step: Callable[[int], None] = lambda done: None) -> list[FaultEffect]:
        """The effect on every reached table that can be read, in the order of the definition.

        ``step`` is called with the number of tables done.
        """
        effects = []
        for number, table in enumerate(self._tables, 1):
            effects.append(self._effect(table))
            step(number)
        return sorted(effects, key=lambda effect: effect.table.line)

    def thresholds(self, compared: Mapping[str, ComparedSignal]) -> Iterator[Threshold]:
        """The scalars that are compared with a ``compared`` signal, or with the output of a reached table."""
        signals = dict(compared)
        for scalar in self._definition.tables.values():
            name = scalar.signal
            if scalar.kind is not Kind.SCALAR or name is None or scalar.name not in self._surfaces:
                continue
            producer = self._producers.get(name)
            if name not in signals and producer is not None and producer.name in self._feeder:
                signals[name] = ComparedSignal(
                    self._definition.unit_of(producer), *self._outputs(producer)[:2]
                )
            if name in signals:
                factor = _factor(signals[name].unit, self._definition.unit_of(scalar))
                value = self._surfaces[scalar.name].at({}).item()
                if factor is not None:
                    yield _threshold(scalar, value, factor * signals[name].true, factor * signals[name].false)

    def points_of(self, table: Table) -> dict[str, Numbers]:
        """The values to try of each free signal that a table's output depends on, each rising.

        The table depends on them directly or through the tables that feed it. All combinations, times the
        number of readings, are at most MOST_POINTS.
        """
        feeders = self._feeders(table)
        signals = dict.fromkeys(
            signal
            for feeder in (table, *reversed(feeders))
            for signal in self._surfaces[feeder.name].signals
            if signal != self._signal and signal not in self._producers
        )
        points = {signal: self._values(signal) for signal in signals}
        if feeders:
            points = {signal: _refined(values, _STEPS) for signal, values in points.items()}
        left = MOST_POINTS / (len(self._readings) / 2) / max(1.0, len(feeders) / _MANY_FEEDERS)
        # Signals with few points keep them all, which leaves more to the others.
        for rank, signal in enumerate(sorted(points, key=lambda signal: len(points[signal]))):
            points[signal] = _reduced(points[signal], max(1, int(left ** (1 / (len(points) - rank)))))
            left = max(1.0, left / len(points[signal]))
        return points

    def _feeders(self, table: Table, known: Container[str] = ()) -> list[Table]:
        """The tables that feed a table, directly or not, each after those that feed it.

        Leaves out those that put out ``known`` signals, and what only they need.
        """
        signals: set[str] = set()
        pending = [table.name]
        while pending:
            for signal in self._taken[pending.pop()]:
                if signal not in signals and signal not in known:
                    signals.add(signal)
                    pending.append(self._producers[signal].name)
        feeders = [self._producers[signal] for signal in signals]
        return sorted(feeders, key=lambda feeder: self._places[feeder.name])

    def _effect(self, table: Table) -> FaultEffect:
        true, false, points = self._outputs(table)
        is_switched = np.isnan(true) != np.isnan(false)
        with np.errstate(invalid="ignore"):
            distance = np.where(is_switched, np.inf, np.abs(false - true))
        # If it is off for both, there is no difference.
        distance = np.where(np.isnan(distance), 0.0, distance)
        worst = np.unravel_index(int(np.argmax(distance)), distance.shape)
        values = self._surfaces[table.name].grid.physical
        values = values[np.isfinite(values)]
        span = float(values.max() - values.min()) if values.size else 0.0
        size = float(distance[worst])
        wide = [signal for signal, values in points.items() if len(values) > 1]
        places = dict(zip(wide, worst[1:], strict=True))
        return FaultEffect(
            table,
            float(true[worst]),
            float(false[worst]),
            {signal: float(values[places.get(signal, 0)]) for signal, values in points.items()},
            int(worst[0]),
            1.0 if np.isinf(size) else size / span if span else 0.0,
            int(np.count_nonzero(is_switched)),
            is_switched.size,
            self._path_to(table),
        )

    def _outputs(self, table: Table) -> tuple[Numbers, Numbers, dict[str, Numbers]]:
        """A table's output for the true and the false values, and the points of the free signals.

        The dimensions are the readings, then the free signals with several points, in order.
        """
        points = self.points_of(table)
        if not self._grid.serves(points):
            self._grid = _Grid(points, self._signal, self._readings)
        grid = self._grid
        output: Numbers = np.zeros(0)
        for item in (*self._feeders(table, grid.values), table):
            output = self._surfaces[item.name].at(grid.values)
            if item.produces is not None and self._producers.get(item.produces) is item:
                grid.keep(item.produces, output)
        true, false = np.split(np.broadcast_to(output, grid.shape), 2)
        return true, false, points

    def _values(self, signal: str) -> Numbers:
        """A signal's given value, or the ends of its range and the breakpoints of all tables within it."""
        if signal in self._given:
            return np.array([self._given[signal]])
        if signal not in self._points:
            axes = [
                self._surfaces[table.name].breakpoints[signal]
                for table in self._tables
                if signal in self._surfaces[table.name].signals
            ]
            everywhere = np.unique(np.concatenate(axes))
            definition = self._definition.signals.get(signal)
            limits = definition and (definition.operating or definition.plausible)
            if limits:
                low, high = limits.low, limits.high
                inside = everywhere[(everywhere > low) & (everywhere < high)]
                everywhere = np.concatenate([[low], inside, [high]]) if low < high else np.array([low])
            self._points[signal] = everywhere
        return self._points[signal]

    def _path_to(self, table: Table) -> tuple[str, ...]:
        """The tables on a shortest path from the false signal to a table."""
        path: list[str] = []
        feeder = self._feeder[table.name]
        while feeder is not None:
            path.append(feeder.name)
            feeder = self._feeder[feeder.name]
        return tuple(reversed(path))


def _threshold(scalar: Table, value: float, true: Numbers, false: Numbers) -> Threshold:
    with np.errstate(invalid="ignore"):
        is_other_side = np.sign(true - value) != np.sign(false - value)
    is_known = np.isfinite(true) & np.isfinite(false) & np.isfinite(value)
    return Threshold(scalar, value, _range(true), _range(false), bool((is_other_side & is_known).any()))


def _range(values: Numbers) -> tuple[float, float]:
    finite = values[np.isfinite(values)]
    return (float(finite.min()), float(finite.max())) if finite.size else (np.nan, np.nan)


def _factor(unit: str, wanted: str) -> float | None:
    """The factor from one unit to another; None if they are not units of the same quantity."""
    if unit == wanted or not wanted or wanted == "-":
        return 1.0
    return VOLTS[unit] / VOLTS[wanted] if unit in VOLTS and wanted in VOLTS else None


def _refined(values: Numbers, steps: int) -> Numbers:
    """Rising values with more between them: each interval in ``steps`` steps."""
    if len(values) < 2:
        return values
    places = np.arange((len(values) - 1) * steps + 1) / steps
    refined: Numbers = np.interp(places, np.arange(len(values)), values)
    return refined


def _reduced(values: Numbers, most: int) -> Numbers:
    """At most ``most`` of the values, evenly spread and with both ends; the middle one if ``most`` is 1."""
    if len(values) <= most:
        return values
    if most == 1:
        return values[len(values) // 2 : len(values) // 2 + 1]
    reduced: Numbers = values[np.unique(np.linspace(0, len(values) - 1, most).round().astype(int))]
    return reduced
