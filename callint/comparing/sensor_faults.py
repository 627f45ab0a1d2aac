"""What every table puts out when a signal is read wrongly, beside what it would put out.

Signals other than the false one have their operating ranges, on the breakpoints of all tables concerned, or
one value each. A table that puts out a signal hands on what it makes of the false reading. For a table that
the false signal feeds directly the worst case found is exact: between breakpoints of the others its output
changes linearly. Through a chain it is the worst of the points that were tried, breakpoints and some between.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from callint.decoding.sensors import VOLTS
from callint.decoding.signal_graph import Reach, signals_of
from callint.decoding.surfaces import Surface, mesh
from callint.model.change import Numbers
from callint.model.definition import Definition, Kind, Table

#: Operating points that are tried for one table at most; ranges of more are tried at fewer places.
MOST_POINTS = 200_000
#: Through a chain, the stretch between two breakpoints is tried in so many steps.
_STEPS = 8


@dataclass(frozen=True, slots=True)
class Effect:
    """What a false reading does to one table, where it does most.

    ``true`` and ``false`` are its output there, NaN where it is off; ``at`` has the other signals, and
    ``case`` is the number of the reading. ``share`` is the distance as a share of the table's span, from its
    smallest cell to its largest; 1 where it is switched. ``switched`` and ``points`` count the operating
    points at which it is off by one of the readings only, and all. ``via`` are the tables between the signal
    and this one.
    """

    table: Table
    true: float
    false: float
    at: dict[str, float]
    case: int
    share: float
    switched: int
    points: int
    via: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Watched:
    """A quantity that scalars are compared with, as it is and as it is read; any one shape, in ``unit``."""

    unit: str
    true: Numbers
    false: Numbers


@dataclass(frozen=True, slots=True)
class Threshold:
    """A scalar that something on the way of the false signal is compared with.

    ``value`` is NaN where it is off. ``true`` and ``false`` are the lowest and the highest of what it is
    compared with, in its own unit; it is crossed where one of these lies on its other side than the truth.
    """

    table: Table
    value: float
    true: tuple[float, float]
    false: tuple[float, float]
    is_crossed: bool


class Misreading:
    """The false reading of one signal: ``true`` and ``false`` values, shape (cases,), and what they reach.

    ``surfaces`` are those of the tables reached, as far as they can be read, and of the scalars.
    """

    def __init__(
        self,
        definition: Definition,
        surfaces: Mapping[str, Surface],
        reach: Reach,
        signal: str,
        true: Numbers,
        false: Numbers,
        given: Mapping[str, float] | None = None,
    ) -> None:
        self._definition = definition
        self._surfaces = surfaces
        self._makers = reach.makers
        self._signal = signal
        self._readings = true, false
        self._given = dict(given or {})
        self._points: dict[str, Numbers] = {}
        self._tables: list[Table] = []
        self._behind: dict[str, Table | None] = {}
        unread = []
        depths: dict[str, int] = {}
        for table in reach.tables:
            feeding = self._feeding(table)
            if table.name not in surfaces or any(maker.name not in depths for maker in feeding):
                unread.append(table)
                continue
            is_direct = signal in surfaces[table.name].signals
            nearest = None if is_direct else min(feeding, key=lambda maker: depths[maker.name])
            depths[table.name] = 0 if nearest is None else depths[nearest.name] + 1
            self._behind[table.name] = nearest
            self._tables.append(table)
        #: Tables of which nothing can be said, as they, or a table that feeds them, cannot be read.
        self.unread = tuple(table.name for table in sorted(unread, key=lambda table: table.line))

    def effects(self) -> list[Effect]:
        """The effect on every table that is reached and can be read, in the order of the definition."""
        return [self._effect(table) for table in sorted(self._tables, key=lambda table: table.line)]

    def thresholds(self, watched: Mapping[str, Watched]) -> Iterator[Threshold]:
        """Every scalar that is compared with a ``watched`` signal, or with one that is made on the way."""
        known = dict(watched)
        for scalar in self._definition.tables.values():
            name = scalar.signal
            if scalar.kind is not Kind.SCALAR or name is None or scalar.name not in self._surfaces:
                continue
            maker = self._makers.get(name)
            if name not in known and maker is not None and maker.name in self._behind:
                known[name] = Watched(self._definition.unit_of(maker), *self._outputs(maker)[:2])
            if name in known:
                factor = _factor(known[name].unit, self._definition.unit_of(scalar))
                value = self._surfaces[scalar.name].at({}).item()
                if factor is not None:
                    yield _threshold(scalar, value, factor * known[name].true, factor * known[name].false)

    def free_signals(self, table: Table) -> list[str]:
        """The signals that a table's output depends on beside the false one, through those that feed it."""
        free: dict[str, None] = {}
        for feeder in (table, *reversed(self._feeders(table))):
            for signal in self._surfaces[feeder.name].signals:
                if signal != self._signal and signal not in self._makers:
                    free[signal] = None
        return list(free)

    def points_of(self, table: Table) -> dict[str, Numbers]:
        """The values of each free signal that are tried for a table, each rising.

        So few that all together, at every reading, are no more than MOST_POINTS.
        """
        points = {signal: self._values(signal) for signal in self.free_signals(table)}
        if self._feeders(table):
            points = {signal: _filled(values, _STEPS) for signal, values in points.items()}
        left = MOST_POINTS / len(self._readings[0])
        # Those with few points keep them, and leave more to those with many.
        for rank, signal in enumerate(sorted(points, key=lambda signal: len(points[signal]))):
            points[signal] = _thinned(points[signal], max(1, int(left ** (1 / (len(points) - rank)))))
            left = max(1.0, left / len(points[signal]))
        return points

    def _feeding(self, table: Table) -> list[Table]:
        """The tables that put out signals of a table's axes."""
        signals = signals_of(self._definition, table)
        return [self._makers[signal] for signal in signals if signal in self._makers]

    def _feeders(self, table: Table) -> list[Table]:
        """The tables that feed a table, at any distance, each behind those that feed it."""
        names: set[str] = set()
        waiting = [table]
        while waiting:
            for maker in self._feeding(waiting.pop()):
                if maker.name not in names:
                    names.add(maker.name)
                    waiting.append(maker)
        return [maker for maker in self._tables if maker.name in names]

    def _effect(self, table: Table) -> Effect:
        true, false, points = self._outputs(table)
        is_switched = np.isnan(true) != np.isnan(false)
        with np.errstate(invalid="ignore"):
            distance = np.where(is_switched, np.inf, np.abs(false - true))
        # Where it is off by both readings, there is no difference.
        distance = np.where(np.isnan(distance), 0.0, distance)
        worst = np.unravel_index(int(np.argmax(distance)), distance.shape)
        values = self._surfaces[table.name].grid.physical
        values = values[np.isfinite(values)]
        span = float(values.max() - values.min()) if values.size else 0.0
        size = float(distance[worst])
        wide = [signal for signal, several in points.items() if len(several) > 1]
        places = dict(zip(wide, worst[1:], strict=True))
        return Effect(
            table,
            float(true[worst]),
            float(false[worst]),
            {signal: float(several[places.get(signal, 0)]) for signal, several in points.items()},
            int(worst[0]),
            1.0 if np.isinf(size) else size / span if span else 0.0,
            int(np.count_nonzero(is_switched)),
            is_switched.size,
            self._way(table),
        )

    def _outputs(self, table: Table) -> tuple[Numbers, Numbers, dict[str, Numbers]]:
        """A table's output by the true and by the false reading, and the points of the free signals.

        The dimensions are the reading's cases, then the free signals that have several points, in order.
        """
        feeders = self._feeders(table)
        points = self.points_of(table)
        wide = [signal for signal, several in points.items() if len(several) > 1]
        fixed = {signal: several[0] for signal, several in points.items() if len(several) == 1}
        counts = [len(points[signal]) for signal in wide]
        true, false = (
            np.broadcast_to(
                self._output((*feeders, table), fixed, mesh(points, wide), reading), (len(reading), *counts)
            )
            for reading in self._readings
        )
        return true, false, points

    def _output(
        self,
        tables: Sequence[Table],
        fixed: Mapping[str, float],
        wide: Mapping[str, Numbers],
        reading: Numbers,
    ) -> Numbers:
        """The output of the last of some tables, of which each may feed those behind it."""
        places: dict[str, Numbers | float] = {**fixed, **{name: array[None] for name, array in wide.items()}}
        places[self._signal] = reading.reshape(-1, *(1 for _ in wide))
        output: Numbers = np.zeros(0)
        for table in tables:
            output = self._surfaces[table.name].at(places)
            if table.produces is not None and self._makers.get(table.produces) is table:
                places[table.produces] = output
        return output

    def _values(self, signal: str) -> Numbers:
        """A signal's one value, or the ends of its range and the breakpoints of all tables within it."""
        if signal in self._given:
            return np.array([self._given[signal]])
        if signal not in self._points:
            axes = [
                self._surfaces[table.name].breakpoints[signal]
                for table in self._tables
                if signal in self._surfaces[table.name].signals
            ]
            everywhere = np.unique(np.concatenate(axes))
            known = self._definition.signals.get(signal)
            usual = known and (known.operating or known.plausible)
            if usual:
                low, high = usual.low, usual.high
                inside = everywhere[(everywhere > low) & (everywhere < high)]
                everywhere = np.concatenate([[low], inside, [high]]) if low < high else np.array([low])
            self._points[signal] = everywhere
        return self._points[signal]

    def _way(self, table: Table) -> tuple[str, ...]:
        """The tables on a shortest way from the false signal to a table."""
        way: list[str] = []
        behind = self._behind[table.name]
        while behind is not None:
            way.append(behind.name)
            behind = self._behind[behind.name]
        return tuple(reversed(way))


def _threshold(scalar: Table, value: float, true: Numbers, false: Numbers) -> Threshold:
    with np.errstate(invalid="ignore"):
        is_other_side = np.sign(true - value) != np.sign(false - value)
    is_known = np.isfinite(true) & np.isfinite(false) & np.isfinite(value)
    return Threshold(scalar, value, _range(true), _range(false), bool((is_other_side & is_known).any()))


def _range(values: Numbers) -> tuple[float, float]:
    known = values[np.isfinite(values)]
    return (float(known.min()), float(known.max())) if known.size else (np.nan, np.nan)


def _factor(unit: str, wanted: str) -> float | None:
    """What leads from one unit to another; None where they are not the same quantity."""
    if unit == wanted or not wanted or wanted == "-":
        return 1.0
    return VOLTS[unit] / VOLTS[wanted] if unit in VOLTS and wanted in VOLTS else None


def _filled(values: Numbers, steps: int) -> Numbers:
    """Some rising values, with more between them: each stretch in so many steps."""
    if len(values) < 2:
        return values
    places = np.arange((len(values) - 1) * steps + 1) / steps
    filled: Numbers = np.interp(places, np.arange(len(values)), values)
    return filled


def _thinned(values: Numbers, most: int) -> Numbers:
    """At most so many of some values, evenly, both ends among them; the middle one where one is to stay."""
    if len(values) <= most:
        return values
    if most == 1:
        return values[len(values) // 2 : len(values) // 2 + 1]
    thinned: Numbers = values[np.unique(np.linspace(0, len(values) - 1, most).round().astype(int))]
    return thinned
